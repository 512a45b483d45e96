"""Relations between the figures of one capture, and figures of one round on two captures."""

from __future__ import annotations

import random

import pytest
from judging_world import codes, decision, flagged, layout, reading, readout, rows, still, verdict

from extractor.calibration.model import Relation
from extractor.records import Alternative

OHM = Relation(that="voltage * current = 1000 * power", within="1 %")
READOUTS = (
    readout("voltage", "voltage", unit="V", decimals=2),
    readout("current", "current", unit="mA"),
    readout("power", "power", unit="W", decimals=2),
)
LAYOUT = layout(*READOUTS, relation=[OHM])
BOUNDED = layout(
    readout("voltage", "voltage", unit="V", decimals=2, bounds=(3, 5)),
    readout("current", "current", unit="mA", bounds=(0, 9000)),
    readout("power", "power", unit="W", decimals=2, bounds=(0, 40)),
    relation=[OHM],
)


def shot(number: int, voltage: str, current: str, power: str, **more):
    figures = {"voltage": voltage, "current": current, "power": power}
    return still(number, *(reading(name, text) for name, text in figures.items()), **more)


def truthful(number: int, chance: random.Random, cells: int = 1, **more):
    voltage, current = chance.uniform(3.6, 4.4), chance.uniform(900, 2600)
    power = cells * voltage * current / 1000
    return shot(number, f"{voltage:.2f}", f"{current:.0f}", f"{power:.2f}", **more)


def test_truthful_figures_hold_within_their_last_places() -> None:
    chance = random.Random(1)
    assert flagged(verdict([truthful(at, chance) for at in range(300)], LAYOUT)) == {}


def test_a_broken_relation_flags_those_that_a_slip_mends() -> None:
    # 4.00 V * 2000 mA = 8.00 W, one digit from the 3.00 W read.
    found = verdict([shot(0, "4.00", "2000", "3.00")], BOUNDED)
    assert "relation" in codes(rows(found, "power")[0])
    why = rows(found, "power")[0].doubts[0].why
    assert "voltage * current = 1000 * power within 1 % gives 8000 = 3000, ratio 2.667" in why
    assert "power 8.00 (one digit otherwise) would mend it" in why
    assert codes(rows(found, "voltage")[0]) == []  # 1.50 is out of its bounds
    # A run tells the mends apart: each figure but one fits its own.
    chance = random.Random(4)
    run = [truthful(at, chance) for at in range(20)]
    run[10] = shot(10, "4.00", "2000", "80.00")
    assert set(flagged(verdict(run, LAYOUT), "power")) == {10}


def test_a_relation_that_no_slip_mends_flags_all() -> None:
    found = verdict([shot(0, "4.11", "1234", "17.77")], BOUNDED)
    assert [codes(row) for row in rows(found)] == [["relation"]] * 3
    assert "no single slip mends it" in rows(found)[0].doubts[0].why


def test_an_alternative_of_the_reader_mends_too() -> None:
    other = (Alternative("8.02", 0.9995), Alternative("17.34", 0.0004))
    frame = still(
        0, reading("voltage", "4.13"), reading("current", "4199"),
        reading("power", "8.02", alternatives=other),
    )  # fmt: skip
    row = rows(verdict([frame], BOUNDED), "power")[0]
    assert "relation" in codes(row)
    assert "17.34" in row.doubts[-1].why


def test_a_relation_bears_a_real_jump_out() -> None:
    chance = random.Random(9)
    run = [shot(at, "4.00", f"{2000 + chance.randint(-3, 3)}", "8.00") for at in range(20)]
    # 3.00 V would be flagged as a slip of 4.00 ...
    alone = [*run]
    alone[10] = still(10, reading("voltage", "3.00"))
    assert "other-digit" in flagged(verdict(alone, LAYOUT), "voltage")[10]
    # ... were it not for the current and the power that go with it.
    run[10] = shot(10, "3.00", "2000", "6.00")
    assert flagged(verdict(run, LAYOUT)) == {}


def test_a_figure_without_value_leaves_the_relation_unmade_and_that_is_said() -> None:
    frame = still(0, reading("voltage", "4.00"), reading("current", "2000"), reading("power", ""))
    found = verdict([frame, shot(1, "4.00", "2000", "8.00")], LAYOUT)
    assert flagged(found) == {2: ["unreadable"]}
    assert any("could not be checked on 1 of 2 captures" in each for each in found.notices)


@pytest.mark.parametrize(
    ("failing", "of", "retired"), [(2, 2, False), (3, 3, True), (3, 29, True), (3, 30, False)]
)
def test_when_a_relation_is_retired(failing: int, of: int, retired: bool) -> None:
    chance = random.Random(6)
    seen = [truthful(at, chance, cells=2 if at < failing else 1) for at in range(of)]
    found = verdict(seen, BOUNDED)
    told = [each for each in found.notices if "does not hold there" in each]
    assert bool(told) is retired
    assert bool([row for row in rows(found) if "relation" in codes(row)]) is not retired
    if retired:
        assert len(told) == 1
        assert f"fails on {failing} of {of} different sets of figures" in told[0]
        ratio = float(told[0].split("median ratio of its sides ")[1].split(";")[0])
        assert ratio == pytest.approx(0.5, rel=0.01)


def test_a_relation_is_retired_on_its_device_alone() -> None:
    chance = random.Random(6)
    seen = [truthful(at, chance, 2, facts={"device": "H1"}) for at in range(5)]
    seen += [truthful(at, chance, 1, facts={"device": "H2"}) for at in range(5, 10)]
    seen += [shot(10, "4.00", "2000", "3.00", facts={"device": "H2"})]
    found = verdict(seen, BOUNDED)
    assert set(flagged(found)) <= {30, 31, 32}
    assert flagged(found)
    assert [each for each in found.notices if "strip on H1" in each]


def test_points_that_are_all_lost_do_not_retire_the_check_that_sees_them() -> None:
    free = layout(
        *READOUTS[:2], readout("power", "power", unit="W"), relation=[OHM]
    )  # no decimals stated
    chance = random.Random(8)
    seen = []
    for at in range(12):
        voltage, current = chance.uniform(3.6, 4.4), chance.uniform(900, 2600)
        power = f"{voltage * current / 1000:.2f}".replace(".", "")
        seen.append(shot(at, f"{voltage:.2f}", f"{current:.0f}", power))
    found = verdict(seen, free)
    assert all(row.value is None for row in rows(found, "power"))


def test_frames_with_the_same_figures_count_once() -> None:
    chance = random.Random(6)
    seen = [shot(at, "4.00", "2000", "3.00") for at in range(5)]
    seen += [truthful(at, chance) for at in range(5, 10)]
    found = verdict(seen, BOUNDED)
    assert not [each for each in found.notices if "does not hold" in each]
    assert set(flagged(found, "power")) >= {0, 1, 2, 3, 4}


def test_a_size_and_a_chain_of_comparisons() -> None:
    sized = layout(
        readout("size", "render_size", kind="size", unit="px"),
        readout("low", "frame_rate", statistic="lowest", unit="fps"),
        readout("mean", "frame_rate", statistic="mean", unit="fps"),
        relation=[
            Relation(that="9 * size.width = 16 * size.height"),
            Relation(that="0 <= low <= mean"),
        ],
    )
    good = still(0, reading("size", "1280x720"), reading("low", "41.2"), reading("mean", "58.3"))
    assert flagged(verdict([good], sized)) == {}
    bad = still(0, reading("size", "1260x720"), reading("low", "91.2"), reading("mean", "58.3"))
    found = flagged(verdict([bad], sized))
    assert found[0] == found[1] == ["relation"]
    assert set(found) == {0, 1, 2, 3}


def test_a_correction_releases_the_others() -> None:
    frame = shot(0, "4.11", "1234", "17.77")
    found = verdict([frame], BOUNDED, decisions=[decision(frame, "power", "5.07")])
    assert flagged(found) == {}
    power = rows(found, "power")[0]
    assert (power.value, power.source, power.decided_text) == (
        5.07, "corrected", "5.07",
    )  # fmt: skip
    assert [doubt.code for doubt in power.settled] == ["relation"]


# ---------------------------------------------------------------- two captures of one round

SUMMARY = layout(
    readout("rate", "frame_rate", statistic="mean", unit="fps"),
    readout("power", "power", statistic="mean", unit="W"),
    readout("level", "level", unit="%"),
    id="summary001",
    name="summary",
)
CARDS = layout(
    readout("mean_power", "power", statistic="mean", unit="mW"), id="cards00001", name="cards"
)


def card(number: int, rate: str = "58.3", power: str = "5.02", level: str = "80", **more):
    figures = {"rate": rate, "power": power, "level": level}
    readings = [reading(name, text, layout="summary001") for name, text in figures.items()]
    return still(number, *readings, **more)


def test_captures_of_one_round_that_differ_beyond_rounding() -> None:
    def check(*seen):
        return set(flagged(verdict(seen, SUMMARY, CARDS)))

    assert check(card(0), card(900)) == set()
    assert check(card(0), card(900, rate="58")) == set()  # 58.3 rounds to 58
    assert check(card(0), card(900, rate="57")) == {0, 3}
    assert check(card(0), card(900, level="75")) == set()  # of the moment
    for fact in ("device", "variant", "round", "attempt"):
        facts = {"device": "H1", "variant": "", "round": "1", "attempt": "1", fact: "other"}
        assert check(card(0), card(900, rate="57", facts=facts)) == set()
    assert check(card(0, facts={}), card(900, rate="57", facts={})) == set()
    milliwatts = still(900, reading("mean_power", "5020", layout="cards00001"))
    assert check(card(0), milliwatts) == set()
    milliwatts = still(900, reading("mean_power", "5090", layout="cards00001"))
    assert check(card(0), milliwatts) == {1, 3}


def test_what_disagrees_is_named() -> None:
    row = rows(verdict([card(0), card(900, rate="57")], SUMMARY))[0]
    assert row.doubts[0].why == "rate is 58.3 here and 57 on flat/00900.png"


def test_means_of_a_running_overlay_and_twin_readouts_are_not_compared() -> None:
    live = layout(
        readout("rate", "frame_rate", unit="fps"),
        readout("mean", "frame_rate", statistic="mean", unit="fps"),
    )
    pair = [still(at, reading("rate", "60"), reading("mean", str(58 - at))) for at in range(2)]
    assert flagged(verdict(pair, live)) == {}
    twins = layout(
        readout("big", "load", statistic="mean", unit="%"),
        readout("small", "load", statistic="mean", unit="%"),
    )
    pair = [still(at, reading("big", "60"), reading("small", "20")) for at in (0, 900)]
    assert flagged(verdict(pair, twins)) == {}


def test_a_device_that_draws_a_sign_otherwise_keeps_its_check() -> None:
    def drawn(number: int, chance: random.Random, **more):
        voltage, current = chance.uniform(3.6, 4.4), chance.uniform(900, 2600)
        power = voltage * current / 1000
        return shot(number, f"{voltage:.2f}", f"-{current:.0f}", f"{power:.2f}", **more)

    chance = random.Random(3)
    found = verdict([drawn(at, chance) for at in range(3)], LAYOUT)
    assert flagged(found) == {}
    assert any("only with the other sign of current" in each for each in found.notices)
    seen = [drawn(at, chance) for at in range(9)]
    seen[4] = shot(4, "4.00", "-2000", "80.00")
    assert set(flagged(verdict(seen, LAYOUT), "power")) == {4}
    # Where that figure has no value there is nothing to turn.
    seen[4] = shot(4, "4.00", "", "8.00")
    assert set(flagged(verdict(seen, LAYOUT), "current")) == {4}
    # A sign that is lost once is still seen, and two captures are too few to tell a custom.
    seen[4] = shot(4, "4.00", "2000", "8.00")
    assert set(flagged(verdict(seen, LAYOUT), "current")) == {4}
    assert set(flagged(verdict(seen[:2], LAYOUT), "current")) == {0, 1}


def test_a_sign_that_one_layout_of_a_device_turns_is_turned_on_its_others() -> None:
    other = layout(*READOUTS, relation=[OHM], id="layoutid02", name="list")

    def drawn(number: int, calibration: str, power: str = "8.00"):
        current = 2000 + number
        figures = {"voltage": "4.00", "current": f"-{current}", "power": f"{current * 0.004:.2f}"}
        figures |= {"power": power} if power != "8.00" else {}
        readings = (reading(name, text, layout=calibration) for name, text in figures.items())
        return still(number, *readings)

    shown_well = [drawn(at, LAYOUT.id) for at in range(8)]
    few = [drawn(at, other.id) for at in (20, 21)]
    assert set(flagged(verdict(few, other), "current")) == {0, 1}
    found = verdict([*shown_well, *few], LAYOUT, other)
    assert flagged(found) == {}
    # what the other sign does not mend stays flagged
    lost = [*shown_well, few[0], drawn(21, other.id, power="80.84")]
    assert "relation" in str(flagged(verdict(lost, LAYOUT, other)))
