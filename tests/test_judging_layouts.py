"""Where readers doubt many figures of a layout on a device, none is released."""

from __future__ import annotations

import pytest
from judging_world import FACTS, codes, decision, flagged, layout, reading, readout, still, verdict

from extractor.judging.in_layout import DECEIVED, DOUBTFUL, FEWEST
from extractor.records import Sighting

LAYOUT = layout(readout("power", "power", unit="W"), readout("load", "load", unit="%"))


def shown(doubtful: int, sure: int, **more: object) -> list[Sighting]:
    """Stills of which the first ``doubtful`` are read with some doubt."""
    return [
        still(at, reading("power", f"3.0{at % 10}", 0.9 if at < doubtful else 0.9999), **more)
        for at in range(doubtful + sure)
    ]


@pytest.mark.parametrize(
    ("doubtful", "sure", "held_back"),
    [(5, 15, True), (4, 16, False), (5, 14, False), (40, 0, True), (25, 75, True), (24, 76, False)],
)
def test_one_figure_in_four_of_twenty_and_more_holds_all_back(
    doubtful: int, sure: int, held_back: bool
) -> None:
    assert (DOUBTFUL, FEWEST) == (0.25, 20)
    found = flagged(verdict(shown(doubtful, sure), LAYOUT))
    own = ["unsure", "doubtful-layout"] if held_back else ["unsure"]
    wanted = dict.fromkeys(range(doubtful), own)
    if held_back:
        wanted |= {at: ["doubtful-layout"] for at in range(doubtful, doubtful + sure)}
    assert found == wanted


def test_what_is_held_back_says_how_many_and_claims_less() -> None:
    rows = verdict(shown(6, 18), LAYOUT).verdicts[-1].judged
    assert rows[0].doubts[0].why == (
        "readers doubt 6 of the 24 figures of strip on H1: they may not know its letters"
    )
    assert (rows[0].value, rows[0].confidence) == (None, DECEIVED)


def test_other_devices_and_layouts_are_not_held_back() -> None:
    other = layout(readout("power", "power", unit="W"), id="layoutid02", name="summary")
    there = [
        still(100 + at, reading("power", "3.00", layout=other.id), path=f"b/{at}.png")
        for at in range(30)
    ]
    device = {**FACTS, "device": "H2"}
    elsewhere = [still(200 + at, reading("power", "3.00"), facts=device) for at in range(30)]
    found = verdict([*shown(10, 20), *there, *elsewhere], LAYOUT, other)
    held_back = [
        at for at, each in enumerate(found.verdicts) if "doubtful-layout" in codes(each.judged[0])
    ]
    assert held_back == list(range(30))


def test_where_the_device_is_not_known_its_screen_tells_it_apart() -> None:
    small = shown(0, 20, facts={}, size=(640, 360))
    large = shown(10, 20, facts={})
    found = verdict([*large, *small], LAYOUT)
    assert [bool(each.judged[0].doubts) for each in found.verdicts] == [True] * 30 + [False] * 20


@pytest.mark.parametrize(("given", "released"), [("as read", True), ("other", False)])
def test_accepting_what_was_read_releases_the_others(given: str, released: bool) -> None:
    """The readers knew the letters after all; a corrected figure says that they do not."""
    seen = shown(6, 18)
    action = "accept" if given == "as read" else "correct"
    settled = [
        decision(each, "power", each.frame.readings[0].text if released else "8.88", action)
        for each in seen[:2]
    ]
    found = verdict(seen, LAYOUT, decisions=settled)
    assert all(not each.judged[0].doubts for each in found.verdicts[:2])  # a person gave them
    assert (not found.verdicts[-1].judged[0].doubts) is released


def test_what_a_person_finds_unreadable_is_doubtful_too() -> None:
    seen = shown(4, 20)
    settled = [decision(each, "power", "", "unreadable") for each in seen[-2:]]
    found = verdict(seen, LAYOUT, decisions=settled)
    assert "doubtful-layout" in codes(found.verdicts[10].judged[0])
