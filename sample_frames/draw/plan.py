"""What was captured when: the sessions, their rounds and every capture of them.

The people who ran it and the day are as invented as the devices. Rounds follow each other after a
short pause, heat and charge carry on; a summary is captured after each round; some minutes lie
between devices. H4 and H5 keep their captures in a folder a round, H3 in one a variant; the others,
and the battery test of H3, share one flat dump.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from model import (
    DEVICES,
    ROUND_S,
    Device,
    Round,
    Series,
    State,
    fresh_state,
    pause,
    simulate,
    variant_of,
)

FIRST = datetime(2026, 3, 14, 10, 3, 20)
SESSIONS = (
    ("H1", ""),
    ("H2", ""),
    ("H3", "limiter-off"),
    ("H3", "limiter-on"),
    ("H4", ""),
    ("H5", ""),
    ("H6", ""),
)
OVERLAYS = ("strip", "list", "panel")
FOLDERS = ("H4", "H5")
RECORDING_FROM_S = 120.0


@dataclass(frozen=True)
class Shot:
    """One capture. ``show``: (layout, second of the round) of each overlay, or one summary.

    ``scroll`` is '', ``upper``, ``lower`` or ``cut`` (a figure lies half under the head).
    """

    path: str
    taken: datetime
    device: Device
    variant: str
    round: int
    attempt: int
    series: Series
    show: tuple[str, ...]
    second: int = 0
    scroll: str = ""
    quality: int = 0
    exif: bool = False

    @property
    def overlay(self) -> bool:
        return self.show[0] in OVERLAYS


def run_session(device: Device, variant: str, seed: int) -> list[Round]:
    """All rounds of one device and variant; H4 repeats round 2, H6 ends in round 2."""
    rng = np.random.default_rng(seed)
    state, clock, rounds = fresh_state(device), 0.0, []
    plan = [(1, 1, ROUND_S), (2, 1, ROUND_S), (3, 1, ROUND_S)]
    if device.name == "H4":
        plan[1:2] = [(2, 1, 312), (2, 2, ROUND_S)]
    for number, attempt, seconds in plan:
        series = simulate(device, state, seconds, rng)
        if seconds < ROUND_S:
            series = replace(series, outcome="stopped")
        rounds.append(Round(device, variant, number, attempt, clock, series))
        if device.stops_at <= state.battery:
            break
        rest = float(rng.integers(58, 80))
        pause(device, state, rest)
        clock += series.duration + rest
    return rounds


def battery_test(device: Device, seed: int) -> Series:
    """From full to 20 %, in steps of 30 s; at its dim screen no device stops by heat."""
    cool = replace(device, stops_at=99.0, ambient=22.0)
    state = State(0.0, 26.0, 30.0)
    return simulate(cool, state, 24 * 3600, np.random.default_rng(seed), 30.0, 20.0)


def _seconds(session: int, number: int, duration: float) -> tuple[int, ...]:
    if session == 0 and number == 1:
        return tuple(range(30, 590, 65))
    if duration < 350:
        return (48, 133, 251)
    if duration < ROUND_S:
        return (62, 201, 371)
    first = ((58, 237, 383), (104, 340, 541), (171, 290, 475))[(session + number) % 3]
    return tuple(second + 7 * session + 3 * number for second in first)


def _layouts(session: int, device: Device, number: int, attempt: int) -> list[tuple[str, ...]]:
    """The overlay of each still of a round."""
    if device.name == "H6" and number == 1:
        return [("strip",), ("strip",), ("panel",), ("panel",)]
    if device.name == "H6":
        return [("list",)] * 3
    if device.name == "H4" and number == 3:
        return [("panel", "strip")] * 3
    if device.name == "H4":
        return [(("list", "panel", "strip")[number + attempt - 2],)] * 3
    if session == 3:
        return [(("list", "panel", "strip")[number - 1],)] * 3
    return [(OVERLAYS[(number - 1 + session) % 3],)] * 9


class _Names:
    """File names as the devices give them, and their coding."""

    def __init__(self) -> None:
        self.count = 0
        self.shots_of_h5 = 0

    def name(self, shot: Shot) -> Shot:
        self.count += 1
        device = shot.device.name
        ending, quality = self._coding(shot)
        stem, exif = shot.taken.strftime("%Y%m%d_%H%M%S"), False
        if device == "H5":
            self.shots_of_h5 += 1
            stem, exif = f"shot_{self.shots_of_h5:04}", True
        if shot.attempt > 1:
            stem = f"attempt-{shot.attempt}_{stem}"
        folder = "dump"
        if shot.variant:
            folder = f"{device}-{shot.variant}"
        elif device in FOLDERS:
            folder = f"{device}/" + (f"round-{shot.round}" if shot.round else "battery")
        return replace(shot, path=f"{folder}/{stem}.{ending}", quality=quality, exif=exif)

    def _coding(self, shot: Shot) -> tuple[str, int]:
        device, jpeg = shot.device.name, (50, 85, 70, 60, 78, 95, 65)[self.count % 7]
        if shot.show == ("battery",):
            return ("jpg", 80) if device in ("H4", "H6") else ("png", 0)
        if not shot.overlay and device in ("H1", "H5"):
            return "png", 0
        if device == "H2" and shot.show == ("list",) and shot.second < 300:
            return "png", 0
        if device == "H3" or (device == "H4" and shot.round != 2):
            return "webp", (60, 75, 88)[self.count % 3]
        return "jpg", jpeg


def plan_shots() -> tuple[list[Shot], Shot]:
    """Every still in the order it was taken, and the recording."""
    shots: list[Shot] = []
    began, recording = FIRST, None
    for session, (name, variant) in enumerate(SESSIONS):
        device = variant_of(DEVICES[name], variant)
        rounds = run_session(device, variant, 100 + session)
        for r in rounds:
            start = began + timedelta(seconds=r.starts)

            def shot(at: float, show: tuple[str, ...], scroll: str = "",
                     r: Round = r, start: datetime = start) -> Shot:  # fmt: skip
                taken = start + timedelta(seconds=at)
                return Shot("", taken, r.device, r.variant, r.number, r.attempt, r.series, show,
                            int(at), scroll)  # fmt: skip

            layouts = _layouts(session, device, r.number, r.attempt)
            seconds = _seconds(session, r.number, r.series.duration)
            if device.name == "H6" and r.number == 1:
                seconds = (44, 211, 402, 555)
            shots += [shot(second, show) for second, show in zip(seconds, layouts, strict=False)]
            if device.name == "H2" and r.number == 2:
                recording = shot(RECORDING_FROM_S, ("strip",))
            after = r.series.duration
            shots.append(shot(after + 9, ("cards",), "upper"))
            if r.number == 1 or r.series.outcome == "stopped":
                shots.append(
                    shot(after + 16, ("cards",), "cut" if device.name == "H5" else "lower")
                )
            if (r.number == 2 and r.series.duration > 350) or (session == 0 and r.number == 3):
                shots.append(shot(after + 31, ("table",)))
        rest = 760 if (name, variant) == ("H3", "limiter-off") else 190 + 25 * session
        last = rounds[-1]
        began += timedelta(seconds=last.starts + last.series.duration + 40 + rest)
    morning = datetime(2026, 3, 15, 8, 12, 5)
    for number, device in enumerate(DEVICES.values()):
        taken = morning + timedelta(seconds=247 * number)
        shots.append(
            Shot("", taken, device, "", 0, 0, battery_test(device, 200 + number), ("battery",))
        )
    assert recording is not None
    names = _Names()
    stem = recording.taken.strftime("%Y%m%d_%H%M%S")
    return [names.name(s) for s in shots], replace(recording, path=f"dump/{stem}.mp4")
