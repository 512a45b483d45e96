"""The trade's figures: pure, one formula a function, each with its unit and source.

Every function takes and gives floats, or correlated uncertain numbers of the package
``uncertainties`` where its arguments are such. Powers are W, rates fps, durations s, charges
mA·h, energies W·h, levels and shares % (0 to 100), temperatures °C. A zero or negative divisor
raises ValueError that names it: a figure that cannot be computed is never 0 or infinite.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    import pint

Number: TypeAlias = Any  # float, or an uncertain number, which has no types of its own


def _positive(what: str, value: Number) -> Number:
    nominal: Any = getattr(value, "nominal_value", value)
    if not nominal > 0:
        raise ValueError(f"{what} is {value:g}; it must be more than 0")
    return value


# ---------------------------------------------------------------- pixels, frames, energy


def frame_time(frame_rate: Number) -> Number:
    """Time of one frame, ms = 1000 / fps (arithmetic: a rate and its period)."""
    return 1000.0 / _positive("the frame rate", frame_rate)


def pixels_a_frame(width: float, height: float) -> float:
    """Pixels of a rendered frame, px = width × height (arithmetic)."""
    return float(_positive("the render width", width) * _positive("the render height", height))


def pixel_throughput(pixels: Number, frame_rate: Number) -> Number:
    """Rendered pixels a second, Mpx/s = px a frame × fps / 10⁶ (common practice).

    The rate must count rendered frames: a displayed frame may be interpolated.
    """
    return pixels * frame_rate / 1e6


def energy_a_pixel(power: Number, throughput: Number) -> Number:
    """Device energy a rendered pixel, nJ/px = 1000 × W ÷ (Mpx/s) (common practice)."""
    return 1000.0 * power / _positive("the pixel throughput", throughput)


def energy_a_frame(power: Number, frame_rate: Number) -> Number:
    """Device energy a frame, mJ = 1000 × W ÷ fps (common practice)."""
    return 1000.0 * power / _positive("the frame rate", frame_rate)


def electric_power(current: Number, voltage: Number) -> Number:
    """Electric power, W = |mA| × V / 1000 (P = U I; the sign of a current is a convention)."""
    return abs(current) * voltage / 1000.0


def temperature_rise(temperature: Number, ambient: Number) -> Number:
    """Rise over the room, K = °C − °C ambient (arithmetic)."""
    return temperature - ambient


def sustained_share(later: Number, first: Number) -> Number:
    """Share of round 1 that is left in round k, % = 100 × mean in k ÷ mean in 1 (common practice).

    Both are means over the whole scene, of the same quantity and variant.
    """
    return 100.0 * later / _positive("the mean of round 1", first)


def change_in_points(later: Number, first: Number) -> Number:
    """Change of a share in percentage points = % − % (a percentage of a percentage misleads)."""
    return later - first


# ---------------------------------------------------------------- battery


def battery_energy(charge: Number, voltage: Number) -> Number:
    """Energy of a battery, W·h = mA·h × V / 1000 at its nominal voltage (common practice)."""
    return charge * voltage / 1000.0


def drained(capacity: Number, start_level: Number, end_level: Number) -> Number:
    """Part of a capacity that was drawn = capacity × (start − end) / 100, in its own unit."""
    return capacity * (start_level - end_level) / 100.0


def an_hour(amount: Number, duration: Number) -> Number:
    """An amount an hour = amount ÷ (s / 3600): mA·h/h, which is mA, or W·h/h, which is W."""
    return amount / (_positive("the duration", duration) / 3600.0)


def hours_from_full(start_level: Number, end_level: Number, duration: Number) -> Number:
    """Hours from full to empty at the same rate, h = 100 ÷ (start − end) × hours: extrapolated."""
    return 100.0 / _positive("the drop of the level", start_level - end_level) * duration / 3600.0


def energy_used(power: Number, duration: Number) -> Number:
    """Energy drawn, W·h = W × s / 3600 (arithmetic)."""
    return power * duration / 3600.0


def share_of_capacity(energy: Number, capacity: Number) -> Number:
    """What an energy takes off the level, % = 100 × W·h ÷ W·h of the battery (arithmetic)."""
    return 100.0 * energy / _positive("the battery's energy", capacity)


def energy_ratio(shown: Number, by_level: Number) -> Number:
    """Energy by the shown power over energy by the level: 1 where both tell the same."""
    return shown / _positive("the energy by the level", by_level)


# ---------------------------------------------------------------- along time


def time_weighted_mean(
    times: Sequence[float], values: Sequence[float], longest: float = math.inf
) -> float:
    """Mean of samples, each weighted by the time until the next, s (a step function's integral).

    The last one counts as long as the one before. A stretch longer than ``longest`` (the overlay
    was hidden) counts as ``longest``.
    """
    weights = _weights(times, longest)
    return math.fsum(w * v for w, v in zip(weights, values, strict=True)) / math.fsum(weights)


def share_at_floor(
    times: Sequence[float],
    values: Sequence[float],
    floor: float,
    half_width: float = 0.0,
    longest: float = math.inf,
) -> tuple[float, float, float]:
    """Time share of samples at or above the floor, %: (least, as shown, most).

    A sample whose last digit leaves open on which side it lies counts in the most alone
    (common practice is the middle value alone; the range is what rounding allows).
    """
    weights = _weights(times, longest)
    whole = math.fsum(weights)

    def share(bound: float) -> float:
        above = (w for w, v in zip(weights, values, strict=True) if v >= bound - 1e-9)
        return 100.0 * math.fsum(above) / whole

    return share(floor + half_width), share(floor), share(floor - half_width)


def _weights(times: Sequence[float], longest: float) -> list[float]:
    if not times:
        raise ValueError("there are no samples")
    steps = [later - earlier for earlier, later in pairwise(times)]
    if any(step <= 0 for step in steps):
        raise ValueError("the times of the samples must grow")
    steps.append(steps[-1] if steps else 1.0)
    return [min(step, longest) for step in steps]


# ---------------------------------------------------------------- uncertainty, ranks


def u_display(half_width: float) -> float:
    """Standard uncertainty of a shown figure = half width ÷ √3, in its unit.

    Source: JCGM 100:2008, 4.3.7, rectangular distribution between the bounds that the last shown
    digit leaves.
    """
    return half_width / math.sqrt(3.0)


def mean(values: Iterable[float]) -> float:
    """Arithmetic mean, computed exactly before it is rounded once."""
    return float(statistics.mean(values))


def spread(values: Sequence[float]) -> float | None:
    """Standard deviation over attempts, n − 1 (JCGM 100:2008, 4.2.2); None for fewer than two."""
    return float(statistics.stdev(values)) if len(values) > 1 else None


def ranks(values: Mapping[str, float], tie: float, *, best: str = "lowest") -> dict[str, int]:
    """Rank names by value, 1 is best; neighbours closer than ``tie`` % share a rank.

    A chain of close neighbours shares one rank too: no difference below ``tie`` is ever told as
    a difference. After a shared rank the next is counted on as in sports (1, 2, 2, 4).
    ``best``: ``lowest`` or ``highest``.
    """
    ordered = sorted(values, key=lambda name: (values[name], name), reverse=best == "highest")
    given: dict[str, int] = {}
    for place, name in enumerate(ordered):
        before = ordered[place - 1] if place else None
        tied = before is not None and is_tie(values[before], values[name], tie)
        given[name] = given[before] if tied and before is not None else place + 1
    return given


def is_tie(one: float, other: float, tie: float) -> bool:
    """Whether two values are closer than ``tie`` % of the greater one."""
    return abs(one - other) < tie / 100.0 * max(abs(one), abs(other)) or one == other


def ranked_oppositely(
    one: Mapping[str, float], other: Mapping[str, float], tie: float
) -> list[tuple[str, str]]:
    """Pairs (a, b): a is lower in ``one`` and higher in ``other``, beyond ``tie`` in both."""
    names = [name for name in one if name in other]
    return [
        (a, b)
        for a in names
        for b in names
        if one[a] < one[b]
        and other[a] > other[b]
        and not is_tie(one[a], one[b], tie)
        and not is_tie(other[a], other[b], tie)
    ]


# ---------------------------------------------------------------- units

_PINT = {
    "Cel": "degC",
    "[degF]": "degF",
    "mA.h": "mA*hour",
    "W.h": "W*hour",
    "MiBy": "MiB",
    "GiBy": "GiB",
    "cd/m2": "cd/m**2",
    "%": "percent",
}
_BASE = {
    "mW": "W",
    "A": "mA",
    "mV": "V",
    "[degF]": "Cel",
    "GHz": "MHz",
    "GiBy": "MiBy",
}


def base_unit(unit: str) -> str:
    """The unit in which a quantity is compared: W, mA, V, Cel, MHz, MiBy; others stay."""
    return _BASE.get(unit, unit)


def to_base(value: float, unit: str, *, difference: bool = False) -> float:
    """Convert to ``base_unit(unit)`` by ``pint``; ``difference``: a width, not a temperature."""
    base = base_unit(unit)
    if base == unit:
        return value
    registry = _registry()
    old, new = _PINT.get(unit, unit), _PINT.get(base, base)
    if difference and base == "Cel":
        old, new = f"delta_{old}", f"delta_{new}"
    return float(registry.Quantity(value, old).to(new).magnitude)


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint  # slow to import, and rarely needed

    return pint.UnitRegistry()
