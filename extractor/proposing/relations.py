"""Relations that figures of one capture may keep, and how well they fit the captures shown."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from extractor.calibration.model import Calibration, Readout
from extractor.calibration.relation import Interval, ParsedRelation, parse_relation
from extractor.records import Reading
from extractor.values import FormError, Value, parse

_SLACK = "3 %"
# Units in one: amperes a mA, and so on.
_IN_BASE = {"mA": 1000, "mW": 1000, "mV": 1000, "mA.h": 1000, "GHz": 1}


@dataclass(frozen=True, slots=True)
class Fit:
    """A relation, and on how many captures it holds and fails."""

    that: str
    within: str
    holds: int
    fails: int

    @property
    def proposed(self) -> bool:
        """Whether it is offered switched on: it held wherever it could be checked."""
        return self.holds > 0 and self.fails == 0


def fit_relations(calibration: Calibration, shown: Sequence[Mapping[str, Reading]]) -> list[Fit]:
    """Every relation that the readouts' meanings suggest, with its fit on the readings shown."""
    figures = [_intervals(calibration, readings) for readings in shown]
    fits = []
    for that, within in _candidates(calibration.readout):
        parsed = parse_relation(that, within)
        fits.append(_fit(that, within, parsed, figures, calibration))
    return fits


def check_relation(
    calibration: Calibration, that: str, within: str, shown: Sequence[Mapping[str, Reading]]
) -> Fit:
    """The fit of one relation. Raises RelationError if it cannot be read."""
    parsed = parse_relation(that, within)
    return _fit(
        that, within, parsed, [_intervals(calibration, each) for each in shown], calibration
    )


def _fit(
    that: str,
    within: str,
    parsed: ParsedRelation,
    figures: Sequence[dict[str, Interval]],
    calibration: Calibration,
) -> Fit:
    """Either sign of a current fits: monitors differ in it, and judging settles which it is."""
    currents = {each.name for each in calibration.readout if each.quantity == "current"}
    holds = fails = 0
    for values in figures:
        turned = {
            name: Interval(-value.value, -value.high, -value.low) if name in currents else value
            for name, value in values.items()
        }
        outcomes = {parsed.check(values).outcome, parsed.check(turned).outcome}
        holds += "holds" in outcomes
        fails += outcomes == {"fails"}
    return Fit(that, within, holds, fails)


def _intervals(calibration: Calibration, readings: Mapping[str, Reading]) -> dict[str, Interval]:
    found = {}
    for readout in calibration.readout:
        reading = readings.get(readout.name)
        for value in _values(reading, readout, calibration):
            slack = 2 * value.half_width
            found[readout.name + value.suffix] = Interval.of(value.value, slack)
    return found


def _values(
    reading: Reading | None, readout: Readout, calibration: Calibration
) -> tuple[Value, ...]:
    if reading is None or not reading.text or readout.kind == "word":
        return ()
    try:
        return parse(reading.text, readout, calibration.marks)
    except FormError:
        return ()


def _candidates(readouts: Sequence[Readout]) -> Iterator[tuple[str, str]]:
    by_meaning: dict[tuple[str, str, str | None], Readout] = {}
    for readout in readouts:
        if readout.kind != "word" and readout.quantity != "other":
            by_meaning.setdefault((readout.quantity, readout.statistic, readout.sensor), readout)

    def get(quantity: str, statistic: str) -> Readout | None:
        return by_meaning.get((quantity, statistic, None))

    rate, time = get("frame_rate", "now"), get("frame_time", "now")
    if rate and time:
        yield f"{rate.name} * {time.name} = {1000 if time.unit == 'ms' else 1}", _SLACK
    volts, amps, watts = (get(each, "now") for each in ("voltage", "current", "power"))
    if volts and amps and watts:
        scale = _IN_BASE.get(volts.unit, 1) * _IN_BASE.get(amps.unit, 1)
        factor = scale / _IN_BASE.get(watts.unit, 1)
        right = watts.name if factor == 1 else f"{factor:g} * {watts.name}"
        yield f"{volts.name} * {amps.name} = {right}", _SLACK
    yield from _totals(get)
    for (quantity, statistic, sensor), mean in by_meaning.items():
        if statistic != "mean":
            continue
        low = by_meaning.get((quantity, "lowest", sensor))
        high = by_meaning.get((quantity, "highest", sensor))
        chain = [each.name for each in (low, mean, high) if each]
        if len(chain) > 1:
            yield " <= ".join(chain), "0 %"
    start, end = get("level", "start"), get("level", "end")
    if start and end:
        yield f"{end.name} <= {start.name}", "0 %"


def _totals(get: object) -> Iterator[tuple[str, str]]:
    """What a mean over a whole test gives in total: charge, energy, number of frames."""
    assert callable(get)
    length = get("duration", "total")
    if not length:
        return
    for total, mean, seconds in (
        ("charge", "current", 3600), ("energy", "power", 3600), ("count", "frame_rate", 1)
    ):  # fmt: skip
        summed, average = get(total, "total"), get(mean, "mean")
        if not (summed and average):
            continue
        factor = seconds * _IN_BASE.get(average.unit, 1) / _IN_BASE.get(summed.unit, 1)
        right = summed.name if factor == 1 else f"{factor:g} * {summed.name}"
        yield f"{average.name} * {length.name} = {right}", _SLACK
