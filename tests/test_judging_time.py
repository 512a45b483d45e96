"""Checks along time: Hampel's identifier, steps, trends, runs, and truthful but wild series."""

from __future__ import annotations

import itertools
import math
import random
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from judging_world import (
    START,
    codes,
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
from scipy.stats import median_abs_deviation, norm
from wild_series import WILD, Draw, hopping, texts

from extractor.judging.along_time import (
    MAD_SCALE,
    NEIGHBOURS,
    Tracks,
    backwards,
    hampel,
    surroundings,
)


def test_the_scale_of_the_mad_is_that_of_a_normal_distribution() -> None:
    # 1 / Phi^-1(3/4), computed by scipy.stats.norm.
    assert pytest.approx(1 / norm.ppf(0.75), abs=5e-5) == MAD_SCALE


def test_hampel_against_scipy() -> None:
    # scipy.stats.median_abs_deviation(scale="normal") is another implementation of the same.
    window = np.random.default_rng(3).normal(50, 4, size=(200, NEIGHBOURS))
    median, spread = hampel(window)
    assert np.array_equal(median, np.median(window, axis=1))
    expected = median_abs_deviation(window, axis=1, scale="normal")
    assert np.allclose(spread, expected, rtol=5e-6)


def test_hampel_against_another_library() -> None:
    # Computed with hampel 1.0.2 (PyPI), window_size=7, n_sigma=3: float32 medians, median absolute
    # deviations and places of outliers, where its window is whole.
    values = [58.3, 58.1, 58.6, 58.2, 71.9, 58.4, 58.0, 58.5, 57.9, 58.2, 5.83, 58.1, 58.3, 58.8,
              58.2]  # fmt: skip
    medians = [58.3, 58.4, 58.4, 58.2, 58.2, 58.1, 58.1, 58.2, 58.2]
    deviations = [0.2, 0.2, 0.2, 0.2, 0.3, 0.2, 0.2, 0.3, 0.1]
    windows = np.lib.stride_tricks.sliding_window_view(np.array(values), 7)
    median, spread = hampel(windows)
    assert np.allclose(median, medians, atol=1e-5)
    assert np.allclose(spread / MAD_SCALE, deviations, atol=1e-5)
    away = np.abs(np.array(values[3:-3]) - median)
    assert [at + 3 for at in np.flatnonzero(away > 3 * spread)] == [4, 10]


def test_hampel_worked_by_hand() -> None:
    # 1 1 2 2 4 6 9: median 2, deviations 1 1 0 0 2 4 7, their median 1 (the usual textbook
    # example of the MAD, from memory).
    median, spread = hampel(np.array([[1.0, 1, 2, 2, 4, 6, 9]]))
    assert (median[0], spread[0]) == (2.0, MAD_SCALE)


def _tracks(parts: list[list[tuple[float, bool]]]) -> Tracks:
    flat = [each for part in parts for each in part]
    size = len(flat)
    return Tracks(
        series=np.repeat(np.arange(len(parts)), [len(part) for part in parts]).astype(np.intp),
        value=np.array([value for value, _ in flat], dtype=np.float64),
        half=np.full(size, 0.05),
        time=np.arange(size, dtype=np.float64),
        resolution=np.zeros(size),
        trusted=np.array([trusted for _, trusted in flat], dtype=np.bool_),
    )


@given(
    st.lists(
        st.lists(st.tuples(st.floats(-99, 99), st.booleans()), min_size=1, max_size=14),
        min_size=1,
        max_size=4,
    )
)
@settings(max_examples=60, deadline=None)
def test_windows_against_a_plain_loop(parts: list[list[tuple[float, bool]]]) -> None:
    around = surroundings(_tracks(parts))
    place = 0
    for part in parts:
        for at in range(len(part)):
            before = [value for value, trusted in part[:at] if trusted]
            after = [value for value, trusted in part[at + 1 :] if trusted]
            others = before + after
            if len(others) < NEIGHBOURS:
                assert math.isnan(around.spread[place])
            else:
                left = min(max(len(before) - 3, 0), len(others) - NEIGHBOURS)
                window = others[left : left + NEIGHBOURS]
                centres = [
                    np.median(window),
                    np.median(before[-3:]) if len(before) >= 3 else np.nan,
                    np.median(after[:3]) if len(after) >= 3 else np.nan,
                ]
                assert np.array_equal(around.centres[place], centres, equal_nan=True)
                assert around.spread[place] >= max(
                    MAD_SCALE * median_abs_deviation(window), 0.1
                ) * (1 - 1e-9)
            place += 1


@given(st.lists(st.integers(0, 6), max_size=9))
@settings(max_examples=150, deadline=None)
def test_what_goes_backwards_against_trying_every_subsequence(values: list[int]) -> None:
    best: list[set[int]] = [set()]
    for length in range(len(values), 0, -1):
        best = [
            set(places)
            for places in itertools.combinations(range(len(values)), length)
            if all(values[a] <= values[b] for a, b in itertools.pairwise(places))
        ]
        if best:
            break
    always = set.intersection(*best)
    assert set(backwards(values)) == set(range(len(values))) - always


def _x(**more: object):
    return layout(readout("x", "temperature", unit="Cel", **more))


def test_fewer_than_seven_neighbours_are_said_to_be_too_few() -> None:
    found = verdict(series(_x(), {"x": ["41.2"] * 6 + ["412"]}), _x())
    assert flagged(found) == {}
    assert any("7 of 7 figures have fewer than 7 neighbours" in each for each in found.notices)
    found = verdict(series(_x(), {"x": ["41.2"] * 7 + ["412"]}), _x())
    assert flagged(found) == {7: ["lost-point", "outlier"]}
    assert found.notices == ()


def test_flicker_of_the_last_digit_is_no_outlier() -> None:
    texts = ["60"] * 30
    texts[11], texts[20] = "59", "61"
    assert flagged(verdict(series(_x(), {"x": texts}), _x())) == {}


def test_a_step_is_blamed_on_the_reading_that_conflicts_more() -> None:
    texts = ["41.0", "41.2", "41.5", "63.9", "41.8", "42.0", "42.1"]
    found = verdict(series(_x(step=1.0), {"x": texts}), _x(step=1.0))
    assert flagged(found) == {3: ["step"]}
    assert rows(found)[3].doubts[0].why == (
        "x changes by 22.4 in 1 s (against 41.5), its step is 1 a second; "
        "x changes by 22.1 in 1 s (against 41.8), its step is 1 a second"
    )


def test_a_lasting_step_flags_both_sides() -> None:
    texts = ["41.0"] * 5 + ["63.0"] * 5
    found = verdict(series(_x(step=1.0), {"x": texts}), _x(step=1.0))
    assert flagged(found) == {4: ["step"], 5: ["step"]}


def test_steps_allow_for_half_widths_and_whole_seconds() -> None:
    texts = ["41.0", "43.1", "43.1"]  # 2.1 in 1 s +- 1 s, both +- 0.05
    assert flagged(verdict(series(_x(step=1.0), {"x": texts}), _x(step=1.0))) == {}
    frames = [(float(at), [reading("x", text)]) for at, text in enumerate(texts)]
    assert set(flagged(verdict(recording(frames), _x(step=1.0)))) == {0, 1}


def test_steps_without_times_are_said_not_to_be_checked() -> None:
    seen = [still(at, reading("x", text), taken="") for at, text in enumerate(["41", "99", "41"])]
    found = verdict(seen, _x(step=1.0))
    assert flagged(found) == {}
    assert any("3 times of x are unknown" in each for each in found.notices)
    assert any("ordered by name" in each for each in found.notices)


def test_trends() -> None:
    grows, falls = _x(trend="grows"), _x(trend="falls")
    texts = ["10", "10", "11", "12", "12", "13"]
    assert flagged(verdict(series(grows, {"x": texts}), grows)) == {}
    assert flagged(verdict(series(falls, {"x": texts[::-1]}), falls)) == {}
    assert flagged(verdict(series(falls, {"x": ["90", "89", "80", "88", "87"]}), falls)) == {
        2: ["backwards"]
    }
    # Which of two even suspects is wrong is not guessed.
    assert set(flagged(verdict(series(grows, {"x": ["1", "2", "5", "4", "6"]}), grows))) == {2, 3}


def test_what_makes_a_run() -> None:
    def run_ids(*seen) -> list[str]:
        return [each.run for each in verdict(seen, _x(), other).verdicts]

    other = layout(readout("x", "temperature", unit="Cel"), id="layoutid02", name="panel")
    x = reading("x", "41.2")
    a, b = still(0, x), still(600, x)
    assert len(set(run_ids(a, b))) == 1
    assert len(set(run_ids(a, still(601, x)))) == 2
    assert len(set(run_ids(a, still(1, x, path="other/1.png")))) == 2
    assert len(set(run_ids(a, still(1, x, size=(1280, 721))))) == 2
    assert len(set(run_ids(a, still(1, x, facts={"device": "H2"})))) == 2
    assert len(set(run_ids(a, still(1, reading("x", "41.2", layout="layoutid02"))))) == 2
    assert len(set(run_ids(a, still(1, x, taken="")))) == 2
    # However far the values: a value never ends a run.
    assert len(set(run_ids(a, still(1, reading("x", "99999"))))) == 1
    # A recording is one run, whatever its gaps.
    frames = recording([(0.0, [x]), (5000.0, [x])])
    assert set(run_ids(*frames)) == {"strip: a.mp4"}


def test_a_run_is_in_order_of_time_then_of_names_as_people_count() -> None:
    texts = [str(each) for each in range(1, 13)]
    grows = _x(trend="grows")
    unordered = random.Random(5).sample(range(12), 12)
    timed = [still(at, reading("x", texts[at])) for at in unordered]
    assert flagged(verdict(timed, grows)) == {}
    named = [
        still(at, reading("x", texts[at]), taken="", path=f"shot {at + 1}.png") for at in unordered
    ]
    assert flagged(verdict(named, grows)) == {}


def test_the_order_of_the_sightings_changes_nothing() -> None:
    chance = random.Random(7)
    texts = [f"{chance.gauss(41, 0.4):.1f}" for _ in range(40)]
    texts[9], texts[21] = "413", "-41.0"
    calibration = _x(step=3.0)
    seen = series(calibration, {"x": texts})
    first = verdict(seen, calibration)
    chance.shuffle(seen)
    second = verdict(seen, calibration)
    by_path = {each.sighting.capture.path: each for each in first.verdicts}
    assert all(by_path[each.sighting.capture.path] == each for each in second.verdicts)
    assert first.notices == second.notices
    assert len(flagged(first)) >= 2


# ---------------------------------------------------------------- more than one slip


def test_decimals_that_no_other_figure_of_the_run_has() -> None:
    def check(shown: list[str]) -> dict[int, list[str]]:
        return flagged(verdict(series(_x(), {"x": shown}), _x()))

    flat = ["4.42", "4.41", "4.43", "4.42"] * 12
    assert check(flat) == {}
    found = verdict(series(_x(), {"x": [*flat[:20], "4.4", *flat[20:]]}), _x())
    assert flagged(found) == {20: ["wrong-decimals"]}
    assert rows(found)[20].doubts[0].why == (
        "4.4 is known to 0.1, the 48 others of its run to 0.01"
    )
    # In a short run it may be a last 0 left out; more decimals are never that.
    assert check([*flat[:20], "4.4", *flat[20:30]]) == {}
    assert check([*flat[:4], "4.418", *flat[4:8]]) == {4: ["wrong-decimals"]}
    # An overlay that always writes three digits, or two that leave a last 0 out.
    assert check(["99.8", "99.9", "100", "99.9", "99.7"] * 11) == {}
    assert check(["99.8"] * 30 + ["100"] + ["99.8"] * 30) == {}
    assert check([*flat[:20], "4.4", "4.5", *flat[20:]]) == {}


def test_an_outlier_that_would_fit_in_another_unit() -> None:
    flat = ["4512", "4490", "4533", "4507", "4519", "4498", "4525", "4510"]
    found = verdict(series(_x(), {"x": [*flat, "4.4", *flat]}), _x())
    assert set(flagged(found)) == {8}
    assert "and 4505.6 would fit: another unit?" in str(rows(found)[8].doubts)
    # A dropout to 0 has no unit, and where 0 is at home anything is a thousandfold.
    assert flagged(verdict(series(_x(), {"x": [*flat, "0", *flat]}), _x())) == {}
    idle = ["0", "0", "1", "0", "0", "0", "1", "0"]
    found = verdict(series(_x(), {"x": [*idle, "815", *idle]}), _x())
    assert "another unit" not in str(rows(found)[8].doubts)


def test_exchanged_readouts_of_which_one_is_far() -> None:
    calibration = layout(
        readout("warm", "temperature", unit="Cel"), readout("load", "load", unit="%")
    )
    warm, load = ["72", "73", "72", "72"] * 5, ["88.7", "84.2", "90.1", "86.3"] * 5
    shown = {"warm": warm, "load": load}
    assert flagged(verdict(series(calibration, shown), calibration)) == {}
    warm[10], load[10] = load[10], warm[10]
    found = verdict(series(calibration, shown), calibration)
    assert {at for at, given in flagged(found).items() if "outlier" in given} == {20, 21}
    assert "would if they were exchanged" in rows(found)[20].doubts[-1].why


# ---------------------------------------------------------------- truthful but wild


@given(st.integers(0, 10**6), st.sampled_from([0, 1, 2]), st.sampled_from([7, 0, 128]))
@settings(max_examples=30, deadline=None)
def test_a_jump_that_no_slip_explains_is_never_flagged(seed: int, decimals: int, jump: int) -> None:
    chance = random.Random(seed)
    texts = [f"{chance.gauss(61, 0.1):.{decimals}f}" for _ in range(30)]
    at = chance.randrange(30)
    texts[at] = f"{jump:.{decimals}f}"
    assert at not in flagged(verdict(series(_x(), {"x": texts}), _x()))


@pytest.mark.parametrize("draw", WILD)
@pytest.mark.parametrize("trimmed", [False, True])
def test_at_most_one_in_a_hundred_of_truthful_wild_series_is_flagged(
    draw: Draw, trimmed: bool
) -> None:
    chance = random.Random(11)
    count = total = 0
    for number in range(12):
        decimals = 0 if draw is hopping else number % 3
        written = texts(draw, chance, 100, decimals, trimmed)
        # What is stated is held against each figure by itself: a trimmed 0 is no such layout's.
        calibration = _x(decimals=decimals) if decimals == 2 and not trimmed else _x()
        count += len(flagged(verdict(series(calibration, {"x": written}), calibration)))
        total += 100
    assert count <= 0.01 * total


def test_a_clock_that_hops_between_its_levels_is_left_alone() -> None:
    chance = random.Random(2)
    texts = [chance.choice(["1800", "2100", "2400", "2700"]) for _ in range(400)]
    assert len(flagged(verdict(series(_x(), {"x": texts}), _x()))) <= 4


def test_heating_and_throttling_are_left_alone() -> None:
    warm = [f"{25 + 20 * (1 - math.exp(-at / 60)):.1f}" for at in range(200)]
    rate = [f"{60 if at < 90 else 60 - min(22, (at - 90) * 0.4):.1f}" for at in range(200)]
    calibration = layout(
        readout("warm", "temperature", unit="Cel", step=1.0, trend="grows"),
        readout("rate", "frame_rate", unit="fps", decimals=1),
    )
    assert flagged(verdict(series(calibration, {"warm": warm, "rate": rate}), calibration)) == {}


def test_stills_hours_apart_are_not_each_others_neighbours() -> None:
    times = [*range(8), *range(9000, 9008)]
    texts = ["41.2"] * 8 + ["22.0"] * 8
    seen = [
        still(at, reading("x", text), taken=(START + timedelta(seconds=time)).isoformat())
        for at, (time, text) in enumerate(zip(times, texts, strict=True))
    ]
    found = verdict(seen, _x(step=0.5))
    assert [codes(row) for row in rows(found)] == [[]] * 16
