"""Every formula of the comparison against hand calculations with exact numbers and outside sources.

Values said to be from memory were not looked up when the check was written.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from extractor.comparing import figures

UNITS = pint.UnitRegistry()


# ---------------------------------------------------------------- the design's check values


def test_pixels_and_energy_at_720_lines_and_60_fps():
    pixels = figures.pixels_a_frame(1280, 720)
    throughput = figures.pixel_throughput(pixels, 60.0)
    assert pixels == 921_600
    assert throughput == pytest.approx(55.296, rel=1e-12)
    assert figures.energy_a_pixel(5.5296, throughput) == pytest.approx(100.0, rel=1e-12)
    assert figures.energy_a_frame(5.5296, 60.0) == pytest.approx(92.16, rel=1e-12)


def test_a_frame_time_is_the_period_of_its_rate():
    assert figures.frame_time(45.0) == pytest.approx(22.2222, abs=5e-5)
    assert figures.frame_time(59.70) == pytest.approx(16.75, abs=5e-4)
    assert figures.frame_time(60.06) == pytest.approx(16.65, abs=5e-4)
    assert figures.frame_time(figures.frame_time(16.7)) == pytest.approx(16.7, rel=1e-12)


def test_current_and_voltage_make_power_whatever_the_sign():
    assert figures.electric_power(2000.0, 4.00) == 8.00
    assert figures.electric_power(-2000.0, 4.00) == 8.00


def test_six_watts_for_an_hour_take_31_percent_of_19_35_watt_hours():
    used = figures.energy_used(6.0, 3600.0)
    assert used == 6.0
    assert figures.share_of_capacity(used, 19.35) == pytest.approx(31.0, abs=0.05)
    assert figures.battery_energy(5000.0, 3.87) == pytest.approx(19.35, rel=1e-12)


def test_battery_drain_from_full_to_a_fifth_in_twelve_and_a_half_hours():
    seconds = 12.5 * 3600
    drawn = figures.drained(5000.0, 100.0, 20.0)
    assert drawn == 4000.0
    assert figures.an_hour(drawn, seconds) == pytest.approx(320.0, rel=1e-12)
    watts = figures.an_hour(figures.battery_energy(drawn, 3.87), seconds)
    assert watts == pytest.approx(1.2384, rel=1e-12)
    assert round(watts, 2) == 1.24
    assert figures.hours_from_full(100.0, 20.0, seconds) == pytest.approx(15.625, rel=1e-12)


def test_the_rest_by_hand():
    assert figures.sustained_share(45.0, 60.0) == 75.0
    assert figures.change_in_points(80.5, 98.0) == -17.5
    assert figures.temperature_rise(41.5, 22.0) == 19.5
    assert figures.energy_ratio(0.86, 1.72) == 0.5


# ---------------------------------------------------------------- conversions, by pint


@given(st.floats(1.0, 500.0), st.floats(0.01, 100.0), st.integers(1, 8000), st.integers(1, 8000))
def test_energy_a_pixel_and_a_frame_agree_with_pint(rate, power, width, height):
    pixels = figures.pixels_a_frame(width, height)
    throughput = figures.pixel_throughput(pixels, rate)
    watts, hertz = power * UNITS.watt, rate / UNITS.second
    a_pixel = (watts / (pixels * hertz)).to("nanojoule").magnitude
    a_frame = (watts / hertz).to("millijoule").magnitude
    assert figures.energy_a_pixel(power, throughput) == pytest.approx(a_pixel, rel=1e-9)
    assert figures.energy_a_frame(power, rate) == pytest.approx(a_frame, rel=1e-9)


@given(st.floats(10.0, 20_000.0), st.floats(1.0, 12.0), st.floats(60.0, 200_000.0))
def test_battery_figures_agree_with_pint(charge, voltage, seconds):
    stored = charge * UNITS("mA*hour")
    energy = (stored * voltage * UNITS.volt).to("W*hour").magnitude
    assert figures.battery_energy(charge, voltage) == pytest.approx(energy, rel=1e-9)
    current = (stored / (seconds * UNITS.second)).to("mA").magnitude
    assert figures.an_hour(charge, seconds) == pytest.approx(current, rel=1e-9)
    used = (2.5 * UNITS.watt * seconds * UNITS.second).to("W*hour").magnitude
    assert figures.energy_used(2.5, seconds) == pytest.approx(used, rel=1e-9)


@pytest.mark.parametrize(
    ("value", "unit", "base", "expected"),
    [
        (5530.0, "mW", "W", 5.53),
        (1.2, "A", "mA", 1200.0),
        (3870.0, "mV", "V", 3.87),
        (1.8, "GHz", "MHz", 1800.0),
        (2.0, "GiBy", "MiBy", 2048.0),
        (98.6, "[degF]", "Cel", 37.0),  # body temperature, common knowledge
        (-40.0, "[degF]", "Cel", -40.0),  # where the two scales meet
        (60.0, "fps", "fps", 60.0),
    ],
)
def test_units_become_the_ones_that_are_compared(value, unit, base, expected):
    assert figures.base_unit(unit) == base
    assert figures.to_base(value, unit) == pytest.approx(expected, rel=1e-12)


def test_the_width_of_a_temperature_has_no_zero():
    assert figures.to_base(0.9, "[degF]", difference=True) == pytest.approx(0.5)


# ---------------------------------------------------------------- uncertainty


def test_u_display_is_that_of_jcgm_100_2008_4_3_7():
    """EXAMPLE 1 there (from memory): copper's expansion 16.52e-6 with bounds of 0.40e-6 a side."""
    u = figures.u_display(0.40e-6)
    assert u**2 == pytest.approx(53.3e-15, rel=1e-3)
    assert u == pytest.approx(0.23e-6, rel=0.01)


def test_a_difference_of_two_whole_percent_levels_has_0_41_points():
    start = ufloat(94, figures.u_display(0.5))
    end = ufloat(87, figures.u_display(0.5))
    drop = start - end
    assert drop.n == 7
    assert drop.s == pytest.approx(0.41, abs=0.002)
    assert drop.s == pytest.approx(1 / math.sqrt(6), rel=1e-12)


def test_shared_readings_stay_correlated():
    """Throughput and energy a pixel hang on one rate: their product is the power, exactly."""
    power = ufloat(5.57, figures.u_display(0.005))
    throughput = figures.pixel_throughput(921_600.0, ufloat(56.7, figures.u_display(0.05)))
    back = figures.energy_a_pixel(power, throughput) * throughput / 1000
    assert back.n == pytest.approx(5.57)
    assert back.s == pytest.approx(power.s, rel=1e-9)


# NIST StRD, univariate summary statistics: certified mean and standard deviation (n - 1). The
# data sets NumAcc1 to NumAcc4 are given by rule; rules and certified values from memory.
NUM_ACC = {
    "NumAcc1": ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 0.0),
    "NumAcc2": ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1, 1e-14),
    "NumAcc3": ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1, 1e-9),
    "NumAcc4": ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1, 1e-8),
}


@pytest.mark.parametrize("name", NUM_ACC)
def test_mean_and_spread_are_those_of_nist(name):
    """The slack of NumAcc3 and 4 is what their decimals lose as doubles, not what we lose."""
    values, certified_mean, certified_sd, slack = NUM_ACC[name]
    assert figures.mean(values) == pytest.approx(certified_mean, rel=1e-15)
    assert figures.spread(values) == pytest.approx(certified_sd, rel=slack, abs=0)


def test_one_attempt_has_no_spread():
    assert figures.spread([60.0]) is None


# ---------------------------------------------------------------- along time


def test_samples_are_weighted_by_the_time_until_the_next():
    """60 fps for 1 s, 30 for 2 s, 45 for as long as the one before (2 s): (60+60+90)/5 = 42."""
    assert figures.time_weighted_mean([0.0, 1.0, 3.0], [60.0, 30.0, 45.0]) == 42.0


def test_a_hidden_stretch_counts_no_longer_than_a_sample():
    """Hidden from 1 to 9 s: 60 for 1 s, 30 for 1 s, 45 for 1 s, not 30 for 8 s."""
    assert figures.time_weighted_mean([0.0, 1.0, 9.0], [60.0, 30.0, 45.0], 1.0) == 45.0


@given(
    st.lists(st.tuples(st.integers(1, 9), st.integers(0, 240)), min_size=1, max_size=40),
)
def test_the_weighted_mean_is_the_integral_of_the_steps(samples):
    times = [0]
    for step, _ in samples[:-1]:
        times.append(times[-1] + step)
    values = [value for _, value in samples]
    last = samples[-2][0] if len(samples) > 1 else 1
    ends = [*times[1:], times[-1] + last]
    area = sum((b - a) * v for a, b, v in zip(times, ends, values, strict=True))
    expected = float(Fraction(area, ends[-1]))
    assert figures.time_weighted_mean(times, values) == pytest.approx(expected, abs=1e-9)


def test_rounding_at_the_floor_gives_a_range():
    """46, 45 (may be 44.5 to 45.5), 44.9, 30 with whole digits shown, 1 s each: 25, 50, 75 %."""
    low, shown, high = figures.share_at_floor([0, 1, 2, 3], [46, 45, 44.9, 30], 45.0, 0.5)
    assert (low, shown, high) == (25.0, 50.0, 75.0)


def test_times_that_do_not_grow_are_refused():
    with pytest.raises(ValueError, match="must grow"):
        figures.time_weighted_mean([0.0, 0.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="no samples"):
        figures.time_weighted_mean([], [])


# ---------------------------------------------------------------- ranks


def test_devices_closer_than_the_tie_share_a_rank():
    """90 and 93 are 3.2 % apart, 93 and 96 3.1 %, 106 is 9.4 % above 96, 79 is 12 % below 90."""
    values = {"a": 93.0, "b": 79.0, "c": 106.0, "d": 90.0, "e": 96.0}
    assert figures.ranks(values, 5.0) == {"b": 1, "d": 2, "a": 2, "e": 2, "c": 5}
    assert figures.ranks(values, 0.0) == {"b": 1, "d": 2, "a": 3, "e": 4, "c": 5}
    assert figures.ranks(values, 5.0, best="highest") == {"c": 1, "e": 2, "a": 2, "d": 2, "b": 5}


def test_equal_values_share_a_rank_without_any_tie():
    assert figures.ranks({"a": 1.0, "b": 1.0, "c": 2.0}, 0.0) == {"a": 1, "b": 1, "c": 3}


@given(
    st.dictionaries(st.text("abc", min_size=1, max_size=3), st.floats(0.1, 1e3)), st.floats(0, 20)
)
def test_no_two_devices_closer_than_the_tie_have_different_ranks(values, tie):
    given_ranks = figures.ranks(values, tie)
    for a in values:
        for b in values:
            if figures.is_tie(values[a], values[b], tie):
                assert given_ranks[a] == given_ranks[b]
            elif given_ranks[a] < given_ranks[b]:
                assert values[a] < values[b]


def test_pairs_that_the_two_energies_rank_oppositely_are_named():
    """Small frames at 100 nJ and 60 mJ, large ones at 90 nJ and 90 mJ."""
    pixel, frame = {"small": 100.0, "large": 90.0}, {"small": 60.0, "large": 90.0}
    assert figures.ranked_oppositely(pixel, frame, 5.0) == [("large", "small")]
    assert figures.ranked_oppositely(pixel, frame, 15.0) == []


# ---------------------------------------------------------------- what cannot be computed


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: figures.energy_a_frame(5.0, 0.0), "frame rate"),
        (lambda: figures.frame_time(0.0), "frame rate"),
        (lambda: figures.energy_a_pixel(5.0, 0.0), "pixel throughput"),
        (lambda: figures.pixels_a_frame(0, 720), "render width"),
        (lambda: figures.an_hour(100.0, 0.0), "duration"),
        (lambda: figures.hours_from_full(80.0, 80.0, 3600.0), "drop of the level"),
        (lambda: figures.share_of_capacity(1.0, 0.0), "battery's energy"),
        (lambda: figures.sustained_share(50.0, 0.0), "round 1"),
        (lambda: figures.energy_ratio(1.0, 0.0), "by the level"),
    ],
)
def test_a_divisor_of_nothing_is_named(call, named):
    with pytest.raises(ValueError, match=named):
        call()
