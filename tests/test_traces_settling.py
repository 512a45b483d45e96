"""What was read -> values and doubts, against the cards of the same screen; pure."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from extractor.calibration import trace_key
from extractor.calibration.model import Calibration, Landmark, Marks, Readout, Trace
from extractor.records import DOUBTS, AxisLabel, Box, Found, Judged, Reading, TraceRead
from extractor.traces import settle_trace

LAYOUT = "cards1234"
PLOT = Box(100, 50, 600, 400)


def label(text: str, at: float) -> AxisLabel:
    return AxisLabel(text, text, 0.9999, at, at, 14.0)


def readout(
    name: str, quantity: str = "frame_rate", statistic: str = "mean", **how: object
) -> Readout:
    unit = {"frame_rate": "fps", "duration": "s", "share_at_floor": "%"}[quantity]
    kind = {"duration": "duration", "share_at_floor": "percentage"}.get(quantity, "number")
    entry = {"name": name, "kind": kind, "quantity": quantity, "statistic": statistic, "unit": unit,
             "box": (0, 0, 9, 9)}  # fmt: skip
    return Readout.model_validate(entry | how)


def layout(**changes: object) -> Calibration:
    trace = {"name": "rate", "quantity": "frame_rate", "unit": "fps", "colour": "#c2612c",
             "plot": (100, 50, 600, 400), "t_labels": (90, 455, 620, 30), "t_unit": "min",
             "value_labels": (40, 40, 50, 420)}  # fmt: skip
    trace |= changes
    return Calibration(
        format=1, id=LAYOUT, name="cards", shows="a screen of the tests", drawn_on=(900, 600),
        marks=Marks(decimal=".", thousands="none"),
        landmark=(Landmark(name="head", sort="word", box=(0, 0, 9, 9), word="rate"),),
        readout=(
            readout("mean"), readout("lowest", statistic="lowest"),
            readout("highest", statistic="highest"),
            readout("length", "duration", "total"), readout("smooth", "share_at_floor", "share"),
        ),
        trace=(Trace.model_validate({k: v for k, v in trace.items() if v is not None}),),
    )  # fmt: skip


CARDS = layout()


def y(value: float) -> float:
    return 50 + 400 * (80 - value) / 80


def line(values: list[float | None], **changes: object) -> TraceRead:
    """A trace as read: a value a column, from the left edge of the plot; 0 to 10 min, 0 to 80."""
    rows = tuple(None if value is None else y(value) for value in values)
    states = "".join("-" if value is None else "." for value in values)
    read = TraceRead(
        LAYOUT, "rate", PLOT, 0.2,
        tuple(label(str(minute), 100 + 60 * minute) for minute in range(0, 11, 2)),
        tuple(label(str(value), y(value)) for value in (0, 20, 40, 60, 80)),
        (), tuple(y(value) for value in (0, 20, 40, 60, 80)), 100, rows, rows, rows, states, 3.0,
    )  # fmt: skip
    return replace(read, **changes)


EVEN: list[float | None] = [60.0] * 300 + [40.0] * 300


def card(name: str, value: float, half: float = 0.05) -> Judged:
    reading = Reading(LAYOUT, name, Box(0, 0, 9, 9), f"{value:g}", 0.9999)
    return Judged(reading, name, value, value, half, "fps", 0.9999, (), "read")


def settle(read: TraceRead, *cards: Judged, floor: float = 45.0) -> list[str]:
    judged = settle_trace(read, CARDS, None, cards, floor)
    for doubt in judged.doubts:
        assert doubt.code in DOUBTS and doubt.why
    return [doubt.code for doubt in judged.doubts]


def test_values_times_and_units() -> None:
    judged = settle_trace(line(EVEN), CARDS)
    assert not judged.doubts
    assert judged.unit == "fps"
    assert judged.t[0] == pytest.approx(0.5) and judged.t[-1] == pytest.approx(599.5)
    assert judged.value[0] == pytest.approx(60, abs=1e-3)
    assert judged.value[-1] == pytest.approx(40, abs=1e-3)
    assert judged.coverage == 1


@given(st.lists(st.one_of(st.none(), st.floats(0, 80)), min_size=20, max_size=120))
def test_rows_run_from_the_first_to_the_last_column_seen(values: list[float | None]) -> None:
    judged = settle_trace(line(values), CARDS)
    seen = [at for at, value in enumerate(values) if value is not None]
    if len(seen) < 8:
        assert [doubt.code for doubt in judged.doubts] == ["no-line"] and not judged.t
        return
    expected = values[seen[0] : seen[-1] + 1]
    assert [value is None for value in judged.value] == [value is None for value in expected]
    for got, true in zip(judged.value, expected, strict=True):
        assert got is None or got == pytest.approx(true, abs=2e-3)
    for low, value, high in zip(judged.low, judged.value, judged.high, strict=True):
        assert value is None or low <= value <= high


def test_cards_that_agree() -> None:
    assert settle(line(EVEN), card("mean", 50.0), card("lowest", 40.0), card("highest", 60.0),
                  card("length", 600.0, 0.5), card("smooth", 50.0)) == []  # fmt: skip


@pytest.mark.parametrize(
    ("name", "value"),
    [("mean", 53.0), ("mean", 47.0), ("lowest", 43.0), ("highest", 58.0), ("length", 500.0),
     ("length", 700.0), ("smooth", 60.0), ("smooth", 40.0)],
)  # fmt: skip
def test_a_card_that_contradicts_the_curve_is_named(name: str, value: float) -> None:
    judged = settle_trace(line(EVEN), CARDS, None, [card(name, value)], 45.0)
    (doubt,) = judged.doubts
    assert doubt.code == "cards-disagree"
    assert doubt.why.startswith(name) and f"{value:g}" in doubt.why


def test_a_chart_of_fewer_samples_may_miss_the_extremes() -> None:
    assert settle(line(EVEN), card("lowest", 21.0), card("highest", 66.0)) == []


def test_flagged_cards_and_other_layouts_are_no_evidence() -> None:
    flagged = replace(card("mean", 20.0), value=None)
    other = card("mean", 20.0)
    other = replace(other, reading=replace(other.reading, layout="another99"))
    assert settle(line(EVEN), flagged, other) == []


def test_a_whole_axis_misread_by_ten_is_caught_by_a_card() -> None:
    lost = tuple(label(f"{value}0" if value else "0", y(value)) for value in (0, 20, 40, 60, 80))
    read = line(EVEN, value_labels=lost)
    assert settle(read) == [], "nothing in the labels alone tells"
    assert settle(read, card("mean", 50.0)) == ["cards-disagree"]


def test_what_mars_a_line_is_said() -> None:
    gappy: list[float | None] = [60.0 if at % 5 else None for at in range(600)]
    assert settle(line(gappy)) == ["broken-line"]
    (dashed,) = settle_trace(line(gappy), CARDS).doubts
    assert "119 gaps of about 1 px: is the line dashed?" in dashed.why
    torn: list[float | None] = [60.0] * 600
    for begin, gap in (
        (20, 3),
        (80, 40),
        (150, 9),
        (200, 1),
        (260, 25),
        (330, 5),
        (420, 60),
        (520, 15),
    ):
        torn[begin : begin + gap] = [None] * gap
    (broken,) = settle_trace(line(torn), CARDS).doubts
    assert broken.code == "broken-line" and "dashed" not in broken.why
    assert settle(line(EVEN, jumps=9)) == ["broken-line"]
    few: list[float | None] = [None] * 300 + [60.0] * 40 + [None] * 260
    assert settle(line(few)) == ["broken-line"], "may be a spot of the same colour"
    fixed = layout(value_labels=None, value_range=(0, 80))
    doubts = settle_trace(line(EVEN, error=1.5), fixed).doubts
    assert [doubt.code for doubt in doubts] == ["loose-axis"]
    assert settle(line(EVEN, rivals=0.2)) == ["two-lines"]
    assert settle(line(EVEN, states="." * 590 + "e" * 10)) == ["leaves-plot"]
    assert settle(line(EVEN, error=5.0)) == ["badly-located"]
    assert settle(line(EVEN, plot=None)) == ["not-shown"]
    rivals = Found(LAYOUT, 1.0, PLOT, 1.0, (), ("other9999",))
    doubts = settle_trace(line(EVEN), CARDS, rivals, changing=True).doubts
    assert [doubt.code for doubt in doubts] == ["which-layout", "changing"]


def test_ranges_and_units_are_settled_anew_without_the_picture() -> None:
    """So they are no part of the key under which a reading of the picture is kept."""
    fixed = layout(value_labels=None, value_range=(0, 160), t_labels=None, t_unit=None,
                   t_range=(0, 60))  # fmt: skip
    judged = settle_trace(line(EVEN), fixed)
    assert judged.value[0] == pytest.approx(120, abs=1e-3)
    assert judged.t[-1] == pytest.approx(59.95)
    hours = layout(t_unit="h")
    assert settle_trace(line(EVEN), hours).t[-1] == pytest.approx(599.5 * 60)
    key = trace_key(CARDS, CARDS.trace[0])
    assert key == trace_key(hours, hours.trace[0])
    for change in ({"colour": "#123456"}, {"plot": (100, 50, 601, 400)}, {"name": "pace"}):
        other = layout(**change)
        assert key != trace_key(other, other.trace[0])
