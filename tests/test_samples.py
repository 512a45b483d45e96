"""The samples' truth against physics, and ``check.py`` against readings made right and wrong."""

from __future__ import annotations

import csv
import importlib.util
import sys
from collections import defaultdict
from itertools import pairwise
from pathlib import Path

import av
import pytest
from PIL import Image

from extractor.session import load_session

SAMPLES = Path(__file__).resolve().parents[1] / "sample_frames"
MEBIBYTE = 1 << 20

Row = dict[str, str]


def _rows(name: str) -> list[Row]:
    with (SAMPLES / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _check():
    spec = importlib.util.spec_from_file_location("samples_check", SAMPLES / "check.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


check = _check()
TRUTH = _rows("truth.csv")
FACTS = {row["capture"]: row for row in _rows("facts_truth.csv")}


def _stills() -> dict[tuple[str, str], dict[str, float]]:
    """(capture, layout) -> readout -> value; missing marks and words left out."""
    shown: dict[tuple[str, str], dict[str, float]] = defaultdict(dict)
    for row in TRUTH:
        if row["value"] and not row["at_s"]:
            shown[row["capture"], row["layout"]][row["readout"]] = float(row["value"])
    return dict(shown)


STILLS = _stills()


def test_every_capture_is_in_the_tables_and_on_disk():
    files = {
        path.relative_to(SAMPLES).as_posix()
        for path in SAMPLES.rglob("*")
        if path.suffix in {".png", ".jpg", ".webp", ".mp4"} and "readings" not in path.parts
    }
    assert files == {row["capture"] for row in TRUTH} == set(FACTS)


def test_all_of_it_stays_small():
    kept = ("readings", "__pycache__", "decisions")
    size = sum(
        path.stat().st_size
        for path in SAMPLES.rglob("*")
        if path.is_file() and not set(kept) & set(path.parts)
    )
    assert size < 20 * MEBIBYTE


def test_every_picture_opens_at_its_device_size():
    screens = {
        name: set(device.screen)
        for name, device in load_session(SAMPLES / "session.toml").device.items()
    }
    codings = set()
    for capture, facts in FACTS.items():
        if capture.endswith(".mp4"):
            continue
        with Image.open(SAMPLES / capture) as picture:
            codings.add(picture.format)
            assert set(picture.size) == screens[facts["device"]], capture
            picture.draft("L", (300, 300))  # JPEG: an eighth of the size is decoded
            picture.load()
    assert codings == {"PNG", "JPEG", "WEBP"}


def test_each_layout_is_seen_on_each_device():
    seen = {(row["layout"], FACTS[row["capture"]]["device"]) for row in TRUTH}
    layouts = {row["layout"] for row in TRUTH}
    devices = {facts["device"] for facts in FACTS.values()}
    assert len(layouts) == len(devices) == 6
    assert seen == {(layout, device) for layout in layouts for device in devices}


def _last_place(readout: str, layout: str) -> float:
    """Half of the last digit shown, or a whole one where the layout truncates."""
    texts = [
        row["text"] for row in TRUTH
        if row["readout"] == readout and row["layout"] == layout and row["value"]
    ]  # fmt: skip
    mark = "," if layout == "table" else "."
    _, _, decimals = texts[0].partition(mark)
    return 10.0 ** -len(decimals) / (1 if layout == "table" else 2)


@pytest.mark.parametrize("layout", ["list", "panel"])
def test_power_is_voltage_times_current(layout):
    # Joule's law for direct current, P = V I; every figure within the half of its last digit.
    dp, dv, di = (_last_place(name, layout) for name in ("power", "voltage", "current"))
    cases = [shown for (_, name), shown in STILLS.items() if name == layout]
    assert len(cases) > 15
    for shown in cases:
        volts, amperes = shown["voltage"], abs(shown["current"]) / 1000
        slack = dp + dv * amperes + di / 1000 * volts + dv * di / 1000
        assert abs(volts * amperes - shown["power"]) <= slack


@pytest.mark.parametrize("layout", ["list", "panel"])
def test_frame_time_is_of_the_same_window_as_the_rate(layout):
    dr, dt = _last_place("frame_rate", layout), _last_place("frame_time", layout)
    for (_, name), shown in STILLS.items():
        if name == layout:
            rate, time = shown["frame_rate"], shown["frame_time"]
            assert abs(rate * time - 1000) <= dr * time + dt * rate + dr * dt


def test_lowest_mean_and_highest_are_in_order():
    compared = 0
    for shown in STILLS.values():
        for quantity in ("frame_rate", "power", "chip_temperature", "gpu_clock"):
            chain = [f"{quantity}_{name}" for name in ("lowest", "mean", "highest")]
            values = [shown[name] for name in chain if name in shown]
            assert values == sorted(values)
            compared += len(values) > 1
    assert compared > 60


def test_two_summaries_of_a_round_agree_within_what_they_show():
    rounds: dict[tuple[str, ...], dict[str, dict[str, float]]] = defaultdict(dict)
    for (capture, layout), shown in STILLS.items():
        facts = FACTS[capture]
        if layout in {"cards", "table"}:
            key = (facts["device"], facts["variant"], facts["round"], facts["attempt"])
            rounds[key].setdefault(layout, {}).update(shown)
    both = [group for group in rounds.values() if len(group) == 2]
    assert len(both) >= 7
    for group in both:
        for name in group["cards"].keys() & group["table"].keys():
            slack = _last_place(name, "cards") + _last_place(name, "table")
            assert abs(group["cards"][name] - group["table"][name]) <= slack + 1e-9


def test_the_level_falls_as_the_charge_is_drawn():
    devices = load_session(SAMPLES / "session.toml").device
    tests = [(c, shown) for (c, layout), shown in STILLS.items() if layout == "battery"]
    assert len(tests) == 6
    for capture, shown in tests:
        drop = shown["level_start"] - shown["level_end"]
        label = devices[FACTS[capture]["device"]].battery.charge
        # two levels of whole percents: each known to half a percent
        assert abs(shown["charge_used"] - label * drop / 100) <= label / 100 + 1
        hours = shown["test_time"] / 3600
        assert shown["charge_used"] == pytest.approx(abs(shown["current_mean"]) * hours, rel=0.01)
        assert shown["energy_used"] == pytest.approx(shown["power_mean"] * hours, rel=0.01)


def test_charts_run_through_the_means_of_the_cards():
    lines: dict[tuple[str, str], list[float]] = defaultdict(list)
    for row in _rows("series.csv"):
        lines[row["capture"], row["trace"]].append(float(row["value"]))
        assert float(row["low"]) <= float(row["value"]) <= float(row["high"])
    compared = 0
    for (capture, trace), values in lines.items():
        mean = STILLS.get((capture, "table"), {}).get(f"{trace}_mean")
        if mean is not None:  # one sample a second: the mean is that of the line
            assert abs(sum(values) / len(values) - mean) <= 0.0011
            compared += 1
    assert compared >= 7


def test_the_recording_shows_uneven_frames_and_b_frames():
    (capture,) = (name for name in FACTS if name.endswith(".mp4"))
    with av.open(str(SAMPLES / capture)) as container:
        stream = container.streams.video[0]
        stamps = [
            (packet.pts, packet.dts) for packet in container.demux(stream) if packet.pts is not None
        ]
        second = 1 / stream.time_base
    times = sorted(pts for pts, _ in stamps)
    steps = {round(float((b - a) / second), 4) for a, b in pairwise(times)}
    assert len(steps) > 50
    assert [pts for pts, _ in stamps] != times  # coded out of order: B-frames
    assert 59 < float((times[-1] - times[0]) / second) < 61
    shown = {round(float((time - times[0]) / second), 3) for time in times}
    assert {float(row["at_s"]) for row in TRUTH if row["capture"] == capture} <= shown


# ---------------------------------------------------------------- check.py


def _right_readings(capture: str) -> list[Row]:
    return [
        row | {"flags": "", "source": "read", "at_s": row["at_s"]}
        for row in TRUTH
        if row["capture"] == capture
    ]


@pytest.fixture
def one_still() -> str:
    return next(row["capture"] for row in TRUTH if row["layout"] == "list")


def test_check_takes_right_readings(one_still):
    result = check.compare(_right_readings(one_still), check.Truth(SAMPLES))
    assert (result.total.wrong, result.total.flagged) == (0, 0)
    assert not [line for line in result.missed if line.startswith(one_still)]


def test_check_takes_what_a_person_settled(one_still):
    """The text stays as it was read; the answer is the person's."""
    readings = _right_readings(one_still)
    for row in readings:
        row |= {"decided_text": row["text"], "text": "9" + row["text"], "source": "corrected"}
    assert check.compare(readings, check.Truth(SAMPLES)).total.wrong == 0
    readings[0]["decided_text"] = readings[0]["text"]
    assert check.compare(readings, check.Truth(SAMPLES)).total.wrong == 1


@pytest.mark.parametrize(
    ("column", "slip"), [("value", "1"), ("text", "1"), ("unit", "mW"), ("readout", "no_such")]
)
def test_check_finds_a_wrong_release(one_still, column, slip):
    readings = _right_readings(one_still)
    readings[2] = readings[2] | {column: slip}
    result = check.compare(readings, check.Truth(SAMPLES))
    assert result.total.wrong == 1
    flagged = [readings[2] | {"flags": "unsure"}]
    assert check.compare(flagged, check.Truth(SAMPLES)).total.wrong == 0


def test_check_counts_a_figure_said_not_to_be_shown_as_missed(one_still):
    readings = _right_readings(one_still)
    readings[0] = readings[0] | {"flags": "not-shown"}
    result = check.compare(readings, check.Truth(SAMPLES))
    assert [line for line in result.missed if line.startswith(one_still)]
    assert result.total.figures == len(readings) - 1


def test_check_reads_a_recording_by_time(tmp_path):
    (capture,) = (name for name in FACTS if name.endswith(".mp4"))
    rates = [row for row in TRUTH if row["capture"] == capture and row["readout"] == "frame_rate"]
    later = f"{float(rates[4]['at_s']) + 0.01:.3f}"
    stale = rates[3] | {"at_s": later, "flags": ""}
    assert rates[3]["text"] != rates[4]["text"]
    fresh = rates[4] | {"at_s": later, "flags": ""}
    truth = check.Truth(SAMPLES)
    assert check.compare([fresh], truth).total.wrong == 0
    assert check.compare([stale], truth).total.wrong == 1
    hidden = next(row for row in rates if not row["text"])
    ghost = rates[0] | {"at_s": hidden["at_s"], "flags": ""}
    assert check.compare([ghost], truth).total.wrong == 1


def test_check_says_by_its_exit_status_whether_anything_is_wrong(one_still, tmp_path, capsys):
    readings = _right_readings(one_still)
    for name, rows, status in (
        ("right", readings, 0),
        ("wrong", [readings[0] | {"text": "0.0"}], 1),
        ("empty", [], 2),
    ):
        file = tmp_path / f"{name}.csv"
        with file.open("w", newline="", encoding="utf-8") as handle:
            writer = csv.DictWriter(handle, fieldnames=list(readings[0]))
            writer.writeheader()
            writer.writerows(rows)
        assert check.main([str(file)]) == status
    assert "WRONG" in capsys.readouterr().out


def test_check_undoes_the_guard_against_formulas():
    assert check.plain("'--") == "--"
    assert check.plain("-1359") == "-1359"
