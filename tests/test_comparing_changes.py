"""Falls found in series whose changes are known."""

from __future__ import annotations

import numpy as np
import pytest

from extractor.comparing.changes import find_falls


def noisy(level: np.ndarray, noise: float, seed: int) -> np.ndarray:
    return 60 * level * np.exp(noise * np.random.default_rng(seed).standard_normal(len(level)))


def test_one_step_is_found_where_it_is():
    """100 series of 120 samples each 5 s, noise 1.5 %, one step of 10 to 40 %.

    Counted on 1 500 such series: none missed, none with a second fall, none called gradual.
    """
    rng = np.random.default_rng(0)
    times = np.arange(120) * 5.0
    others = gradual = far = 0
    for seed in range(100):
        place, drop = int(rng.integers(15, 100)), float(rng.uniform(0.1, 0.4))
        level = np.where(np.arange(120) >= place, 1 - drop, 1.0)
        falls = find_falls(times, noisy(level, 0.015, seed))
        here = [fall for fall in falls if abs(fall.at_s - times[place]) <= 10]
        assert falls, seed
        others += len(falls) - 1
        if not here:
            far += 1
            continue
        assert here[0].left == pytest.approx(1 - drop, abs=0.04)
        gradual += here[0].how == "gradual"
    assert (far, others, gradual) == (0, 0, 0)


def test_two_steps_are_two_falls_and_a_step_back_is_none():
    times = np.arange(300) * 1.0
    level = np.select([times < 100, times < 180, times < 240], [1.0, 0.85, 0.7], 0.85)
    falls = find_falls(times, noisy(level, 0.01, 1))
    assert [round(fall.at_s) for fall in falls] == [100, 180]
    assert {fall.how for fall in falls} == {"stepped"}


@pytest.mark.parametrize("seed", range(6))
def test_a_fall_little_by_little_is_gradual_and_begins_near_its_corner(seed):
    """Noise 1 %, level to 200 s, down 20 % until 400 s, level: an error of a corner in noise."""
    times = np.arange(120) * 5.0
    level = 1 - 0.2 * np.clip((times - 200) / 200, 0, 1)
    falls = find_falls(times, noisy(level, 0.01, seed))
    assert len(falls) == 1
    assert falls[0].how == "gradual"
    assert falls[0].at_s == pytest.approx(200, abs=25)
    assert falls[0].left == pytest.approx(0.8, abs=0.03)


def test_without_noise_a_fall_begins_where_a_hundredth_is_gone():
    """A clock of whole MHz that falls exponentially from 300 s on: 1 % of 1150 is gone at 313 s."""
    times = np.arange(600) * 1.0
    level = 1 - 0.2 * (1 - np.exp(-np.clip(times - 300, 0, None) / 250))
    clock = np.round(1150 * level)
    (fall,) = find_falls(times, clock)
    assert fall.how == "gradual"
    assert fall.at_s == pytest.approx(times[np.argmax(clock < 0.99 * 1150)], abs=2)


@pytest.mark.parametrize("noise", [0.0, 0.005, 0.02, 0.05])
def test_a_level_with_noise_has_no_fall(noise):
    """None in 100 series of 200 samples."""
    found = [find_falls(np.arange(200.0), noisy(np.ones(200), noise, seed)) for seed in range(100)]
    assert sum(map(bool, found)) == 0


def test_slow_seconds_and_a_warming_up_are_no_falls():
    times = np.arange(200) * 1.0
    speed = noisy(1 + 0.1 * np.clip(times / 100, 0, 1), 0.01, 3)
    speed[[20, 71, 72, 150]] *= 0.4
    assert find_falls(times, speed) == []


def test_a_fall_below_two_percent_is_not_told():
    times = np.arange(400) * 1.0
    level = np.where(times >= 200, 0.985, 1.0)
    assert find_falls(times, noisy(level, 0.001, 4)) == []


def test_too_few_samples_tell_nothing():
    assert find_falls([0, 1, 2], [60, 30, 30]) == []
    assert find_falls([], []) == []
