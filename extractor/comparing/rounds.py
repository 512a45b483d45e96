"""Measured figures, facts and session -> one record a device, variant, round and attempt.

Order of sources for a mean: the monitor's own over the whole round; a recording that covers the
round, weighted by time; a chart's line; typed by a person. Stills of single instants never make a
mean, and a frame rate's lows and percentiles are never recomputed from samples.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, Literal

from uncertainties import ufloat

from extractor.comparing import figures
from extractor.comparing.measured import Key, Measure, Measured, Measurements, Series
from extractor.session import Round as SessionRound
from extractor.session import Session, Typed

State = Literal["run", "not run", "missing", "battery test"]
Basis = Literal["monitor", "recording", "trace", "typed"]

MEASURES: dict[str, Measure] = {
    "duration": Measure("duration", "total"),
    "render_width": Measure("render_size", "now", "", "width"),
    "render_height": Measure("render_size", "now", "", "height"),
    "frame_rate_mean": Measure("frame_rate", "mean"),
    "frame_rate_lowest": Measure("frame_rate", "lowest"),
    "frame_rate_highest": Measure("frame_rate", "highest"),
    "frame_rate_low_1_percent": Measure("frame_rate", "low_1_percent"),
    "share_at_floor": Measure("share_at_floor", "share"),
    "power_mean": Measure("power", "mean"),
    "power_highest": Measure("power", "highest"),
    "current_mean": Measure("current", "mean"),
    "voltage_mean": Measure("voltage", "mean"),
    "battery_temperature_mean": Measure("temperature", "mean", "battery"),
    "battery_temperature_highest": Measure("temperature", "highest", "battery"),
    "chip_temperature_mean": Measure("temperature", "mean", "chip"),
    "chip_temperature_highest": Measure("temperature", "highest", "chip"),
    "skin_temperature_highest": Measure("temperature", "highest", "skin"),
    "clock_mean": Measure("clock", "mean"),
    "load_mean": Measure("load", "mean"),
    "level_start": Measure("level", "start"),
    "level_end": Measure("level", "end"),
    "charge_used": Measure("charge", "total"),
    "energy_used": Measure("energy", "total"),
    "brightness": Measure("brightness", "now"),
}
"""The figures of rounds.csv and what each measures."""

# A recording or chart stands for a round if it covers this share of its length.
COVERS = 0.9
# Rounds whose lengths differ by more than this share are not the same scene.
LENGTHS = 0.1


@dataclass(frozen=True, slots=True)
class Amount:
    """A figure of a round as drawn, or as computed along time.

    ``half`` is that of readings.csv, ``low`` and ``high`` are the bounds that the last digits
    leave open. ``rows`` are its rows in the table of readings; ``remark`` says how it was come by.
    """

    value: float
    half: float
    low: float
    high: float
    unit: str
    basis: Basis
    captures: tuple[str, ...] = ()
    rows: tuple[int, ...] = ()
    remark: str = ""

    @property
    def uncertain(self) -> Any:
        """The value with its ``u_display``; a plain float where nothing is open.

        A figure as drawn stands in the middle of its bounds, which matters where it is truncated.
        """
        half = (self.high - self.low) / 2
        if half <= 0:
            return self.value
        as_drawn = self.basis in ("monitor", "typed")
        return ufloat(self.low + half if as_drawn else self.value, figures.u_display(half))

    @property
    def source(self) -> str:
        """Where it comes from, for ``*_from`` columns."""
        where = "; ".join(self.captures)
        return ": ".join(part for part in (self.basis, self.remark, where) if part)


@dataclass(slots=True)
class Round:
    """One attempt at one round, or a battery test, or a round that was not run or is missing.

    ``series`` run in s from the start of the round. ``began_by`` says what ``began`` was told from.
    ``size_changes``: the render size was not the same on all captures; ``size_confirmed``: a
    second source told the same size.
    """

    key: Key
    state: State = "run"
    counts: bool = True
    why: str = ""
    outcome: str = ""
    began: datetime | None = None
    began_by: str = ""
    figures: dict[str, Amount] = field(default_factory=dict)
    instants: dict[Measure, list[Measured]] = field(default_factory=dict)
    series: list[Series] = field(default_factory=list)
    recorded: bool = False
    size_changes: bool = False
    size_confirmed: bool = False
    ended_early: bool = False

    def get(self, name: str) -> Any:
        """The figure as an uncertain number, or None."""
        amount = self.figures.get(name)
        return amount.uncertain if amount else None


@dataclass(frozen=True, slots=True)
class Rounds:
    """All rounds, by device, variant, round and attempt, and what the person should be told.

    ``planned`` is stated in session.toml, else how many most devices ran.
    """

    all: tuple[Round, ...]
    notices: tuple[str, ...]
    planned: int

    @property
    def last(self) -> int:
        """The highest number of a round that was run or planned."""
        return max((each.key.round for each in self.all), default=0)

    @property
    def subjects(self) -> list[tuple[str, str]]:
        """Every device and variant that ran a round, in order."""
        return list(dict.fromkeys(
            (each.key.device, each.key.variant) for each in self.all if each.state == "run"
        ))  # fmt: skip

    def of(self, device: str, variant: str, number: int) -> list[Round]:
        """The attempts at one round that were run and count."""
        return [
            each
            for each in self.all
            if (each.key.device, each.key.variant, each.key.round) == (device, variant, number)
            and each.state == "run"
            and each.counts
        ]

    def battery(self, device: str) -> list[Round]:
        """The battery tests of a device that count."""
        return [
            each
            for each in self.all
            if each.state == "battery test" and each.key.device == device and each.counts
        ]


def build(measured: Measurements, session: Session) -> Rounds:
    """Put every figure of every round together; see the module's text."""
    notices = list(measured.notices)
    by_key: dict[Key, list[Measured]] = defaultdict(list)
    for each in (*measured.figures, *measured.words):
        by_key[each.key].append(each)
    series: dict[Key, list[Series]] = defaultdict(list)
    for line in measured.series:
        series[line.key].append(line)
    rounds = []
    for key in sorted(measured.seen):
        made = _round(key, by_key[key], series[key], session, notices)
        if made is not None:
            rounds.append(made)
    unknown = sorted({each.key.device for each in rounds} - set(session.device))
    if unknown and session.device:
        notices.append(
            f"{', '.join(unknown)}: no [device] of session.toml; what hangs on chip, battery or "
            "frame cap cannot be computed. Correct the device in facts.csv, or describe it there"
        )
    planned = session.rounds or _usual_number(rounds)
    rounds += _not_there(rounds, session, planned)
    _mark_ended_early(rounds)
    ordered = sorted(rounds, key=lambda each: _place(each.key, session))
    return Rounds(tuple(ordered), tuple(notices), planned)


def _place(key: Key, session: Session) -> tuple[object, ...]:
    """The order of session.toml first, then of names as people count: 2 before 10."""
    devices = list(session.device)
    known = session.device.get(key.device)
    variants = list(known.variant) if known else []

    def place(name: str, stated: list[str]) -> tuple[object, ...]:
        parts = [part.zfill(12) if part.isdigit() else part for part in re.split(r"(\d+)", name)]
        return stated.index(name) if name in stated else len(stated), parts

    return place(key.device, devices), place(key.variant, variants), key.round, key.attempt


# ---------------------------------------------------------------- one round


def _round(
    key: Key,
    measured: Sequence[Measured],
    series: Sequence[Series],
    session: Session,
    notices: list[str],
) -> Round | None:
    made = Round(key, recorded=any(line.medium == "recording" for line in series))
    if not key.round:
        measured = _of_battery_test(key, measured, notices)
        if not measured:
            return None
        made.state = "battery test"
        tested = {each.capture for each in measured}
        series = [line for line in series if line.capture in tested]
    for no in session.does_not_count:
        if _is_of(no, key):
            made.counts, made.why = False, no.reason
    _monitor(made, measured, notices)
    factor = session.device[key.device].power_factor if key.device in session.device else 1.0
    if made.state == "run":
        made.began, made.began_by = _began(measured, made.figures.get("duration"), series)
    made.series = [_placed(line, made, session, factor) for line in series]
    _along_time(made, session)
    for name in ("power_mean", "power_highest"):
        amount = made.figures.get(name)
        if amount and factor != 1.0 and amount.basis == "monitor":
            made.figures[name] = replace(
                amount,
                value=amount.value * factor,
                half=amount.half * factor,
                low=amount.low * factor,
                high=amount.high * factor,
                remark=f"times power_factor {factor:g}",
            )
    _power_by_current(made, factor)
    _typed(made, session.typed, notices)
    words = [each.text for each in measured if each.what.quantity == "outcome" and not each.live]
    made.outcome = words[0] if words else ""
    return made


def _of_battery_test(
    key: Key, measured: Sequence[Measured], notices: list[str]
) -> Sequence[Measured]:
    """What of the captures of no round is of a battery test; the others are named.

    A battery test tells its levels and its length; so may the summary of a round, but that sums
    up its frame rate by more than a mean.
    """
    of_rounds = {
        each.capture
        for each in measured
        if each.what.quantity == "share_at_floor"
        or (each.what.quantity == "frame_rate" and each.what.statistic != "mean")
    }
    tested = [each for each in measured if each.capture not in of_rounds]
    seen = {each.what for each in tested}
    if not {MEASURES["level_start"], MEASURES["level_end"], MEASURES["duration"]} <= seen:
        of_rounds, tested = {each.capture for each in measured}, []
    if of_rounds:
        first, more = min(of_rounds), ", ..." if len(of_rounds) > 1 else ""
        notices.append(
            f"{key.device}: {len(of_rounds)} capture(s) of no known round ({first}{more}) are left "
            "out; write their round into facts.csv"
        )
    return tested


def _is_of(entry: object, key: Key) -> bool:
    """Whether an entry of session.toml speaks of this key; what it leaves out fits all."""
    return all(
        getattr(entry, name, None) in (None, getattr(key, name))
        for name in ("device", "variant", "round", "attempt")
    )


def _monitor(made: Round, measured: Sequence[Measured], notices: list[str]) -> None:
    groups: dict[Measure, list[Measured]] = defaultdict(list)
    for each in measured:
        if each.live:
            made.instants.setdefault(each.what, []).append(each)
        groups[each.what].append(each)
    for name, what in MEASURES.items():
        constant = what.statistic == "now"
        rows = [each for each in groups[what] if constant or not each.live]
        if not rows:
            continue
        if not _agree(rows):
            if name.startswith("render"):
                made.size_changes = True
            told = ", ".join(f"{each.value:g} on {each.capture}" for each in _ends(rows))
            notices.append(
                f"{made.key}: captures-disagree: {name} is {told}; left out, one of them belongs "
                "elsewhere (facts.csv) or is wrong"
            )
            continue
        best = min(rows, key=lambda each: (each.half, each.live, each.capture, each.row))
        if constant:
            first = [each for each in rows if each.half == best.half]
            rows = [best, *(each for each in first if each.capture != best.capture)][:4]
        made.figures[name] = Amount(
            best.value, best.half, best.low, best.high, best.unit, "monitor",
            tuple(dict.fromkeys((best.capture, *(each.capture for each in rows)))),
            tuple(dict.fromkeys((best.row, *(each.row for each in rows)))),
        )  # fmt: skip


def _agree(rows: Sequence[Measured]) -> bool:
    low, high = _ends(rows)
    slack = 1e-9 * max(1.0, abs(high.value))
    return low.high + slack >= high.low


def _ends(rows: Sequence[Measured]) -> tuple[Measured, Measured]:
    """The row that ends lowest and the one that begins highest."""
    return (
        min(rows, key=lambda each: each.high),
        max(rows, key=lambda each: each.low),
    )


def _power_by_current(made: Round, factor: float) -> None:
    """Power where only current and voltage are shown: the product of their means, and said so."""
    current, voltage = made.figures.get("current_mean"), made.figures.get("voltage_mean")
    if "power_mean" in made.figures or current is None or voltage is None:
        return
    ends = [
        factor * figures.electric_power(c, v)
        for c in (current.low, current.high)
        for v in (voltage.low, voltage.high)
    ]
    value = factor * figures.electric_power(current.value, voltage.value)
    times = "" if factor == 1.0 else f", times power_factor {factor:g}"
    made.figures["power_mean"] = Amount(
        value, (max(ends) - min(ends)) / 2, min(ends), max(ends), "W", current.basis,
        tuple(dict.fromkeys((*current.captures, *voltage.captures))),
        (*current.rows[:1], *voltage.rows[:1]), f"mean current × mean voltage{times}",
    )  # fmt: skip


def _began(
    measured: Sequence[Measured], duration: Amount | None, series: Sequence[Series]
) -> tuple[datetime | None, str]:
    """When a round began: by a running clock of the overlay, else by the end of the summary."""
    clock = MEASURES["duration"]
    running = [
        each.taken - timedelta(seconds=each.value)
        for each in measured
        if each.taken and each.live and each.what == clock and each.at_s is None
    ]
    if running:
        return sorted(running)[len(running) // 2], "the overlay's running time"
    ends = [each.taken for each in measured if each.taken and not each.live and each.at_s is None]
    if ends and duration:
        return min(ends) - timedelta(seconds=duration.value), "the first summary less its length"
    starts = [line.taken for line in series if line.medium == "recording" and line.taken]
    if starts:
        return min(starts), "the recording's name"
    taken = [each.taken for each in measured if each.taken]
    return (min(taken), "its first capture, at the latest") if taken else (None, "")


def _placed(line: Series, made: Round, session: Session, factor: float) -> Series:
    """Cut a series by ``from`` and ``to`` of session.toml and count it from the round's start."""
    window = _window(line, made.key, session)
    offset = 0.0
    times, values, rows = line.times, line.values, line.rows
    if window is not None:
        begin = window.from_s or 0.0
        end = window.to_s if window.to_s is not None else times[-1]
        kept = [at for at, time in enumerate(times) if begin <= time <= end]
        times = tuple(times[at] - begin for at in kept)
        values = tuple(values[at] for at in kept)
        rows = tuple(rows[at] for at in kept) if rows else ()
    elif line.medium == "recording" and line.taken and made.began:
        offset = max(0.0, (line.taken - made.began).total_seconds())
    scale = factor if line.what.quantity == "power" else 1.0
    return replace(
        line,
        times=tuple(time + offset for time in times),
        values=tuple(value * scale for value in values),
        half=line.half * scale,
        rows=rows,
    )


def _window(line: Series, key: Key, session: Session) -> SessionRound | None:
    for entry in session.round:
        named = entry.capture in (None, line.capture)
        if named and _is_of(entry, key) and (entry.from_s, entry.to_s) != (None, None):
            return entry
    return None


_MEANS = ("frame_rate_mean", "power_mean", "current_mean", "voltage_mean", "clock_mean",
          "load_mean", "battery_temperature_mean", "chip_temperature_mean")  # fmt: skip
_TOPS = ("battery_temperature_highest", "chip_temperature_highest")


def _along_time(made: Round, session: Session) -> None:
    """Fill in what the monitor did not sum up, from a recording, else from a chart."""
    lines = [line for line in made.series if len(line.times) > 1 and _covers(line, made)]
    lines.sort(key=lambda line: (line.medium != "recording", line.step, line.capture))
    for line in lines:
        for name in (*_MEANS, *_TOPS):
            what = MEASURES[name]
            same = (what.quantity, what.sensor) == (line.what.quantity, line.what.sensor)
            if not same or name in made.figures:
                continue
            value = (
                max(line.values)
                if name in _TOPS
                else figures.time_weighted_mean(line.times, line.values, line.longest)
            )
            made.figures[name] = _of_line(line, value, line.half, line.unit)
        if line.what.quantity == "frame_rate" and "share_at_floor" not in made.figures:
            low, value, high = figures.share_at_floor(
                line.times, line.values, session.smooth_floor, line.half, line.longest
            )
            share = _of_line(line, value, (high - low) / 2, "%")
            made.figures["share_at_floor"] = replace(share, low=low, high=high)
    if "duration" not in made.figures and made.state == "run":
        whole = [line for line in lines if line.medium == "recording"]
        if whole:
            length = whole[0].times[-1] - whole[0].times[0] + whole[0].step
            made.figures["duration"] = _of_line(whole[0], length, whole[0].step, "s")


def _of_line(line: Series, value: float, half: float, unit: str) -> Amount:
    remark = f"{len(line.times)} samples of {line.step:.3g} s"
    return Amount(
        value, half, value - half, value + half, unit, line.medium, (line.capture,),
        line.rows[:1], remark,
    )  # fmt: skip


def _covers(line: Series, made: Round) -> bool:
    """Whether a series stands for the round; where nothing tells its length, it does."""
    duration = made.figures.get("duration")
    covered = line.times[-1] - line.times[0] + line.step
    return duration is None or covered >= COVERS * duration.value


def _typed(made: Round, typed: Iterable[Typed], notices: list[str]) -> None:
    for entry in typed:
        if not _is_of(entry, made.key):
            continue
        for name, value in _typed_figures(entry):
            amount = _typed_amount(entry, value)
            read = made.figures.setdefault(name, amount)
            if read is amount:
                continue
            same = max(read.low, amount.low) <= min(read.high, amount.high) + 1e-9
            if name.startswith("render") and same:
                made.size_confirmed = True
            if not same:
                notices.append(
                    f"{made.key}: {name} is {read.value:g} {read.unit} by {read.source}, but "
                    f"{amount.value:g} by {amount.source}; the first is used"
                )


def _typed_amount(entry: Typed, value: float) -> Amount:
    base = figures.to_base(value, entry.unit)
    half = figures.to_base(entry.half_width or 0.0, entry.unit, difference=True)
    return Amount(
        base, half, base - half, base + half, figures.base_unit(entry.unit), "typed",
        remark=f"{entry.who}, {entry.when}, from {entry.source}",
    )  # fmt: skip


def _typed_figures(entry: Typed) -> list[tuple[str, float]]:
    if isinstance(entry.value, tuple):
        return [("render_width", float(entry.value[0])), ("render_height", float(entry.value[1]))]
    what = Measure(entry.quantity, entry.statistic, entry.sensor or "")
    return [(name, entry.value) for name, known in MEASURES.items() if known == what]


# ---------------------------------------------------------------- what is not there


def _usual_number(rounds: Sequence[Round]) -> int:
    """How many rounds most devices and variants ran; of equals the fewest."""
    last: dict[tuple[str, str], int] = defaultdict(int)
    for each in rounds:
        subject = each.key.device, each.key.variant
        last[subject] = max(last[subject], each.key.round)
    numbers = sorted(number for number in last.values() if number)
    return max(numbers, key=numbers.count, default=0)


def _not_there(rounds: Sequence[Round], session: Session, planned: int) -> list[Round]:
    """Rounds that were not run, with the reason stated, and rounds that are missing."""
    run = {each.key for each in rounds if each.state == "run"}
    subjects = {(key.device, key.variant) for key in run}
    subjects |= {
        (name, variant)
        for name, device in session.device.items()
        for variant in (device.variant or ("",))
        if not any(name == each for each, _ in subjects)
    }
    found = []
    for device, variant in sorted(subjects):
        for number in range(1, planned + 1):
            if any((k.device, k.variant, k.round) == (device, variant, number) for k in run):
                continue
            key = Key(device, variant, number)
            reasons = [no.reason for no in session.not_run if _is_of(no, key)]
            found.append(
                Round(key, "not run", why=reasons[0])
                if reasons
                else Round(key, "missing", why="no capture of it, and no reason is stated")
            )
    return found


def _mark_ended_early(rounds: Sequence[Round]) -> None:
    """A round far shorter than another of its device ended early; one not run tells why."""
    longest: dict[tuple[str, str], float] = defaultdict(float)
    runs = [each for each in rounds if each.state == "run" and "duration" in each.figures]
    for each in runs:
        subject = each.key.device, each.key.variant
        longest[subject] = max(longest[subject], each.figures["duration"].value)
    for each in runs:
        subject = each.key.device, each.key.variant
        if each.figures["duration"].value >= (1 - LENGTHS) * longest[subject]:
            continue
        each.ended_early = True
        later = [
            other.why
            for other in rounds
            if other.state == "not run"
            and (other.key.device, other.key.variant) == subject
            and other.key.round == each.key.round + 1
        ]
        if later and not each.why:
            each.why = later[0]
