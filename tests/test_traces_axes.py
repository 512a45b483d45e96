"""Labels -> axis: arithmetic against certified values, misread labels, what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from extractor.calibration.model import Marks, Trace
from extractor.records import AxisLabel
from extractor.traces.axes import LabelError, fit_axis, fit_line, seconds_of, value_of

# NIST Statistical Reference Datasets, linear regression, Norris (interlaboratory study of ozone
# monitors, 1 predictor, 36 observations, "lower level of difficulty"); data and certified values
# written down from memory, which the values themselves bear out: a slip in the data would not give
# them to ten digits.
NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3
449.1 448.6  778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0
448.9 447.5  10.8 11.6  557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3
0.6 0.3  557.6 556.8  339.3 339.1  888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3
228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""


def test_the_line_fit_gives_the_certified_values_of_nist() -> None:
    y, x = np.array(NORRIS.split(), float).reshape(-1, 2).T
    line = fit_line(x, y)
    assert len(x) == 36
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert line.residual == pytest.approx(0.884796396144373, rel=1e-10)


def test_a_weighted_line_is_numpys() -> None:
    """numpy.polyfit weights residuals, so its weights are the roots of these."""
    rng = np.random.default_rng(5)
    x, y, w = rng.uniform(0, 900, 9), rng.normal(0, 5, 9), rng.uniform(0.2, 4, 9)
    slope, intercept = np.polyfit(x, y, 1, w=np.sqrt(w))
    line = fit_line(x, y, w)
    assert line.slope == pytest.approx(slope, rel=1e-9)
    assert line.intercept == pytest.approx(intercept, rel=1e-9)


def test_one_place_is_no_line() -> None:
    for places in ([], [3.0], [3.0, 3.0]):
        with pytest.raises(ValueError, match="two different places"):
            fit_line(places, [1.0] * len(places))


# ---------------------------------------------------------------- labels


def label(text: str, at: float, *, line: bool = True, sure: float = 0.9999) -> AxisLabel:
    return AxisLabel(text, text, sure, at + 0.8, at if line else None, 12.0)


def axis(values: list[float], places: list[float], *, grid: tuple[float, ...] = (), **how: object):
    """Fit the axis of a plot from 0 to 400 px."""
    edges = (0.0, 400.0)
    named = zip(values, places, strict=True)
    labels = [label(f"{value:g}", place, **how) for value, place in named]  # type: ignore[arg-type]
    return fit_axis(labels, values, edges, grid, True, "value axis")


@given(
    st.integers(4, 9),
    st.floats(0.5, 400),
    st.floats(-500, 500),
    st.integers(0, 8),
    st.floats(0.3, 9).filter(lambda factor: abs(factor - 1) > 0.2),
)
def test_a_misread_label_is_left_out_and_said(
    count: int, step: float, begin: float, which: int, factor: float
) -> None:
    which %= count
    true = [begin + step * number for number in range(count)]
    places = [400 - 400 * number / (count - 1) for number in range(count)]
    says = list(true)
    says[which] = true[which] + factor * step + step * 0.31
    fit, doubts = axis(says, places)
    assert fit is not None
    assert [doubt.code for doubt in doubts] == ["odd-label"]
    assert f'"{says[which]:g}"' in doubts[0].why
    for value, place in zip(true, places, strict=True):
        assert fit.line.intercept + fit.line.slope * place == pytest.approx(value, abs=1e-6 * step)


@given(st.integers(2, 9), st.floats(0.5, 400), st.floats(-500, 500))
def test_labels_that_agree_are_no_doubt(count: int, step: float, begin: float) -> None:
    true = [begin + step * number for number in range(count)]
    places = [400 - 400 * number / (count - 1) for number in range(count)]
    fit, doubts = axis(true, places)
    assert fit is not None and not doubts
    assert fit.line.slope == pytest.approx(-step * (count - 1) / 400, rel=1e-9)


def codes(found: tuple[object, list]) -> list[str]:
    fit, doubts = found
    assert fit is None or {each.code for each in doubts} <= {"few-labels", "loose-axis"}
    return [each.code for each in doubts]


def test_what_gives_no_axis() -> None:
    assert codes(axis([], [])) == ["no-axis"]
    assert codes(axis([10.0], [300.0])) == ["no-axis"]
    assert codes(axis([10.0, math.nan], [300.0, 100.0])) == ["no-axis"]
    assert codes(axis([0.0, 20.0, 70.0], [400.0, 200.0, 0.0])) == ["no-axis"], "no two agree"
    assert codes(axis([80.0, 40.0, 0.0], [400.0, 200.0, 0.0])) == ["no-axis"], "runs downwards"


def test_logarithmic_axes_are_refused() -> None:
    assert codes(axis([1.0, 10.0, 100.0, 1000.0], [400.0, 267.0, 133.0, 0.0])) == ["log-axis"]
    decades = (400.0, 280.0, 209.0, 159.0, 120.0, 89.0, 62.0, 39.0, 18.0, 0.0)
    assert codes(axis([1.0, 10.0], [400.0, 0.0], grid=decades)) == ["log-axis"]
    assert not codes(axis([1.0, 10.0], [400.0, 0.0], grid=(400.0, 300.0, 200.0, 100.0, 0.0)))


def test_labels_at_the_ends_alone_must_both_be_sure() -> None:
    assert codes(axis([0.0, 60.0], [400.0, 0.0])) == []
    assert codes(axis([0.0, 60.0], [400.0, 0.0], sure=0.9)) == ["few-labels"]
    assert codes(axis([0.0, 10.0, 20.0], [400.0, 380.0, 360.0])) == ["few-labels", "loose-axis"]


def test_labels_without_lines_place_an_axis_roughly() -> None:
    fit, doubts = axis([0.0, 20.0, 40.0, 60.0], [400.0, 267.0, 133.0, 0.0], line=False)
    assert fit is not None and 0.3 < fit.error < 1.0 and not doubts
    close, _ = axis([0.0, 20.0, 40.0, 60.0], [400.0, 267.0, 133.0, 0.0])
    assert close is not None and close.error < 0.6 * fit.error


# ---------------------------------------------------------------- what labels say

TRACE = {"name": "rate", "quantity": "frame_rate", "unit": "fps", "plot": (0, 0, 9, 9),
         "colour": "#112233", "t_labels": (0, 0, 9, 9), "value_labels": (0, 0, 9, 9)}  # fmt: skip


def time(text: str, beside: str = "", **how: object) -> float:
    trace = Trace.model_validate(TRACE | {"t_unit": how.pop("t_unit", None)})
    return seconds_of(AxisLabel(text, beside or text, 1, 0, None, 9), trace, Marks(**how))  # type: ignore[arg-type]  # fmt: skip


def test_times() -> None:
    assert time("1:30", t_unit="m:s") == 90
    assert time("1:30", duration="m:s") == 90
    assert time("1:30", t_unit="h:m", duration="m:s") == 5400
    assert time("1:02:03", t_unit="h:m:s") == 3723
    assert time("5min", "5 min") == 300
    assert time("5", "5 min") == 300
    assert time("90", "90 s") == 90
    assert time("2", t_unit="min") == 120
    assert time("0.5", t_unit="h", decimal=".") == 1800
    assert time("0") == 0, "needs no unit"
    assert math.isnan(time("1:75", t_unit="m:s"))


def test_a_time_that_does_not_say_what_it_counts_is_refused() -> None:
    for text in ("5", "1:30"):
        with pytest.raises(LabelError) as error:
            time(text)
        assert error.value.code == "which-mark"


def value(text: str, beside: str = "", unit: str = "fps", **how: object) -> float:
    quantity = {"fps": "frame_rate", "W": "power", "Cel": "temperature"}[unit]
    sensor = {"sensor": "chip"} if unit == "Cel" else {}
    trace = Trace.model_validate(TRACE | {"unit": unit, "quantity": quantity} | sensor)
    return value_of(AxisLabel(text, beside or text, 1, 0, None, 9), trace, Marks(**how))  # type: ignore[arg-type]  # fmt: skip


def test_values() -> None:
    assert value("60", "60 fps") == 60
    assert value("36", "36°", "Cel") == 36
    assert value("-5", "-5 °C", "Cel") == -5
    assert value("4,5", "4,5 W", "W", decimal=",", thousands=".") == 4.5
    assert math.isnan(value("1.2", "1.2k", decimal=".")), "a thousand is never guessed"
    assert math.isnan(value("", "fps"))
    with pytest.raises(LabelError) as error:
        value("4500", "4500 mW", "W")
    assert error.value.code == "other-unit"
    with pytest.raises(LabelError) as error:
        value("1,200", unit="fps")
    assert error.value.code == "which-mark"
