"""The output files: RFC 4180, CSVW, Parquet, whole or not at all, the same bytes every time."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
import time
import typing
import warnings
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from extractor.calibration import model
from extractor.calibration.model import Calibration, Landmark, Readout
from extractor.errors import CallError
from extractor.export import export, flagged_crop_name, read_readings, readings_frame
from extractor.export.grids import readings_grid, shortest
from extractor.records import (
    DOUBTS,
    READINGS,
    TABLES,
    Box,
    Capture,
    Doubt,
    FrameReadings,
    Gap,
    Judged,
    Judgement,
    Problem,
    Reading,
    Sighting,
    Verdict,
    guard_cell,
    guard_path,
    unguard_cell,
    unguard_path,
)

DOCS = Path(__file__).parents[1] / "docs"


def _layout(identity: str, name: str, *readouts: Readout) -> Calibration:
    landmark = Landmark(name="head", sort="word", box=(0, 0, 10, 10), word="rate")
    return Calibration(
        format=1, id=identity, name=name, shows="a layout of the tests", drawn_on=(2400, 1080),
        landmark=(landmark,), readout=readouts,
    )  # fmt: skip


STRIP = _layout(
    "stripid1",
    "strip",
    Readout(name="frame_rate", kind="number", quantity="frame_rate", unit="fps"),
    Readout(name="power", kind="number", quantity="power", unit="W"),
    Readout(name="outcome", kind="word", quantity="outcome"),
    Readout(name="render_size", kind="size", quantity="render_size", unit="px"),
    Readout(name="run", kind="number", quantity="count"),
)
CARDS = _layout(
    "cardsid1",
    "cards-dark",
    Readout(name="power", kind="number", quantity="power", unit="W"),
    Readout(name="frame_rate", kind="number", quantity="frame_rate", statistic="mean", unit="fps"),
)
LAYOUTS = {each.id: each for each in (STRIP, CARDS)}
BOX = Box(10.12345, 20.0, 30.5, 12.25)
UNSURE = Doubt("unsure", "read with probability 0.97, released from 0.99999")


def judged(
    readout: str, value: float | None, text: str, layout: Calibration = STRIP, **more: object
) -> Judged:
    reading = Reading(layout.id, readout.partition(".")[0], BOX, text, 0.999)
    known: dict[str, object] = {
        "candidate": None, "half_width": None if value is None else 0.05, "unit": "",
        "confidence": 0.9999999, "doubts": (), "source": "read",
    }  # fmt: skip
    return Judged(reading, readout, value, **{**known, **more})  # type: ignore[arg-type]


def verdict(path: str, *rows: Judged, at_s: float | None = None, taken: str = "",
            **facts: str) -> Verdict:  # fmt: skip
    medium: typing.Literal["still", "recording"] = "still" if at_s is None else "recording"
    capture = Capture(path, Path(path), f"{path.encode().hex()}-1", medium, 2400, 1080, taken)
    pts = None if at_s is None else round(at_s * 90_000)
    frame = FrameReadings(capture.content, pts, at_s, (), tuple(row.reading for row in rows))
    return Verdict(Sighting(capture, frame, facts), "run 1", rows)


def write(out: Path, *verdicts: Verdict, **more: object) -> None:
    inputs: dict[str, object] = {
        "captures": [each.sighting.capture for each in verdicts],
        "calibrations": LAYOUTS, "problems": (), "gaps": (), "run": {"ocrlog": "0.1.0"},
    }  # fmt: skip
    export(out, judgement=Judgement(verdicts), **{**inputs, **more})  # type: ignore[arg-type]


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))


PLAIN = verdict(
    "H1/a.png",
    judged("frame_rate", 59.9, "59.9", unit="fps"),
    judged("power", None, "5.53", candidate=5.53, unit="W", doubts=(UNSURE, UNSURE)),
    judged("outcome", None, "completed"),
    judged("render_size.width", 1280.0, "1280x720", unit="px", half_width=0.5),
    judged("render_size.height", 720.0, "1280x720", unit="px", half_width=0.5),
    taken="2026-03-14T10:03:50",
    device="H1",
    round="1",
)


# ---------------------------------------------------------------- what stands in the tables


def test_the_columns_are_those_of_the_table_then_the_facts(tmp_path: Path) -> None:
    write(tmp_path, PLAIN, verdict("b.png", judged("power", 1.0, "1"), zone="north", attempt="2"))
    header = (tmp_path / "readings.csv").read_bytes().split(b"\r\n")[0].decode().split(",")
    assert header == [
        *(column.name for column in READINGS.columns),
        "device", "variant", "round", "attempt", "zone",
    ]  # fmt: skip


def test_a_row_says_what_was_read_and_what_holds(tmp_path: Path) -> None:
    write(tmp_path, PLAIN)
    rate, power, outcome, width, height = rows_of(tmp_path / "readings.csv")
    assert rate == {
        "capture": "H1/a.png", "at_s": "", "taken": "2026-03-14T10:03:50", "layout": "strip",
        "readout": "frame_rate", "text": "59.9", "value": "59.9", "candidate": "",
        "half_width": "0.05", "unit": "fps", "confidence": "0.999999", "flags": "", "why": "",
        "source": "read", "decided_text": "", "settled_flags": "", "x": "10.123", "y": "20",
        "w": "30.5", "h": "12.25", "device": "H1", "variant": "", "round": "1", "attempt": "",
    }  # fmt: skip
    assert (power["value"], power["candidate"], power["flags"]) == ("", "5.53", "unsure")
    assert power["why"] == UNSURE.why
    assert (outcome["value"], outcome["text"]) == ("", "completed")
    assert (width["readout"], width["value"]) == ("render_size.width", "1280")
    assert (height["readout"], height["value"]) == ("render_size.height", "720")


def test_a_person_decided(tmp_path: Path) -> None:
    row = judged("power", 5.58, "5.53", source="corrected", confidence=None, settled=(UNSURE,),
                 decided_text="5.58")  # fmt: skip
    write(tmp_path, verdict("a.png", row))
    (power,) = rows_of(tmp_path / "readings.csv")
    assert (power["text"], power["value"], power["decided_text"]) == ("5.53", "5.58", "5.58")
    assert (power["confidence"], power["settled_flags"]) == ("", "unsure")


def test_a_readout_that_is_not_shown_has_no_box(tmp_path: Path) -> None:
    row = replace(judged("power", None, ""), reading=Reading("stripid1", "power", None))
    write(tmp_path, verdict("a.png", row))
    (power,) = rows_of(tmp_path / "readings.csv")
    assert [power[name] for name in "xywh"] == [""] * 4


def test_rows_are_sorted_by_code_points_then_time_then_readout(tmp_path: Path) -> None:
    power, rate = judged("power", 1.0, "1"), judged("frame_rate", 2.0, "2")
    write(
        tmp_path,
        verdict("é.png", rate),
        verdict("b.mp4", rate, at_s=10.0),
        verdict("b.mp4", judged("power", 4.0, "4", CARDS), power, rate, at_s=9.0),
        verdict("a.png", rate),
        verdict("Z.png", rate),
        verdict("\U0001f600.png", rate),
        verdict("￿.png", rate),
    )
    rows = rows_of(tmp_path / "readings.csv")
    assert [(row["capture"], row["at_s"], row["layout"], row["readout"]) for row in rows] == [
        ("Z.png", "", "strip", "frame_rate"),
        ("a.png", "", "strip", "frame_rate"),
        ("b.mp4", "9.000", "cards-dark", "power"),
        ("b.mp4", "9.000", "strip", "frame_rate"),
        ("b.mp4", "9.000", "strip", "power"),
        ("b.mp4", "10.000", "strip", "frame_rate"),
        ("é.png", "", "strip", "frame_rate"),
        ("￿.png", "", "strip", "frame_rate"),
        ("\U0001f600.png", "", "strip", "frame_rate"),
    ]


@pytest.mark.parametrize(
    ("probability", "written"),
    [(0.9999999, "0.999999"), (0.29, "0.29"), (0.1234567, "0.123456"), (1.0, "1"), (0.0, "0"),
     (9.9e-7, "0"), (0.9999995, "0.999999"), (0.999999, "0.999999")],
)  # fmt: skip
def test_confidence_is_rounded_down(tmp_path: Path, probability: float, written: str) -> None:
    write(tmp_path, verdict("a.png", judged("power", 1.0, "1", confidence=probability)))
    assert rows_of(tmp_path / "readings.csv")[0]["confidence"] == written


@given(st.floats(0, 1))
def test_confidence_never_looks_surer(probability: float) -> None:
    grid = readings_grid(
        Judgement((verdict("a.png", judged("power", 1.0, "1", confidence=probability)),)), LAYOUTS
    )
    (row,) = grid.rows
    written = row[[column.name for column in grid.columns].index("confidence")]
    assert isinstance(written, float)
    assert written <= probability < written + 1.0000001e-6


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_value_is_the_shortest_text_that_reads_back_equal(value: float) -> None:
    text = shortest(value)
    assert float(text) == value
    # No text of one digit less reads back equal: Python's repr promises the fewest digits.
    digits = re.sub(r"[eE].*|[-.]", "", text).strip("0")
    if len(digits) > 1:
        assert float(f"{value:.{len(digits) - 2}e}") != value


def test_values_as_people_write_them() -> None:
    texts = [shortest(value) for value in (60.0, 59.9, -0.5, 1234567.0, 0.1 + 0.2, 1e22)]
    assert texts == ["60", "59.9", "-0.5", "1234567", "0.30000000000000004", "1e+22"]


def test_captures_have_a_column_a_readout_and_only_what_is_released(tmp_path: Path) -> None:
    spare = Capture("nothing.png", Path("nothing.png"), "0-1", "still", 10, 10, "2026-01-01")
    write(tmp_path, PLAIN, captures=[PLAIN.sighting.capture, spare])
    with_reading, without = rows_of(tmp_path / "captures.csv")
    assert with_reading == {
        "capture": "H1/a.png", "at_s": "", "taken": "2026-03-14T10:03:50", "run": "run 1",
        "frame_rate": "59.9", "power": "", "outcome": "completed",
        "render_size.width": "1280", "render_size.height": "720", "strip.run": "",
    }  # fmt: skip
    assert without["capture"] == "nothing.png" and without["frame_rate"] == ""


def test_unlike_readouts_of_one_name_have_columns_of_their_own(tmp_path: Path) -> None:
    write(
        tmp_path,
        verdict(
            "a.png",
            judged("frame_rate", 60.0, "60"),
            judged("frame_rate", 55.0, "55", CARDS),
            judged("power", 5.0, "5"),
            judged("power", 5.0, "5", CARDS),
        ),
    )
    (row,) = rows_of(tmp_path / "captures.csv")
    assert (row["strip.frame_rate"], row["cards-dark.frame_rate"], row["power"]) == (
        "60",
        "55",
        "5",
    )


def test_two_layouts_that_disagree_leave_the_cell_blank_and_that_is_said(tmp_path: Path) -> None:
    both = verdict("a.png", judged("power", 5.0, "5"), judged("power", 6.0, "6", CARDS))
    report = export(
        tmp_path, judgement=Judgement((both,)), captures=(), calibrations=LAYOUTS,
        problems=(), gaps=(), run={},
    )  # fmt: skip
    assert rows_of(tmp_path / "captures.csv")[0]["power"] == ""
    (notice,) = report.notices
    assert "different power" in notice


def test_words_that_are_flagged_or_missing_are_no_released_words(tmp_path: Path) -> None:
    write(
        tmp_path,
        verdict("a.png", judged("outcome", None, "complet", doubts=(UNSURE,))),
        verdict("b.png", judged("outcome", None, "--", source="missing")),
        verdict("c.png", judged("outcome", None, "complet", source="corrected",
                                decided_text="completed")),
    )  # fmt: skip
    assert [row["outcome"] for row in rows_of(tmp_path / "captures.csv")] == ["", "", "completed"]


def test_problems_and_gaps(tmp_path: Path) -> None:
    write(
        tmp_path,
        problems=[Problem("b.png", "empty", "take it out"), Problem("=a.png", "cut", "copy it")],
        gaps=[Gap("r.mp4", 20.0, 30.5, "no layout"), Gap("r.mp4", 3.0, 9.0004, "no layout")],
    )
    assert rows_of(tmp_path / "problems.csv") == [
        {"capture": "./=a.png", "problem": "cut", "mend": "copy it"},
        {"capture": "b.png", "problem": "empty", "mend": "take it out"},
    ]
    assert [(row["from_s"], row["to_s"]) for row in rows_of(tmp_path / "gaps.csv")] == [
        ("3.000", "9.000"),
        ("20.000", "30.500"),
    ]


# ---------------------------------------------------------------- no cell starts a formula


@pytest.mark.parametrize(
    ("text", "cell"),
    [("=1+1", "'=1+1"), ("+a", "'+a"), ("-", "'-"), ("@x", "'@x"), ("\tx", "'\tx"), ("\rx", "'\rx"),
     ("-5", "-5"), ("+1.5e3", "+1.5e3"), ("-.5", "-.5"), ("-5 W", "'-5 W"), ("-1,5", "'-1,5"),
     ("'=x", "''=x"), ("'x", "'x"), ("a=b", "a=b"), ("", ""), ("-12:30", "'-12:30")],
)  # fmt: skip
def test_the_guard_of_a_cell(text: str, cell: str) -> None:
    assert guard_cell(text) == cell
    assert unguard_cell(cell) == text


_RISKY = st.text("'=+-@\t\r./x5", max_size=6) | st.text(max_size=6)


@given(_RISKY)
def test_the_guards_can_be_undone_and_guard(text: str) -> None:
    for guard, undo in ((guard_cell, unguard_cell), (guard_path, unguard_path)):
        cell = guard(text)
        assert undo(cell) == text
        number = guard is guard_cell and re.fullmatch(r"[+-]?[0-9.]+([eE][+-]?[0-9]+)?", cell)
        assert not cell.startswith(("=", "+", "-", "@", "\t", "\r")) or number


# ---------------------------------------------------------------- RFC 4180
# Source: RFC 4180, section 2, "Definition of the CSV Format", points 1 to 7.


def test_rfc_4180(tmp_path: Path) -> None:
    name = 'a "quoted", name\r\nof two lines.png'
    write(tmp_path, verdict(name, judged("power", 1.0, "1")), PLAIN)
    data = (tmp_path / "readings.csv").read_bytes()
    assert not data.startswith(b"\xef\xbb\xbf")
    bare = re.sub(rb'"(?:[^"]|"")*"', b"Q", data)  # what stands outside quotes
    # 1, 2: each record on a line of its own, delimited by CRLF; the last may end so too.
    assert bare.endswith(b"\r\n") and b"\n" not in bare.replace(b"\r\n", b"")
    assert b"\r" not in bare.replace(b"\r\n", b"")
    lines = bare.removesuffix(b"\r\n").split(b"\r\n")
    # 3, 4: a header with as many fields as the records; spaces belong to fields.
    assert len({line.count(b",") for line in lines}) == 1
    # 5: fields may be in quotes; without them no quote appears inside.
    assert b'"' not in bare
    # 6: fields with line breaks, quotes and commas are in quotes. 7: a quote is doubled.
    assert b'"a ""quoted"", name\r\nof two lines.png"' in data
    # Python's csv and pandas agree with that.
    header, *rows = csv.reader(io.StringIO(data.decode(), newline=""), strict=True)
    assert {len(row) for row in rows} == {len(header)}
    assert name in {row[0] for row in rows}
    frame = pd.read_csv(tmp_path / "readings.csv", dtype=str, keep_default_na=False)
    assert list(frame.columns) == header
    assert frame.to_numpy().tolist() == rows


_RISKY_NAME = _RISKY.filter(lambda text: text != "" and "\0" not in text)
_ANY_NAME = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), min_size=1)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(st.lists(_ANY_NAME | _RISKY_NAME, max_size=4), _RISKY_NAME)
def test_any_text_survives_csv_and_parquet(tmp_path: Path, names: list[str], text: str) -> None:
    row = judged("power", None, text, doubts=(UNSURE,))
    verdicts = tuple(verdict(name, row, device=text) for name in names)
    grid = readings_grid(Judgement(verdicts), LAYOUTS)
    (tmp_path / "readings.csv").write_bytes(grid.csv())
    (tmp_path / "readings.parquet").write_bytes(grid.parquet())
    for file in ("readings.csv", "readings.parquet"):
        frame = read_readings(tmp_path / file)
        assert frame["capture"].tolist() == sorted(names)
        assert frame["text"].tolist() == frame["device"].tolist() == [text] * len(names)


# ---------------------------------------------------------------- reading back


def test_csv_parquet_and_the_frame_from_the_judge_are_equal(tmp_path: Path) -> None:
    recording = verdict("=r.mp4", judged("frame_rate", 1 / 3, "0.3"), at_s=12.3456)
    out = tmp_path / "readings"
    write(out, PLAIN, recording)
    from_csv, from_parquet = (
        read_readings(out / "readings.csv"),
        read_readings(out / "readings.parquet"),
    )
    pd.testing.assert_frame_equal(from_csv, from_parquet, check_exact=True)
    frame = readings_frame(Judgement((PLAIN, recording)), LAYOUTS)
    pd.testing.assert_frame_equal(from_csv, frame, check_exact=True)
    for place in (out, tmp_path, str(tmp_path)):
        pd.testing.assert_frame_equal(read_readings(place), from_csv)
    assert from_csv["capture"].tolist()[0] == "=r.mp4"
    assert from_csv["at_s"].tolist()[0] == 12.346
    assert from_csv["value"].tolist()[0] == 1 / 3
    for column in READINGS.columns:
        kind = "float64" if column.dtype == "number" else "str"
        assert from_csv[column.name].dtype == kind, column.name


def test_an_empty_result_has_headers_and_types(tmp_path: Path) -> None:
    write(tmp_path)
    for table in TABLES:
        assert rows_of(tmp_path / f"{table.name}.csv") == []
    pd.testing.assert_frame_equal(
        read_readings(tmp_path / "readings.csv"), read_readings(tmp_path / "readings.parquet")
    )
    assert readings_frame(Judgement(()), LAYOUTS)["value"].dtype == "float64"


def test_every_table_is_there_as_parquet_with_units_and_meanings(tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    write(tmp_path, PLAIN, problems=[Problem("=b", "empty", "mend")])
    for table in TABLES:
        schema = pq.read_schema(tmp_path / f"{table.name}.parquet")
        for column in table.columns:
            field = schema.field(column.name)
            assert field.metadata[b"meaning"].decode() == column.meaning
            assert field.metadata[b"unit"].decode() == column.unit
    problems = pd.read_parquet(tmp_path / "problems.parquet")
    assert problems["capture"].tolist() == ["=b"]  # raw: a data frame runs no formulas


@pytest.mark.parametrize("name", ["nothing.csv", "folder"])
def test_readings_that_are_not_there_are_a_clear_error(tmp_path: Path, name: str) -> None:
    with pytest.raises(CallError, match=f"{name}: no readings there; run `ocrlog extract` first"):
        read_readings(tmp_path / name)


def test_another_table_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "some.csv").write_text("capture,b\r\n1,2\r\n")
    with pytest.raises(CallError, match=r"some\.csv: no table of readings, it lacks at_s, cand"):
        read_readings(tmp_path / "some.csv")


# ---------------------------------------------------------------- CSVW and UCUM


def test_the_metadata_are_valid_csvw(tmp_path: Path) -> None:
    """Source: W3C, Metadata Vocabulary for Tabular Data, 2015, as the csvw package checks it."""
    from csvw import CSVW

    write(
        tmp_path,
        PLAIN,
        verdict("r.mp4", judged("frame_rate", 55.0, "55", CARDS), at_s=3.0),
        problems=[Problem("a", "b", "c")],
        gaps=[Gap("r.mp4", 1.0, 2.0, "none")],
    )
    with warnings.catch_warnings():
        warnings.simplefilter("always")  # it collects warnings: they are its findings
        document = CSVW(str(tmp_path / "csv-metadata.json"), validate=True)
        assert document.is_valid, document.warnings
        tables = {table.url.string: list(table) for table in document.tables}
    assert set(tables) == {f"{table.name}.csv" for table in TABLES}
    assert tables["readings.csv"][0]["value"] == 59.9
    assert tables["captures.csv"][0]["render_size.width"] == 1280.0
    described = json.loads((tmp_path / "csv-metadata.json").read_text())
    columns = {
        column["titles"]: column for column in described["tables"][1]["tableSchema"]["columns"]
    }
    assert columns["power"]["schema:unitText"] == "W"
    assert columns["cards-dark.frame_rate"]["dc:description"] == "frame_rate: mean"


def test_the_validator_refuses_a_table_that_does_not_fit(tmp_path: Path) -> None:
    from csvw import CSVW

    write(tmp_path, PLAIN)
    file = tmp_path / "readings.csv"
    file.write_bytes(file.read_bytes().replace(b"59.9,59.9", b"59.9,many"))
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        assert not CSVW(str(tmp_path / "csv-metadata.json"), validate=True).is_valid


def test_units_are_ucum_or_the_trades_own() -> None:
    """Source: The Unified Code for Units of Measure, as the ucumvert package parses it."""
    from ucumvert import get_ucum_parser

    parser = get_ucum_parser()
    own = {"fps", "px"}  # frames a second, pixels: common practice, no UCUM codes
    units = set(typing.get_args(model.Unit)) - {""}
    assert own < units
    for unit in units - own:
        parser.parse(unit)
    for column in (column for table in TABLES for column in table.columns if column.unit):
        assert column.unit in units


# ---------------------------------------------------------------- whole, or not at all


def _bytes(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_inputs_give_the_same_bytes(tmp_path: Path) -> None:
    for name in "ab":
        write(tmp_path / name, PLAIN, problems=[Problem("a", "b", "c")])
        time.sleep(0.01)
    assert _bytes(tmp_path / "a") == _bytes(tmp_path / "b")
    assert set(_bytes(tmp_path / "a")) == {
        "readings.csv", "readings.parquet", "captures.csv", "captures.parquet",
        "problems.csv", "problems.parquet", "gaps.csv", "gaps.parquet",
        "traces.csv", "traces.parquet", "charts.csv", "charts.parquet",
        "csv-metadata.json", "run.json", "flagged/undecided.jsonl",
    }  # fmt: skip


def test_files_that_would_not_change_are_left_alone(tmp_path: Path) -> None:
    write(tmp_path, PLAIN)
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    for file in files:
        os.utime(file, (1, 1))
    write(tmp_path, PLAIN)
    assert {file.stat().st_mtime for file in files} == {1}
    write(tmp_path, PLAIN, problems=[Problem("a", "b", "c")])
    assert {file.name for file in files if file.stat().st_mtime != 1} == {
        "problems.csv", "problems.parquet", "run.json",
    }  # fmt: skip


@pytest.mark.parametrize("name", ["readings.parquet", "readings.csv", "run.json"])
def test_a_spoilt_file_is_made_anew(tmp_path: Path, name: str) -> None:
    write(tmp_path, PLAIN)
    whole = _bytes(tmp_path)
    for spoilt in (b"spoilt", whole[name][:-3], None):
        if spoilt is None:
            (tmp_path / name).unlink()
        else:
            (tmp_path / name).write_bytes(spoilt)
        write(tmp_path, PLAIN)
        assert _bytes(tmp_path) == whole


def test_a_table_that_another_program_holds_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path, PLAIN)
    old = (tmp_path / "readings.csv").read_bytes()
    replace_file = Path.replace

    def held(path: Path, target: Path) -> Path:
        # What Windows does while a spreadsheet program has the file open.
        if Path(target).name == "readings.csv":
            raise PermissionError(13, "Permission denied")
        return replace_file(path, target)

    other = verdict("b.png", judged("power", 4.5, "4.5"))
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", held)
        report = export(
            tmp_path, judgement=Judgement((other,)), captures=(), calibrations=LAYOUTS,
            problems=(), gaps=(), run={},
        )  # fmt: skip
    assert (tmp_path / "readings.csv").read_bytes() == old
    (notice,) = report.notices
    assert "readings.csv could not be replaced" in notice and "readings.new.csv" in notice
    assert tmp_path / "readings.new.csv" in report.files
    assert read_readings(tmp_path)["value"].tolist() == [4.5]
    write(tmp_path, other)
    assert not (tmp_path / "readings.new.csv").exists()
    assert read_readings(tmp_path)["value"].tolist() == [4.5]


def test_a_full_disk_leaves_the_last_result_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path, PLAIN)
    before = _bytes(tmp_path)
    count = 0

    def full(handle: int) -> None:
        nonlocal count
        count += 1
        if count == 5:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(CallError, match=r"cannot be written \(No space left on device\); free"):
        write(tmp_path, verdict("b.png", judged("power", 4.5, "4.5", doubts=(UNSURE,))))
    assert _bytes(tmp_path) == before


def test_a_folder_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file where the folder should be")
    with pytest.raises(CallError, match=r"cannot be written .*--out"):
        write(tmp_path / "out", PLAIN)


def test_what_a_killed_run_left_is_cleared(tmp_path: Path) -> None:
    (tmp_path / ".readings.csv.part").write_text("half")
    write(tmp_path, PLAIN)
    assert not list(tmp_path.glob(".*"))


def test_run_json_says_how_it_was_made(tmp_path: Path) -> None:
    write(tmp_path, PLAIN, run={"ocrlog": "0.1.0", "calibrations": [{"id": "stripid1"}]})
    run = json.loads((tmp_path / "run.json").read_text())
    assert run["calibrations"] == [{"id": "stripid1"}]
    rows = {"readings": 5, "captures": 1, "problems": 0, "gaps": 0, "traces": 0, "charts": 0}
    assert run["rows"] == rows
    assert (run["released"], run["flags"]) == (4, {"unsure": 1})
    assert set(run["files"]) >= {"readings.csv", "readings.parquet", "csv-metadata.json"}


# ---------------------------------------------------------------- flagged readings


def test_names_of_crops_are_readable_stable_and_safe() -> None:
    row = judged("power", None, "5.53", doubts=(UNSURE,))
    name = flagged_crop_name(verdict("H1/20260314 1.png", row), row)
    assert re.fullmatch(r"20260314_1_power_[0-9a-f]{10}\.png", name)
    assert flagged_crop_name(verdict("H1/20260314 1.png", row), row) == name
    still = flagged_crop_name(verdict("CON.mp4", row, at_s=12.3456), row)
    assert re.fullmatch(r"CON_12\.346s_power_[0-9a-f]{10}\.png", still)
    width, height = (
        judged("render_size.width", 1.0, "1x2"),
        judged("render_size.height", 2.0, "1x2"),
    )
    of_width, of_height = (
        flagged_crop_name(verdict("a.png", each), each) for each in (width, height)
    )
    assert of_width == of_height


@settings(max_examples=40)
@given(st.lists(st.tuples(_ANY_NAME, st.sampled_from(["power", "frame_rate"]),
                          st.none() | st.floats(0, 9e4)), unique=True, max_size=8))  # fmt: skip
def test_names_of_crops_never_clash(told: list[tuple[str, str, float | None]]) -> None:
    names = set()
    for path, readout, at_s in told:
        row = judged(readout, None, "1")
        name = flagged_crop_name(verdict(path, row, at_s=at_s), row)
        assert re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,155}\.png", name)
        names.add(name.lower())
    by_frame = {(path, readout, None if at_s is None else round(at_s * 90_000))
                for path, readout, at_s in told}  # fmt: skip
    assert len(names) == len(by_frame)


def test_every_flagged_reading_has_a_line_to_fill_in(tmp_path: Path) -> None:
    hidden = replace(
        judged("frame_rate", None, "", doubts=(Doubt("not-shown", "scrolled off"),)),
        reading=Reading("stripid1", "frame_rate", None),
    )
    size = [
        judged(f"render_size.{side}", None, "1280x72", doubts=(UNSURE,))
        for side in ("width", "height")
    ]
    write(tmp_path, PLAIN, verdict("b.png", hidden, *size))
    lines = (tmp_path / "flagged" / "undecided.jsonl").read_text().splitlines()
    entries = [json.loads(line) for line in lines]
    assert [
        (each["capture"], each["readout"], each["before"], each["action"]) for each in entries
    ] == [
        ("H1/a.png", "power", "5.53", ""),
        ("b.png", "render_size", "1280x72", ""),
    ]
    assert entries[0]["crop"] == flagged_crop_name(PLAIN, PLAIN.judged[1])


# ---------------------------------------------------------------- speed

_CACHED_RUN = """
import sys, time
begin = time.process_time()
from extractor.export import export
assert not {"pandas", "pyarrow", "numpy"} & set(sys.modules), "slow to import, and not needed"
"""


def test_importing_the_export_stays_quick() -> None:
    subprocess.run([sys.executable, "-c", _CACHED_RUN], check=True)


def test_an_unchanged_result_needs_no_pyarrow(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from extractor.export import export\n"
        "from extractor.records import Judgement\n"
        "export(Path(sys.argv[1]), judgement=Judgement(()), captures=(), calibrations={},\n"
        "       problems=(), gaps=(), run={})\n"
        "print('pyarrow' in sys.modules)"
    )
    said = [
        subprocess.run(
            [sys.executable, "-c", code, str(tmp_path)], check=True, capture_output=True, text=True
        ).stdout.strip()
        for _ in range(2)
    ]
    assert said == ["True", "False"]


def test_a_hundred_thousand_readings_are_written_in_seconds(tmp_path: Path) -> None:
    rows = PLAIN.judged
    verdicts = [
        verdict(f"H1/{number:05}.png", *rows, device="H1", round="1") for number in range(2000)
    ]  # a tenth, so that the tests stay short
    begin = time.process_time()
    write(tmp_path, *verdicts)
    assert time.process_time() - begin < 2.0


# ---------------------------------------------------------------- documentation


def test_every_column_flag_and_file_is_described() -> None:
    text = (DOCS / "output.md").read_text(encoding="utf-8")
    described = set(re.findall(r"`([^`\n]+)`", text))
    columns = {column.name for table in TABLES for column in table.columns}
    files = {f"{table.name}.csv" for table in TABLES} | {
        "csv-metadata.json", "run.json", "flagged/undecided.jsonl", "cache.sqlite",
    }  # fmt: skip
    sources = {"read", "missing", "corrected", "accepted", "typed"}
    facts = {"device", "variant", "round", "attempt"}
    assert not (columns | set(DOUBTS) | files | sources | facts) - described
    for entry in DOUBTS.values():
        assert f"| `{entry.code}` | {entry.sentence} |" in text, entry.code
