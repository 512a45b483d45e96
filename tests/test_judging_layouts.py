"""Letters that readers mistake in a layout on a device, and layouts that they cannot see."""

from __future__ import annotations

import pytest
from judging_world import FACTS, codes, decision, flagged, layout, reading, readout, still, verdict

from extractor.judging.in_layout import (
    DOUBTFUL,
    FEWEST,
    GRAVELY,
    MISREAD,
    MISREAD_UNSURE,
    MISTAKEN,
    SELDOM_MISREAD,
    TAKEN_FOR,
    TIMES,
    UNSEEN,
)
from extractor.records import Judgement, Look, Sighting

LAYOUT = layout(readout("power", "power", unit="W"), readout("load", "load", unit="%"))


def seen(at: int, text: str, other: str = "", sure: float = 0.9999, **more: object) -> Sighting:
    """A still of which one look read ``other``, so weakly that it alone would be no doubt."""
    looks = (Look("own reader (box)", text, 0.99), Look("own reader (box wide)", other, 0.05))
    return still(at, reading("power", text, sure, looks=looks if other else looks[:1]), **more)


def with_eights(slips: int, without: int, **more: object) -> list[Sighting]:
    """Different figures with an 8, of which the first ``slips`` look like a 2; one without ends."""
    texts = [f"{at}.38" for at in range(100) if "8" not in str(at)][: slips + without]
    return [
        *(seen(at, text, text[:-1] + "2" if at < slips else "", **more)
          for at, text in enumerate(texts)),
        seen(len(texts), "7.71", **more),
    ]  # fmt: skip


def held(found: Judgement, code: str = "mistaken-letter") -> list[int]:
    return [at for at, each in enumerate(found.verdicts) if code in codes(each.judged[0])]


@pytest.mark.parametrize(
    ("slips", "without", "held_back"),
    [(5, 0, True), (4, 0, False), (5, 45, True), (5, 46, False), (6, 50, True), (0, 40, False)],
)
def test_a_letter_mistaken_in_one_figure_of_ten_holds_all_figures_with_it_back(
    slips: int, without: int, held_back: bool
) -> None:
    assert (MISTAKEN, TIMES) == (0.1, 5)
    found = verdict(with_eights(slips, without), LAYOUT)
    assert held(found) == (list(range(slips + without)) if held_back else [])


@pytest.mark.parametrize(
    ("slips", "claimed", "doubted"), [(6, MISREAD, MISREAD_UNSURE), (5, SELDOM_MISREAD, 0.99)]
)
def test_what_is_held_back_says_which_letter_and_claims_less(
    slips: int, claimed: float, doubted: float
) -> None:
    assert GRAVELY == 0.2
    shown = [*with_eights(slips, 29 - slips), seen(50, "1.18", sure=0.99)]
    rows = [each.judged[0] for each in verdict(shown, LAYOUT).verdicts]
    assert rows[20].doubts[0].why == (
        f"in {slips} of the 30 different figures with '8' of strip on H1 some look or a person "
        "sees '2' in its place: one may stand for the other"
    )
    assert "in its place, this one among them: one" in rows[0].doubts[0].why
    assert (rows[20].value, rows[20].confidence) == (None, claimed)
    assert rows[-1].confidence == doubted


def test_the_letter_it_is_mistaken_for_is_held_back_too() -> None:
    """Where looks take a 2 for an 8, an 8 that none doubts may be a 2; a sign is no 2."""
    twos = [seen(at, f"{at}.32", f"{at}.38") for at in range(6)]
    eights = [seen(20 + at, f"{at}.18") for at in range(3, 7)]
    found = verdict([*twos, *eights], LAYOUT)
    assert held(found) == list(range(10))
    claimed = [each.judged[0].confidence for each in found.verdicts]
    assert (claimed[0], claimed[-1]) == (MISREAD, TAKEN_FOR)
    signs = [seen(at, f"-{at}.31", f"2{at}.31") for at in range(6)]
    assert held(verdict([*signs, seen(20, "1.32")], LAYOUT)) == list(range(6))


def test_a_figure_that_stands_still_is_one_figure_however_often_it_is_shown() -> None:
    still_there = [seen(at, "4.80", "4.20") for at in range(60)]
    others = [seen(100 + at, f"{at}.38") for at in range(8)]
    assert not held(verdict([*still_there, *others], LAYOUT))


def test_a_slip_in_one_showing_of_many_weighs_that_little() -> None:
    """Else a long recording, which shows each figure often, had slips in all of them."""
    texts = [f"{at}.38" for at in range(10) if at != 8]
    shown = [
        seen(20 * at + again, text, text[:-1] + "2" if again == 0 else "")
        for at, text in enumerate(texts) for again in range(12)
    ]  # fmt: skip
    assert not held(verdict(shown, LAYOUT))
    often = [each for at, each in enumerate(shown) if at % 12 < 9]
    assert len(held(verdict(often, LAYOUT))) == 81


@pytest.mark.parametrize("cut", ["{}.1", "1{}.18", "{}{}{}{}"])
def test_texts_of_another_cut_are_no_slips(cut: str) -> None:
    shown = [seen(at, f"{at}.18", cut.format(*4 * [at])) for at in range(2, 8)]
    assert not held(verdict(shown, LAYOUT))


def test_a_mark_for_another_mark_is_no_slip() -> None:
    """Which mark a layout draws its calibration says."""
    shown = [seen(at, f"{at}.31", f"{at},31") for at in range(9)]
    assert not held(verdict(shown, LAYOUT))


def test_the_dashes_of_a_missing_value_are_no_signs() -> None:
    """A lone sign taken for a 2 says nothing of the mark for no value, nor the other way."""
    world = layout(readout("power", "power", unit="W", missing="--"))
    signs = [seen(at, f"-{at}.31", f"2{at}.31") for at in range(9)]
    marks = [seen(20 + at, "--", "22") for at in range(9)]
    assert held(verdict([*signs, *marks], world)) == list(range(9))


def test_other_devices_and_layouts_are_not_held_back() -> None:
    other = layout(readout("power", "power", unit="W"), id="layoutid02", name="summary")
    there = [
        still(100 + at, reading("power", "3.08", layout=other.id), path=f"b/{at}.png")
        for at in range(30)
    ]
    device = {**FACTS, "device": "H2"}
    elsewhere = [still(200 + at, reading("power", "3.08"), facts=device) for at in range(30)]
    found = verdict([*with_eights(10, 20), *there, *elsewhere], LAYOUT, other)
    assert held(found) == list(range(30))


def test_where_the_device_is_not_known_its_screen_tells_it_apart() -> None:
    small = [seen(100 + at, f"{at}.28", facts={}, size=(640, 360)) for at in range(8)]
    assert held(verdict([*with_eights(10, 20, facts={}), *small], LAYOUT)) == list(range(30))


def test_accepting_what_was_read_releases_the_others() -> None:
    """The readers knew the letter after all."""
    shown = with_eights(6, 18)
    settled = [decision(each, "power", each.frame.readings[0].text, "accept") for each in shown[:2]]
    assert not held(verdict(shown, LAYOUT, decisions=settled))


@pytest.mark.parametrize(("corrected", "held_back"), [(1, False), (2, False), (3, True), (9, True)])
def test_correcting_a_letter_shows_that_it_is_mistaken(corrected: int, held_back: bool) -> None:
    """Two different figures and a tenth of those with the letter."""
    shown = with_eights(0, 30)
    settled = [
        decision(each, "power", each.frame.readings[0].text.replace("8", "2"), "correct")
        for each in shown[:corrected]
    ]
    found = verdict(shown, LAYOUT, decisions=settled)
    assert held(found) == (list(range(corrected, 30)) if held_back else [])


def test_one_correction_of_a_letter_is_not_enough() -> None:
    shown = with_eights(0, 6)
    settled = [decision(shown[0], "power", "0.32", "correct")]
    assert not held(verdict(shown, LAYOUT, decisions=settled))


def test_a_corrected_figure_is_one_however_often_it_is_shown() -> None:
    shown = [seen(20 * at + again, f"{at}.38") for at in range(7) for again in range(15)]
    settled = [
        decision(each, "power", each.frame.readings[0].text.replace("8", "2"), "correct")
        for each in shown[::15]
    ]
    assert len(held(verdict(shown, LAYOUT, decisions=settled))) == 7 * 14


@pytest.mark.parametrize("given", ["22.21", "2.81"])
def test_a_correction_of_another_cut_leaves_what_looks_have_seen(given: str) -> None:
    shown = [seen(at, f"88.8{at}", f"82.8{at}") for at in range(5)]
    settled = [decision(shown[0], "power", given, "correct")]
    assert held(verdict(shown, LAYOUT, decisions=settled)) == [1, 2, 3, 4]


def test_accepting_one_does_not_outweigh_four_corrections() -> None:
    shown = with_eights(5, 20)
    texts = [each.frame.readings[0].text for each in shown]
    settled = [
        *(decision(shown[at], "power", texts[at].replace("8", "2"), "correct") for at in range(4)),
        decision(shown[4], "power", texts[4], "accept"),
    ]
    assert held(verdict(shown, LAYOUT, decisions=settled)) == list(range(5, 25))


# ---------------------------------------------------------------- too little is seen


def doubted(doubtful: int, sure: int) -> list[Sighting]:
    """Stills of which the first ``doubtful`` are read with some doubt."""
    return [
        still(at, reading("power", f"3.0{at % 10}", 0.9 if at < doubtful else 0.9999))
        for at in range(doubtful + sure)
    ]


@pytest.mark.parametrize(
    ("doubtful", "sure", "held_back"),
    [(10, 10, True), (9, 11, False), (10, 9, False), (40, 0, True), (50, 50, True)],
)
def test_one_doubtful_figure_of_two_among_twenty_and_more_holds_all_back(
    doubtful: int, sure: int, held_back: bool
) -> None:
    assert (DOUBTFUL, FEWEST) == (0.5, 20)
    found = flagged(verdict(doubted(doubtful, sure), LAYOUT))
    own = ["unsure", "doubtful-layout"] if held_back else ["unsure"]
    wanted = dict.fromkeys(range(doubtful), own)
    if held_back:
        wanted |= {at: ["doubtful-layout"] for at in range(doubtful, doubtful + sure)}
    assert found == wanted


def test_what_is_not_seen_well_says_how_many_and_claims_less() -> None:
    rows = verdict(doubted(12, 12), LAYOUT).verdicts[-1].judged
    assert rows[0].doubts[0].why == "readers doubt 12 of the 24 figures of strip on H1"
    assert (rows[0].value, rows[0].confidence) == (None, UNSEEN)


@pytest.mark.parametrize(("given", "released"), [("as read", True), ("other", False)])
def test_accepting_doubtful_figures_releases_the_others(given: str, released: bool) -> None:
    """They were seen after all; a corrected figure says that they are not."""
    shown = doubted(12, 12)
    action = "accept" if given == "as read" else "correct"
    settled = [
        decision(each, "power", each.frame.readings[0].text if released else "8.888", action)
        for each in shown[:2]
    ]
    found = verdict(shown, LAYOUT, decisions=settled)
    assert all(not each.judged[0].doubts for each in found.verdicts[:2])  # a person gave them
    assert (not found.verdicts[-1].judged[0].doubts) is released


def test_an_answer_that_is_no_figure_leaves_the_doubt() -> None:
    shown = doubted(10, 10)
    settled = [decision(shown[0], "power", "3.0.0", "correct")]
    assert held(verdict(shown, LAYOUT, decisions=settled), "doubtful-layout")


def test_what_a_person_finds_unreadable_is_doubtful_too() -> None:
    shown = doubted(10, 12)
    settled = [decision(each, "power", "", "unreadable") for each in shown[-2:]]
    found = verdict(shown, LAYOUT, decisions=settled)
    assert 10 in held(found, "doubtful-layout")
