"""The session file ``session.toml``: what a person knows of the runs and no capture shows.

Every key is optional but ``format``. Names of devices and variants are those that facts use.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from extractor.calibration.model import Quantity, Statistic, Unit

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
    when: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d)?(Z|[+-]\d\d:\d\d)?)?$")]
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
