"""The report: one HTML file that asks nothing of the network and runs no script.

Every number leads to how it was computed, from there to the figures it was computed from, and
from those to the crop each was read from and to what a person decided about it.
"""

from __future__ import annotations

import base64
import importlib.metadata
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from extractor.comparing import plots
from extractor.comparing.deriving import HELP, Derived, Subject, label
from extractor.comparing.evidence import Crops, rows_shown
from extractor.comparing.figures import frame_time
from extractor.comparing.rounds import Amount, Round
from extractor.comparing.whole import SUMMARY, Comparison, shown_unit
from extractor.session import Session

CAUTION = (
    "Devices under such loads get hot, and lithium cells can catch fire. Stop at the maker's "
    "limit for temperature. Never charge or run a swollen, dented or otherwise damaged cell. "
    "Local rules and qualified people come first."
)
"""Stands in the report and in the docs, wherever running such tests is spoken of."""

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Picture:
    """A plot in the report: WebP bytes for a light and for a dark page."""

    title: str
    says: str
    light: bytes
    dark: bytes


def pictures(whole: Comparison, progress: Progress = lambda *_: None) -> list[Picture]:
    """Draw every plot for the report."""
    planned = plots.plan(whole)
    made = []
    for place, plot in enumerate(planned):
        progress("drawing the report's plots", place, len(planned))
        light, dark = (
            plots.picture(whole, plot, plots.STYLES[style]) for style in ("light", "dark")
        )
        made.append(Picture(plot.title, plot.says, light, dark))
    progress("drawing the report's plots", len(planned), len(planned))
    return made


@dataclass(frozen=True, slots=True)
class People:
    """What people did: ``who`` settled the reading (capture, layout, readout, at_s to 3 decimals
    or None), and what their spot-checks support, in words."""

    who: Mapping[tuple[str, str, str, float | None], str] = field(default_factory=dict)
    spot_checks: tuple[str, ...] = ()


_NOBODY = People()


def report(
    whole: Comparison, crops: Crops, drawn: Sequence[Picture], people: People = _NOBODY
) -> str:
    """Return the report as HTML."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["code"] = _code
    links = _Links(whole)
    return environment.get_template("report.html.j2").render(
        version=importlib.metadata.version("ocrlog"),
        caution=CAUTION,
        scene=whole.session.scene,
        conditions=_conditions(whole.session),
        summary=_summary(whole, links),
        verdicts=whole.verdicts,
        label=label,
        warnings=whole.warnings,
        todos=whole.todos,
        notices=whole.notices,
        plots=[
            {
                "title": each.title,
                "says": each.says,
                "light": _inline(each.light),
                "dark": _inline(each.dark),
            }
            for each in drawn
        ],
        derivations=[_derivation(whole, each, links) for each in whole.derived],
        rounds=[
            _round(whole, each, crops, links, people) for each in whole.rounds.all if each.figures
        ],
        spot_checks=people.spot_checks,
        charts=[
            {"id": links.chart(path), "path": path, "picture": _inline(data)}
            for path, data in crops.charts.items()
        ],
    )


class _Links:
    """The anchors of the page: a derived figure, a figure of a round, a chart."""

    def __init__(self, whole: Comparison) -> None:
        self._derived = {id(each): f"d{place}" for place, each in enumerate(whole.derived)}
        self._rounds = {id(each): f"r{place}" for place, each in enumerate(whole.rounds.all)}
        paths = dict.fromkeys(
            line.capture
            for each in whole.rounds.all
            for line in each.series
            if line.medium == "trace"
        )
        self._charts = {path: f"c{place}" for place, path in enumerate(paths)}

    def derived(self, each: Derived) -> str:
        return self._derived[id(each)]

    def figure(self, each: Round, name: str) -> str:
        return f"{self._rounds[id(each)]}-{name}"

    def chart(self, path: str) -> str:
        return self._charts.get(path, "")


def _conditions(session: Session) -> list[str]:
    """What session.toml says of the run, each in words."""
    yes = {True: "yes", False: "no"}
    told = [
        ("version of the scene", session.scene_version),
        ("cooling", session.cooling),
        ("room", None if session.ambient is None else f"{session.ambient:g} °C"),
        ("brightness", None if session.brightness is None else f"{session.brightness:g} cd/m²"),
        (
            "refresh rate",
            None if session.refresh_rate is None else f"{session.refresh_rate:g} Hz",
        ),
        ("power supply", session.power_supply),
        ("recorded", None if session.recorded is None else yes[session.recorded]),
        *(
            (name, yes[value] if isinstance(value, bool) else value)
            for name, value in session.graphics.items()
        ),
        (
            "smooth floor",
            f"{session.smooth_floor:g} fps, {frame_time(session.smooth_floor):.1f} ms a frame",
        ),
        ("ties", f"within {session.tie:g} %"),
    ]
    return [f"{name}: {value}" for name, value in told if value is not None]


def _summary(whole: Comparison, links: _Links) -> dict[str, Any]:
    last = whole.rounds.last
    columns = [(name, 1) for name in SUMMARY if whole.get(name)]
    columns += [
        (name, number)
        for name, number in (("sustained_frame_rate", last), ("drain_power", 0))
        if whole.get(name, number)
    ]
    head = []
    for name, number in columns:
        title = HELP[name].title.removesuffix(", first round")
        head.append(
            {
                "title": title + (f", round {number}" if number > 1 else ""),
                "unit": shown_unit(HELP[name].unit),
            }
        )
    rows = [
        {
            "name": label(*subject),
            "cells": [
                _cell(whole, _for(whole, name, number, subject), links)
                or {"absent": whole.absent(subject, number) or "not known"}
                for name, number in columns
            ],
        }
        for subject in whole.rounds.subjects
    ]
    return {"head": head, "rows": rows}


def _code(text: str) -> Markup:
    """What stands between backticks as code; the rest, and that too, is escaped."""
    parts = text.split("`")
    if len(parts) % 2 == 0:  # an odd backtick is no pair
        return escape(text)
    return Markup("").join(
        Markup("<code>{}</code>").format(part) if place % 2 else escape(part)
        for place, part in enumerate(parts)
    )


def _for(whole: Comparison, name: str, number: int, subject: Subject) -> Derived | None:
    """A battery test is of the device, whatever its variants."""
    found = whole.get(name, number)
    return found.get(subject) or (found.get((subject[0], "")) if number == 0 else None)


def _cell(whole: Comparison, each: Derived | None, links: _Links) -> dict[str, Any] | None:
    if each is None:
        return None
    return {"text": whole.shown(each), "rank": each.rank, "to": links.derived(each)}


def _derivation(whole: Comparison, each: Derived, links: _Links) -> dict[str, Any]:
    return {
        "id": links.derived(each),
        "subject": label(*each.subject),
        "round": each.round or "",
        "title": HELP[each.figure].title,
        "formula": HELP[each.figure].formula,
        "value": whole.shown(each) if each.value is not None else "",
        "unit": shown_unit(each.unit),
        "u_display": _short(each.u_display),
        "spread": _short(each.spread),
        "attempts": each.attempts or "",
        "rank": each.rank or "",
        "basis": each.basis,
        "text": each.text,
        "inputs": [
            {"name": _input_name(round_, name, each), "to": links.figure(round_, name)}
            for round_, name in each.inputs
        ],
    }


def _input_name(round_: Round, name: str, each: Derived) -> str:
    words = name.replace("_", " ")
    other = round_.key.round != each.round and each.round
    again = f", attempt {round_.key.attempt}" if round_.key.attempt > 1 else ""
    return words + (f", round {round_.key.round}" if other else "") + again


def _short(number: float | None) -> str:
    return "" if number is None else f"{number:.2g}"


@dataclass(frozen=True, slots=True)
class _Read:
    """One reading a figure leads to."""

    capture: str
    at_s: str
    text: str
    confidence: str
    picture: str
    decision: str


def _round(
    whole: Comparison, each: Round, crops: Crops, links: _Links, people: People
) -> dict[str, Any]:
    return {
        "title": str(each.key),
        "why": "; ".join(part for part in (each.outcome, each.why) if part),
        "counts": each.counts,
        "began": f"{each.began:%Y-%m-%d %H:%M:%S}, by {each.began_by}" if each.began else "",
        "figures": [
            {
                "id": links.figure(each, name),
                "name": name.replace("_", " "),
                "value": f"{amount.value:.6g}",
                "half": f"{amount.half:.2g}" if amount.half else "",
                "unit": shown_unit(amount.unit),
                "basis": ": ".join(part for part in (amount.basis, amount.remark) if part),
                "reads": _reads(whole, amount, crops, people),
                "charts": [
                    {"path": path, "to": links.chart(path)}
                    for path in amount.captures
                    if amount.basis == "trace"
                ],
            }
            for name, amount in each.figures.items()
        ],
    }


def _reads(whole: Comparison, amount: Amount, crops: Crops, people: People) -> list[_Read]:
    reads = []
    for row in rows_shown(amount):
        line = {str(name): cell for name, cell in whole.readings.iloc[row].items()}
        at = float(line["at_s"])
        confidence = float(line["confidence"])
        picture = crops.figures.get(row)
        reads.append(
            _Read(
                line["capture"],
                "" if math.isnan(at) else f"{at:.3f} s",
                line["text"],
                "" if math.isnan(confidence) else f"{confidence:.6g}",
                _inline(picture) if picture else "",
                _decision(line, people),
            )
        )
    return reads


def _decision(line: Mapping[str, Any], people: People) -> str:
    """What a person settled, and who, in words; '' where nobody had to."""
    source, settled = line["source"], line["settled_flags"]
    if source not in ("accepted", "corrected", "typed"):
        return ""
    at = float(line["at_s"])
    place = (line["capture"], line["layout"], line["readout"], None if math.isnan(at) else at)
    told = f"{source} by {people.who.get(place, 'a person')}"
    if line["decided_text"]:
        told += f": {line['decided_text']}"
    return told + (f" (was flagged {settled.replace(';', ', ')})" if settled else "")


def _inline(data: bytes) -> str:
    return "data:image/webp;base64," + base64.b64encode(data).decode("ascii")
