"""The bound of a spot-check and of the trust study, against tables and another method."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from extractor.judging.spot import bound

MANY = 10**9  # so many that the sample is not part of a finite number


def test_against_a_published_example() -> None:
    # Manual of the R package GenBinomApps (CRAN), example of clopper.pearson.ci:
    # clopper.pearson.ci(5, 100000, alpha = 0.05) has the upper limit 0.0001051275.
    assert bound(5, 100_000, MANY) == pytest.approx(0.0001051275, abs=5e-11)


@pytest.mark.parametrize(
    ("wrong", "upper"),
    # Upper limits of two-sided 90 % intervals for n = 10 are one-sided 95 % bounds. Tables of
    # exact binomial limits, as in Clopper and Pearson 1934, charts for n = 10, and handbooks since;
    # the four decimals are from memory, and the equation below holds for them.
    [(0, 0.2589), (1, 0.3942), (2, 0.5069), (3, 0.6066), (4, 0.6965), (5, 0.7776)],
)
def test_against_tables_for_ten(wrong: int, upper: float) -> None:
    assert bound(wrong, 10, MANY) == pytest.approx(upper, abs=5e-5)


def test_the_figures_that_the_project_states() -> None:
    assert bound(0, 300, MANY) == pytest.approx(0.00994, abs=5e-6)
    assert bound(0, 299_600, MANY) <= 1e-5 < bound(0, 299_000, MANY)
    assert bound(2, 650_000, MANY) <= 1e-5 < bound(3, 650_000, MANY)


@given(st.integers(1, 2000), st.data())
@settings(max_examples=60, deadline=None)
def test_against_the_equation_that_defines_it(checked: int, data: st.DataObject) -> None:
    # The bound is the share with which so few would be found in 5 of 100 samples; solved here by
    # bisection on the binomial sum, not through the beta distribution.
    wrong = data.draw(st.integers(0, checked - 1))
    share = optimize.brentq(
        lambda p: stats.binom.cdf(wrong, checked, p) - 0.05, 1e-12, 1 - 1e-12, xtol=1e-14
    )
    assert bound(wrong, checked, MANY) == pytest.approx(share, rel=1e-6)
