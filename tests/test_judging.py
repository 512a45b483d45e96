"""Every reason to flag fires where it is planted and nowhere else; the states of a reading."""

from __future__ import annotations

from dataclasses import replace

import pytest
from judging_world import (
    ID,
    codes,
    decision,
    flagged,
    layout,
    one,
    reading,
    readout,
    rows,
    still,
    verdict,
)
from scipy import stats

from extractor.calibration.model import Marks, Readout, Relation
from extractor.judging.entries import (
    CLEAREST,
    CONTRADICTED,
    IMPOSSIBLE,
    PASSED,
    RULED_OUT,
    UNSURE,
)
from extractor.judging.units import contradiction
from extractor.reading import trust
from extractor.records import DOUBTS, Alternative, Box, Found, Look, Neighbour

POWER = readout("power", "power", unit="W", decimals=2, bounds=(0, 30), missing="--")
LAYOUT = layout(POWER)
CLEAN = reading("power", "8.02")


def test_a_clean_reading_is_released() -> None:
    row = one(LAYOUT, CLEAN)
    assert (row.value, row.candidate, row.half_width, row.unit) == (8.02, None, 0.005, "W")
    assert (row.confidence, row.doubts, row.source) == (PASSED, (), "read")


def test_what_passes_all_checks_claims_what_the_trust_study_has_shown() -> None:
    """0 wrong of 852 689 released: within the one-sided bound after Clopper and Pearson 1934."""
    assert trust.CEILING == CLEAREST
    bound = stats.beta.ppf(0.95, 1, 852_689)
    assert 0.95 * bound < 1 - PASSED < 1.05 * bound
    assert one(LAYOUT, reading("power", "8.02", 0.9995)).confidence == 0.9995
    assert one(LAYOUT, replace(CLEAN, unit_seen="mW")).confidence == CLEAREST  # flagged
    words = layout(Readout.model_validate({"name": "mode", "kind": "word", "quantity": "other"}))
    assert one(words, reading("mode", "calm")).confidence == CLEAREST


@pytest.mark.parametrize(
    ("claimed", "worth"),
    [(0.004, 0.004), (0.1, 0.1), (0.7, 0.89), (0.8, 0.92), (0.9499, 0.92), (0.96, 0.96)],
)
def test_what_is_not_released_claims_what_such_figures_were_worth(
    claimed: float, worth: float
) -> None:
    row = one(LAYOUT, reading("power", "8.02", claimed))
    assert (codes(row), row.confidence) == (["unsure"], worth)


def test_a_mark_of_no_value_is_worth_more_than_it_claims() -> None:
    assert one(LAYOUT, reading("power", "--", 0.1)).confidence == 0.9
    assert one(LAYOUT, reading("power", "--", 0.01)).confidence == 0.01


ALONE = {
    "unreadable": {"text": ""},
    "not-shown": {"text": "", "box": None},
    "wrong-form": {"text": "8.O2"},
    "wrong-decimals": {"text": "802"},
    "out-of-bounds": {"text": "80.20"},
    "other-unit": {"unit_seen": "mW"},
    "unsure": {"probability": UNSURE - 1e-6},
    "readers-differ": {"looks": (Look("one", "8.02", 0.99), Look("two", "3.02", 0.3))},
    "lost-point": {
        "neighbours": (Neighbour("lost-point", "80.2", 0.01), Neighbour("lost-point", "0.82", 0.01))
    },
    "lost-sign": {"neighbours": (Neighbour("lost-sign", "-8.02", 0.01),)},
    "other-digit": {"neighbours": (Neighbour("other-digit", "8.03", 0.01),)},
    "cut-off": {"cut": True},
    "blurred": {"sharpness": 0.1},
    "badly-located": {"box_error": 1.01},
}


@pytest.mark.parametrize("code", ALONE)
def test_a_doubt_of_the_reading_alone(code: str) -> None:
    calibration = LAYOUT
    if code.startswith("lost") or code == "other-digit":
        calibration = layout(readout("power", "power", unit="W"))
    row = one(calibration, replace(CLEAN, **ALONE[code]))
    assert codes(row) == [code]
    assert row.value is None
    assert row.doubts[0].why
    assert "\n" not in row.doubts[0].why


def test_doubts_of_the_frame() -> None:
    rival = Found(ID, 1.0, Box(0, 0, 9, 9), 0.9, (), rivals=("otherlayout",))
    assert codes(one(LAYOUT, CLEAN, found=(rival,))) == ["which-layout"]
    assert codes(one(LAYOUT, CLEAN, changing=True)) == ["changing"]
    row = one(LAYOUT, CLEAN, facts_fault="H1 has a screen of 2400 x 1080 px")
    assert [(each.code, each.why) for each in row.doubts] == [
        ("facts-disagree", "H1 has a screen of 2400 x 1080 px")
    ]


def test_which_mark() -> None:
    calibration = layout(readout("clock", "clock", unit="MHz"), marks=Marks())
    row = one(calibration, reading("clock", "4,512"))
    assert codes(row) == ["which-mark"]
    assert row.candidate is None


def _sequence(texts: list[str], **more: object):
    calibration = layout(readout("x", "temperature", unit="Cel", **more))
    return verdict([still(at, reading("x", text)) for at, text in enumerate(texts)], calibration)


def test_doubts_along_time() -> None:
    flat = ["41.2", "41.3", "41.1", "41.2", "41.4", "41.3", "41.2", "41.2", "41.1"]
    assert flagged(_sequence(flat, step=2.0, trend=None)) == {}
    lost = _sequence([*flat, "413", *flat])
    assert flagged(lost) == {9: ["lost-point", "outlier"]}
    why = rows(lost)[9].doubts[1].why
    assert "41.3 (the decimal point elsewhere) would fit" in why
    assert flagged(_sequence([*flat, "-41.2", *flat])) == {9: ["lost-sign", "outlier"]}
    assert flagged(_sequence([*flat, "47.2", *flat])) == {9: ["other-digit", "outlier"]}
    assert flagged(_sequence([*flat, "59.7", *flat], step=2.0)) == {9: ["step"]}
    assert flagged(_sequence(["1", "2", "9", "4", "5"], trend="grows")) == {2: ["backwards"]}


def test_relation_and_disagreement_and_decisions_have_their_codes() -> None:
    related = layout(
        readout("voltage", "voltage", unit="V"),
        readout("current", "current", unit="mA"),
        readout("power", "power", unit="W"),
        relation=[Relation(that="voltage * current = 1000 * power", within="1 %")],
    )
    broken = still(
        0, reading("voltage", "4.00"), reading("current", "2000"), reading("power", "8.77")
    )
    assert {code for row in rows(verdict([broken], related)) for code in codes(row)} == {"relation"}
    summary = layout(readout("rate", "frame_rate", statistic="mean", unit="fps"))
    pair = [still(0, reading("rate", "58.1")), still(900, reading("rate", "58.4"))]
    assert flagged(verdict(pair, summary)) == {0: ["captures-disagree"], 1: ["captures-disagree"]}
    seen = still(0, CLEAN)
    moved = decision(seen, "power", "8.03", box=Box(300, 50, 60, 20))
    assert flagged(verdict([seen], LAYOUT, decisions=[moved])) == {0: ["decided-elsewhere"]}
    two = [decision(seen, "power", "8.03"), decision(seen, "power", "8.05", who="bob")]
    assert flagged(verdict([seen], LAYOUT, decisions=two)) == {0: ["reviewers-disagree"]}


def test_every_code_of_the_registry_is_planted_here() -> None:
    elsewhere = {
        "which-mark", "which-layout", "changing", "facts-disagree", "outlier", "step", "backwards",
        "relation", "captures-disagree", "decided-elsewhere", "reviewers-disagree", "doubted",
        "mistaken-letter", "doubtful-layout",
    }  # fmt: skip
    of_charts = {  # planted in test_traces*.py
        "no-axis", "few-labels", "odd-label", "loose-axis", "log-axis", "no-line", "broken-line",
        "two-lines", "leaves-plot", "cards-disagree",
    }  # fmt: skip
    assert set(ALONE) | elsewhere | of_charts == set(DOUBTS)


def test_a_flagged_reading_says_what_its_text_would_give() -> None:
    row = one(LAYOUT, replace(CLEAN, text="80.20"))
    assert (row.value, row.candidate, row.half_width) == (None, 80.2, 0.005)
    row = one(LAYOUT, replace(CLEAN, text="802"))
    assert (row.value, row.candidate, row.half_width) == (None, 802.0, 0.5)


def test_the_mark_of_a_missing_value_needs_its_probability_too() -> None:
    row = one(LAYOUT, reading("power", "--"))
    assert (row.source, row.value, row.candidate, row.doubts) == ("missing", None, None, ())
    row = one(LAYOUT, reading("power", "--", 0.9))
    assert (row.source, codes(row)) == ("read", ["unsure"])


def test_a_word_is_released_without_value() -> None:
    calibration = layout(readout("ended", "outcome", kind="word"))
    row = one(calibration, reading("ended", "finished"))
    assert (row.value, row.candidate, row.half_width, row.doubts) == (None, None, None, ())
    assert codes(one(calibration, reading("ended", "finished", 0.5))) == ["unsure"]
    looks = (Look("two", "finishes", 0.4),)
    assert codes(one(calibration, reading("ended", "finished", looks=looks))) == ["readers-differ"]


@pytest.mark.parametrize(("text", "heard"), [("-8.02", False), ("80.20", False), ("3.02", True)])
def test_a_look_at_what_cannot_be_there_is_no_doubt(text: str, heard: bool) -> None:
    """Power of 0 to 30 W: of a scene's stroke before it no look makes a minus sign."""
    row = one(LAYOUT, replace(CLEAN, looks=(Look("two", text, 0.9),)))
    assert codes(row) == (["readers-differ"] if heard else [])
    assert row.confidence == (CONTRADICTED if heard else PASSED)


def test_a_size_gives_two_rows_with_the_same_doubts() -> None:
    calibration = layout(readout("size", "render_size", kind="size", unit="px", bounds=(16, 4000)))
    found = verdict([still(0, reading("size", "1280x720"))], calibration)
    assert [(row.readout, row.value, row.half_width) for row in rows(found)] == [
        ("size.width", 1280.0, 0.5),
        ("size.height", 720.0, 0.5),
    ]
    for text, code in (("1280720", "wrong-form"), ("12x720", "out-of-bounds")):
        found = verdict([still(0, reading("size", text))], calibration)
        assert [codes(row) for row in rows(found)] == [[code], [code]]


@pytest.mark.parametrize(
    ("quantity", "statistic", "bounds", "found"),
    [
        ("frame_rate", "mean", None, ["out-of-bounds"]),
        ("level", "now", None, ["out-of-bounds"]),
        ("level", "total", None, []),  # a change of it
        ("current", "now", None, []),  # flows both ways
        ("temperature", "now", None, []),
        ("frame_rate", "mean", (-100, 100), []),  # what is stated goes before what is usual
    ],
)
def test_what_is_never_negative_needs_no_bounds_to_say_so(
    quantity: str, statistic: str, bounds: tuple[float, float] | None, found: list[str]
) -> None:
    more = {"statistic": statistic, "bounds": bounds}
    calibration = layout(readout("a", quantity, **more))
    (row,) = rows(verdict([still(0, reading("a", "-12"))], calibration))
    assert codes(row) == found
    assert calibration.readout[0].may_be_negative == (not found)


def test_a_look_that_says_the_same_value_or_no_figure_is_not_heard() -> None:
    calibration = layout(readout("power", "power", unit="W"))
    for text, probability in (("8.020", 0.9), ("", 0.9), ("8.O2", 0.9), ("3.02", 0.05)):
        looks = (Look("two", text, probability),)
        assert codes(one(calibration, replace(CLEAN, looks=looks))) == []


def test_alternatives_that_say_the_same_are_no_rivals() -> None:
    calibration = layout(readout("power", "power", unit="W"))
    same = (Alternative("8.02", 0.9999), Alternative("8.020", 0.5))
    assert codes(one(calibration, replace(CLEAN, alternatives=same))) == []


def test_rows_stand_in_readout_order_and_verdicts_in_that_of_the_sightings() -> None:
    calibration = layout(readout("b"), readout("a"))
    seen = [still(at, reading("a", "1"), reading("b", "2")) for at in (3, 1, 2)]
    found = verdict(seen, calibration)
    assert [each.sighting for each in found.verdicts] == seen
    assert all([row.readout for row in each.judged] == ["b", "a"] for each in found.verdicts)


@pytest.mark.parametrize("text", ["80.20", "8.0", "8.0.2"])
def test_what_cannot_have_been_drawn_claims_nothing(text: str) -> None:
    """Out of bounds, other decimals than stated, no number."""
    row = one(LAYOUT, replace(CLEAN, text=text))
    assert RULED_OUT & {doubt.code for doubt in row.doubts}
    assert (row.value, row.confidence) == (None, IMPOSSIBLE)


@pytest.mark.parametrize(
    ("seen", "unit", "drawn", "contradicts"),
    [
        ("GHz", "MHz", None, True),
        ("MHz", "MHz", None, False),
        ("mhz", "MHz", None, False),
        ("A", "mA", None, True),
        ("nA", "A", None, True),
        ("mA", "mA", None, False),
        ("°C", "Cel", None, False),
        ("C", "Cel", None, False),
        ("℃", "Cel", None, False),
        ("˚C", "Cel", None, False),
        ("°F", "Cel", None, True),
        ("FPS", "fps", None, False),
        ("kadr/s", "fps", "kadr/s", False),
        ("mW", "W", "W", True),
        ("VV", "W", None, False),
        ("f", "fps", "fps", False),  # the rest is cut away
        ("m", "ms", None, False),
        ("M", "MHz", None, False),
        ("m", "W", None, True),
        ("m", "A", "A", True),
        ("G", "MHz", None, True),
        ("", "W", None, False),
        ("W", "", None, False),
        ("ofps", "fps", None, True),  # an old-style zero, as the trust study showed one
        ("ofy", "fps", "fps", True),
        ("Sfps", "fps", None, True),
        ("lW", "W", "W", True),
        ("S", "s", None, False),
        ("l", "", None, False),  # a caption
        ("o", "", None, True),
        ("of 100", "", "of 100", False),
        ("oC", "Cel", None, False),
        ("o", "Cel", "°C", False),
        ("o", "deg", "°", False),
    ],
)
def test_units_beside_the_figure(
    seen: str, unit: str, drawn: str | None, contradicts: bool
) -> None:
    assert bool(contradiction(seen, unit, drawn)) is contradicts
