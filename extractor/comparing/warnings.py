"""The warnings that an honest reviewer adds, each only where it applies."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from extractor.comparing import figures
from extractor.comparing.deriving import (
    Derived,
    Subject,
    ambient_of,
    energy_of,
    frames_counted,
    label,
)
from extractor.comparing.rounds import LENGTHS, Round, Rounds
from extractor.session import Session

# Conditions that differ by more than this share (of the lowest) are named; rooms by more than 2 K.
DIFFERS = 0.1
_ROOM = 2.0
# A cell gives a tenth more energy a percent when full than its nominal voltage says, and less
# when empty (common practice); the balance of a part of the level leaves room for that.
_VOLTAGE = 0.15
# A ratio within this share of 2 or 1/2 looks like one cell of two.
_NEAR = 0.15


@dataclass(frozen=True, slots=True)
class Warning:
    """One warning: its ``code``, the devices and variants it is about, and the sentence."""

    code: str
    about: tuple[Subject, ...]
    text: str


def warn(rounds: Rounds, derived: Sequence[Derived], session: Session) -> list[Warning]:
    """All warnings, those that change a ranking first."""
    checks: tuple[Callable[[Rounds, Sequence[Derived], Session], Iterable[Warning]], ...] = (
        _best_but_unplayable,
        _render_sizes,
        _ranked_oppositely,
        _energy_balance,
        _frames_displayed,
        _sizes_unconfirmed,
        _rooms,
        _brightness,
        _battery_levels,
        _lengths,
        _recorded,
        _single_chip,
        _share_bases,
    )
    return [warning for check in checks for warning in check(rounds, derived, session)]


def _first(derived: Sequence[Derived], figure: str) -> dict[Subject, Derived]:
    return {
        each.subject: each
        for each in derived
        if each.figure == figure and each.round == 1 and each.value is not None
    }


def _names(subjects: Iterable[Subject]) -> str:
    return ", ".join(label(*each) for each in subjects)


# ---------------------------------------------------------------- what turns a ranking


def _best_but_unplayable(
    rounds: Rounds, derived: Sequence[Derived], session: Session
) -> Iterable[Warning]:
    rates = _first(derived, "frame_rate")
    for figure in ("energy_a_pixel", "energy_a_frame"):
        for subject, each in _first(derived, figure).items():
            rate = rates.get(subject)
            if each.rank != 1 or rate is None or (rate.value or 0.0) >= session.smooth_floor:
                continue
            yield Warning(
                "best-but-unplayable",
                (subject,),
                f"{label(*subject)} has the best energy a {figure.split('_')[-1]} because it is "
                f"unplayable: {rate.value:.1f} fps, below the floor of "
                f"{session.smooth_floor:g} fps. A slow device is thrifty by doing little.",
            )
            return  # one warning says it for both


def _render_sizes(
    rounds: Rounds, derived: Sequence[Derived], session: Session
) -> Iterable[Warning]:
    sizes: dict[tuple[float, float], list[Subject]] = defaultdict(list)
    for device, variant in rounds.subjects:
        for each in rounds.of(device, variant, 1)[:1]:
            if {"render_width", "render_height"} <= each.figures.keys():
                size = each.figures["render_width"].value, each.figures["render_height"].value
                sizes[size].append((device, variant))
    if len(sizes) > 1:
        usual = max(sizes.values(), key=len)
        told = "; ".join(
            f"{w:.0f} × {h:.0f}: {_names(them)}" for (w, h), them in sorted(sizes.items())
        )
        odd = tuple(each for them in sizes.values() if them is not usual for each in them)
        yield Warning(
            "render-sizes-differ", odd,
            f"The render sizes differ ({told}): frame rates and energy a frame are not of the "
            "same work. Compare energy a pixel and pixel throughput.",
        )  # fmt: skip
    changing = tuple(
        dict.fromkeys(
            (each.key.device, each.key.variant) for each in rounds.all if each.size_changes
        )
    )
    if changing:
        yield Warning(
            "render-size-changes", changing,
            f"{_names(changing)}: the render size is not the same on all captures of a round; no "
            "pixel throughput without samples along time.",
        )  # fmt: skip


def _ranked_oppositely(
    rounds: Rounds, derived: Sequence[Derived], session: Session
) -> Iterable[Warning]:
    pixel, frame = (
        {label(*subject): each.value or 0.0 for subject, each in _first(derived, figure).items()}
        for figure in ("energy_a_pixel", "energy_a_frame")
    )
    subjects = {label(*subject): subject for subject in _first(derived, "energy_a_pixel")}
    pairs = figures.ranked_oppositely(pixel, frame, session.tie)
    if pairs:
        told = "; ".join(f"{a} before {b} a pixel, behind it a frame" for a, b in pairs)
        about = dict.fromkeys(subjects[name] for pair in pairs for name in pair)
        yield Warning(
            "ranked-oppositely", tuple(about),
            f"Energy a pixel and energy a frame rank these oppositely: {told}.",
        )  # fmt: skip


# ---------------------------------------------------------------- what may be wrong


def _energy_balance(
    rounds: Rounds, derived: Sequence[Derived], session: Session
) -> Iterable[Warning]:
    off: dict[str, list[tuple[float, Derived]]] = defaultdict(list)
    for each in derived:
        if each.figure != "energy_ratio" or (session.power_supply == "external" and each.round):
            continue
        attempt = each.inputs[0][0]
        energy = energy_of(session.device[each.device].battery)
        bounds = _ratio_bounds(attempt, energy or 0.0)
        if bounds is None:
            yield Warning(
                "level-not-falling", (each.subject,),
                f"{attempt.key}: the level does not fall though power was drawn: was it on "
                "external power?",
            )  # fmt: skip
        elif not bounds[0] <= 1 <= bounds[1] and each.value is not None:
            off[each.device].append((each.u_display or 0.0, each))
    for device, found in off.items():
        _, best = min(found, key=lambda pair: pair[0] / (pair[1].value or 1.0))
        ratio = best.value or 0.0
        hint = ""
        if abs(ratio / 0.5 - 1) <= _NEAR or abs(ratio / 2 - 1) <= _NEAR:
            hint = (
                " Near a half or two: does the monitor see one cell of two, or is the nominal "
                f"voltage that of the other? If so, set power_factor under [device.{device}]."
            )
        points = _points(best, energy_of(session.device[device].battery) or 0.0)
        subjects = tuple(dict.fromkeys(each.subject for _, each in found if each.round))
        yield Warning(
            "energy-balance", subjects or (best.subject,),
            f"{device}: the shown power accounts for {ratio:.2f} of the energy by which the level "
            f"fell ({best.inputs[0][0].key}: {points}), beyond what rounding and the cell's "
            f"voltage explain.{hint} Its power, energy and rank are doubtful.",
        )  # fmt: skip


def _points(each: Derived, energy: float) -> str:
    """How far the level fell, and how far the shown power would have brought it."""
    shown = each.inputs[0][0].figures
    fell = shown["level_start"].value - shown["level_end"].value
    used = figures.energy_used(shown["power_mean"].value, shown["duration"].value)
    return f"{figures.share_of_capacity(used, energy):.1f} points by power, {fell:g} shown"


def _ratio_bounds(attempt: Round, energy: float) -> tuple[float, float] | None:
    """The least and greatest ratio that the shown digits leave; None if the level cannot fall."""
    start, end = attempt.figures["level_start"], attempt.figures["level_end"]
    used = figures.energy_used(
        attempt.figures["power_mean"].value, attempt.figures["duration"].value
    )
    most = start.high - end.low
    least = max(0.0, start.low - end.high)
    if most <= 0 or (start.value <= end.value and used > 2 * most * energy / 100):
        return None
    low = used / (most * energy / 100 * (1 + _VOLTAGE))
    high = used / (least * energy / 100 * (1 - _VOLTAGE)) if least else float("inf")
    return low, high


def _frames_displayed(
    rounds: Rounds, derived: Sequence[Derived], session: Session
) -> Iterable[Warning]:
    counted = {each: frames_counted(session, *each) for each in rounds.subjects}
    for kind, text in (
        ("displayed", "the frame rate counts displayed frames, which may be interpolated; nothing "
         "is computed a rendered pixel"),
        ("unknown", "nobody has said whether the frame rate counts rendered or displayed frames; "
         "displayed ones taken for rendered make throughput and energy look better. State "
         "`frames` in session.toml"),
    ):  # fmt: skip
        about = tuple(each for each, frames in counted.items() if frames == kind)
        if about:
            yield Warning(f"frames-{kind}", about, f"{_names(about)}: {text}.")


def _sizes_unconfirmed(
    rounds: Rounds, derived: Sequence[Derived], session: Session
) -> Iterable[Warning]:
    about = tuple(
        subject
        for subject, each in _first(derived, "pixel_throughput").items()
        if "not confirmed" in each.text
    )
    if about:
        yield Warning(
            "size-unconfirmed", about,
            f"{_names(about)}: no second source confirms the render size (a monitor may show what "
            "was asked for, not what is drawn). Type one under [[typed]] in session.toml.",
        )  # fmt: skip


# ---------------------------------------------------------------- conditions


def _differing(
    code: str, what: str, unit: str, values: Mapping[Subject, float], least: float
) -> Iterable[Warning]:
    """Name those that stand apart from the value most have."""
    if not values or max(values.values()) - min(values.values()) <= least:
        return
    counts: dict[float, list[Subject]] = defaultdict(list)
    for subject, value in values.items():
        counts[value].append(subject)
    usual = max(counts, key=lambda value: (len(counts[value]), -value))
    odd = {s: v for s, v in values.items() if abs(v - usual) > least}
    told = ", ".join(f"{label(*s)} {v:g} {unit}" for s, v in odd.items())
    yield Warning(code, tuple(odd), f"{what} differs: {told}, the others {usual:g} {unit}.")


def _rooms(rounds: Rounds, derived: Sequence[Derived], session: Session) -> Iterable[Warning]:
    rooms = {
        (device, variant): ambient
        for device, variant in rounds.subjects
        if (ambient := ambient_of(session, device, variant, 1)) is not None
    }
    return _differing("rooms-differ", "The room's temperature", "°C", rooms, _ROOM)


def _brightness(rounds: Rounds, derived: Sequence[Derived], session: Session) -> Iterable[Warning]:
    for state, what in (("battery test", "The brightness of the battery test"),
                        ("run", "The brightness of the run")):  # fmt: skip
        values = {
            (each.key.device, each.key.variant): each.figures["brightness"].value
            for each in rounds.all
            if each.state == state and each.counts and "brightness" in each.figures
        }
        if values:
            least = DIFFERS * min(values.values())
            yield from _differing("brightness-differs", what, "cd/m²", values, least)


def _battery_levels(
    rounds: Rounds, derived: Sequence[Derived], session: Session
) -> Iterable[Warning]:
    for name, what in (("level_start", "start"), ("level_end", "end")):
        values = {
            (each.key.device, each.key.variant): each.figures[name].value
            for each in rounds.all
            if each.state == "battery test" and each.counts and name in each.figures
        }
        yield from _differing(
            "battery-levels-differ", f"The level at the {what} of the battery test", "%", values,
            100 * DIFFERS,
        )  # fmt: skip


def _lengths(rounds: Rounds, derived: Sequence[Derived], session: Session) -> Iterable[Warning]:
    runs = [
        each
        for each in rounds.all
        if each.state == "run" and each.counts and "duration" in each.figures
    ]
    if not runs:
        return
    lengths = sorted(each.figures["duration"].value for each in runs)
    usual = lengths[len(lengths) // 2]
    odd = [each for each in runs if abs(each.figures["duration"].value / usual - 1) > LENGTHS]
    if odd:
        told = "; ".join(f"{each.key}: {each.figures['duration'].value:g} s" for each in odd)
        yield Warning(
            "lengths-differ", tuple(dict.fromkeys((e.key.device, e.key.variant) for e in odd)),
            f"The lengths of rounds differ ({told}; usual {usual:g} s): their means are of "
            "another part of the scene.",
        )  # fmt: skip


def _recorded(rounds: Rounds, derived: Sequence[Derived], session: Session) -> Iterable[Warning]:
    runs = [each for each in rounds.all if each.state == "run" and each.counts]
    recorded = [each for each in runs if each.recorded]
    if recorded and len(recorded) < len(runs) and not session.recorded:
        told = "; ".join(str(each.key) for each in recorded)
        yield Warning(
            "recorded-beside-unrecorded",
            tuple(dict.fromkeys((each.key.device, each.key.variant) for each in recorded)),
            f"Recorded while it ran, others not: {told}. Recording costs power and frames.",
        )


def _single_chip(rounds: Rounds, derived: Sequence[Derived], session: Session) -> Iterable[Warning]:
    chips: dict[str, set[str]] = defaultdict(set)
    for device, _ in rounds.subjects:
        known = session.device.get(device)
        if known and known.chip:
            chips[known.chip].add(device)
    single = {chip: next(iter(them)) for chip, them in sorted(chips.items()) if len(them) == 1}
    if len(chips) > 1 and single:
        told = ", ".join(f"{chip} ({device})" for chip, device in single.items())
        about = tuple(s for s in rounds.subjects if s[0] in single.values())
        yield Warning(
            "single-of-its-chip", about,
            f"One device alone stands for its chip: {told}. What it shows is of this device, its "
            "cooling and its screen, not of the chip.",
        )  # fmt: skip


def _share_bases(rounds: Rounds, derived: Sequence[Derived], session: Session) -> Iterable[Warning]:
    bases: dict[str, list[Subject]] = defaultdict(list)
    for subject, each in _first(derived, "share_at_floor").items():
        bases[each.basis].append(subject)
    if len(bases) > 1:
        told = "; ".join(f"{basis}: {_names(them)}" for basis, them in bases.items())
        usual = max(bases.values(), key=len)
        yield Warning(
            "share-bases-differ",
            tuple(each for them in bases.values() if them is not usual for each in them),
            f"The share at or above the floor is not counted alike ({told}); unlike ones are not "
            "drawn in one plot.",
        )
