"""The session file ``session.toml``: what a person knows of the runs and no capture shows.

Every key is optional but ``format``. Names of devices and variants are those that facts use.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from extractor.calibration.model import Quantity, Statistic, Unit
from extractor.calibration.pattern import Pattern, PatternError, Slot, parse_pattern
from extractor.calibration.rules import UNITS
from extractor.records import READINGS
from extractor.toml import RuleFault, Rules, load

Share = Annotated[float, Field(ge=0, le=100)]
Positive = Annotated[float, Field(gt=0, le=1e9)]
Celsius = Annotated[float, Field(ge=-90, le=150)]
Words = Annotated[str, Field(min_length=1, max_length=300)]
FactText = Annotated[
    str,
    Field(
        pattern=r"^[^/\\\x00-\x1f\x7f]+$",
        max_length=60,
        description="a name as facts use it: 1 to 60 characters without / and \\",
    ),
]
Number = Annotated[int, Field(ge=1, le=10000)]
Pixels = Annotated[int, Field(ge=1, le=65500)]
Frames = Literal["rendered", "displayed", "unknown"]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class Variant(_Part):
    """A named way to run a device, as switches: on, off, or the setting's name.

    ``frame_cap`` and ``frames`` take the place of the device's own.
    """

    limiter: bool | str | None = None
    interpolation: bool | str | None = None
    upscaling: bool | str | None = None
    performance_mode: bool | str | None = None
    frame_cap: Positive | None = None
    frames: Frames | None = None


class Battery(_Part):
    """The battery as its label says it.

    ``charge`` in mA·h at ``nominal_voltage`` in V; ``voltage_of`` says whether that is the voltage
    of one ``cell`` or of the whole ``pack``. ``energy`` in W·h where the label states it.
    """

    charge: Positive | None = None
    nominal_voltage: Positive | None = None
    voltage_of: Literal["cell", "pack"] | None = None
    energy: Positive | None = None


class Device(_Part):
    """One device. ``screen`` is [width, height] in px of its captures, ``panel_size`` in inches.

    ``current_sign`` says which sign its current has while it discharges. ``power_factor``
    multiplies its power (2 where the monitor sees one cell of two); only a person sets it.
    ``frame_cap`` in fps. ``frames``: what its frame rate counts.
    """

    chip: Words | None = None
    panel_size: Positive | None = None
    screen: tuple[Pixels, Pixels] | None = None
    battery: Battery = Battery()
    current_sign: Literal["positive", "negative"] | None = None
    power_factor: Positive = 1.0
    frame_cap: Positive | None = None
    frames: Frames = "unknown"
    variant: Annotated[dict[FactText, Variant], Field(max_length=50)] = {}


class Round(_Part):
    """What is known of one round, of all devices or of the one named.

    ``from`` and ``to`` are s: of a recording from its first frame, of a chart along its axis;
    ``capture`` names that recording or chart (its path below CAPTURES). ``ambient`` in °C.
    """

    round: Number
    device: FactText | None = None
    variant: FactText | None = None
    attempt: Number | None = None
    capture: Words | None = None
    from_s: Annotated[float | None, Field(alias="from", ge=0)] = None
    to_s: Annotated[float | None, Field(alias="to", ge=0)] = None
    ambient: Celsius | None = None


class NotRun(_Part):
    """A round that was not run, and why: an outcome, never a zero."""

    device: FactText
    variant: FactText | None = None
    round: Number
    reason: Words


class DoesNotCount(_Part):
    """An attempt that is read but does not count, and why."""

    device: FactText
    variant: FactText | None = None
    round: Number
    attempt: Number = 1
    reason: Words


class Typed(_Part):
    """A value from another source than a capture: who typed it, when, from what.

    ``value`` is a number in ``unit``, or ``[width, height]`` for a render size. ``half_width`` is
    half of the last digit that the source shows, in ``unit``.
    """

    device: FactText
    variant: FactText | None = None
    round: Number | None = None
    attempt: Number | None = None
    quantity: Quantity
    statistic: Statistic = "now"
    sensor: Literal["battery", "chip", "skin", "ambient"] | None = None
    value: float | tuple[Pixels, Pixels]
    unit: Unit
    half_width: Positive | None = None
    who: Words
    when: Annotated[
        str,
        Field(
            pattern=r"^\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d)?(Z|[+-]\d\d:\d\d)?)?$",
            description="a date, or date and time, as 2025-03-01T14:20",
        ),
    ]
    source: Annotated[str, Field(alias="from", min_length=1, max_length=300)]


class BatteryTest(_Part):
    """The battery test's own conditions. ``brightness`` in cd/m2 (100 is common practice)."""

    brightness: Positive | None = None


class Session(_Part):
    """A session file, loaded and free of faults.

    ``rounds`` is how many are planned. ``smooth_floor`` in fps (45 is common practice).
    ``tie``: devices closer than this, in %, share a rank. ``captures`` is the path pattern that
    tells facts. ``ambient`` in °C (of a round: under ``[[round]]``). ``brightness`` in cd/m2 and
    ``refresh_rate`` in Hz of the run. ``recorded``: a screen recording ran along.
    """

    format: Literal[1]
    scene: Words | None = None
    scene_version: Words | None = None
    rounds: Number | None = None
    smooth_floor: Positive = 45.0
    tie: Share = 5.0
    captures: Annotated[str, Field(min_length=3, max_length=300)] | None = None
    cooling: Words | None = None
    ambient: Celsius | None = None
    brightness: Positive | None = None
    refresh_rate: Positive | None = None
    power_supply: Literal["battery", "external"] | None = None
    recorded: bool | None = None
    graphics: Annotated[dict[FactText, str | bool | int | float], Field(max_length=100)] = {}
    battery_test: BatteryTest = BatteryTest()
    device: Annotated[dict[FactText, Device], Field(max_length=200)] = {}
    round: Annotated[tuple[Round, ...], Field(max_length=2000)] = ()
    not_run: Annotated[tuple[NotRun, ...], Field(max_length=2000)] = ()
    does_not_count: Annotated[tuple[DoesNotCount, ...], Field(max_length=2000)] = ()
    typed: Annotated[tuple[Typed, ...], Field(max_length=2000)] = ()


def load_session(path: Path) -> Session:
    """Load ``session.toml``. Raises FileFaultsError with all its faults."""
    return load(path, Session, RULES).value


# ---------------------------------------------------------------- the path pattern

# In a pattern it stands for what is left of the path; it is no fact.
_REST = "capture"
_WHOLE_NUMBERS = ("round", "attempt")
_MAX_NAME = 255  # the longest name of a file on common file systems; matching is quadratic in it


def match_pattern(pattern: str, capture_path: str) -> dict[str, str] | None:
    """The facts that a capture's path tells, or None if it does not match ``pattern``.

    A ``{name}`` takes one or more characters other than ``/``, as few as lead to a match;
    ``{round}`` and ``{attempt}`` take a whole number from 1, given without leading zeros. The
    whole path must match. ``{capture}`` is matched, but is no fact. Raises PatternError.
    """
    parts = _split(pattern)
    texts = capture_path.split("/")
    if len(parts) != len(texts) or any(len(text) > _MAX_NAME for text in texts):
        return None
    facts: dict[str, str] = {}
    for part, text in zip(parts, texts, strict=True):
        found = _match_part(part, text)
        if found is None:
            return None
        facts |= found
    facts.pop(_REST, None)
    return facts


@cache
def _split(pattern: str) -> tuple[Pattern, ...]:
    """The pattern, part by part of the path."""
    parts: list[list[str | Slot]] = [[]]
    for piece in parse_pattern(pattern):
        if isinstance(piece, Slot):
            parts[-1].append(piece)
            continue
        first, *others = piece.split("/")
        if first:
            parts[-1].append(first)
        parts.extend([other] if other else [] for other in others)
    return tuple(tuple(part) for part in parts)


def _match_part(pieces: Pattern, text: str) -> dict[str, str] | None:
    """Match one part of a path, in time of at most its length squared times its pieces."""
    hopeless: set[tuple[int, int]] = set()

    def rest(index: int, start: int) -> dict[str, str] | None:
        if index == len(pieces):
            return {} if start == len(text) else None
        if (index, start) in hopeless:
            return None
        piece = pieces[index]
        if isinstance(piece, str):
            found = rest(index + 1, start + len(piece)) if text.startswith(piece, start) else None
        else:
            found = None
            follows = pieces[index + 1] if index + 1 < len(pieces) else None
            ends = range(start + 1, len(text) + 1) if follows else (len(text),)
            for end in ends:
                if isinstance(follows, str) and not text.startswith(follows, end):
                    continue
                taken = _taken(piece.name, text[start:end])
                if taken and (after := rest(index + 1, end)) is not None:
                    found = {piece.name: taken} | after
                    break
        if found is None:
            hopeless.add((index, start))
        return found

    return rest(0, 0)


def _taken(name: str, text: str) -> str:
    if name not in _WHOLE_NUMBERS:
        return text
    return text.lstrip("0") if text.isascii() and text.isdigit() else ""


# ---------------------------------------------------------------- rules across keys


def _pattern(part: Session, whole: Session) -> Iterator[RuleFault]:
    if part.captures is None:
        return
    try:
        pieces = parse_pattern(part.captures)
    except PatternError as error:
        yield RuleFault(("captures",), f"a path with {{name}} of facts: {error}")
        return
    for piece in pieces:
        if isinstance(piece, Slot) and piece.name != _REST and piece.name in READINGS.names:
            yield RuleFault(("captures",), f"facts, and {piece.name} is a column of readings.csv")


def _known(part: Round | NotRun | DoesNotCount | Typed, whole: Session) -> Iterator[RuleFault]:
    """A device, variant or round that the rest of the file says does not exist is a slip."""
    device = whole.device.get(part.device) if part.device is not None else None
    if part.device is not None and whole.device and device is None:
        yield RuleFault(("device",), f"a device of this file: {', '.join(whole.device)}")
    if device is not None and device.variant and part.variant not in (None, *device.variant):
        yield RuleFault(("variant",), f"a variant of {part.device}: {', '.join(device.variant)}")
    if part.round is not None and whole.rounds is not None and part.round > whole.rounds:
        yield RuleFault(("round",), f"at most {whole.rounds}, the rounds planned")


def _span(part: Round, whole: Session) -> Iterator[RuleFault]:
    if part.from_s is not None and part.to_s is not None and part.from_s >= part.to_s:
        yield RuleFault(("to",), "a time after `from`")


def _round_twice(part: Session, whole: Session) -> Iterator[RuleFault]:
    seen = set()
    for index, entry in enumerate(part.round):
        which = (entry.round, entry.device, entry.variant, entry.attempt, entry.capture)
        if which in seen:
            yield RuleFault(("round", index), "one [[round]] each", "given twice")
        seen.add(which)


def _voltage(part: Battery, whole: Session) -> Iterator[RuleFault]:
    if part.nominal_voltage is not None and part.voltage_of is None:
        yield RuleFault(("voltage_of",), "cell or pack: whose voltage it is", "missing")


def _typed_unit(part: Typed, whole: Session) -> Iterator[RuleFault]:
    allowed = UNITS.get(part.quantity)
    if part.statistic == "share":
        allowed = ("%",)
    if allowed is not None and part.unit not in allowed:
        yield RuleFault(("unit",), f"{' or '.join(allowed)}, the units of {part.quantity}")


def _typed_sensor(part: Typed, whole: Session) -> Iterator[RuleFault]:
    if (part.quantity == "temperature") != (part.sensor is not None):
        met = None if part.sensor is not None else "missing"
        yield RuleFault(("sensor",), "a sensor for a temperature, and for nothing else", met)


def _typed_value(part: Typed, whole: Session) -> Iterator[RuleFault]:
    if (part.quantity == "render_size") != isinstance(part.value, tuple):
        yield RuleFault(("value",), "[width, height] for a render_size, else a number")


RULES: Rules = {
    Session: (_pattern, _round_twice),
    Battery: (_voltage,),
    Round: (_known, _span),
    NotRun: (_known,),
    DoesNotCount: (_known,),
    Typed: (_known, _typed_unit, _typed_sensor, _typed_value),
}
