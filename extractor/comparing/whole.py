"""The whole comparison in memory: what tables, plots and report are made from."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from extractor.calibration.model import Calibration
from extractor.comparing.deriving import HELP, Derived, Subject, derive, energy_of, label
from extractor.comparing.figures import u_display
from extractor.comparing.measured import measure
from extractor.comparing.rounds import MEASURES, Round, Rounds, build
from extractor.comparing.throttling import Verdict, frame_cap, judge
from extractor.comparing.warnings import Warning, warn
from extractor.export.grids import Cell, Grid
from extractor.records import COMPARISON, ROUNDS
from extractor.session import Session

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Todo:
    """Something to measure or state next, of the devices and variants it is about."""

    about: tuple[Subject, ...]
    text: str

    @property
    def words(self) -> str:
        """With the names in front."""
        names = ", ".join(label(*each) for each in self.about)
        return f"{names}: {self.text}" if names else self.text


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that was compared. ``readings`` is the table it was made from."""

    session: Session
    rounds: Rounds
    derived: tuple[Derived, ...]
    verdicts: tuple[Verdict, ...]
    warnings: tuple[Warning, ...]
    todos: tuple[Todo, ...]
    readings: pd.DataFrame

    @property
    def notices(self) -> tuple[str, ...]:
        """What of the tables could not be used, or contradicts itself."""
        return self.rounds.notices

    def get(self, figure: str, number: int = 1) -> dict[Subject, Derived]:
        """A derived figure of one round by device and variant, only where it has a value."""
        return {
            each.subject: each
            for each in self.derived
            if (each.figure, each.round) == (figure, number) and each.value is not None
        }

    def absent(self, subject: Subject, number: int) -> str:
        """Why nothing of a round is known: ``not run``, ``missing``, or '' if it was run."""
        states = {
            each.state
            for each in self.rounds.all
            if (each.key.device, each.key.variant, each.key.round) == (*subject, number)
        }
        return next((state for state in ("not run", "missing") if state in states), "")

    def shown(self, each: Derived) -> str:
        """A value with the decimals that most of its kind are worth; a thin space a thousand."""
        if each.value is None:
            return ""
        places = [decimals(other) for other in self.get(each.figure, each.round).values()]
        return f"{each.value:,.{max(places, key=places.count)}f}".replace(",", "\u2009")


def compare_all(
    readings: pd.DataFrame,
    session: Session,
    calibrations: Iterable[Calibration],
    traces: pd.DataFrame | None = None,
) -> Comparison:
    """Compare everything that the tables hold."""
    rounds = build(measure(readings, calibrations, traces), session)
    derived = derive(rounds, session)
    return Comparison(
        session,
        rounds,
        tuple(derived),
        tuple(judge(rounds, session)),
        tuple(warn(rounds, derived, session)),
        tuple(_todos(rounds, derived, session)),
        readings,
    )


# ---------------------------------------------------------------- what to measure next

_WANTED = {
    "frame_rate_mean": "a summary with the mean frame rate",
    "power_mean": "a summary with the mean power",
    "render_width": "a capture that shows the render size",
    "share_at_floor": "a summary with the share at or above the floor, or a recording",
    "battery_temperature_highest": "a summary with the highest battery temperature",
    "duration": "a summary with the length of the round",
}


def _todos(rounds: Rounds, derived: Sequence[Derived], session: Session) -> list[Todo]:
    """What to measure next, one line a matter for all that lack it."""
    wanted: dict[str, list[Subject]] = defaultdict(list)
    missing: dict[Subject, list[int]] = defaultdict(list)
    for each in rounds.all:
        if each.state == "missing":
            missing[each.key.device, each.key.variant].append(each.key.round)
    for subject, numbers in missing.items():
        what = f"round {numbers[0]}" if len(numbers) == 1 else f"rounds {_listed(numbers)}"
        wanted[f"run {what}, or state under [[not_run]] why not"].append(subject)
    tested = {each.key.device for each in rounds.all if each.state == "battery test"}
    for subject in rounds.subjects:
        attempts = rounds.of(*subject, 1)
        for name, what in _WANTED.items():
            if attempts and not any(name in each.figures for each in attempts):
                wanted[f"round 1 lacks {what}"].append(subject)
    for device in dict.fromkeys(device for device, _ in rounds.subjects):
        known = session.device.get(device)
        if device not in tested:
            wanted["run a battery test: from one level to another, with its time"].append(
                (device, "")
            )
        if known is None or energy_of(known.battery) is None:
            wanted["state the battery's charge and voltage in session.toml"].append((device, ""))
        if known is None or known.frames == "unknown":
            wanted["state in session.toml what `frames` counts"].append((device, ""))
    wanted.update(_seen_caps(rounds, session))
    wanted.update(_cut_short(rounds))
    todos = [Todo(tuple(about), text) for text, about in wanted.items()]
    if session.ambient is None:
        todos.append(Todo((), "state `ambient`, the room's temperature, for the rise over it"))
    if rounds.subjects and all(each.attempts < 2 for each in derived if each.value is not None):
        todos.append(
            Todo((), "repeat a round on one device: how well a figure repeats is not measured")
        )
    return todos


def _cut_short(rounds: Rounds) -> dict[str, list[Subject]]:
    """Attempts that ended early beside others that did not: they pull the mean elsewhere."""
    wanted: dict[str, list[Subject]] = defaultdict(list)
    for each in rounds.all:
        key = each.key
        others = rounds.of(key.device, key.variant, key.round)
        if each in others and each.ended_early and not all(other.ended_early for other in others):
            wanted[
                f"round {key.round}, attempt {key.attempt} ended early and is averaged with the "
                "others; if it does not count, state it under [[does_not_count]]"
            ].append((key.device, key.variant))
    return wanted


def _seen_caps(rounds: Rounds, session: Session) -> dict[str, list[Subject]]:
    """What to state of caps that were taken from the frame rate itself."""
    wanted: dict[str, list[Subject]] = defaultdict(list)
    for subject in rounds.subjects:
        cap = frame_cap(rounds, session, *subject)
        if cap and cap.seen:
            wanted[
                f"taken for capped at {cap.fps:g} fps, where the frame rate stands; state "
                "`frame_cap` in session.toml"
            ].append(subject)
    return wanted


def _listed(numbers: Sequence[int]) -> str:
    return f"{', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


# ---------------------------------------------------------------- tables


def rounds_grid(rounds: Rounds) -> Grid:
    """rounds.csv: one row a device, variant, round and attempt."""
    return Grid(ROUNDS, ROUNDS.columns, [_round_row(each) for each in rounds.all])


def _round_row(each: Round) -> tuple[Cell, ...]:
    key = each.key
    why = "; ".join(part for part in (each.outcome, each.why) if part)
    cells: list[Cell] = [
        key.device, key.variant, key.round or None, key.attempt, each.state,
        "yes" if each.counts and each.state in ("run", "battery test") else "no", why,
        each.began.isoformat() if each.began else "",
    ]  # fmt: skip
    for name in MEASURES:
        amount = each.figures.get(name)
        cells += [None, None, ""] if amount is None else [amount.value, amount.half, amount.source]
    return tuple(cells)


def comparison_grid(whole: Comparison) -> Grid:
    """comparison.csv: one row a derived figure, verdict, warning or thing to measure next."""
    rows: list[tuple[Cell, ...]] = [_derived_row(each) for each in whole.derived]
    for verdict in whole.verdicts:
        head = verdict.device, verdict.variant, verdict.round
        evidence = "; ".join(verdict.evidence)
        text = f"{verdict.words} ({evidence})" if evidence else verdict.words
        rows.append((*head, "verdict", None, "", None, None, None, None, "", text))
        if verdict.onset:
            onset = verdict.onset
            half = (onset.to_s - onset.from_s) / 2
            rows.append(
                (*head, "onset", onset.at_s, "s", None, None, None, None, onset.shown_by,
                 f"within {half:.0f} s to either side of {(onset.from_s + onset.to_s) / 2:.0f} s, "
                 "from the start of round 1, pauses included")
            )  # fmt: skip
    for warning in whole.warnings:
        about = warning.about[0] if len(warning.about) == 1 else ("", "")
        rows.append(
            (*about, None, "warning", None, "", None, None, None, None, warning.code, warning.text)
        )
    for todo in whole.todos:
        about = todo.about[0] if len(todo.about) == 1 else ("", "")
        rows.append((*about, None, "missing", None, "", None, None, None, None, "", todo.words))
    for notice in whole.notices:
        rows.append(("", "", None, "notice", None, "", None, None, None, None, "", notice))
    return Grid(COMPARISON, COMPARISON.columns, rows)


def _derived_row(each: Derived) -> tuple[Cell, ...]:
    return (
        each.device, each.variant, each.round or None, each.figure, each.value, each.unit,
        each.u_display, each.spread, each.attempts or None, each.rank, each.basis, each.text,
    )  # fmt: skip


# ---------------------------------------------------------------- for people

SUMMARY = (
    "frame_rate", "share_at_floor", "pixel_throughput", "power", "energy_a_pixel",
    "energy_a_frame", "battery_temperature", "temperature_rise",
)  # fmt: skip


def summary_table(whole: Comparison) -> tuple[list[str], list[list[str]]]:
    """Header and cells of the table of first rounds, as text: value, and rank in brackets."""
    last = whole.rounds.last
    columns = [(name, 1) for name in SUMMARY]
    columns += [("sustained_frame_rate", last)] if last > 1 else []
    header = ["device"]
    for name, number in columns:
        unit = shown_unit(HELP[name].unit)
        later = f", round {number}" if number > 1 else ""
        header.append(f"{HELP[name].title.removesuffix(', first round')}{later} ({unit})")
    rows = []
    for subject in whole.rounds.subjects:
        cells = [label(*subject)]
        for name, number in columns:
            each = whole.get(name, number).get(subject)
            cells.append(
                whole.absent(subject, number)
                if each is None
                else f"{whole.shown(each)}{_rank(each)}"
            )
        rows.append(cells)
    return header, rows


def _rank(each: Derived) -> str:
    return f" ({each.rank})" if each.rank else ""


def decimals(each: Derived) -> int:
    """Decimals that are worth showing: to the digit whose own rounding is as uncertain."""
    if each.figure == "pixels_a_frame":
        return 0
    size = max(each.u_display or 0.0, each.spread or 0.0)
    if size <= 0:
        return 1
    return next((place for place in range(4) if size >= 0.99 * u_display(0.5) * 10.0**-place), 3)


def shown_unit(unit: str) -> str:
    """A unit as people write it: °C, not Cel."""
    return {"Cel": "°C", "mA.h/h": "mA·h/h", "W.h": "W·h", "mA.h": "mA·h", "cd/m2": "cd/m²",
            "": "–"}.get(unit, unit)  # fmt: skip
