"""What people state wins and is never lost; guesses have support and follow corrections."""

from __future__ import annotations

import csv
import io
import itertools
from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from extractor import captures as sources
from extractor.calibration import load_calibrations
from extractor.errors import FileFaultsError
from extractor.facts import (
    NOTHING_WRITTEN,
    Facts,
    Written,
    propose,
    read_facts_csv,
    statistics_of,
    write_facts_csv,
)
from extractor.records import Capture
from extractor.session import Device, Session, Variant, load_session

ROOT = Path(__file__).parents[1]
LIVE = frozenset(("now",))
SUMMARY = frozenset(("mean", "lowest", "start", "end", "total"))
BATTERY = frozenset(("mean", "start", "end", "total"))
NOON = datetime(2026, 3, 14, 12)


def capture(path: str, minute: float | None = None, size: tuple[int, int] = (2400, 1080),
            **more: object) -> Capture:  # fmt: skip
    taken = "" if minute is None else (NOON + timedelta(minutes=minute)).isoformat()
    known: dict[str, object] = {"medium": "still", "taken": taken, **more}
    return Capture(path, Path(path), f"{path}-1", width=size[0], height=size[1], **known)  # type: ignore[arg-type]


def session(pattern: str | None = None, rounds: int | None = None, **devices: Device) -> Session:
    return Session(format=1, captures=pattern, rounds=rounds, device=devices)


H1, H2, H3 = (
    Device(screen=(1080, 2400)),
    Device(screen=(1280, 720)),
    Device(screen=(2560, 1440), variant={"limiter-on": Variant(), "limiter-off": Variant()}),
)
THREE = session(H1=H1, H2=H2, H3=H3)


def facts_of(one: Capture, of: Session | None = THREE, written: Written = NOTHING_WRITTEN) -> Facts:
    return propose([one], {}, of, written)[one.path]


# ---------------------------------------------------------------- device and variant


@pytest.mark.parametrize(
    ("path", "size", "device"),
    [
        ("a.png", (2400, 1080), "H1"),
        ("a.png", (1080, 2400), "H1"),
        ("H2/a.png", (640, 360), "H2"),  # scaled down, told by its folder
        ("old/h2_a.png", (640, 360), "H2"),
        ("H2.png", (640, 360), "H2"),
        ("H22/a.png", (640, 360), "screen-640x360"),
        ("a.png", (360, 640), "screen-640x360"),
        ("H2/a.png", (2400, 1080), ""),  # name and size contradict each other
        ("H2/a.png", (1000, 1000), ""),
        ("H1/H2/a.png", (640, 360), "H2"),  # only H2 has this shape
        ("H1 or H3/a.png", (1100, 1100), ""),
    ],
)
def test_the_device_is_told_by_pixel_size_and_name(
    path: str, size: tuple[int, int], device: str
) -> None:
    facts = facts_of(capture(path, size=size))
    assert facts.values.get("device", "") == device
    assert facts.guessed == ({"device"} if device else frozenset())
    assert facts.fault == ""


def test_devices_of_one_size_are_told_by_name_or_not_at_all() -> None:
    twins = session(H1=H1, H4=H1)
    assert "device" not in facts_of(capture("a.png"), twins).values
    assert facts_of(capture("H4 a.png"), twins).values["device"] == "H4"


def test_the_longer_of_two_names_counts() -> None:
    of = session(H1=H1, **{"H1 Pro": H1})
    assert facts_of(capture("H1_pro/a.png"), of).values["device"] == "H1 Pro"
    assert facts_of(capture("H1/a.png"), of).values["device"] == "H1"


def test_the_camera_tells_the_device() -> None:
    assert facts_of(capture("a", camera="Maker H2", size=(9, 9))).values["device"] == "H2"
    assert facts_of(capture("a", camera="Maker X", size=(9, 9))).values["device"] == "Maker X"
    assert facts_of(capture("a", camera="Maker H2"), None).values["device"] == "Maker H2"


def test_without_a_session_file_the_size_makes_a_stable_name() -> None:
    assert facts_of(capture("a.png"), None).values == {"device": "screen-2400x1080"}
    assert facts_of(capture("b", size=(1080, 2400)), None).values == {"device": "screen-2400x1080"}


@pytest.mark.parametrize(
    ("path", "variant"),
    [("H3-limiter-on/a.png", "limiter-on"), ("H3/limiter_off/a.png", "limiter-off"),
     ("H3/a.png", ""), ("limiter-on limiter-off/a.png", ""), ("unlimiter-on/a.png", "")],
)  # fmt: skip
def test_the_variant_is_told_by_name(path: str, variant: str) -> None:
    facts = facts_of(capture(path, size=(2560, 1440)))
    assert facts.values.get("variant", "") == variant


def test_a_variant_of_another_device_is_none() -> None:
    assert "variant" not in facts_of(capture("H1 limiter-on.png")).values


# ---------------------------------------------------------------- stated facts


def test_a_pattern_states_and_a_written_cell_wins_over_it() -> None:
    of = session("{device}/round-{round}/{capture}", H1=H1, H2=H2)
    path = "H1/round-02/a.png"
    facts = facts_of(capture(path), of)
    assert facts.values == {"device": "H1", "round": "2"}
    assert facts.guessed == frozenset()
    written = {path: {"round": "3", "zone": "north", "device": ""}}
    facts = facts_of(capture(path), of, written)
    assert facts.values == {"round": "3", "zone": "north"}  # the device was cleared


def test_a_stated_device_of_another_shape_is_a_fault() -> None:
    written = {"a.png": {"device": "H2"}}
    facts = facts_of(capture("a.png", size=(2400, 1080)), THREE, written)
    assert facts.values["device"] == "H2"
    assert "H2, whose captures are 1280 x 720 px" in facts.fault
    assert "2400 x 1080 px" in facts.fault
    for size in ((1280, 720), (720, 1280), (640, 360), (1280, 733)):
        assert facts_of(capture("a.png", size=size), THREE, written).fault == ""
    assert facts_of(capture("a.png", size=(1280, 736)), THREE, written).fault != ""
    assert facts_of(capture("a.png"), THREE, {"a.png": {"device": "H9"}}).fault == ""


# ---------------------------------------------------------------- round and attempt

Told = list[tuple[str, str]]


def rounds_of(
    shots: Iterable[tuple[float, frozenset[str]]], *, written: Written = NOTHING_WRITTEN,
    planned: int | None = None, names: dict[int, str] | None = None,
) -> Told:  # fmt: skip
    """(round, attempt) of captures named 0, 1, 2, ... taken at these minutes."""
    captures, shown = [], {}
    for number, (minute, statistics) in enumerate(shots):
        path = (names or {}).get(number, str(number))
        captures.append(capture(path, minute))
        shown[path] = statistics
    of = session(rounds=planned, H1=H1)
    proposed = propose(list(reversed(captures)), shown, of, written)
    return [
        (proposed[each.path].values.get("round", ""), proposed[each.path].values.get("attempt", ""))
        for each in captures
    ]


def test_live_overlays_then_summaries_make_a_round() -> None:
    shots = [(0, LIVE), (5, LIVE), (10, SUMMARY), (10.2, SUMMARY), (12, LIVE), (21, SUMMARY),
             (23, LIVE)]  # fmt: skip
    assert rounds_of(shots) == [("1", "1")] * 4 + [("2", "1")] * 2 + [("3", "1")]


def test_summaries_alone_tell_rounds_by_their_distance() -> None:
    shots = [(10, SUMMARY), (10.2, SUMMARY), (21, SUMMARY), (32, SUMMARY)]
    assert [number for number, _ in rounds_of(shots)] == ["1", "1", "2", "3"]


def test_a_long_break_is_a_new_attempt() -> None:
    shots = [(0, LIVE), (10, SUMMARY), (41, LIVE), (50, SUMMARY), (52, LIVE), (60, SUMMARY)]
    assert rounds_of(shots) == [("1", "1")] * 2 + [("1", "2")] * 2 + [("2", "2")] * 2


def test_more_rounds_than_planned_are_a_new_attempt() -> None:
    shots = [(minute + part, kind) for minute in (0, 10, 20, 29) for part, kind in
             ((0, LIVE), (5, SUMMARY))]  # fmt: skip
    assert rounds_of(shots, planned=2)[::2] == [
        ("1", "1"), ("2", "1"), ("1", "2"), ("2", "2"),
    ]  # fmt: skip


def test_without_summaries_there_are_no_rounds() -> None:
    assert rounds_of([(0, LIVE), (5, LIVE), (10, LIVE)]) == [("", "")] * 3
    assert rounds_of([(0, frozenset()), (5, frozenset())]) == [("", "")] * 2


def test_a_battery_test_is_no_round() -> None:
    shots = [(0, LIVE), (10, SUMMARY), (900, BATTERY)]
    assert rounds_of(shots) == [("1", "1"), ("1", "1"), ("", "")]


def test_captures_without_a_time_get_no_guess_from_the_order() -> None:
    shots = {"a": LIVE, "b": SUMMARY}
    proposed = propose([capture("a"), capture("b")], shots, THREE, NOTHING_WRITTEN)
    assert {name: each.values for name, each in proposed.items()} == {
        "a": {"device": "H1"},
        "b": {"device": "H1"},
    }


def test_the_end_of_a_recording_counts_for_the_break() -> None:
    run = capture("run.mp4", 0, medium="recording", duration_s=40 * 60.0)
    later = capture("later", 45)
    proposed = propose([run, later], {"run.mp4": LIVE, "later": SUMMARY}, THREE, NOTHING_WRITTEN)
    assert proposed["later"].values["attempt"] == "1"


def test_guesses_follow_a_correction() -> None:
    shots = [(0, LIVE), (5, LIVE), (10, SUMMARY), (12, LIVE), (21, SUMMARY)]
    assert rounds_of(shots, written={"1": {"round": "2"}}) == [
        ("2", "1"), ("2", "1"), ("2", "1"), ("3", "1"), ("3", "1"),
    ]  # fmt: skip
    assert rounds_of(shots, written={"0": {"attempt": "4"}})[0] == ("1", "4")


def test_numbers_in_names_count_and_a_round_that_comes_again_is_an_attempt() -> None:
    shots = [(0, LIVE), (5, SUMMARY), (8, LIVE), (14, SUMMARY), (18, LIVE), (25, SUMMARY)]
    names = {0: "Round 2/0", 1: "Round 2/1", 2: "round-2 attempt_02/2", 3: "round-2 attempt_02/3",
             4: "round3/4", 5: "round3/5"}  # fmt: skip
    assert rounds_of(shots, names=names) == [("2", "1")] * 2 + [("2", "2")] * 2 + [("3", "1")] * 2
    plain = {key: name.replace(" attempt_02", "") for key, name in names.items()}
    assert rounds_of(shots, names=plain) == rounds_of(shots, names=names)


def test_the_next_named_round_after_a_long_break_is_no_new_attempt() -> None:
    shots = [(0, LIVE), (5, SUMMARY), (50, LIVE), (55, SUMMARY)]
    names = {0: "round-1/0", 1: "round-1/1", 2: "round-2/2", 3: "round-2/3"}
    assert rounds_of(shots, names=names) == [("1", "1")] * 2 + [("2", "1")] * 2


def test_a_stated_round_without_summaries_holds_from_there() -> None:
    shots = [(0, LIVE), (5, LIVE), (10, LIVE)]
    assert rounds_of(shots, written={"1": {"round": "2"}}) == [("", ""), ("2", "1"), ("2", "1")]


def test_variants_are_counted_apart() -> None:
    captures = [
        capture(f"H3 {variant}/{minute}", minute, (2560, 1440))
        for variant, start in (("limiter-off", 0), ("limiter-on", 12))
        for minute in (start, start + 5)
    ]
    kinds = dict(zip((each.path for each in captures), (LIVE, SUMMARY) * 2, strict=True))
    proposed = propose(captures, kinds, THREE, NOTHING_WRITTEN)
    assert {each.values["round"] for each in proposed.values()} == {"1"}
    assert {each.values["attempt"] for each in proposed.values()} == {"1"}


@given(st.lists(st.tuples(st.integers(0, 200), st.sampled_from([LIVE, SUMMARY, BATTERY])),
                max_size=12))  # fmt: skip
def test_guesses_do_not_hang_on_the_order_of_the_captures(
    shots: list[tuple[int, frozenset[str]]],
) -> None:
    shots.sort(key=lambda shot: shot[0])
    captures = [capture(f"{number:02}", minute) for number, (minute, _) in enumerate(shots)]
    shown = {each.path: kind for each, (_, kind) in zip(captures, shots, strict=True)}
    one = propose(captures, shown, THREE, NOTHING_WRITTEN)
    other = propose(captures[::-1], shown, THREE, NOTHING_WRITTEN)
    assert one == other
    assert list(one) == [each.path for each in captures]
    told = [(int(each.values["attempt"]), int(each.values["round"])) for each in one.values()
            if "round" in each.values]  # fmt: skip
    assert told == sorted(told)


# ---------------------------------------------------------------- the samples


def test_the_samples_facts_are_guessed_right() -> None:
    """The truth is what the plan that drew the samples says (sample_frames/draw)."""
    samples = ROOT / "sample_frames"
    kinds = {
        each.calibration.name: statistics_of(each.calibration)
        for each in load_calibrations([ROOT / "calibration"])[0]
    }
    shown: dict[str, frozenset[str]] = defaultdict(frozenset)
    with (samples / "truth.csv").open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            shown[row["capture"]] |= kinds[row["layout"]]
    with (samples / "facts_truth.csv").open(newline="", encoding="utf-8") as file:
        truth = {row.pop("capture"): row for row in csv.DictReader(file)}
    inspected = [sources.inspect(each) for each in sources.find_captures(samples).candidates]
    captures = [each for each in inspected if isinstance(each, Capture)]
    proposed = propose(captures, shown, load_session(samples / "session.toml"), NOTHING_WRITTEN)
    assert set(proposed) == set(truth)
    wrong = {
        (path, name): (facts.values.get(name, ""), text)
        for path, facts in proposed.items()
        for name, text in truth[path].items()
        if facts.values.get(name, "") != text
    }
    assert wrong == {}
    assert not [facts.fault for facts in proposed.values() if facts.fault]


# ---------------------------------------------------------------- facts.csv


def guessed(**values: str) -> Facts:
    return Facts(values, frozenset(values))


def table(path: Path) -> list[dict[str, str]]:
    text = path.read_bytes().decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def edit(path: Path, row: int, **cells: str) -> None:
    """Edit it as a spreadsheet program does: everything is written anew."""
    rows = table(path)
    rows[row].update(cells)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(dict.fromkeys(itertools.chain.from_iterable(rows))))
        writer.writeheader()
        writer.writerows(rows)


def test_the_file_says_what_was_guessed(tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    assert read_facts_csv(path) == NOTHING_WRITTEN
    assert write_facts_csv(path, {"=a.png": guessed(device="H1", round="2"), "b": Facts({})}) == ()
    assert path.read_bytes() == (
        b"capture,device,variant,round,attempt,guessed\r\n"
        b"./=a.png,H1,,2,,device=H1;round=2\r\n"
        b"b,,,,,\r\n"
    )
    assert read_facts_csv(path) == NOTHING_WRITTEN


def test_what_a_person_writes_wins_for_ever(tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    write_facts_csv(path, {"a": guessed(device="H1", round="2"), "b": guessed(device="H1")})
    edit(path, 0, device="H7", attempt="3")
    assert read_facts_csv(path) == {"a": {"device": "H7", "attempt": "3"}}
    for device in ("H1", "H2", "H7"):  # whatever is guessed later
        write_facts_csv(path, {"a": guessed(device=device, round="5"), "b": guessed(device="H2")})
        first, second = table(path)
        assert (first["device"], first["round"], first["attempt"]) == ("H7", "5", "3")
        assert first["guessed"] == "round=5"
        assert second["device"] == "H2"
    assert read_facts_csv(path) == {"a": {"device": "H7", "attempt": "3"}}


def test_a_guess_that_was_cleared_stays_cleared(tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    write_facts_csv(path, {"a": guessed(device="H1", round="2")})
    edit(path, 0, device="")
    for _ in range(3):
        assert read_facts_csv(path) == {"a": {"device": ""}}
        write_facts_csv(path, {"a": Facts({"round": "2"}, frozenset(["round"]))})
        assert table(path)[0]["device"] == ""


def test_what_a_person_writes_while_ocrlog_runs_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    write_facts_csv(path, {"a": guessed(device="H1")})
    read_facts_csv(path)
    edit(path, 0, device="H8")
    write_facts_csv(path, {"a": guessed(device="H1", round="1")})
    assert (table(path)[0]["device"], table(path)[0]["round"]) == ("H8", "1")


def test_columns_and_rows_that_a_person_has_stay(tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    path.write_text("zone,capture,device\nnorth,gone.png,H3\n,a,\n")
    assert read_facts_csv(path) == {"gone.png": {"zone": "north", "device": "H3"}}
    write_facts_csv(path, {"a": guessed(round="1"), "new": guessed(round="2")})
    rows = table(path)
    assert [row["capture"] for row in rows] == ["a", "new", "gone.png"]
    assert rows[2] == {
        "capture": "gone.png", "device": "H3", "variant": "", "round": "", "attempt": "",
        "zone": "north", "guessed": "",
    }  # fmt: skip


def test_a_file_that_would_not_change_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    facts = {"a": guessed(device="H1", round="2"), "b": guessed(device="50 % off; H=1")}
    write_facts_csv(path, facts)
    edit(path, 0, attempt="1")  # and with other line ends
    path.write_bytes(path.read_bytes().replace(b"\r\n", b"\n"))
    before = path.read_bytes()
    write_facts_csv(path, facts)
    assert path.read_bytes() == before
    assert read_facts_csv(path) == {"a": {"attempt": "1"}}


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_what_spreadsheet_programs_save_is_read_and_kept_so(
    tmp_path: Path, delimiter: str, mark: bytes
) -> None:
    path = tmp_path / "facts.csv"
    rows = [["capture", "device", "guessed"], ['a "1"; b,\tc', "H1", "device=H0;round=1"]]
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter).writerows(rows)
    path.write_bytes(mark + text.getvalue().encode())
    assert read_facts_csv(path) == {'a "1"; b,\tc': {"device": "H1", "round": ""}}
    write_facts_csv(path, {'a "1"; b,\tc': guessed(attempt="1")})
    data = path.read_bytes()
    assert data.startswith(mark + f"capture{delimiter}device".encode())
    assert read_facts_csv(path) == {'a "1"; b,\tc': {"device": "H1", "round": ""}}


def test_names_that_are_not_ascii_open_right_in_spreadsheet_programs(tmp_path: Path) -> None:
    path = tmp_path / "facts.csv"
    write_facts_csv(path, {"é.png": guessed(device="H1")})
    assert path.read_bytes().startswith(b"\xef\xbb\xbfcapture")
    assert read_facts_csv(path) == NOTHING_WRITTEN


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name,device\na,H1\n", ["facts.csv:1: the header; expected a column `capture`"]),
        ("capture,Device,text\na,H1,x\n", [":1: column Device", ":1: column text; expected anot"]),
        ("capture,device,device\na,1,2\n", [":1: column device is there twice"]),
        ("capture,capture\na,1\n", [":1: column capture is there twice"]),
        ("capture,device\na,H1\na,H2\n,H3\nb,1,2\n",
         [":3: capture is a; expected each capture once", ":4: capture is blank", ":5: the row"]),
        ('capture,device\n"a,H1\n', [": the row; expected cells as RFC 4180"]),
        ("capture,device,\na,H1,a note\n", [":2: the row is a cell in a column without a name"]),
        ("capture,device\na,\udce9\n", [":2: the text is not UTF-8; expected the file saved as"]),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_understood_is_never_overwritten(
    tmp_path: Path, text: str, said: list[str]
) -> None:
    path = tmp_path / "facts.csv"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    before = path.read_bytes()
    with pytest.raises(FileFaultsError) as caught:
        read_facts_csv(path)
    assert len(caught.value.faults) == len(said)
    for fault, words in zip(caught.value.faults, said, strict=True):
        assert str(path) in str(fault) and words in str(fault)
    with pytest.raises(FileFaultsError):
        write_facts_csv(path, {"a": guessed(device="H1")})
    assert path.read_bytes() == before


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (notice,) = write_facts_csv(tmp_path / "missing" / "facts.csv", {"a": guessed(device="H1")})
    assert "could not be brought up to date" in notice


_NAMES = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), min_size=1,
                 max_size=9)  # fmt: skip
_CELLS = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=6).map(
    str.strip
)


@settings(deadline=None, max_examples=60)
@given(st.dictionaries(_NAMES, st.tuples(_CELLS, _CELLS, _CELLS), max_size=4))
def test_any_facts_survive(
    tmp_path_factory: pytest.TempPathFactory, told: dict[str, tuple[str, str, str]]
) -> None:
    path = tmp_path_factory.mktemp("facts") / "facts.csv"
    facts = {
        name: Facts({"device": device, "zone": zone, "variant": variant}, frozenset(["device"]))
        for name, (device, zone, variant) in told.items()
    }
    write_facts_csv(path, facts)
    assert read_facts_csv(path) == NOTHING_WRITTEN
    before = path.read_bytes()
    write_facts_csv(path, facts)
    assert path.read_bytes() == before
    others = {name: Facts({}) for name in facts}
    write_facts_csv(path, others)
    assert [row["device"] for row in table(path)] == [""] * len(facts)
