"""Decisions of people: for which readings they hold and what comes of them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from judging_world import (
    BOX,
    ID,
    codes,
    decision,
    flagged,
    layout,
    reading,
    readout,
    recording,
    rows,
    series,
    still,
    verdict,
)

from extractor.records import Box, Decision, Judged

POWER = readout("power", "power", unit="W", decimals=2, bounds=(0, 30), missing="--")
LAYOUT = layout(POWER)
SEEN = still(0, reading("power", "3.02", 0.7))


def settle(*decisions: Decision, seen=SEEN) -> Judged:
    return rows(verdict([seen], LAYOUT, decisions=decisions))[0]


@pytest.mark.parametrize(
    ("action", "after", "source", "value"),
    [
        ("accept", "3.02", "accepted", 3.02),
        ("accept", "", "accepted", 3.02),
        ("correct", "8.02", "corrected", 8.02),
        ("type", "8.02", "typed", 8.02),
        ("correct", "80.2", "corrected", 80.2),  # bounds and decimals are the person's
    ],
)
def test_what_a_person_gives_is_the_value(action, after, source, value) -> None:
    row = settle(decision(SEEN, "power", after, action))
    assert (row.value, row.source, row.candidate, row.confidence) == (value, source, None, None)
    assert row.doubts == ()
    assert row.decided_text == (after or "3.02")
    assert [doubt.code for doubt in row.settled] == ["unsure"]
    assert row.reading.text == "3.02"


def test_unreadable_stays_flagged() -> None:
    row = settle(decision(SEEN, "power", "", "unreadable"))
    assert (codes(row), row.value, row.candidate, row.confidence) == (
        ["unreadable"],
        None,
        None,
        None,
    )
    assert "ann" in row.doubts[0].why
    assert [doubt.code for doubt in row.settled] == ["unsure"]


def test_a_decided_text_must_be_a_figure() -> None:
    row = settle(decision(SEEN, "power", "8.O2"))
    assert (codes(row), row.value, row.decided_text, row.settled) == (
        ["wrong-form"],
        None,
        "8.O2",
        (),
    )


def test_the_mark_for_no_value_can_be_decided() -> None:
    row = settle(decision(SEEN, "power", "--"))
    assert (row.value, row.source, row.doubts, row.decided_text) == (None, "corrected", (), "--")


def test_an_accepted_text_that_is_read_otherwise_now_is_a_correction() -> None:
    row = settle(decision(SEEN, "power", "8.02", "accept", before="8.02"))
    assert (row.value, row.source) == (8.02, "corrected")


@pytest.mark.parametrize(
    "other",
    [{"file": "other-100"}, {"pts": 90}, {"layout": "other00001"}, {"readout": "current"}],
)
def test_a_decision_about_something_else_does_nothing(other) -> None:
    assert codes(settle(decision(SEEN, "power", "8.02", **other))) == ["unsure"]


@pytest.mark.parametrize(
    ("box", "holds"),
    [
        (Box(BOX.x + 2, BOX.y + 2, BOX.w, BOX.h), True),  # redrawn by 2 px
        (Box(BOX.x, BOX.y, BOX.w * 1.6, BOX.h), True),
        (Box(BOX.x, BOX.y, BOX.w * 1.7, BOX.h), False),
        (Box(BOX.x, BOX.y, BOX.w * 3, BOX.h), False),  # by 200 %
        (Box(BOX.x, BOX.y, BOX.w * 0.5, BOX.h), False),
        (Box(BOX.x + 500, BOX.y, BOX.w, BOX.h), False),
    ],
)
def test_a_box_drawn_again(box: Box, holds: bool) -> None:
    row = settle(decision(SEEN, "power", "8.02", box=box))
    if holds:
        assert row.value == 8.02
    else:
        assert codes(row) == ["decided-elsewhere", "unsure"]
        assert row.value is None
        assert "8.02" in row.doubts[0].why


def test_replaces_wins_whoever_comes_first() -> None:
    first = decision(SEEN, "power", "8.02")
    second = decision(SEEN, "power", "8.12", who="bob", replaces=first.id)
    third = decision(SEEN, "power", "8.22", replaces=second.id)
    assert settle(first, second).value == 8.12
    assert settle(second, first, third).value == 8.22


def test_what_is_withdrawn_never_was() -> None:
    first = decision(SEEN, "power", "8.02")
    second = decision(SEEN, "power", "8.12", replaces=first.id)
    undo = decision(SEEN, "power", "", "withdraw", replaces=second.id)
    assert settle(second, undo, first).value == 8.02
    again = decision(SEEN, "power", "8.32", replaces=first.id)
    assert settle(first, second, undo, again).value == 8.32
    none = replace(undo, id="none", replaces=first.id)
    assert codes(settle(first, second, undo, none)) == ["unsure"]


def test_a_released_figure_that_a_person_doubts_is_flagged_until_it_is_decided() -> None:
    sure = still(0, reading("power", "3.02"))
    doubt = decision(sure, "power", "", "doubt")
    row = settle(doubt, seen=sure)
    assert (codes(row), row.value, row.candidate) == (["doubted"], None, 3.02)
    assert "ann doubts 3.02" in row.doubts[0].why
    elsewhere = replace(doubt, box=Box(500, 50, 60, 20))
    assert codes(settle(elsewhere, seen=sure)) == ["doubted"]
    other = decision(sure, "power", "3.02", "accept", who="bob")
    assert codes(settle(doubt, other, seen=sure)) == ["doubted"]
    row = settle(doubt, replace(other, replaces=doubt.id), seen=sure)
    assert (row.value, row.source, row.doubts) == (3.02, "accepted", ())


def test_two_people_who_agree_and_two_who_do_not() -> None:
    ann, bob = decision(SEEN, "power", "8.02"), decision(SEEN, "power", "8.02", "type", who="bob")
    assert settle(ann, bob).value == 8.02
    assert settle(ann, ann).value == 8.02
    carl = decision(SEEN, "power", "", "unreadable", who="carl")
    row = settle(ann, bob, carl)
    assert codes(row) == ["reviewers-disagree", "unsure"]
    assert row.value is None
    assert all(name in row.doubts[0].why for name in ("ann", "bob", "carl"))
    peace = decision(SEEN, "power", "8.05", replaces=carl.id, id="peace")
    also = [replace(each, id=f"{each.who}2", after="8.05", replaces=each.id) for each in (ann, bob)]
    assert settle(ann, bob, carl, peace, *also).value == 8.05


def test_copies_of_a_file_share_a_decision_and_a_frame_has_its_own() -> None:
    copy = still(0, reading("power", "3.02", 0.7), path="copy/renamed.png")
    found = verdict([SEEN, copy], LAYOUT, decisions=[decision(SEEN, "power", "8.02")])
    assert [row.value for row in rows(found)] == [8.02, 8.02]
    frames = recording([(at, [reading("power", "3.02", 0.7)]) for at in (0.0, 1.0)])
    found = verdict(frames, LAYOUT, decisions=[decision(frames[1], "power", "8.02")])
    assert [row.value for row in rows(found)] == [None, 8.02]


def test_a_size_has_one_decision_for_both_rows() -> None:
    sized = layout(readout("size", "render_size", kind="size", unit="px"))
    seen = still(0, reading("size", "1280x120", 0.5))
    found = verdict([seen], sized, decisions=[decision(seen, "size", "1280x720")])
    assert [(row.readout, row.value) for row in rows(found)] == [
        ("size.width", 1280.0),
        ("size.height", 720.0),
    ]
    assert all(row.decided_text == "1280x720" and row.settled for row in rows(found))


def test_a_correction_releases_what_was_flagged_because_of_it() -> None:
    calibration = layout(readout("x", "temperature", unit="Cel", step=1.0))
    seen = series(calibration, {"x": ["41.0", "80.0", "79.9", "41.2", "41.1"]})
    before = verdict(seen, calibration)
    assert {1, 2} <= set(flagged(before))
    decisions = [decision(seen[1], "x", "41.0"), decision(seen[2], "x", "41.1")]
    after = verdict(seen, calibration, decisions=decisions)
    assert flagged(after) == {}
    assert [doubt.code for doubt in rows(after)[1].settled] == codes(rows(before)[1])


def test_an_accepted_jump_does_not_accuse_its_neighbours() -> None:
    calibration = layout(readout("x", "temperature", unit="Cel", step=1.0))
    seen = series(calibration, {"x": ["41.0", "41.1", "80.0", "41.2", "41.1"]})
    found = verdict(seen, calibration, decisions=[decision(seen[2], "x", "80.0", "accept")])
    assert flagged(found) == {}


def test_a_decision_about_what_is_no_longer_shown_is_told() -> None:
    hidden = still(0, replace(reading("power", ""), box=None))
    found = verdict([hidden], LAYOUT, decisions=[decision(SEEN, "power", "8.02")])
    assert flagged(found) == {0: ["not-shown"]}
    assert found.notices == (
        "flat/00000.png: ann decided power, which is not shown there now; the decision is kept and "
        "does nothing",
    )


def test_the_order_of_decisions_changes_nothing() -> None:
    made = [decision(SEEN, "power", text, who=text) for text in ("8.02", "8.03")]
    assert settle(*made) == settle(*made[::-1])
    assert settle(*made).reading.layout == ID
