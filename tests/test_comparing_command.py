"""``ocrlog compare`` as a person calls it, on a flat dump of captures without a session file."""

from __future__ import annotations

import csv
import json
import os
import pty
import select
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from compared_samples import SAMPLES
from world import ocrlog

from extractor.export.csvw import METADATA_FILE
from extractor.facts import Facts as SomeFacts
from extractor.facts import read_facts_csv, write_answers, write_facts_csv
from extractor.records import COMPARED, COMPARISON, ROUNDS
from extractor.session import load_session

# The summaries of rounds 1 and 2 of two devices, named as a phone names them, and H1's battery.
DUMP = (
    "20260314_101329.png", "20260314_102430.png", "20260314_104918.jpg", "20260314_110032.jpg",
    "20260315_081205.png",
)  # fmt: skip
ANSWERS = {"which device?": ("First\n", "Second\n"), "Right (y, n)?": ("y\n", "\n")}


@dataclass
class Run:
    """One call at a terminal: what was on the screen, the status, and where it wrote."""

    screen: str
    status: int
    folder: Path


def at_a_terminal(call: list[str], answers: dict[str, tuple[str, ...]]) -> tuple[str, int]:
    """Run a command with a terminal for stdin and stdout, and answer what it asks in order."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        call, stdin=slave, stdout=slave, stderr=subprocess.DEVNULL,
        env=os.environ | {"COLUMNS": "200"}, close_fds=True,
    )  # fmt: skip
    os.close(slave)
    screen, seen, left = "", 0, {key: list(them) for key, them in answers.items()}
    end = time.monotonic() + 280
    while time.monotonic() < end:
        ready, _, _ = select.select([master], [], [], 0.2)
        if ready:
            try:
                screen += os.read(master, 65536).decode("utf-8", "replace")
            except OSError:  # the other end is closed
                break
        elif process.poll() is not None:
            break
        for key, them in left.items():
            if them and key in screen[seen:] and screen.rstrip().endswith(("]:", ":")):
                seen = len(screen)
                os.write(master, them.pop(0).encode())
    os.close(master)
    return screen, process.wait(timeout=30)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("dump")
    for name in DUMP:
        shutil.copy(SAMPLES / "dump" / name, folder / name)
    call = [sys.executable, "-m", "extractor.cli", "compare", str(folder), "--jobs", "1"]
    screen, status = at_a_terminal(call, ANSWERS)
    return Run(screen, status, folder)


def rows(file: Path) -> list[dict[str, str]]:
    with file.open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def test_it_asks_for_what_matters_and_no_more(run):
    assert run.status == 0, run.screen
    assert run.screen.count("which device?") == 2
    assert run.screen.count("Right (y, n)?") == 2
    assert "4 questions asked" in run.screen
    assert run.screen.count("< goes back") == 1
    assert "First, rounds by their times:" in run.screen  # as it was just named


def test_answers_stand_in_facts_csv_as_a_persons(run):
    written = read_facts_csv(run.folder / "facts.csv")
    assert {facts["device"] for facts in written.values()} == {"First", "Second"}
    assert written["20260314_102430.png"]["round"] == "2"
    assert written["20260314_110032.jpg"] == {"device": "Second", "round": "2", "attempt": "1"}


def test_rounds_csv_has_a_row_each_with_its_columns_and_the_same_as_parquet(run):
    out = run.folder / "readings"
    table = rows(out / "rounds.csv")
    assert list(table[0]) == [column.name for column in ROUNDS.columns]
    assert [(row["device"], row["round"], row["state"]) for row in table] == [
        ("First", "", "battery test"), ("First", "1", "run"), ("First", "2", "run"),
        ("Second", "1", "run"), ("Second", "2", "run"),
    ]  # fmt: skip
    first = table[1]
    assert first["frame_rate_mean"] == "56.7"
    assert first["frame_rate_mean_from"] == "monitor: 20260314_101329.png"
    assert pq.read_table(out / "rounds.parquet").num_rows == len(table)


def test_comparison_holds_figures_and_verdicts(run):
    table = rows(run.folder / "readings" / "comparison" / "comparison.csv")
    assert list(table[0]) == [column.name for column in COMPARISON.columns]
    found = {(row["device"], row["round"], row["figure"]): row for row in table}
    energy = found["First", "1", "energy_a_pixel"]
    assert float(energy["value"]) == pytest.approx(106.59, abs=0.2)
    assert found["First", "2", "verdict"]["text"].startswith("throttled")
    capped = found["Second", "2", "verdict"]["text"]
    assert capped.startswith("at its cap")  # nobody stated one: its chart shows it
    assert "cap 60 fps (not stated: its frame rate stands there" in capped
    assert "hours_from_full" in {row["figure"] for row in table}


def test_every_file_is_there(run):
    folder = run.folder / "readings" / "comparison"
    for name in ("comparison.csv", "comparison.parquet", "comparison.xlsx", "comparison.md",
                 "report.html", METADATA_FILE):  # fmt: skip
        assert (folder / name).stat().st_size > 500, name
    plots = {file.name for file in (folder / "plots").iterdir()}
    assert {"frame_rate_1080_light.png", "power_2160_dark.png", "energy_a_pixel_print.pdf",
            "sustained_1080_transparent.png"} <= plots  # fmt: skip
    described = json.loads((folder / METADATA_FILE).read_text(encoding="utf-8"))
    for table in described["tables"]:
        header = rows(folder / table["url"])[0]
        assert [c["titles"] for c in table["tableSchema"]["columns"]] == list(header)


def test_the_report_shows_the_crops(run):
    html = (run.folder / "readings" / "comparison" / "report.html").read_text(encoding="utf-8")
    assert html.count('<img class="crop"') > 40
    assert "crop that reads 56.7" in html


def test_the_summary_names_verdicts_what_is_missing_and_where_the_files_are(run):
    for words in ("First, round 2: throttled", "Next: First, Second: state the battery's charge",
                  "Next: state `ambient`", "report.html", "plots"):  # fmt: skip
        assert words in run.screen, words


def test_a_session_file_is_left_to_fill_in_and_holds(run):
    file = run.folder / "session.toml"
    assert f"{file} waits to be filled in" in run.screen
    left = load_session(file)
    assert left.device["First"].screen == (2400, 1080)
    assert left.device["First"].frame_cap is None  # nothing is taken for known


# ---------------------------------------------------------------- calls that cannot work


def test_without_captures_nothing_is_done(tmp_path):
    result = ocrlog("compare", tmp_path)
    assert result.returncode == 2
    assert "no capture was found" in result.stderr


def test_a_faulty_session_file_is_exit_2_with_its_faults(tmp_path):
    shutil.copy(SAMPLES / "dump" / DUMP[0], tmp_path / DUMP[0])
    (tmp_path / "session.toml").write_text("format = 1\nsmooth_flor = 45\n", encoding="utf-8")
    result = ocrlog("compare", tmp_path)
    assert result.returncode == 2
    assert "smooth_floor" in result.stderr
    assert not (tmp_path / "readings").exists()


def test_captures_of_no_round_are_exit_2_and_name_facts_csv(tmp_path):
    """A still of a live overlay alone shows no round."""
    shutil.copy(SAMPLES / "dump" / "20260314_100350.jpg", tmp_path / "20260314_100350.jpg")
    result = ocrlog("compare", tmp_path, "--jobs", "1")
    assert result.returncode == 2, result.stdout + result.stderr
    assert "nothing to compare" in result.stderr
    assert "facts.csv" in result.stderr


# ---------------------------------------------------------------- answers, docs


def test_an_answer_leaves_what_others_wrote_alone(tmp_path):
    file = tmp_path / "facts.csv"
    facts = {
        "a.png": SomeFacts({"device": "screen-9x9", "round": "1"}, frozenset({"device", "round"})),
        "b.png": SomeFacts({"device": "screen-9x9"}, frozenset({"device"})),
    }
    write_facts_csv(file, facts)
    assert read_facts_csv(file) == {}
    assert write_answers(file, {"a.png": {"device": "H1"}, "gone.png": {"device": "X"}}) == ()
    assert read_facts_csv(file) == {"a.png": {"device": "H1"}}
    write_answers(file, {"a.png": {"round": "1"}})
    assert read_facts_csv(file) == {"a.png": {"device": "H1", "round": "1"}}


def test_the_docs_name_every_column_and_figure():
    text = (Path(__file__).parents[1] / "docs" / "comparing.md").read_text(encoding="utf-8")
    from extractor.comparing.deriving import HELP

    for table in COMPARED:
        for column in table.columns:
            name = column.name.removesuffix("_half_width").removesuffix("_from")
            assert f"`{name}`" in text, name
    for name in HELP:
        assert f"`{name}`" in text, name
    from extractor.comparing.report import CAUTION

    assert CAUTION in text.replace("\n", " ")
