"""Truthful figures of invented sessions: what an overlay shows along a run, or on single cards.

A session is one layout on one device: its calibration (readouts, marks, relations) and the texts it
draws, frame by frame. Numbers drift, step, spike and drop to 0 as real ones do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from extractor.calibration.model import Calibration, Landmark, Marks, Readout, Relation

_MISSING = 0.008  # share of figures for which the overlay draws its mark for no value
_EVENT = 0.02  # share of samples at which a level steps; half as many spikes, half of these to 0


@dataclass(frozen=True, slots=True)
class Session:
    """``texts`` of each readout, frame by frame, as drawn; ``units`` as drawn, '' if none.

    ``in_run``: the frames follow one another in time; else each is a capture by itself.
    """

    calibration: Calibration
    texts: dict[str, tuple[str, ...]]
    units: dict[str, str]
    in_run: bool


class _Writer:
    """Writes numbers as one layout does, and draws series of them."""

    def __init__(self, rng: np.random.Generator, count: int, in_run: bool) -> None:
        self.rng, self.count, self.in_run = rng, count, in_run
        self.decimal = "." if rng.random() < 0.8 else ","
        thousands = [",", " ", "'"] if self.decimal == "." else [".", " "]
        self.thousands = str(rng.choice(thousands)) if rng.random() < 0.25 else "none"
        self.minus = "-" if rng.random() < 0.6 else "−"

    def number(self, value: float, decimals: int) -> str:
        whole, _, after = f"{abs(value):.{decimals}f}".partition(".")
        if self.thousands != "none":
            whole = f"{int(whole):,}".replace(",", self.thousands)
        sign = self.minus if value < 0 and float(f"{value:.{decimals}f}") != 0 else ""
        return sign + whole + (self.decimal + after if after else "")

    def clock(self, seconds: int, hours: bool) -> str:
        minutes, rest = divmod(seconds, 60)
        if not hours:
            return f"{minutes:02d}:{rest:02d}"
        return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"

    def series(self, low: float, high: float, noise: float, wild: bool = True) -> np.ndarray:
        """Draw values in ``low`` to ``high``; along a run they drift with ``noise`` (a share)."""
        rng = self.rng
        if not self.in_run:
            return rng.uniform(low, high, self.count)
        values = np.empty(self.count)
        level = rng.uniform(low, high)
        for at in range(self.count):
            if wild and rng.random() < _EVENT:
                level = rng.uniform(low, high)
            level *= 1 + rng.normal(0, noise / 3)
            values[at] = level * (1 + rng.normal(0, noise))
            if wild and rng.random() < _EVENT / 2:
                values[at] = 0.0 if rng.random() < 0.5 and low >= 0 else rng.uniform(low, high)
        return np.clip(values, min(low, 0.0), high)


@dataclass(frozen=True, slots=True)
class _Drawn:
    """What one kind of readout adds to a session."""

    readouts: tuple[dict[str, object], ...]
    texts: tuple[list[str], ...]
    units: tuple[str, ...]
    relations: tuple[Relation, ...] = ()


def _one(
    write: _Writer, name: str, quantity: str, unit: str, drawn: str, values: np.ndarray,
    decimals: int, bounds: tuple[float, float], kind: str = "number", **more: object,
) -> _Drawn:  # fmt: skip
    readout = {"name": name, "kind": kind, "quantity": quantity, "unit": unit,
               "decimals": decimals, "bounds": bounds, **more}  # fmt: skip
    return _Drawn((readout,), ([write.number(v, decimals) for v in values],), (drawn,))


def _frames(write: _Writer) -> _Drawn:
    """A frame rate, half the time with the frame time of the same instant."""
    rng = write.rng
    rate = np.maximum(write.series(12, float(rng.choice([61, 91, 121, 145])), 0.02), 1.0)
    decimals = int(rng.integers(0, 2))
    drawn = _one(write, "frame_rate", "frame_rate", "fps", str(rng.choice(["fps", "FPS", ""])),
                 rate, decimals, (0, 240))  # fmt: skip
    if rng.random() < 0.5:
        return drawn
    shown = np.round(rate, decimals)
    time = _one(write, "frame_time", "frame_time", "ms", str(rng.choice(["ms", ""])),
                1000 / shown, int(rng.integers(1, 3)), (0, 1000))  # fmt: skip
    relation = Relation(that="frame_rate * frame_time = 1000", within="2 %")
    return _Drawn(drawn.readouts + time.readouts, drawn.texts + time.texts,
                  drawn.units + time.units, (relation,))  # fmt: skip


def _electric(write: _Writer) -> _Drawn:
    """Two or three of voltage, current and power of one instant; a relation where all are."""
    rng = write.rng
    volts = np.round(write.series(3.5, 4.45, 0.001, wild=False), 3)
    amps = np.maximum(write.series(0.25, 2.6, 0.03), 0.05)
    watts = volts * amps
    milli, negative = rng.random() < 0.65, rng.random() < 0.3
    current = amps * (1000 if milli else 1) * (-1 if negative else 1)
    factor = 1 if milli else 1000
    bounds = (-9000.0 / factor, 9000.0 / factor) if negative else (0.0, 9000.0 / factor)
    parts = [
        _one(write, "voltage", "voltage", "V", str(rng.choice(["V", ""])), volts,
             int(rng.integers(2, 4)), (2.5, 5)),
        _one(write, "current", "current", "mA" if milli else "A",
             str(rng.choice(["mA" if milli else "A", ""])), current, 0 if milli else 2, bounds),
        _one(write, "power", "power", "W", str(rng.choice(["W", ""])), watts,
             int(rng.integers(1, 3)), (0, 40)),
    ]  # fmt: skip
    relations: tuple[Relation, ...] = ()
    if rng.random() < 0.3:
        parts.pop(int(rng.integers(3)))
    else:
        that = "voltage * current = 1000 * power" if milli else "voltage * current = power"
        relations = (Relation(that=that, within="3 %"),)
    return _Drawn(tuple(r for p in parts for r in p.readouts),
                  tuple(t for p in parts for t in p.texts),
                  tuple(u for p in parts for u in p.units), relations)  # fmt: skip


def _warm(name: str, sensor: str) -> Callable[[_Writer], _Drawn]:
    def make(write: _Writer) -> _Drawn:
        rng = write.rng
        values = write.series(22, 92 if sensor == "chip" else 49, 0.004, wild=False)
        drawn = str(rng.choice(["°C", "°", "C", ""], p=[0.55, 0.2, 0.05, 0.2]))
        return _one(write, name, "temperature", "Cel", drawn, values, int(rng.integers(0, 2)),
                    (0, 120), sensor=sensor)  # fmt: skip

    return make


def _clock(name: str) -> Callable[[_Writer], _Drawn]:
    def make(write: _Writer) -> _Drawn:
        rng = write.rng
        levels = np.sort(rng.integers(3, 33, int(rng.integers(2, 9)))) * 100.0
        at = rng.integers(0, len(levels), write.count)
        if write.in_run and rng.random() < 0.5:  # it stays for a while
            at = np.repeat(at, rng.integers(1, 9, write.count))[: write.count]
        if rng.random() < 0.25:
            return _one(write, name, "clock", "GHz", "GHz", levels[at] / 1000, 2, (0, 6))
        return _one(write, name, "clock", "MHz", str(rng.choice(["MHz", ""])), levels[at], 0,
                    (0, 6000))  # fmt: skip

    return make


def _load(name: str) -> Callable[[_Writer], _Drawn]:
    def make(write: _Writer) -> _Drawn:
        values = write.series(1, 100, 0.08)
        return _one(write, name, "load", "%", str(write.rng.choice(["%", ""], p=[0.8, 0.2])),
                    values, int(write.rng.integers(0, 2)), (0, 100), "percentage")  # fmt: skip

    return make


def _level(write: _Writer) -> _Drawn:
    rng = write.rng
    if write.in_run:
        values = np.floor(rng.uniform(20, 100) - np.cumsum(rng.random(write.count) < 0.1))
    else:
        values = rng.integers(1, 101, write.count).astype(float)
    more: dict[str, object] = {"trend": "falls"} if write.in_run and rng.random() < 0.5 else {}
    return _one(write, "level", "level", "%", "%", np.maximum(values, 0), 0, (0, 100),
                "percentage", **more)  # fmt: skip


def _memory(write: _Writer) -> _Drawn:
    values = write.series(400, 9900, 0.002)
    if write.rng.random() < 0.3:
        return _one(write, "memory", "memory", "GiBy", "GB", values / 1024, 1, (0, 64))
    return _one(write, "memory", "memory", "MiBy", str(write.rng.choice(["MB", "MiB", ""])),
                values, 0, (0, 65536))  # fmt: skip


def _size(write: _Writer) -> _Drawn:
    rng = write.rng
    heights = rng.integers(360, 1441, 4)
    at = np.zeros(write.count, int) if write.in_run else rng.integers(0, 4, write.count)
    times = str(rng.choice(["×", "x", " × ", " x "]))
    texts = [f"{round(h * 16 / 9)}{times}{h}" for h in heights[at]]
    readout = {"name": "size", "kind": "size", "quantity": "render_size", "unit": "px",
               "bounds": (100, 8000)}  # fmt: skip
    return _Drawn((readout,), (texts,), ("",))


def _duration(write: _Writer) -> _Drawn:
    rng = write.rng
    hours = rng.random() < 0.4
    begun = int(rng.integers(0, 20_000 if hours else 3400))
    seconds = begun + np.arange(write.count)
    if not write.in_run:
        seconds = rng.integers(0, 30_000 if hours else 3600, write.count)
    texts = [write.clock(int(s), hours) for s in seconds]
    readout: dict[str, object] = {"name": "duration", "kind": "duration", "quantity": "duration"}
    if write.in_run and rng.random() < 0.6:
        readout["trend"] = "grows"
    return _Drawn((readout,), (texts,), ("",))


def _summary(write: _Writer) -> _Drawn:
    """The figures of a whole round, as cards show them."""
    rng = write.rng
    mean = rng.uniform(18, 144, write.count)
    low = mean * rng.uniform(0.5, 0.97, write.count)
    lowest = low * rng.uniform(0.4, 1, write.count)
    decimals = int(rng.integers(0, 3))
    unit = str(rng.choice(["fps", "FPS", ""]))
    parts = [
        _one(write, name, "frame_rate", "fps", unit, values, decimals, (0, 240),
             statistic=statistic)
        for name, statistic, values in (
            ("mean", "mean", mean), ("low", "low_1_percent", low), ("lowest", "lowest", lowest),
        )
    ]  # fmt: skip
    share = _one(write, "share", "share_at_floor", "%", "%", rng.uniform(0, 100, write.count),
                 int(rng.integers(0, 3)), (0, 100), "percentage", statistic="share")  # fmt: skip
    power = _one(write, "mean_power", "power", "W", "W", rng.uniform(1, 14, write.count), 2,
                 (0, 40), statistic="mean")  # fmt: skip
    charge = _one(write, "charge", "charge", "mA.h", "mAh", rng.uniform(20, 3000, write.count),
                  0, (0, 9000), statistic="total")  # fmt: skip
    every = [*parts, share, power, charge]
    relation = Relation(that="lowest <= low <= mean")
    return _Drawn(tuple(r for p in every for r in p.readouts),
                  tuple(t for p in every for t in p.texts),
                  tuple(u for p in every for u in p.units), (relation,))  # fmt: skip


_OF_THE_MOMENT: tuple[Callable[[_Writer], _Drawn], ...] = (
    _frames, _electric, _warm("chip_temperature", "chip"), _warm("battery_temperature", "battery"),
    _clock("clock"), _clock("second_clock"), _load("load"), _load("second_load"), _level, _memory,
    _size, _duration,
)  # fmt: skip
_SHARES = np.array([3, 3, 2, 1.5, 1.5, 1, 2, 1, 1.5, 1, 0.7, 1])


def draw_session(
    rng: np.random.Generator,
    count: int,
    identity: int,
    in_run: bool | None = None,
    stated: bool | None = None,
) -> Session:
    """Draw a session of ``count`` frames; ``identity`` makes its id.

    6 in 10 are runs, unless ``in_run`` says it. ``stated``: its calibration states decimals, bounds
    and relations; each by chance if None.
    """
    in_run = bool(rng.random() < 0.6) if in_run is None else in_run
    write = _Writer(rng, count, in_run)
    if not in_run and rng.random() < 0.6:
        chosen = [_summary, *([_size] if rng.random() < 0.4 else []), _duration]
    else:
        many = int(rng.integers(2, 6))
        picks = rng.choice(len(_OF_THE_MOMENT), many, False, _SHARES / _SHARES.sum())
        chosen = [_OF_THE_MOMENT[at] for at in picks]
    drawn = [make(write) for make in chosen]
    chance = rng.random(3) < (0.8, 0.6, 0.6)
    with_decimals, bounded, related = chance if stated is None else [stated] * 3
    missing = str(rng.choice(["--", "-", "---", "N/A"], p=[0.6, 0.15, 0.15, 0.1]))
    has_missing = rng.random() < 0.4
    readouts, texts, units = [], {}, {}
    for part in drawn:
        for told, lines, unit in zip(part.readouts, part.texts, part.units, strict=True):
            fields, shown = dict(told), tuple(lines)
            if not with_decimals:
                fields.pop("decimals", None)
            if not bounded:
                fields.pop("bounds", None)
            if has_missing:
                fields["missing"] = missing
                lost = rng.random(count) < _MISSING
                shown = tuple(missing if m else t for m, t in zip(lost, lines, strict=True))
            readout = Readout.model_validate(fields)
            readouts.append(readout)
            texts[readout.name], units[readout.name] = shown, unit
    marks = Marks(decimal=write.decimal, thousands=write.thousands,  # type: ignore[arg-type]
                  duration="h:m:s" if any(t.count(":") == 2 for t in texts.get("duration", ()))
                  else "m:s")  # fmt: skip
    calibration = Calibration(
        format=1, id=f"study{identity:07d}", name=f"study{identity}", shows="an invented overlay",
        drawn_on=(1280, 720), marks=marks,
        landmark=(Landmark(name="edge", sort="colour", box=(0, 0, 9, 9), colour="#000000"),),
        readout=tuple(readouts),
        relation=tuple(r for part in drawn for r in part.relations) if related else (),
    )  # fmt: skip
    return Session(calibration, texts, units, in_run)
