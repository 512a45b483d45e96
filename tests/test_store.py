"""The cache, decisions of people, and the writer's lock."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
import typing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from extractor.errors import BusyError, CallError
from extractor.records import (
    Box,
    Capture,
    Decision,
    Doubt,
    Finds,
    Found,
    FrameReadings,
    FramesRead,
    Judged,
    Problem,
    Reading,
    Sighting,
    Verdict,
)
from extractor.store import (
    Cache,
    append_decisions,
    decision_template,
    read_decisions,
    record_from_json,
    record_to_json,
    writer_lock,
)

RECORDS = (Capture, Problem, Found, Reading, FrameReadings, FramesRead, Finds)
SIMPLE: dict[object, st.SearchStrategy[Any]] = {
    str: st.text(max_size=8),
    float: st.floats(allow_nan=False),
    int: st.integers(),
    bool: st.booleans(),
    type(None): st.none(),
    Path: st.text(max_size=8).filter(lambda text: "\0" not in text).map(Path),
}


def _any(hint: Any) -> st.SearchStrategy[Any]:
    """Anything that a type hint of the records allows."""
    if hint in SIMPLE:
        return SIMPLE[hint]
    if dataclasses.is_dataclass(hint):
        hints = typing.get_type_hints(hint)
        return st.builds(hint, **{name: _any(each) for name, each in hints.items()})
    inner = typing.get_args(hint)
    if typing.get_origin(hint) is typing.Literal:
        return st.sampled_from(inner)
    if typing.get_origin(hint) is tuple:
        return st.lists(_any(inner[0]), max_size=2).map(tuple)
    return st.one_of(*map(_any, inner))


# ---------------------------------------------------------------- records as JSON


@given(st.one_of(*map(_any, RECORDS)))
def test_a_record_comes_back_the_very_same(record: object) -> None:
    text = record_to_json(record)
    assert "\n" not in text and text.isascii()
    again = record_from_json(text, type(record))
    assert again == record
    assert repr(again) == repr(record)  # -0.0 equals 0.0, their texts differ; tuples stay tuples


def test_a_path_with_bytes_that_are_not_utf_8_comes_back() -> None:
    capture = Capture("a\\xE9", Path(os.fsdecode(b"a\xe9")), "0-1", "still", 1, 1)
    assert record_from_json(record_to_json(capture), Capture) == capture


def test_one_of_several_kinds_is_told_by_its_name() -> None:
    problem = Problem("a.png", "empty", "take it out")
    text = record_to_json(problem)
    assert record_from_json(text, Capture | Problem) == problem
    with pytest.raises(ValueError, match=r"a record Problem stands where .*Capture"):
        record_from_json(text, Capture)


def test_what_is_no_plain_value_is_refused_when_it_is_written() -> None:
    with pytest.raises(TypeError):
        record_to_json(replace(READING, probability=np.float32(0.5)))
    with pytest.raises(TypeError, match="Box is no record of the cache"):
        record_to_json(Box(0, 0, 1, 1))


# ---------------------------------------------------------------- cache


@given(st.dictionaries(st.text(max_size=9), st.text(max_size=30), max_size=9), st.text(max_size=3))
def test_what_is_put_is_got(tmp_path_factory: pytest.TempPathFactory, texts: dict[str, str],
                            space: str) -> None:  # fmt: skip
    path = tmp_path_factory.mktemp("cache") / "cache.sqlite"
    with Cache(path) as cache:
        cache.put_many(space, texts)
        assert cache.get_many(space, [*texts, "not there at all"]) == texts
        assert cache.get_many(space + "'", list(texts)) == {}
    with Cache(path) as cache:
        assert cache.notice == ""
        assert cache.get_many(space, list(texts)) == texts


def test_many_keys_in_one_call(tmp_path: Path) -> None:
    texts = {str(number): f"text {number}" for number in range(5000)}
    with Cache(tmp_path / "cache.sqlite") as cache:
        cache.put_many("a", texts)
        assert cache.get_many("a", [*texts, *texts]) == texts
        cache.put_many("a", {"7": "another"})
        assert cache.get_many("a", ["7"]) == {"7": "another"}


_PUT_FOR_EVER = """
import sys
from pathlib import Path
from extractor.store import Cache
with Cache(Path(sys.argv[1])) as cache:
    for number in range(10**9):
        cache.put_many("a", {f"{number}.{part}": "x" * 3000 for part in range(5)})
        print(number, flush=True)
"""


def test_a_kill_loses_nothing_that_was_put(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    for wait in (0.05, 0.11, 0.17):
        path.unlink(missing_ok=True)
        process = subprocess.Popen(
            [sys.executable, "-c", _PUT_FOR_EVER, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(wait)
        process.send_signal(signal.SIGKILL)
        told = ["0", *process.stdout.read().split("\n")]
        process.wait()
        process.stdout.close()
        last = int(told[-2] if len(told) > 1 and told[-2] else 0)
        with Cache(path) as cache:
            assert cache.notice == ""
            keys = [f"{number}.{part}" for number in range(last + 1) for part in range(5)]
            assert len(cache.get_many("a", keys)) == len(keys)
            # And what was under way is there whole or not at all.
            assert len(cache.get_many("a", [f"{last + 1}.{part}" for part in range(5)])) in (0, 5)


def test_processes_write_side_by_side(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    code = (
        "import sys; from pathlib import Path; from extractor.store import Cache\n"
        "with Cache(Path(sys.argv[1])) as cache:\n"
        "    for n in range(100): cache.put_many('a', {f'{sys.argv[2]}.{n}': 'x' * 999})\n"
    )
    workers = [
        subprocess.Popen([sys.executable, "-c", code, str(path), name]) for name in ("p", "q")
    ]
    assert [worker.wait() for worker in workers] == [0, 0]
    with Cache(path) as cache:
        keys = [f"{name}.{number}" for name in ("p", "q") for number in range(100)]
        assert len(cache.get_many("a", keys)) == 200


def _filled(path: Path) -> bytes:
    with Cache(path) as cache:
        cache.put_many("a", {str(number): f"a figure of {number} W" * 9 for number in range(400)})
    return path.read_bytes()


def _flipped(data: bytes) -> bytes:
    place = data.index(b"a figure of 123 W")
    return data[:place] + b"a figure of 723 W" + data[place + 17 :]


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda data: b"no database" * 99, id="another file"),
        pytest.param(lambda data: data[: len(data) // 2], id="cut off"),
        pytest.param(lambda data: data[:9000] + bytes(4096) + data[13096:], id="zeros"),
        pytest.param(_flipped, id="one digit of one figure"),
        pytest.param(lambda data: data[:100] + bytes(4000) + data[4100:], id="the first page"),
    ],
)
def test_a_damaged_file_is_rebuilt_and_that_is_said(tmp_path: Path, damage: object) -> None:
    path = tmp_path / "cache.sqlite"
    path.write_bytes(damage(_filled(path)))  # type: ignore[operator]
    with Cache(path) as cache:
        assert str(path) in cache.notice and "rebuilt" in cache.notice
        assert cache.get_many("a", ["5"]) == {}
        cache.put_many("a", {"5": "five"})
    with Cache(path) as cache:
        assert cache.notice == ""
        assert cache.get_many("a", ["5"]) == {"5": "five"}


def test_damage_met_later_is_never_taken_for_a_reading(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    path.write_bytes(_flipped(_filled(path)))
    with Cache(path, check=False) as cache:
        assert cache.get_many("a", ["122"]) != {}
        with pytest.raises(CallError, match=r"cache\.sqlite is damaged .* run the command again"):
            cache.get_many("a", ["123"])


def test_a_cache_of_other_records_is_rebuilt(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    _filled(path)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 1")
    connection.close()
    with Cache(path) as cache:
        assert "another version" in cache.notice
        assert cache.get_many("a", ["5"]) == {}


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE theirs (a)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(CallError, match=r"belongs to another program.*--out"):
        Cache(path)
    assert path.read_bytes() == before


def test_a_full_disk_is_a_clear_error_and_spoils_nothing(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    with Cache(path) as cache:
        cache.put_many("a", {"1": "one"})
        cache._connection.execute("PRAGMA max_page_count = 8")  # SQLite's own "disk is full"
        with pytest.raises(CallError, match=r"cache\.sqlite cannot be used \(.*full\); free some"):
            cache.put_many("a", {str(number): "x" * 4000 for number in range(2, 50)})
        assert cache.get_many("a", ["1", "2"]) == {"1": "one"}


def test_a_place_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    with pytest.raises(CallError, match=r"cannot be used .* --out"):
        Cache(tmp_path / "missing" / "cache.sqlite")
    with Cache(tmp_path / "cache.sqlite") as cache:
        cache._connection.execute("PRAGMA query_only = 1")  # as if the file were read-only
        with pytest.raises(CallError, match=r"cannot be used .*readonly"):
            cache.put_many("a", {"1": "one"})


def test_a_hundred_thousand_readings_load_in_seconds(tmp_path: Path) -> None:
    number = 10_000  # a tenth, so that the tests stay short
    text = record_to_json(READING)
    with Cache(tmp_path / "cache.sqlite") as cache:
        cache.put_many("readings", {str(each): text for each in range(number)})
    begin = time.process_time()
    with Cache(tmp_path / "cache.sqlite") as cache:
        known = cache.get_many("readings", [str(each) for each in range(number)])
    readings = [record_from_json(text, Reading) for text in known.values()]
    assert len(readings) == number
    assert time.process_time() - begin < 2.0


# ---------------------------------------------------------------- decisions

READING = Reading("stripid1", "power", Box(10, 20, 30.5, 12), "5.53", 0.97)
DECISION = Decision(
    id="d1",
    when="2026-03-15T10:00:00Z",
    who="Kim",
    file="0f0f-123",
    pts=None,
    layout="stripid1",
    readout="power",
    box=Box(10, 20, 30.5, 12),
    before="5.53",
    after="5.58",
    action="correct",
)


def _line(**changes: object) -> str:
    entry = {
        "action": "correct", "after": "5.58", "before": "5.53", "box": [10, 20, 30.5, 12],
        "file": "0f0f-123", "id": "d1", "layout": "stripid1", "pts": None, "readout": "power",
        "replaces": "", "when": "2026-03-15T10:00:00Z", "who": "Kim",
    }  # fmt: skip
    return json.dumps({**entry, **changes}) + "\n"


@pytest.fixture(autouse=True)
def _own_state_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.delenv("LOCALAPPDATA", raising=False)


def test_appended_decisions_are_read_back_in_order(tmp_path: Path) -> None:
    folder = tmp_path / "decisions"
    second = replace(DECISION, id="d2", when="2026-03-15T11:00:00Z", replaces="d1", pts=12800)
    path = append_decisions(folder, [second])
    assert append_decisions(folder, [DECISION]) == path
    assert path.name.startswith("Kim-") and path.suffix == ".jsonl"
    assert read_decisions([folder]) == ([DECISION, second], [])
    other = append_decisions(folder, [replace(DECISION, who="../../Lee é\n", id="d3")])
    assert other.parent == folder and "/" not in other.name and other != path
    assert [each.id for each in read_decisions([folder, folder])[0]] == ["d1", "d3", "d2"]


@given(st.builds(Decision, id=st.uuids().map(str), when=st.just(""), who=st.just("Kim"),
                 file=st.just("f"), layout=st.just("l"), readout=st.just("r"),
                 box=st.builds(Box, *[st.floats(-1e6, 1e6)] * 4),
                 before=st.text(min_size=1), after=st.text("0123456789.,-x :", min_size=1)
                 .filter(lambda text: text == text.strip()),
                 action=st.sampled_from(["correct", "type"]), replaces=st.just("")))  # fmt: skip
def test_any_decision_survives(
    tmp_path_factory: pytest.TempPathFactory, decision: Decision
) -> None:
    folder = tmp_path_factory.mktemp("decisions")
    append_decisions(folder, [decision])
    assert read_decisions([folder]) == ([decision], [])


def test_a_line_torn_by_a_crash_is_named_and_swallows_no_later_one(tmp_path: Path) -> None:
    path = append_decisions(tmp_path, [DECISION])
    with path.open("a") as file:
        file.write(_line(id="d2")[:50])
    decisions, notices = read_decisions([tmp_path])
    assert decisions == [DECISION]
    assert notices == [f"{path}:2: the last line is torn; skipped, mend or delete the line"]
    append_decisions(tmp_path, [replace(DECISION, id="d3")])
    decisions, notices = read_decisions([tmp_path])
    assert [each.id for each in decisions] == ["d1", "d3"]
    assert len(notices) == 1 and f"{path}:2: no JSON" in notices[0]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("[1, 2]\n", "not an object"),
        ("{" * 100_000 + "\n", "no JSON|nested"),
        ('{"a": NaN}\n', "no JSON"),
        (_line(action="fix"), "`action` is 'fix', expected one of accept, correct, type"),
        (_line(after=5.58), '`after` is 5.58, expected text in quotes: "5.58"'),
        (_line(after=" "), "`after` is missing"),
        (_line(file=""), "`file` is missing"),
        (_line(box=[1, 2, 3]), r"`box` is no \[x, y, w, h\]"),
        (_line(box=[1, 2, 3, "4"]), "`box`"),
        (_line(pts=1.5), "`pts` is 1.5"),
        (_line(pts=True), "`pts`"),
        (_line(action="accept"), '`after` differs from `before`: set `action` to "correct"'),
        (_line(action="accept", before="", after=""), 'set `action` to "type"'),
        (_line(action="unreadable"), "`after` has a text"),
        (_line(action="doubt"), "`after` has a text"),
        (_line(action="withdraw", after=""), "`replaces` is missing"),
        (_line(replaces="d1"), "replaces itself"),
        ("{}\n", "`file` is missing"),
    ],
)
def test_a_line_that_cannot_be_used_is_named_and_the_rest_is_read(
    tmp_path: Path, line: str, said: str
) -> None:
    path = tmp_path / "Kim-hand.jsonl"
    path.write_text(_line() + "\n" + line + _line(id="d9"))
    decisions, notices = read_decisions([tmp_path])
    assert [each.id for each in decisions] == ["d1", "d9"]
    (notice,) = notices
    assert notice.startswith(f"{path}:3: ")
    assert re.search(said, notice)


def test_bytes_that_are_not_utf_8_are_named(tmp_path: Path) -> None:
    path = tmp_path / "Kim-hand.jsonl"
    path.write_bytes(_line().encode() + _line(id="d2", who="Jos@").encode().replace(b"@", b"\xe9"))
    decisions, notices = read_decisions([tmp_path])
    assert decisions == [DECISION]
    assert notices == [f"{path}:2: `who` is not UTF-8; skipped, mend or delete the line"]


def test_a_file_by_an_editor_of_another_system_is_read(tmp_path: Path) -> None:
    text = _line(colour="unknown keys are no fault") + "\n" + _line(id="d2").rstrip("\n")
    (tmp_path / "hand.jsonl").write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    (tmp_path / "notes.txt").write_text("no decisions")
    decisions, notices = read_decisions([tmp_path, tmp_path / "missing"])
    assert decisions == [DECISION, replace(DECISION, id="d2")]
    assert notices == []


def test_what_stands_in_two_peoples_files_is_one_decision(tmp_path: Path) -> None:
    (tmp_path / "Kim-1.jsonl").write_text(_line())
    (tmp_path / "Lee-2.jsonl").write_text(_line() + _line(id="d2", who="Lee", after="5.59"))
    decisions, notices = read_decisions([tmp_path])
    assert [(each.id, each.after) for each in decisions] == [("d1", "5.58"), ("d2", "5.59")]
    assert notices == []


def test_one_id_on_two_different_lines_loses_neither(tmp_path: Path) -> None:
    path = tmp_path / "Kim-1.jsonl"
    path.write_text(_line() + _line(after="5.59") + _line(after="5.59"))
    decisions, notices = read_decisions([tmp_path])
    assert sorted(each.after for each in decisions) == ["5.58", "5.59"]
    assert len({each.id for each in decisions}) == 2
    assert len(notices) == 2 and f"{path}:2: the id d1 is used" in notices[0]


def test_decisions_that_cannot_be_read_end_the_call(tmp_path: Path) -> None:
    (tmp_path / "Kim-1.jsonl").mkdir()
    with pytest.raises(CallError, match=r"Kim-1\.jsonl: decisions cannot be read"):
        read_decisions([tmp_path])
    (tmp_path / "decisions").write_text("a file where the folder should be")
    with pytest.raises(CallError, match="decisions cannot be read"):
        read_decisions([tmp_path / "decisions"])
    with pytest.raises(CallError, match=r"decisions.*could not be saved .* --decisions"):
        append_decisions(tmp_path / "decisions", [DECISION])


def _flagged(reading: Reading = READING) -> tuple[Verdict, Judged]:
    doubts = (Doubt("unsure", "read with probability 0.97"), Doubt("step", "rose by 9 W"))
    judged = Judged(reading, "power", None, 5.53, 0.005, "W", 0.97, doubts, "read")
    capture = Capture("H1/a.png", Path("H1/a.png"), "0f0f-123", "still", 2400, 1080)
    frame = FrameReadings(capture.content, None, None, (), (reading,))
    return Verdict(Sighting(capture, frame, {}), "run", (judged,)), judged


def test_a_template_is_ignored_until_it_is_filled_in(tmp_path: Path) -> None:
    template = decision_template(*_flagged())
    assert template["why"] == "read with probability 0.97; rose by 9 W"
    path = tmp_path / "Kim-hand.jsonl"
    path.write_text(json.dumps(template) + "\n")
    assert read_decisions([tmp_path]) == ([], [])
    path.write_text(json.dumps({**template, "action": "correct", "after": "5.58"}) + "\n")
    decisions, notices = read_decisions([tmp_path])
    assert notices == []
    (decision,) = decisions
    assert decision.id.startswith("line-")
    assert replace(decision, id="d1", when=DECISION.when) == DECISION
    path.write_text(json.dumps({**template, "action": "accept"}) + "\n")
    assert read_decisions([tmp_path])[0][0].after == "5.53"


def test_there_is_no_template_for_what_is_not_shown() -> None:
    with pytest.raises(ValueError, match="power is not shown"):
        decision_template(*_flagged(Reading("stripid1", "power", None)))


# ---------------------------------------------------------------- lock

_HOLD = """
import sys
from pathlib import Path
from extractor.store import writer_lock
with writer_lock(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_second_writer_is_told_who_the_first_is(tmp_path: Path) -> None:
    out = tmp_path / "readings"
    first = subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(out)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert first.stdout is not None and first.stdin is not None
    assert first.stdout.readline() == "held\n"
    with (
        pytest.raises(BusyError, match=rf"process {first.pid} on .+, since 20.+--out") as caught,
        writer_lock(out),
    ):
        pass
    assert caught.value.exit_status == 4
    first.send_signal(signal.SIGKILL)
    first.wait()
    first.stdout.close()
    first.stdin.close()
    with writer_lock(out):
        pass
    assert not list(out.glob("*.writer"))


def test_a_folder_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "readings").write_text("a file where the folder should be")
    with (
        pytest.raises(CallError, match=r"cannot write there .*--out"),
        writer_lock(tmp_path / "readings"),
    ):
        pass


def test_what_goes_wrong_inside_lets_go_of_the_lock(tmp_path: Path) -> None:
    with pytest.raises(KeyError), writer_lock(tmp_path):
        raise KeyError
    with writer_lock(tmp_path):
        pass


def test_the_worked_example_of_the_documentation_holds(tmp_path: Path) -> None:
    page = Path(__file__).parents[1] / "docs" / "decisions-file.md"
    text = page.read_text(encoding="utf-8")
    blocks = [re.sub(r"\n +", " ", block) for block in re.findall(r"(?:^    .+\n)+", text, re.M)]
    undecided, decided = (block.strip() for block in blocks)
    (tmp_path / "kim-hand.jsonl").write_text(f"{undecided}\n{decided}\n", encoding="utf-8")
    (decision,), notices = read_decisions([tmp_path])
    assert notices == []
    assert (decision.action, decision.after, decision.who) == ("correct", "5.58", "kim")
    told = set(re.findall(r"`([a-z_]+)`", text))
    assert {field.name for field in dataclasses.fields(Decision)} <= told
    assert json.loads(undecided).keys() - {"crop"} == decision_template(*_flagged()).keys()
