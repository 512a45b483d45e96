"""The whole way, as a person walks it: captures in, tables out, on a bad day too."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest
import stand_ins
from media import record
from PIL import Image
from world import NAMES, STILLS, ocrlog, write_still, write_world

from extractor import extract, read_readings
from extractor.calibration import load_calibration, save
from extractor.errors import CallError
from extractor.extracting import crew, run, settle
from extractor.store import writer_lock


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that was read once; tests that change it copy it first."""
    root = tmp_path_factory.mktemp("world") / "captures"
    write_world(root)
    outcome = run(settle(root, jobs=2))
    assert outcome.read_now == len(STILLS)
    return root


@pytest.fixture
def copy(done: Path, tmp_path: Path) -> Path:
    root = tmp_path / "captures"
    shutil.copytree(done, root, copy_function=shutil.copy2)
    return root


def rows(root: Path, table: str = "readings") -> list[dict[str, str]]:
    with (root / "readings" / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_figure_is_right_or_flagged(done: Path) -> None:
    read = {(row["capture"], row["readout"]): row for row in rows(done)}
    assert len(read) == len(STILLS) * len(NAMES)
    released = 0
    for capture, (*_, figures) in STILLS.items():
        for name, figure in zip(NAMES, figures, strict=True):
            row = read[capture, name]
            if not row["flags"]:
                released += 1
                assert row["text"] == figure
                assert float(row["value"]) == float(figure)
            else:
                assert row["value"] == "" and row["why"]
    assert released >= 0.8 * len(read)


def test_the_tables_say_the_same_from_python(done: Path) -> None:
    frame = read_readings(done)
    assert list(frame["capture"]) == [row["capture"] for row in rows(done)]
    again = extract(done)
    assert list(again.columns) == list(frame.columns)
    assert len(again) == len(frame)


def test_a_second_run_reads_nothing_and_writes_the_same_bytes(copy: Path) -> None:
    run(settle(copy))  # the copy's files are new to the cache
    before = {path: path.read_bytes() for path in (copy / "readings").rglob("*.csv")}
    outcome = run(settle(copy))
    assert outcome.read_now == 0
    assert {path: path.read_bytes() for path in (copy / "readings").rglob("*.csv")} == before


def test_a_renamed_capture_is_not_read_again(copy: Path) -> None:
    (copy / "20260110_101500.png").rename(copy / "20260110_101501.png")
    outcome = run(settle(copy))
    assert outcome.read_now == 0
    assert "20260110_101501.png" in {row["capture"] for row in rows(copy)}


def entries(root: Path) -> int:
    """Count what the cache holds."""
    with closing(sqlite3.connect(root / "readings" / "cache.sqlite")) as cache:
        return int(cache.execute("select count(*) from entry").fetchone()[0])


def change(root: Path, **how: object) -> None:
    """Change keys of the first readout in the calibration."""
    path = root / "calibration" / "panel.toml"
    calibration = load_calibration(path).calibration
    first = calibration.readout[0].model_copy(update=how)
    save(calibration.model_copy(update={"readout": (first, *calibration.readout[1:])}), path)


def test_a_bound_that_allows_a_sign_no_more_reads_that_readout_anew(copy: Path) -> None:
    """A stroke before it was taken for what may be a minus sign."""
    change(copy, bounds=(0.0, 10.0))
    assert run(settle(copy)).read_now == len(STILLS)
    assert run(settle(copy)).read_now == 0


def test_a_changed_bound_reads_nothing_and_judges_anew(copy: Path) -> None:
    change(copy, bounds=(-10.0, 10.0))
    outcome = run(settle(copy))
    assert outcome.read_now == 0
    first = [row for row in rows(copy) if row["readout"] == NAMES[0]]
    assert all("out-of-bounds" in row["flags"].split(";") for row in first)


def test_a_moved_box_reads_one_readout_again(copy: Path) -> None:
    run(settle(copy))  # the copy's files are new to the cache
    before = entries(copy)
    box = load_calibration(copy / "calibration" / "panel.toml").calibration.readout[0].box
    assert box is not None
    change(copy, box=(box[0] - 1, *box[1:]))
    run(settle(copy))
    # a capture: one new reading, where the layout is found, and that all of it is read
    assert entries(copy) - before == 3 * len(STILLS)


NEARLY_SQUARE = "later/20260110_101630.webp"
BAD = {
    "cut.png": "ends early",
    "cut.jpg": "ends early",
    "empty.png": "empty",
    "text.png": "text",
    "huge.png": "pixel",
    "other-screen.png": "none of the layouts",
    "cut.mp4": "ends early",
}


@pytest.fixture
def bad(copy: Path, tmp_path: Path) -> Path:
    png = (copy / "20260110_101500.png").read_bytes()
    (copy / "cut.png").write_bytes(png[: len(png) // 2])
    jpg = (copy / "20260110_101600.jpg").read_bytes()
    (copy / "cut.jpg").write_bytes(jpg[: len(jpg) // 2])
    (copy / "empty.png").write_bytes(b"")
    (copy / "text.png").write_text("no picture at all\n" * 20)
    header = bytes.fromhex("89504e470d0a1a0a0000000d49484452") + (60000).to_bytes(4) * 2
    (copy / "huge.png").write_bytes(header + bytes.fromhex("0802000000") + png[29:])
    Image.effect_noise((400, 300), 80).convert("RGB").save(copy / "other-screen.png")
    movie = record(tmp_path / "movie.mp4").read_bytes()
    (copy / "cut.mp4").write_bytes(movie[: len(movie) // 2])
    return copy


def test_bad_inputs_are_named_with_the_mend_and_the_rest_is_read(bad: Path) -> None:
    result = ocrlog("extract", bad)
    assert result.returncode == 1, result.stderr
    problems = {row["capture"]: row for row in rows(bad, "problems")}
    assert set(problems) == set(BAD)
    for name, words in BAD.items():
        assert words in problems[name]["problem"], problems[name]
        assert problems[name]["mend"]
        assert f"{name}: " in result.stderr
    assert {row["capture"] for row in rows(bad)} >= set(STILLS)
    again = ocrlog("extract", bad)  # problems are remembered, and said again
    assert again.returncode == 1
    assert "0 read now" in again.stdout


def test_facts_that_contradict_a_capture_are_named_and_its_readings_flagged(copy: Path) -> None:
    (copy / "session.toml").write_text(
        "format = 1\n[device.H1]\nscreen = [1600, 900]\n", encoding="utf-8"
    )
    with (copy / "facts.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["capture", "device", "guessed"])
        writer.writerows([[name, "H1", ""] for name in ("20260110_101500.png", NEARLY_SQUARE)])
    result = ocrlog("extract", copy)
    assert result.returncode == 1
    (problem,) = rows(copy, "problems")
    assert problem["capture"] == NEARLY_SQUARE and "1200" in problem["problem"]
    for row in rows(copy):
        contradicts = row["capture"] == NEARLY_SQUARE
        assert ("facts-disagree" in row["flags"].split(";")) == contradicts
        assert not (contradicts and row["value"])


def test_a_folder_that_cannot_be_read_is_refused(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(path: object = ".") -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(os, "scandir", refused)  # the tests may run as root, who may read all
    with pytest.raises(CallError, match=str(copy)):
        run(settle(copy))


@pytest.mark.parametrize(("make", "words"), [(False, "no such folder"), (True, "no capture")])
def test_a_missing_and_an_empty_folder_are_refused(tmp_path: Path, make: bool, words: str) -> None:
    root = tmp_path / "nothing"
    if make:
        root.mkdir()
    result = ocrlog("extract", root)
    assert result.returncode == 2
    assert words in result.stderr.lower()
    assert not (root / "readings").exists()


def test_all_faults_of_a_calibration_are_listed_and_nothing_is_done(copy: Path) -> None:
    path = copy / "calibration" / "panel.toml"
    text = path.read_text().replace("quantity =", "quantty =", 1)
    text = text.replace("drawn_on = [1080,", "drawn_on = [0,").replace(
        'kind = "number"', 'kind = "numbr"', 1
    )
    path.write_text(text)
    before = (copy / "readings" / "readings.csv").read_bytes()
    result = ocrlog("extract", copy)
    assert result.returncode == 2
    for words in ("quantty", "drawn_on", "numbr"):
        assert any(words in line and "panel.toml:" in line for line in result.stderr.splitlines())
    assert (copy / "readings" / "readings.csv").read_bytes() == before


def test_strict_says_that_something_is_flagged(copy: Path) -> None:
    change(copy, bounds=(0.0, 10.0))
    assert ocrlog("extract", copy).returncode == 0
    assert ocrlog("extract", copy, "--strict").returncode == 3


def test_a_second_writer_is_refused_and_named(copy: Path) -> None:
    with writer_lock(copy / "readings"):
        result = ocrlog("extract", copy)
    assert result.returncode == 4
    assert str(os.getpid()) in result.stderr


def test_wrong_numbers_are_refused(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="--every"):
        settle(tmp_path, every=0)
    with pytest.raises(CallError, match="--jobs"):
        settle(tmp_path, jobs=0)
    with pytest.raises(CallError, match="--calibration"):
        settle(tmp_path, calibration=[tmp_path / "none.toml"])
    with pytest.raises(CallError, match="holds no calibration"):
        settle(tmp_path, calibration=[tmp_path])


# ---------------------------------------------------------------- kills and crashes


MANY = 14
"""Captures of a run that is interrupted: on a busy machine a signal may come seconds late."""


@pytest.fixture
def many(done: Path, tmp_path: Path) -> Path:
    root = tmp_path / "many"
    shutil.copytree(done / "calibration", root / "calibration")
    write_still(root / "still_0.png", *STILLS["20260110_101500.png"])
    for number in range(1, MANY):
        (root / f"still_{number}.png").write_bytes(
            (root / "still_0.png").read_bytes() + b"content %d" % number
        )
    return root


# A shell that starts the tests in the background has interrupts ignored by all that follows.
HEEDING = """import runpy, signal
signal.signal(signal.SIGINT, signal.default_int_handler)
runpy.run_module("extractor.cli", run_name="__main__")"""


def reading(root: Path) -> subprocess.Popen[str]:
    """Start the command, and wait until three captures are read."""
    call = [sys.executable, "-c", HEEDING, "extract", str(root), "--jobs", "1"]
    process = subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                               start_new_session=True)  # fmt: skip
    enough = MANY + 3 * (len(NAMES) + 2)  # all files, three captures with readings, finds and note
    end = time.monotonic() + 120
    while process.poll() is None and time.monotonic() < end:
        try:
            if entries(root) >= enough:
                return process
        except sqlite3.OperationalError:
            pass  # not made yet, or being written
        time.sleep(0.05)
    raise AssertionError(process.communicate())


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_what_was_read_before_a_kill_is_not_read_again(many: Path, how: signal.Signals) -> None:
    process = reading(many)
    if how == signal.SIGKILL:
        os.killpg(process.pid, how)
    else:
        os.kill(process.pid, how)
    _, said = process.communicate(timeout=60)
    if how == signal.SIGINT:
        assert process.returncode == 130
        assert "interrupted" in said
    outcome = run(settle(many, jobs=1))
    assert outcome.read_now <= MANY - 3
    assert not outcome.problems
    assert len(rows(many)) == MANY * len(NAMES)


def add_twin(root: Path, name: str) -> None:
    """Add a capture that shows the same as another, with a content of its own."""
    (root / name).write_bytes((root / "20260110_101500.png").read_bytes() + b"another content")


def test_a_capture_that_kills_its_process_costs_only_itself(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_twin(copy, "deadly.png")
    monkeypatch.setattr(crew, "_do", stand_ins.die_on_mark)
    outcome = run(settle(copy, jobs=2))
    (problem,) = outcome.problems
    assert problem.capture == "deadly.png"
    assert len(rows(copy)) == len(STILLS) * len(NAMES)


def test_a_defect_on_one_capture_is_a_problem_of_that_capture(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_twin(copy, "defect.png")
    monkeypatch.setattr(crew, "_do", stand_ins.fail_on_mark)
    outcome = run(settle(copy, jobs=1))
    (problem,) = outcome.problems
    assert problem.capture == "defect.png"
    assert "defect of ocrlog" in problem.mend


def test_a_file_that_is_away_for_a_moment_is_read_the_next_time(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    away = "20260110_101500.png"
    shutil.rmtree(copy / "readings")
    monkeypatch.setattr(crew, "_do", stand_ins.away_while_read)
    outcome = run(settle(copy, jobs=1))
    assert [problem.capture for problem in outcome.problems] == [away]
    monkeypatch.undo()
    (copy / (away + ".away")).rename(copy / away)
    outcome = run(settle(copy, jobs=1))
    assert not outcome.problems
    assert outcome.read_now == 1


def test_an_output_folder_that_holds_the_captures_is_refused(copy: Path) -> None:
    for out in (copy, copy.parent):
        with pytest.raises(CallError, match="--out"):
            settle(copy, out=out)
    with pytest.raises(CallError, match="--decisions"):
        settle(copy, decisions=copy / "nowhere")


# ---------------------------------------------------------------- settling by hand


def test_answers_filled_in_where_the_next_run_writes_are_kept(copy: Path) -> None:
    change(copy, bounds=(0.0, 10.0))
    run(settle(copy))
    flagged = copy / "readings" / "flagged"
    lines = (flagged / "undecided.jsonl").read_text(encoding="utf-8")
    filled = lines.replace('"action": ""', '"action": "accept"', 1)
    assert filled != lines
    (flagged / "undecided.jsonl").write_text(filled, encoding="utf-8")
    outcome = run(settle(copy))
    assert (flagged / "undecided.kept-1.jsonl").read_text(encoding="utf-8") == filled
    assert any("undecided.kept-1.jsonl" in notice for notice in outcome.notices)
    assert (flagged / "undecided.jsonl").read_text(encoding="utf-8") == lines


def test_another_content_at_the_same_place_has_another_crop(copy: Path) -> None:
    change(copy, bounds=(0.0, 10.0))
    run(settle(copy))
    name, other = "20260110_101500.png", "20260110_101530.png"
    crops = {path.name for path in (copy / "readings" / "flagged").glob("20260110_101500*.png")}
    write_still(copy / name, *STILLS[name][:4], STILLS[other][4])
    run(settle(copy))
    again = {path.name for path in (copy / "readings" / "flagged").glob("20260110_101500*.png")}
    assert crops and again and not crops & again


def test_a_flagged_reading_is_settled_by_a_decisions_file(copy: Path) -> None:
    change(copy, bounds=(0.0, 10.0))
    run(settle(copy))
    lines = [
        json.loads(line)
        for line in (copy / "readings" / "flagged" / "undecided.jsonl").read_text().splitlines()
    ]
    mine = next(line for line in lines if line["readout"] == NAMES[0])
    assert (copy / "readings" / "flagged" / mine["crop"]).exists()
    mine |= {"action": "accept", "who": "ann", "when": "2026-01-11T09:00:00Z"}
    (copy / "decisions").mkdir()
    (copy / "decisions" / "ann-1.jsonl").write_text(json.dumps(mine) + "\n")
    run(settle(copy))
    settled = [row for row in rows(copy) if row["source"] == "accepted"]
    assert len(settled) == 1
    assert settled[0]["flags"] == "" and "out-of-bounds" in settled[0]["settled_flags"]
    assert settled[0]["value"] == settled[0]["text"]
    assert settled[0]["confidence"] == ""
    shutil.rmtree(copy / "readings")
    run(settle(copy))
    assert sum(row["source"] == "accepted" for row in rows(copy)) == 1
