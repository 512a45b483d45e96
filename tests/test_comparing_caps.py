"""A cap that nobody stated, told from where the frame rate stands."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from extractor.comparing.measured import Key, Measure, Series
from extractor.comparing.rounds import Amount, Round, Rounds
from extractor.comparing.throttling import Cap, frame_cap
from extractor.session import Session

STATED = Session.model_validate({"format": 1, "device": {"H": {"frame_cap": 90}}})


def run(number: int, rates: Iterable[float] = (), **summary: float) -> Round:
    values = tuple(float(rate) for rate in rates)
    times = tuple(5.0 * place for place in range(len(values)))
    line = Series(Key("H", "", number), Measure("frame_rate", "now"), "trace", "a.png", "fps",
                  times, values, 0.05)  # fmt: skip
    figures = {
        f"frame_rate_{name}": Amount(value, 0.05, value - 0.05, value + 0.05, "fps", "monitor")
        for name, value in summary.items()
    }
    return Round(Key("H", "", number), figures=figures, series=[line] if values else [])


def cap(*runs: Round, session: Session | None = None) -> Cap | None:
    return frame_cap(Rounds(runs, (), 3), session or Session(format=1), "H", "")


def capped(fps: float, share: float, seed: int = 1, noise: float = 0.004) -> np.ndarray:
    """A rate between 0.7 and 1.0 of a cap that it stands at for a share of 120 samples."""
    rng = np.random.default_rng(seed)
    free = np.linspace(0.7, 0.97, round(120 * (1 - share)))
    level = np.concatenate([free, np.ones(120 - len(free))])
    return fps * level * (1 + noise * rng.standard_normal(120))


@pytest.mark.parametrize("fps", [30, 40, 45, 48, 50, 60, 72, 90, 120, 144, 165])
def test_a_plateau_at_a_usual_rate_is_a_cap(fps):
    found = cap(run(1, capped(fps, 0.4)))
    assert found is not None and found.fps == fps
    assert "40 % of a round" in found.words or "41 % of a round" in found.words


def test_what_is_stated_wins_and_is_not_said_to_be_seen():
    assert cap(run(1, capped(60, 0.5)), session=STATED) == Cap(90)
    assert Cap(90).words == "cap 90 fps"


def test_the_highest_plateau_of_all_rounds_is_the_cap():
    """A device that is held at 45 fps in its heat is capped at 60, not at 45."""
    found = cap(run(1, capped(60, 0.9)), run(2, capped(45, 0.9)))
    assert found is not None and found.fps == 60


def test_a_short_stay_or_a_rate_above_is_no_cap():
    assert cap(run(1, capped(60, 0.1))) is None
    above = capped(60, 0.5)
    above[:5] = 66.0
    assert cap(run(1, above)) is None


def test_one_odd_second_above_does_not_hide_a_cap():
    odd = capped(60, 0.5)
    odd[50] = 75.0
    found = cap(run(1, odd))
    assert found is not None and found.fps == 60


@given(st.floats(22, 160), st.floats(0.25, 0.7))
def test_a_rate_that_only_follows_its_scene_has_no_cap(top, swing):
    """Spread evenly over a quarter or more it stands nowhere for a fifth of the round."""
    assert cap(run(1, np.linspace(top, top * (1 - swing), 120))) is None


def test_a_scene_that_swings_fast_is_not_flattened_into_a_cap():
    rates = 59 * (1 + 0.28 * np.sin(np.linspace(0, 40, 120)))
    assert cap(run(1, rates)) is None


def test_a_summary_alone_needs_mean_and_highest_at_the_cap():
    found = cap(run(1, mean=59.9, highest=60.7))
    assert found is not None and found.words == (
        "cap 60 fps (not stated: its frame rate is 59.9 fps in the mean, at most 60.7 fps)"
    )
    assert cap(run(1, mean=56.7, highest=60.7)) is None
    assert cap(run(1, mean=59.9, highest=66.0)) is None
    assert cap(run(1, mean=59.9)) is None


def test_nothing_is_seen_where_nothing_is_shown():
    assert cap(run(1)) is None
    assert cap() is None
    assert cap(run(1, capped(60, 0.5)[:20])) is None
