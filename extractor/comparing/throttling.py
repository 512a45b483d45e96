"""The verdict on each round, with its evidence: did the device slow down, and was it heat?

A fall of the frame rate alone says little: the scene may have been heavier, a limiter may have
come in. So *throttled* needs rate and power (or clock) down, in the same scene, at no lower
temperature. Where the fall began is told only from what is free of the scene's content: a clock
under load, or two rounds divided place by place. Times count from the start of round 1, pauses
included.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from extractor.comparing.changes import LEAST_FALL, Fall, Floats, How, find_falls, without_spikes
from extractor.comparing.deriving import share_basis
from extractor.comparing.figures import change_in_points, u_display
from extractor.comparing.measured import Measure, Series
from extractor.comparing.rounds import LENGTHS, Round, Rounds
from extractor.session import Session

Kind = Literal[
    "throttled",
    "slower",
    "held on less power",
    "slow from the start",
    "at its cap",
    "held",
    "not run",
    "missing",
    "cannot be told",
]

WORDS: dict[Kind, str] = {
    "throttled": "throttled",
    "slower": "slower, cause not shown",
    "held on less power": "held on less power",
    "slow from the start": "limited or slow from the start, cause not shown",
    "at its cap": "at its cap: read power and temperature",
    "held": "held",
    "not run": "not run",
    "missing": "missing",
    "cannot be told": "cannot be told: the frame rate is missing",
}

# A mean within this share of the cap, and a sample within it, count as at the cap.
AT_CAP = 0.985
# A clock is looked at while the load is at least this, %: below it a clock idles.
_BUSY = 90.0
# A temperature this much lower, K, is lower: sensors lag and show whole degrees or tenths.
_COOLER = 1.0
_FEW = 5
# An onset whose bounds lie further apart, s, is given by its bounds alone.
_SHARP = 60.0
# A chart has a sample a column of pixels, but was drawn through fewer: it is thinned to so many.
_COLUMNS = 120
_BESIDE = 30.0
_MEDIA = {"trace": "chart", "recording": "recording"}


# Caps and refresh rates in use (common practice), fps.
_USUAL_CAPS = (165, 144, 120, 90, 72, 60, 50, 48, 45, 40, 30)
# A plateau holds this share of a round's samples, and at most that share lies above it.
_PLATEAU = 0.2
_ABOVE = 0.02
_MANY = 40
# A clock that is mostly this share lower from then on (a pause cools) did not just idle.
_SHOWN = 0.01
# Windows of a capped rate that a monitor counts lie up to this much above it.
_HIGHEST = 1.03


@dataclass(frozen=True, slots=True)
class Cap:
    """A cap on the frame rate, fps. ``seen`` says what shows it, '' where it is stated."""

    fps: float
    seen: str = ""

    @property
    def words(self) -> str:
        """The cap, and that nobody stated it if so."""
        return f"cap {self.fps:g} fps" + (f" (not stated: {self.seen})" if self.seen else "")


@dataclass(frozen=True, slots=True)
class Sign:
    """A lower clock at an unchanged frame rate, between two captures, s from the start of round 1.

    A usual sign of throttling (common practice), no proof: a clock also falls with less to do.
    """

    from_s: float
    to_s: float
    words: str


@dataclass(frozen=True, slots=True)
class Onset:
    """When a fall began, s from the start of round 1, with the bounds it lies between.

    ``sign`` is what single captures show of it meanwhile, where the cap hides the fall.
    """

    at_s: float
    from_s: float
    to_s: float
    how: How | None
    left: float
    shown_by: str
    sign: Sign | None = None

    @property
    def is_sharp(self) -> bool:
        """Whether it is known well enough to be given as one time."""
        return self.to_s - self.from_s <= _SHARP

    @property
    def words(self) -> str:
        """When it began, in words: one time, or two where it lies anywhere between them."""
        if self.is_sharp:
            return f"from {clock(self.at_s)} on"
        told = f"begun between {clock(self.from_s)} and {clock(self.to_s)}"
        return told + (f", its clock lower by {clock(self.sign.to_s)}" if self.sign else "")


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict on one round. ``how`` is None where nothing along time shows it.

    ``outcome`` says in words how the round ended where that is not by its plan.
    """

    device: str
    variant: str
    round: int
    kind: Kind
    how: How | None = None
    onset: Onset | None = None
    outcome: str = ""
    evidence: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The verdict as a sentence without its evidence."""
        if self.kind in ("not run", "missing"):
            return f"{WORDS[self.kind]}: {self.outcome}"
        parts = [self.outcome] if self.outcome else []
        how = {"gradual": ", little by little", "stepped": ", in steps", None: ""}[self.how]
        parts.append(WORDS[self.kind] + how)
        if self.onset:
            parts.append(self.onset.words)
        return "; ".join(parts)


def judge(rounds: Rounds, session: Session) -> list[Verdict]:
    """Judge every round of every device and variant, in their order."""
    found: list[Verdict] = []
    for device, variant in rounds.subjects:
        found += _Subject(rounds, session, device, variant).verdicts()
    for each in rounds.all:
        key = each.key
        if each.state in ("not run", "missing"):
            kind: Kind = "not run" if each.state == "not run" else "missing"
            found.append(Verdict(key.device, key.variant, key.round, kind, outcome=each.why))
    order = {subject: place for place, subject in enumerate(rounds.subjects)}
    return sorted(
        found,
        key=lambda each: (
            order.get((each.device, each.variant), len(order)), each.device, each.variant,
            each.round,
        ),
    )  # fmt: skip


def clock(seconds: float) -> str:
    """Seconds as m:ss."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02}"


def frame_cap(rounds: Rounds, session: Session, device: str, variant: str) -> Cap | None:
    """The cap on the frame rate: stated for the variant, else for the device, else as seen."""
    known = session.device.get(device)
    switches = known.variant.get(variant) if known else None
    stated = (switches.frame_cap if switches else None) or (known.frame_cap if known else None)
    if stated:
        return Cap(stated)
    runs = [
        each
        for each in rounds.all
        if each.state == "run" and (each.key.device, each.key.variant) == (device, variant)
    ]
    return _seen_cap(runs)


def _seen_cap(runs: Sequence[Round]) -> Cap | None:
    """A cap that nobody stated: a usual rate at which the frame rate stands, and never above.

    Told from charts and recordings, else from a summary whose mean and highest both lie there.
    """
    rates = [
        np.asarray(line.values) for line in _lines(runs, "frame_rate") if len(line.values) >= _MANY
    ]
    for fps in _USUAL_CAPS:
        low, high = AT_CAP * fps, _HIGHEST * fps
        shares = [
            float(np.mean((values >= low) & (values <= high)))
            for values in rates
            if np.sum(values > high) <= max(1, _ABOVE * len(values))
        ]
        if shares and len(shares) == len(rates) and max(shares) >= _PLATEAU:
            return Cap(fps, f"its frame rate stands there {100 * max(shares):.0f} % of a round")
        for each in () if rates else runs:
            mean = each.figures.get("frame_rate_mean")
            top = each.figures.get("frame_rate_highest")
            if mean and top and mean.value >= low and fps <= top.value <= high:
                return Cap(fps, f"its frame rate is {mean.value:g} fps in the mean, at most "
                                f"{top.value:g} fps")  # fmt: skip
    return None


# ---------------------------------------------------------------- one device and variant


class _Subject:
    """All counted rounds of one device and variant."""

    def __init__(self, rounds: Rounds, session: Session, device: str, variant: str) -> None:
        self.session, self.device, self.variant = session, device, variant
        cap = frame_cap(rounds, session, device, variant)
        self.cap = cap.fps if cap else None
        self.cap_words = cap.words if cap else ""
        numbers = sorted(
            {
                each.key.round
                for each in rounds.all
                if (each.key.device, each.key.variant, each.state) == (device, variant, "run")
            }
        )
        attempts = {number: rounds.of(device, variant, number) for number in numbers}
        self.rounds = {number: them for number, them in attempts.items() if them}
        self.others = [
            (name, other) for name, other in rounds.subjects if name == device and other != variant
        ]
        self.all = rounds
        self.onset = self._onset()

    def verdicts(self) -> list[Verdict]:
        return [self._verdict(number) for number in self.rounds]

    def mean(self, number: int, name: str) -> float | None:
        """Mean over the attempts at a round."""
        values = [each.figures[name].value for each in self.rounds[number] if name in each.figures]
        return statistics.fmean(values) if values else None

    # ------------------------------------------------------------ the verdict

    def _verdict(self, number: int) -> Verdict:
        rate = self.mean(number, "frame_rate_mean")
        outcome = self._outcome(number)
        if rate is None:
            return self._made(number, "cannot be told", outcome, [])
        first = self.mean(1, "frame_rate_mean") if 1 in self.rounds else None
        if number == 1 or first is None:
            return self._first(number, rate, outcome)
        evidence: list[str] = []
        slower = self._is_down(number, "frame_rate_mean", "fps", "frame rate", evidence)
        slower = self._is_slower_in_places(number, evidence) or slower
        less_power = self._is_down(number, "power_mean", "W", "power", evidence)
        lower_clock = self._is_down(number, "clock_mean", "MHz", "clock", evidence)
        evidence += self._share(number)
        cooler = self._is_cooler(number, evidence)
        if slower and (less_power or lower_clock) and cooler is False:
            kind: Kind = "throttled"
        elif slower:
            kind = "slower"
            if less_power and cooler is None:
                evidence.append("no temperature of both rounds is shown")
        elif self.cap and rate >= AT_CAP * self.cap:
            kind = "held on less power" if less_power else "at its cap"
            evidence.append(self.cap_words)
        elif less_power:
            kind = "held on less power"
        else:
            kind = "slow from the start" if rate < self.session.smooth_floor else "held"
        return self._made(number, kind, outcome, evidence)

    def _first(self, number: int, rate: float, outcome: str) -> Verdict:
        evidence: list[str] = []
        onset = self.onset
        if onset and number == 1 and self._later_throttled():
            return self._made(number, "throttled", outcome, evidence)
        if self.cap and rate >= AT_CAP * self.cap:
            evidence.append(f"frame rate {rate:.1f} fps, {self.cap_words}")
            return self._made(number, "at its cap", outcome, evidence)
        if rate < self.session.smooth_floor:
            evidence.append(f"frame rate {rate:.1f} fps, floor {self.session.smooth_floor:g} fps")
            evidence += self._lifted(rate)
            return self._made(number, "slow from the start", outcome, evidence)
        if len(self.rounds) == 1:
            evidence.append("one round alone: whether it holds is not shown")
        return self._made(number, "held", outcome, evidence)

    def _later_throttled(self) -> bool:
        """Whether a later round bears out that round 1 fell: by its power, clock or temperature."""
        if self.onset and self.onset.shown_by.startswith("clock"):
            return True
        return any(
            self._verdict(number).kind == "throttled" for number in self.rounds if number > 1
        )

    def _lifted(self, rate: float) -> list[str]:
        """Variants of the same device that are faster: then the cause is the variant's switch."""
        told = []
        for _, other in self.others:
            means = [
                each.figures["frame_rate_mean"].value
                for each in self.all.of(self.device, other, 1)
                if "frame_rate_mean" in each.figures
            ]
            if means and statistics.fmean(means) > rate * (1 + LEAST_FALL):
                told.append(f"{other} lifts it to {statistics.fmean(means):.1f} fps")
        return told

    def _made(self, number: int, kind: Kind, outcome: str, evidence: list[str]) -> Verdict:
        onset = self.onset if kind == "throttled" else None
        if onset:
            left = f"{100 * (1 - onset.left):.0f} % lower at the same places of the scene"
            if onset.shown_by.startswith("clock"):
                left = f"{100 * (1 - onset.left):.0f} % lower"
            evidence.append(
                f"{onset.shown_by}: falls between {clock(onset.from_s)} and {clock(onset.to_s)}, "
                + left
            )
            if onset.sign and number == min(self.rounds):
                evidence.append(onset.sign.words)
        return Verdict(
            self.device, self.variant, number, kind, onset.how if onset else None, onset, outcome,
            tuple(evidence),
        )  # fmt: skip

    def _outcome(self, number: int) -> str:
        early = [each for each in self.rounds[number] if each.ended_early]
        if not early or len(early) < len(self.rounds[number]):
            return ""
        length = early[0].figures["duration"].value
        return f"ended early, after {clock(length)}" + (f": {early[0].why}" if early[0].why else "")

    # ------------------------------------------------------------ evidence between rounds

    def _is_down(
        self, number: int, name: str, unit: str, what: str, evidence: list[str]
    ) -> bool | None:
        """Whether a mean is lower than in round 1, in the same scene; None if it is not known.

        Lower means by more than its last digits, by more than what attempts differ, and by at
        least ``LEAST_FALL``. Over a shorter part of the scene a fall must be greater than the
        lengths' own difference can explain.
        """
        first, later = self.mean(1, name), self.mean(number, name)
        if first is None or later is None or first <= 0:
            return None
        share = later / first - 1
        note = ""
        least = LEAST_FALL
        if not self._same_length(number):
            stretch = self._equal_stretch(number, name)
            if stretch is not None:
                first, later, seconds = stretch
                share = later / first - 1
                note = f", over the first {clock(seconds)} of both"
            else:
                least, note = LENGTHS, ", over a shorter part of the scene"
        evidence.append(
            f"{what} {later:.4g} {unit}, {first:.4g} in round 1 ({100 * share:+.1f} %){note}"
        )
        scatter = max(self._scatter(1, name), self._scatter(number, name))
        return share < -max(least, 2 * scatter / first)

    def _share(self, number: int) -> list[str]:
        """How the share at the floor changed, in points, where both are counted alike."""
        first, later = self.mean(1, "share_at_floor"), self.mean(number, "share_at_floor")
        bases = {
            share_basis(each.figures["share_at_floor"].basis, each.figures["share_at_floor"].remark)
            for each in (*self.rounds[1], *self.rounds[number])
            if "share_at_floor" in each.figures
        }
        if first is None or later is None or len(bases) > 1:
            return []
        points = change_in_points(later, first)
        return [
            f"share at the floor {later:.1f} %, {first:.1f} % in round 1 ({points:+.1f} points)"
        ]

    def _scatter(self, number: int, name: str) -> float:
        amounts = [each.figures[name] for each in self.rounds[number] if name in each.figures]
        shown = max(u_display((each.high - each.low) / 2) for each in amounts)
        values = [each.value for each in amounts]
        return max(shown, statistics.stdev(values) if len(values) > 1 else 0.0)

    def _same_length(self, number: int) -> bool:
        first, later = self.mean(1, "duration"), self.mean(number, "duration")
        return first is None or later is None or abs(later - first) <= LENGTHS * first

    def _equal_stretch(self, number: int, name: str) -> tuple[float, float, float] | None:
        quantity = name.removesuffix("_mean")
        first = _line(self.rounds[1], quantity)
        later = _line(self.rounds[number], quantity)
        if first is None or later is None:
            return None
        until = min(first.times[-1], later.times[-1])
        means = [
            float(np.mean([v for t, v in zip(x.times, x.values, strict=True) if t <= until]))
            for x in (first, later)
        ]
        return means[0], means[1], until

    def _is_slower_in_places(self, number: int, evidence: list[str]) -> bool:
        """Whether the rate is lower at those places of the scene where the cap does not hide it."""
        lower = self._lower_in_places(_line(self.rounds[number], "frame_rate"))
        if lower:
            places, middle = lower
            evidence.append(
                f"charts: {100 * (1 - math.exp(middle)):.0f} % lower than in round 1 at the "
                f"{places} samples where round 1 was below its cap"
            )
        return lower is not None

    def _lower_in_places(self, later: Series | None) -> tuple[int, float] | None:
        """At how many open places a later chart is below round 1, and by what logarithm."""
        first = _line(self.rounds[1], "frame_rate")
        if first is None or later is None or not self.cap:
            return None
        _, ratio = self._divided(later, first, free=first)
        if len(ratio) < _FEW:
            return None
        middle = float(np.median(ratio))
        error = 1.2533 * 1.4826 * float(np.median(np.abs(ratio - middle))) / math.sqrt(len(ratio))
        return (len(ratio), middle) if middle < -max(LEAST_FALL, 3 * error) else None

    def _is_cooler(self, number: int, evidence: list[str]) -> bool | None:
        """Whether a round stayed cooler than round 1; None if no temperature is known of both.

        The battery first, since a chip cools as soon as it draws less. What stills show is a lower
        bound of the highest: it can show that a round was no cooler, never that it was.
        """
        for sensor in ("battery", "skin", "chip"):
            first, later = self._hottest(1, sensor), self._hottest(number, sensor)
            if first is None or later is None:
                continue
            cooler = later[0] < first[0] - _COOLER
            if cooler and not later[1]:
                continue
            seen = "" if later[1] else " or more"
            evidence.append(f"{sensor} up to {later[0]:.1f} °C{seen}, {first[0]:.1f} °C in round 1")
            return cooler
        return None

    def _hottest(self, number: int, sensor: str) -> tuple[float, bool] | None:
        """The highest temperature of a round and whether it is surely the highest."""
        summed = self.mean(number, f"{sensor}_temperature_highest")
        if summed is not None:
            return summed, True
        what = Measure("temperature", "now", sensor)
        seen = [
            found.value for each in self.rounds[number] for found in each.instants.get(what, [])
        ]
        return (max(seen), False) if seen else None

    # ------------------------------------------------------------ when it began

    def _onset(self) -> Onset | None:
        if 1 not in self.rounds:
            return None
        return self._by_clock() or self._by_rounds() or self._between_rounds()

    def _by_clock(self) -> Onset | None:
        """From a clock along time, while the load is full, in the first round that shows one."""
        for number, attempts in self.rounds.items():
            for each in attempts:
                line = _line([each], "clock")
                start = self._starts(each)
                if line is None or start is None:
                    continue
                times, values = _under_load(line, each, self.cap)
                falls = find_falls(times, values)
                if falls:
                    fall = falls[0]
                    return Onset(
                        start + fall.at_s, start + fall.from_s, start + fall.to_s, fall.how,
                        fall.left, f"clock in the {_MEDIA[line.medium]} of round {number}",
                    )  # fmt: skip
        return None

    def _starts(self, each: Round) -> float | None:
        """When an attempt began, s from the start of round 1; None if that is not known."""
        first = self.rounds[1][0]
        if each is first:
            return 0.0
        if each.began is None or first.began is None:
            return None
        return (each.began - first.began).total_seconds()

    def _by_rounds(self) -> Onset | None:
        """From round 1 divided by each later round at equal times of the scene."""
        first = _line(self.rounds[1], "frame_rate")
        if first is None:
            return None
        references = [
            line
            for number in self.rounds
            if number > 1
            for line in _lines(self.rounds[number], "frame_rate")
        ]
        candidates = []
        for line in references:
            times, ratio = self._divided(first, line, free=first)
            falls = find_falls(list(times), list(np.exp(ratio)))
            candidates.append([fall for fall in falls if _is_own(fall, first, line)])
        if not candidates or not all(candidates):
            return None
        agreed = [
            near
            for fall in candidates[0]
            if all(near := [_nearest(fall, others) for others in candidates])
        ]
        if not agreed:
            return None
        falls = [fall for fall in agreed[0] if fall is not None]
        at = statistics.median(fall.at_s for fall in falls)
        low, high = min(fall.from_s for fall in falls), max(fall.to_s for fall in falls)
        low = self._at_cap_before(first, low)
        hows = {fall.how for fall in falls}
        return Onset(
            at, min(low, at), high, hows.pop() if len(hows) == 1 else "gradual",
            statistics.median(fall.left for fall in falls),
            f"frame rate in the {_MEDIA[first.medium]} of round 1 against later rounds",
        )  # fmt: skip

    def _at_cap_before(self, line: Series, time: float) -> float:
        """The sample before a time where the cap hides it: the fall may have begun there."""
        before = [
            (t, v) for t, v in zip(line.times, line.values, strict=True) if t < time - line.step / 2
        ]
        hidden = bool(before and self.cap) and before[-1][1] >= AT_CAP * (self.cap or 0.0)
        return before[-1][0] if hidden else time

    def _between_rounds(self) -> Onset | None:
        """Where round 1 shows no fall but a later round is slower in places: in between."""
        first = _line(self.rounds[1], "frame_rate")
        if first is None:
            return None
        for number, each in (
            (number, each)
            for number, attempts in self.rounds.items()
            for each in attempts
            if number > 1
        ):
            later, start = _line([each], "frame_rate"), self._starts(each)
            if later is None or start is None or not self._lower_in_places(later):
                continue
            times, ratio = self._divided(later, first, free=first)
            low, high = float(times[-1]), start + float(times[0])
            sign = self._sign()
            return Onset(
                (low + high) / 2, low, high, None, math.exp(float(np.median(ratio))),
                "frame rate in the charts, between the last place of round 1 that the cap does "
                f"not hide and the first of round {number}",
                sign if sign and low <= sign.to_s <= high else None,
            )  # fmt: skip
        return None

    def _sign(self) -> Sign | None:
        """Between which captures the clock first fell while the frame rate stood at the cap."""
        seen = sorted(
            sample
            for attempts in self.rounds.values()
            for each in attempts
            if (start := self._starts(each)) is not None
            for sample in _moments(each, start)
        )
        at_cap = [moment for moment in seen if self.cap and moment.rate >= AT_CAP * self.cap]
        for place in range(1, len(at_cap)):
            full = max(moment.clock for moment in at_cap[:place])
            here = at_cap[place]
            whole = [each for each in at_cap[:place] if each.clock > full * (1 - _SHOWN)]
            usual = statistics.median(moment.clock for moment in at_cap[place:])
            lasting = usual <= full * (1 - _SHOWN)
            if lasting and here.clock <= full * (1 - LEAST_FALL):
                before = whole[-1]
                return Sign(
                    before.at_s, here.at_s,
                    f"captures at the cap: clock {before.words} at {clock(before.at_s)}, "
                    f"{here.words} at {clock(here.at_s)}; a lower clock at an unchanged frame "
                    "rate is a usual sign of throttling (common practice), no proof",
                )  # fmt: skip
        return None

    def _divided(self, one: Series, other: Series, *, free: Series) -> tuple[Floats, Floats]:
        """ln(one / other) at common times, where ``free`` is below the cap."""
        step = max(one.step, other.step)
        times, ratio = [], []
        values = {round(t / step): v for t, v in zip(other.times, other.values, strict=True)}
        open_ = {
            round(t / step)
            for t, v in zip(free.times, free.values, strict=True)
            if not self.cap or v < AT_CAP * self.cap
        }
        for t, v in zip(one.times, one.values, strict=True):
            place = round(t / step)
            if place in open_ and values.get(place, 0.0) > 0 and v > 0:
                times.append(t)
                ratio.append(math.log(v / values[place]))
        return np.asarray(times, dtype=np.float64), np.asarray(ratio, dtype=np.float64)


@dataclass(frozen=True, slots=True, order=True)
class _Moment:
    """What a still shows of one moment: s from the start of round 1, MHz, fps, % or None."""

    at_s: float
    clock: float
    rate: float
    load: float | None

    @property
    def words(self) -> str:
        """Clock and load, as shown."""
        load = "" if self.load is None else f" (load {self.load:g} %)"
        return f"{self.clock:g} MHz{load}"


def _moments(each: Round, start: float) -> Iterable[_Moment]:
    """The stills of a round that show a clock and a frame rate of the moment, and their times."""

    def of(quantity: str) -> dict[str, float]:
        measured = each.instants.get(Measure(quantity, "now"), [])
        return {one.capture: one.value for one in measured if one.at_s is None}

    rates, loads = of("frame_rate"), of("load")
    for one in each.instants.get(Measure("clock", "now"), []):
        if one.capture in rates and one.at_s is None and one.taken and each.began:
            at_s = start + (one.taken - each.began).total_seconds()
            yield _Moment(at_s, one.value, rates[one.capture], loads.get(one.capture))


def _lines(attempts: Iterable[Round], quantity: str) -> list[Series]:
    """The best series of a quantity of each attempt: the finest that runs longest."""
    found = []
    for each in attempts:
        lines = [line for line in each.series if line.what.quantity == quantity]
        if lines:
            longest = max(lines, key=lambda line: (line.times[-1] - line.times[0], -line.step))
            found.append(_thinned(longest))
    return found


def _line(attempts: Sequence[Round], quantity: str) -> Series | None:
    """The one of them that runs longest."""
    lines = _lines(attempts, quantity)
    return max(lines, key=lambda line: line.times[-1] - line.times[0], default=None)


def _thinned(line: Series) -> Series:
    """Means of a chart's neighbouring columns: they show the same few samples, drawn through."""
    if line.medium == "recording" or len(line.times) <= _COLUMNS:
        return line
    parts = np.array_split(np.arange(len(line.times)), _COLUMNS)
    times, values = np.asarray(line.times), np.asarray(line.values)
    return replace(
        line,
        times=tuple(float(times[part].mean()) for part in parts),
        values=tuple(float(values[part].mean()) for part in parts),
    )


def _under_load(line: Series, each: Round, cap: float | None) -> tuple[list[float], list[float]]:
    """The samples of a clock at which it has work: by the load, else by a rate below the cap."""
    loads = [x for x in each.series if x.what.quantity == "load" and x.capture == line.capture]
    rates = [
        x for x in each.series if x.what.quantity == "frame_rate" and x.capture == line.capture
    ]
    if loads:
        busy = {t for t, v in zip(loads[0].times, loads[0].values, strict=True) if v >= _BUSY}
    elif rates and cap:
        busy = {t for t, v in zip(rates[0].times, rates[0].values, strict=True) if v < AT_CAP * cap}
    else:
        return [], []
    kept = [(t, v) for t, v in zip(line.times, line.values, strict=True) if t in busy and v > 0]
    return [t for t, _ in kept], [v for _, v in kept]


def _is_own(fall: Fall, own: Series, other: Series) -> bool:
    """Whether a fall of own / other is a fall of its own, not a rise of the other round.

    Clocks come back in steps, when a threshold is passed downwards; little by little no device
    speeds up under load.
    """
    if fall.how == "gradual":
        return True
    mine, theirs = (_change(line, fall) for line in (own, other))
    if mine is None or theirs is None:
        return False
    return mine < 0 and abs(mine) >= abs(theirs)


def _change(line: Series, fall: Fall) -> float | None:
    """How the logarithm of a series changes over a step: medians of half a minute to each side."""
    times = np.asarray(line.times)
    logs = without_spikes(np.log(np.maximum(np.asarray(line.values), 1e-3)))
    before = logs[(times <= fall.from_s) & (times >= fall.from_s - _BESIDE)]
    after = logs[(times >= fall.end_s) & (times <= fall.end_s + _BESIDE)]
    if not len(before) or not len(after):
        return None
    return float(np.median(after)) - float(np.median(before))


def _nearest(fall: Fall, others: Sequence[Fall]) -> Fall | None:
    """The fall among ``others`` that is the same one, seen against another round."""
    apart = 10.0 if fall.how == "stepped" else 60.0
    near = [other for other in others if abs(other.at_s - fall.at_s) <= apart]
    return min(near, key=lambda other: abs(other.at_s - fall.at_s)) if near else None
