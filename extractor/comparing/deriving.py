"""Rounds -> derived figures, each a mean over the attempts that count, ranked where devices are.

``u_display`` comes from the last shown digits alone; it does not shrink over attempts, since what
rounds one readout rounds it in every attempt alike. ``spread`` is the standard deviation over
attempts. They are two numbers and are never joined; what the sensor itself is off by is in neither.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from extractor.comparing import figures
from extractor.comparing.measured import Series
from extractor.comparing.rounds import LENGTHS, Round, Rounds
from extractor.session import Battery, Session

Subject = tuple[str, str]
OWN_SHARE = "the monitor's own"


@dataclass(frozen=True, slots=True)
class Derived:
    """One derived figure of a device and variant, of one round (0: of no single round).

    ``value`` is None where it cannot be computed; then ``text`` says why. ``inputs`` are the rounds
    and the names of the figures it was computed from, ``basis`` where those come from.
    """

    device: str
    variant: str
    round: int
    figure: str
    value: float | None
    unit: str
    u_display: float | None = None
    spread: float | None = None
    attempts: int = 0
    rank: int | None = None
    basis: str = ""
    text: str = ""
    inputs: tuple[tuple[Round, str], ...] = ()

    @property
    def subject(self) -> Subject:
        """Device and variant."""
        return self.device, self.variant


@dataclass(frozen=True, slots=True)
class FigureHelp:
    """A derived figure in words: ``title`` for plots and tables, ``formula`` for the report."""

    title: str
    unit: str
    formula: str
    best: Literal["lowest", "highest"] | None = None


HELP: dict[str, FigureHelp] = {
    "pixels_a_frame": FigureHelp("Render size", "px", "width × height"),
    "frame_rate": FigureHelp("Frame rate, mean", "fps", "as read", "highest"),
    "frame_rate_low_1_percent": FigureHelp("1 % low, as the monitor defines it", "fps", "as read"),
    "pixel_throughput": FigureHelp(
        "Pixel throughput", "Mpx/s", "render width × height × mean frame rate ÷ 10⁶", "highest"
    ),
    "share_at_floor": FigureHelp("Share at or above the floor", "%", "as read", "highest"),
    "battery_temperature": FigureHelp("Battery temperature, highest", "Cel", "as read"),
    "chip_temperature": FigureHelp("Chip temperature, highest", "Cel", "as read"),
    "skin_temperature": FigureHelp("Surface temperature, highest", "Cel", "as read"),
    "temperature_rise": FigureHelp(
        "Battery temperature over the room", "K", "highest battery temperature − ambient"
    ),
    "power": FigureHelp("Power, mean", "W", "as read", "lowest"),
    "energy_a_pixel": FigureHelp(
        "Energy a rendered pixel, first round", "nJ/px",
        "1000 × mean power ÷ pixel throughput", "lowest",
    ),
    "energy_a_frame": FigureHelp(
        "Energy a frame, first round", "mJ", "1000 × mean power ÷ mean frame rate", "lowest"
    ),
    "sustained_frame_rate": FigureHelp(
        "Frame rate left of round 1", "%", "100 × mean frame rate ÷ that of round 1", "highest"
    ),
    "sustained_power": FigureHelp(
        "Power left of round 1", "%", "100 × mean power ÷ that of round 1"
    ),
    "battery_energy": FigureHelp(
        "Battery, energy", "W.h", "as labelled, else charge × nominal voltage ÷ 1000"
    ),
    "drain_power": FigureHelp(
        "Battery drain", "W", "battery energy × (start − end level) ÷ 100 ÷ hours", "lowest"
    ),
    "drain_current": FigureHelp(
        "Battery drain", "mA.h/h", "charge × (start − end level) ÷ 100 ÷ hours"
    ),
    "hours_from_full": FigureHelp(
        "Full to empty, extrapolated", "h", "100 ÷ (start − end level) × hours"
    ),
    "energy_ratio": FigureHelp(
        "Energy by power over energy by level", "",
        "mean power × duration ÷ (drop of level × battery energy)",
    ),
}  # fmt: skip


def derive(rounds: Rounds, session: Session) -> list[Derived]:
    """Compute every figure of every device; ranks are among the first rounds."""
    found: list[Derived] = []
    for device, variant in rounds.subjects:
        maker = _Maker(rounds, session, device, variant)
        for number in range(1, rounds.last + 1):
            if rounds.of(device, variant, number):
                found += maker.of_round(number)
    for device in dict.fromkeys(
        each.key.device for each in rounds.all if each.state == "battery test"
    ):
        found += _battery(rounds, session, device)
    found += _balances(rounds, session)
    return _ranked(found, session.tie)


def label(device: str, variant: str) -> str:
    """How a device and variant are called together."""
    return f"{device} {variant}".strip()


# ---------------------------------------------------------------- rounds


class _Maker:
    def __init__(self, rounds: Rounds, session: Session, device: str, variant: str) -> None:
        self.rounds, self.session = rounds, session
        self.device, self.variant = device, variant

    def of_round(self, number: int) -> list[Derived]:
        attempts = self.rounds.of(self.device, self.variant, number)
        made = [
            self._made(
                attempts, number, "pixels_a_frame", _pixels, "render_width", "render_height"
            ),
            self._plain(attempts, number, "frame_rate", "frame_rate_mean"),
            self._plain(attempts, number, "frame_rate_low_1_percent", "frame_rate_low_1_percent"),
            self._throughput(attempts, number),
            self._share(attempts, number),
            *(
                self._plain(attempts, number, f"{sensor}_temperature",
                            f"{sensor}_temperature_highest")
                for sensor in ("battery", "chip", "skin")
            ),
            self._rise(attempts, number),
            self._plain(attempts, number, "power", "power_mean"),
        ]  # fmt: skip
        if number == 1:
            made += [self._energy_a_pixel(attempts), self._energy_a_frame(attempts)]
        else:
            made += [
                self._sustained(attempts, number, "sustained_frame_rate", "frame_rate_mean"),
                self._sustained(attempts, number, "sustained_power", "power_mean"),
            ]
        return [each for each in made if each is not None]

    def _made(
        self,
        attempts: Sequence[Round],
        number: int,
        figure: str,
        formula: Callable[..., Any],
        *names: str,
        others: Sequence[tuple[Round, str]] = (),
    ) -> Derived | None:
        """Compute a figure of every attempt that has all its inputs; None if none has any."""
        blank = Derived(self.device, self.variant, number, figure, None, HELP[figure].unit)
        known = [each for each in attempts if all(name in each.figures for name in names)]
        if not known:
            some = {name for each in attempts for name in names if name in each.figures}
            lacking = [name for name in names if name not in some]
            return replace(blank, text=f"{' and '.join(lacking)} not known") if some else None
        inputs = tuple((each, name) for each in known for name in names) + tuple(others)
        try:
            results = [formula(*(each.get(name) for name in names)) for each in known]
        except ValueError as error:
            return replace(blank, text=str(error), inputs=inputs)
        return replace(blank, **_joined(results), basis=_basis(inputs), inputs=inputs)

    def _plain(
        self, attempts: Sequence[Round], number: int, figure: str, name: str
    ) -> Derived | None:
        return self._made(attempts, number, figure, lambda value: value, name)

    def _throughput(self, attempts: Sequence[Round], number: int) -> Derived | None:
        frames = frames_counted(self.session, self.device, self.variant)
        made = self._made(
            attempts, number, "pixel_throughput",
            lambda w, h, rate: figures.pixel_throughput(_pixels(w, h), rate),
            "render_width", "render_height", "frame_rate_mean",
        )  # fmt: skip
        changing = [each for each in attempts if each.size_changes]
        if changing:
            return self._changing(changing, number)
        if made is None or made.value is None:
            return made
        if frames == "displayed":
            why = "not computed: the frame rate counts displayed frames, not rendered ones"
            return replace(made, value=None, u_display=None, spread=None, text=why)
        remarks = []
        if frames == "unknown":
            remarks.append("taken for rendered frames; session.toml does not say")
        if not all(each.size_confirmed for each in attempts):
            remarks.append("render size not confirmed by a second source")
        return replace(made, text="; ".join(remarks))

    def _changing(self, attempts: Sequence[Round], number: int) -> Derived:
        """Of a size that changes only from samples of size and rate at the same times."""
        blank = Derived(
            self.device, self.variant, number, "pixel_throughput", None, "Mpx/s",
            text="not computed: the render size changes and is not sampled along time",
        )  # fmt: skip
        lines = _size_lines(attempts[0])
        if lines is None:
            return blank
        widths, heights, rates = (dict(zip(x.times, x.values, strict=True)) for x in lines)
        times = sorted(widths.keys() & heights.keys() & rates.keys())
        if len(times) < 2:
            return blank
        value = figures.time_weighted_mean(
            times,
            [figures.pixel_throughput(_pixels(widths[t], heights[t]), rates[t]) for t in times],
            lines[2].longest,
        )
        return replace(
            blank, value=value, attempts=1, basis="recording",
            u_display=value * figures.u_display(lines[2].half) / max(1e-9, *rates.values()),
            text="from the render size along time",
        )  # fmt: skip

    def _share(self, attempts: Sequence[Round], number: int) -> Derived | None:
        made = self._plain(attempts, number, "share_at_floor", "share_at_floor")
        if made is None or made.value is None:
            return made
        amounts = [each.figures["share_at_floor"] for each in attempts
                   if "share_at_floor" in each.figures]  # fmt: skip
        bases = {share_basis(each.basis, each.remark) for each in amounts}
        text = ""
        if any(each.basis in ("recording", "trace") for each in amounts):
            low, high = min(each.low for each in amounts), max(each.high for each in amounts)
            text = f"rounding at the floor leaves {low:.1f} to {high:.1f} %"
        return replace(made, basis=" and ".join(sorted(bases)), text=text)

    def _rise(self, attempts: Sequence[Round], number: int) -> Derived | None:
        ambient = ambient_of(self.session, self.device, self.variant, number)
        if ambient is None:
            return None
        return self._made(
            attempts, number, "temperature_rise",
            lambda value: figures.temperature_rise(value, ambient), "battery_temperature_highest",
        )  # fmt: skip

    def _energy_a_pixel(self, attempts: Sequence[Round]) -> Derived | None:
        throughput = self._throughput(attempts, 1)
        if throughput is not None and throughput.value is None:
            return Derived(
                self.device, self.variant, 1, "energy_a_pixel", None, "nJ/px", text=throughput.text
            )
        made = self._made(
            attempts, 1, "energy_a_pixel",
            lambda power, w, h, rate: figures.energy_a_pixel(
                power, figures.pixel_throughput(_pixels(w, h), rate)
            ),
            "power_mean", "render_width", "render_height", "frame_rate_mean",
        )  # fmt: skip
        return (
            replace(made, text=throughput.text) if made and throughput and not made.text else made
        )

    def _energy_a_frame(self, attempts: Sequence[Round]) -> Derived | None:
        return self._made(
            attempts, 1, "energy_a_frame", figures.energy_a_frame, "power_mean", "frame_rate_mean"
        )

    def _sustained(
        self, attempts: Sequence[Round], number: int, figure: str, name: str
    ) -> Derived | None:
        firsts = [each for each in self.rounds.of(self.device, self.variant, 1)
                  if name in each.figures]  # fmt: skip
        if not firsts:
            return None
        first = sum((each.figures[name].uncertain for each in firsts), 0.0) / len(firsts)
        made = self._made(
            attempts, number, figure, lambda later: figures.sustained_share(later, first), name,
            others=[(each, name) for each in firsts],
        )  # fmt: skip
        if made is None or made.value is None:
            return made
        lengths = [each.figures["duration"].value for each in (*firsts, *attempts)
                   if "duration" in each.figures]  # fmt: skip
        if lengths and min(lengths) < (1 - LENGTHS) * max(lengths):
            made = replace(made, text="not the whole scene: the lengths differ")
        return made


def _pixels(width: Any, height: Any) -> float:
    """Sizes are whole numbers of pixels: nothing of them is uncertain."""
    plain = [float(getattr(each, "nominal_value", each)) for each in (width, height)]
    return figures.pixels_a_frame(*plain)


def _joined(results: Sequence[Any]) -> dict[str, Any]:
    """Mean, uncertainty and spread over attempts; see the module's text."""
    values = [float(getattr(each, "nominal_value", each)) for each in results]
    errors = [float(getattr(each, "std_dev", 0.0)) for each in results]
    return {
        "value": figures.mean(values),
        "u_display": figures.mean(errors),
        "spread": figures.spread(values),
        "attempts": len(values),
    }


def _basis(inputs: Iterable[tuple[Round, str]]) -> str:
    return ", ".join(sorted({each.figures[name].basis for each, name in inputs}))


def _size_lines(attempt: Round) -> tuple[Series, Series, Series] | None:
    def line(quantity: str, part: str) -> Series | None:
        return next(
            (x for x in attempt.series if (x.what.quantity, x.what.part) == (quantity, part)), None
        )

    lines = line("render_size", "width"), line("render_size", "height"), line("frame_rate", "")
    return None if None in lines else lines  # type: ignore[return-value]


def share_basis(basis: str, remark: str) -> str:
    """What a share at the floor is a share of: unlike ones are never drawn in one plot."""
    return OWN_SHARE if basis == "monitor" else f"{basis}, {remark}" if remark else basis


def frames_counted(session: Session, device: str, variant: str) -> str:
    """What the frame rate counts: rendered, displayed or unknown."""
    known = session.device.get(device)
    if known is None:
        return "unknown"
    switches = known.variant.get(variant)
    return (switches.frames if switches else None) or known.frames


def ambient_of(session: Session, device: str, variant: str, number: int) -> float | None:
    """The room's temperature of a round, °C: of the round itself, else of the whole session."""
    for entry in session.round:
        fits = entry.device in (None, device) and entry.variant in (None, variant)
        if entry.round == number and fits and entry.ambient is not None:
            return entry.ambient
    return session.ambient


# ---------------------------------------------------------------- batteries


def energy_of(battery: Battery) -> float | None:
    """The battery's energy, W·h: as labelled, else charge × nominal voltage; None if unknown."""
    if battery.energy is not None:
        return battery.energy
    if battery.charge is None or battery.nominal_voltage is None:
        return None
    return float(figures.battery_energy(battery.charge, battery.nominal_voltage))


def _battery(rounds: Rounds, session: Session, device: str) -> list[Derived]:
    tests = rounds.battery(device)
    known = session.device.get(device)
    battery = known.battery if known else Battery()
    energy = energy_of(battery)
    levels = ("level_start", "level_end", "duration")
    made = []

    def put(figure: str, formula: Callable[[Any, Any, Any], Any] | None, lacking: str) -> None:
        unit = HELP[figure].unit
        blank = Derived(device, "", 0, figure, None, unit)
        whole = [each for each in tests if all(name in each.figures for name in levels)]
        inputs = tuple((each, name) for each in whole for name in levels)
        if formula is None:
            made.append(replace(blank, text=f"not computed: {lacking}", inputs=inputs))
            return
        try:
            results = [formula(*(each.get(name) for name in levels)) for each in whole]
        except ValueError as error:
            made.append(replace(blank, text=str(error), inputs=inputs))
            return
        if results:
            text = "extrapolated" if figure == "hours_from_full" else ""
            made.append(
                replace(blank, **_joined(results), basis=_basis(inputs), text=text, inputs=inputs)
            )

    charge = battery.charge
    put(
        "drain_power",
        _drain(energy) if energy else None,
        f"[device.{device}] of session.toml states no battery energy, nor charge and voltage",
    )
    put(
        "drain_current",
        _drain(charge) if charge else None,
        f"[device.{device}] of session.toml states no battery charge",
    )
    put("hours_from_full", figures.hours_from_full, "")
    return made


def _drain(capacity: float) -> Callable[[Any, Any, Any], Any]:
    return lambda start, end, duration: figures.an_hour(
        figures.drained(capacity, start, end), duration
    )


def _balances(rounds: Rounds, session: Session) -> list[Derived]:
    """Energy by the shown power over energy by the level, of every run that shows both."""
    found = []
    for each in rounds.all:
        names = ("power_mean", "duration", "level_start", "level_end")
        known = session.device.get(each.key.device)
        energy = energy_of(known.battery) if known else None
        if each.state not in ("run", "battery test") or energy is None or not each.counts:
            continue
        if not all(name in each.figures for name in names):
            continue
        power, duration, start, end = (each.get(name) for name in names)
        blank = Derived(
            each.key.device, each.key.variant, each.key.round, "energy_ratio", None, "",
            attempts=1, inputs=tuple((each, name) for name in names),
        )  # fmt: skip
        try:
            ratio = figures.energy_ratio(
                figures.energy_used(power, duration), figures.drained(energy, start, end)
            )
        except ValueError as error:
            found.append(replace(blank, text=str(error)))
            continue
        found.append(
            replace(blank, value=float(ratio.nominal_value), u_display=float(ratio.std_dev),
                    basis=_basis(blank.inputs))
        )  # fmt: skip
    return found


# ---------------------------------------------------------------- ranks


def _ranked(found: Sequence[Derived], tie: float) -> list[Derived]:
    """Rank the first rounds, the battery tests, and each later round among its equals."""
    groups: dict[tuple[str, int], dict[str, float]] = {}
    for each in found:
        if HELP[each.figure].best and each.value is not None:
            group = groups.setdefault((each.figure, each.round), {})
            group[label(*each.subject)] = each.value
    ranks: Mapping[tuple[str, int], Mapping[str, int]] = {
        key: figures.ranks(values, tie, best=HELP[key[0]].best or "lowest")
        for key, values in groups.items()
        if len(values) > 1
    }
    return [
        replace(each, rank=ranks.get((each.figure, each.round), {}).get(label(*each.subject)))
        if each.value is not None
        else each
        for each in found
    ]
