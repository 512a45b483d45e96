"""Draw all samples anew: ``python sample_frames/draw/main.py`` (repeats byte for byte).

``--boxes OUT.json`` draws nothing and writes where everything stands on every capture: under each
path ``screen`` (px), ``density`` and for each of ``layouts`` the boxes [x, y, w, h] in px of the
capture: ``figures`` (the figure alone, as wide as its text and as high as its line's letters),
``labels``, ``lines``, ``panels``, ``plots`` (with ``axes``: the ranges of time, s, and value).
Figures that lie beyond the screen or under the head have their boxes too; ``shown`` lists the rest.
"""

from __future__ import annotations

import argparse
import csv
import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from browser import Browser, Picture
from encode import TICKS, over, save_recording, save_still
from layouts import (
    LAYOUTS,
    Chart,
    Drawn,
    Layout,
    battery_html,
    cards_html,
    draw,
    list_html,
    panel_html,
    strip_html,
    table_html,
)
from model import Device, battery_summary, instant, summary
from plan import RECORDING_FROM_S, Shot, plan_shots
from scenes import scene

ROOT = Path(__file__).resolve().parents[1]
WIDE_SUMMARIES = {("H2", "table"), ("H4", "table"), ("H2", "battery"), ("H4", "battery"),
                  ("H5", "battery"), ("H1", "battery")}  # fmt: skip
SERIES_COLUMN = {"frame_rate": "rate", "battery_temperature": "battery", "power": "power"}
HIDDEN_S = (41.0, 43.5)
RECORDING_S = 60.0


@dataclass
class Written:
    """The rows of the tables and the boxes, gathered while drawing."""

    truth: list[tuple[str, ...]] = field(default_factory=list)
    series: list[tuple[str, ...]] = field(default_factory=list)
    facts: list[tuple[str, ...]] = field(default_factory=list)
    boxes: dict[str, object] = field(default_factory=dict)


def figures_of(layout: Layout, values: dict[str, object], minus: str) -> dict[str, Drawn]:
    return {r.name: draw(layout, r, values[r.name], minus) for r in layout.readouts}


def truth_rows(
    capture: str, at: str, name: str, layout: str, figure: Drawn
) -> list[tuple[str, ...]]:
    return [
        (capture, at, row, figure.text, value, unit, layout) for row, value, unit in figure.rows
    ]


# ---------------------------------------------------------------- overlays


def overlay_html(
    layout: str, figures: dict[str, Drawn], device: Device, place: tuple[float, float]
) -> tuple[str, str]:
    if layout == "strip":
        return strip_html(figures)
    if layout == "list":
        return list_html(figures, right=device.name in ("H2", "H4", "H6"))
    return panel_html(figures, *place)


def panel_place(device: Device, number: int) -> tuple[float, float]:
    """Where a finger left the panel, CSS px; clear of the strip's band."""
    rng = np.random.default_rng(7000 + number)
    width, height = (side / device.density for side in device.screen)
    return (
        round(float(rng.uniform(6, width - 270)), 2),
        round(float(rng.uniform(6, height - 230)), 2),
    )


def draw_overlay(browser: Browser, shot: Shot, number: int, out: Written, boxes_only: bool) -> None:
    values = instant(shot.device, shot.series, shot.second)
    picture = None if boxes_only else scene(shot.device.screen, shot.second)
    places: dict[str, object] = {}
    for name in shot.show:
        layout = LAYOUTS[name]
        figures = figures_of(layout, values, shot.device.minus)
        html = overlay_html(name, figures, shot.device, panel_place(shot.device, number))
        drawn = browser.draw(*html, shot.device.screen, shot.device.density, not boxes_only)
        places[name] = drawn.boxes | {"shown": list(figures)}
        if picture is not None:
            picture = over(picture, drawn.rgba)
        for readout, figure in figures.items():
            out.truth += truth_rows(shot.path, "", readout, name, figure)
    note(out, shot, places, shot.device.screen)
    if picture is not None:
        save(picture, shot)


# ---------------------------------------------------------------- summaries


def chart_of(shot: Shot, layout: str, number: int) -> Chart:
    trace = LAYOUTS[layout].traces[number]
    values = shot.series[SERIES_COLUMN[trace.name]]
    top = next(top for top in (4, 8, 12, 16, 40, 60, 80, 100, 140) if top > values.max() * 1.04)
    every = slice(None, None, trace.every_s)
    return Chart(trace, list(shot.series.t[every]), list(values[every]), (0.0, float(top)))


def cards_boxes_fit(boxes: dict[str, dict[str, list[float]]], height: int) -> bool:
    """Whether no figure is cut by the head or by the lower edge."""
    head = boxes["panels"]["head"][1] + boxes["panels"]["head"][3]
    return not any(
        y < edge < y + h for _, y, _, h in boxes["figures"].values() for edge in (head, height)
    )


def draw_cards(
    browser: Browser, shot: Shot, screen: tuple[int, int], picture: bool
) -> tuple[Picture, dict[str, Drawn], list[Chart]]:
    layout, density = LAYOUTS["cards"], shot.device.density
    figures = figures_of(layout, summary(shot.device, shot.series), shot.device.minus)
    charts = [chart_of(shot, "cards", number) for number in range(2)]

    def at(scroll: float, drawn: bool = False) -> Picture:
        by_trace = {chart.trace.name: chart for chart in charts}
        title = f"Lantern Road, round {shot.round}"
        html = cards_html(figures, by_trace, shot.device.dark, title, scroll)
        return browser.draw(*html, screen, density, drawn)

    boxes = at(0).boxes
    most = sum(boxes["panels"]["remarks"][1::2]) / density + 14 - screen[1] / density
    if shot.scroll == "cut":  # the head's edge runs through a figure
        _, y, _, h = boxes["figures"]["level_start"]
        scroll = (y + h * 0.55) / density - 50
    else:
        wanted = 0.0 if shot.scroll == "upper" else most
        nearby = (wanted + sign * step for step in range(0, 60, 2) for sign in (1, -1))
        scroll = next(
            s for s in nearby if 0 <= s <= most and cards_boxes_fit(at(s).boxes, screen[1])
        )
    return at(scroll, picture), figures, charts


def shown_figures(boxes: dict[str, dict[str, list[float]]], height: int) -> set[str]:
    head = boxes["panels"].get("head", [0, 0, 0, 0])
    top = head[1] + head[3]
    return {n for n, (_, y, _, h) in boxes["figures"].items() if y >= top and y + h <= height}


def draw_summary(browser: Browser, shot: Shot, out: Written, boxes_only: bool) -> None:
    name, device = shot.show[0], shot.device
    wide, high = device.screen
    screen = (wide, high) if (device.name, name) in WIDE_SUMMARIES else (high, wide)
    charts: list[Chart] = []
    if name == "cards":
        drawn, figures, charts = draw_cards(browser, shot, screen, not boxes_only)
    else:
        source = battery_summary if name == "battery" else summary
        values = source(device, shot.series)
        figures = figures_of(LAYOUTS[name], values, device.minus)
        if name == "table":
            charts = [chart_of(shot, "table", 0)]
            html = table_html(figures, charts[0], f"Registro della prova, giro {shot.round}")
        else:
            html = battery_html(figures, float(values["level_start"]), float(values["level_end"]))  # type: ignore[arg-type]
        drawn = browser.draw(*html, screen, device.density, not boxes_only)
    shown = shown_figures(drawn.boxes, screen[1])
    axes = {c.trace.name: {"t": c.t_range, "value": c.value_range} for c in charts}
    ordered = [readout for readout in figures if readout in shown]
    note(out, shot, {name: drawn.boxes | {"shown": ordered, "axes": axes}}, screen)
    for readout in ordered:
        out.truth += truth_rows(shot.path, "", readout, name, figures[readout])
    for chart in charts:
        if _plot_shown(drawn.boxes, chart, screen[1]):
            out.series += [
                (shot.path, "", name, chart.trace.name, f"{t:g}", *[f"{value:.3f}"] * 3,
                 chart.trace.unit, "")
                for t, value in zip(chart.t, chart.values, strict=True)
            ]  # fmt: skip
    if not boxes_only:
        save(np.ascontiguousarray(drawn.rgba[..., :3]), shot)


def _plot_shown(boxes: dict[str, dict[str, list[float]]], chart: Chart, height: int) -> bool:
    _, y, _, h = boxes["plots"][chart.trace.name]
    top = sum(boxes["panels"].get("head", [0, 0, 0, 0])[1::2])
    return y >= top and y + h <= height


# ---------------------------------------------------------------- the recording


def recording_states(shot: Shot) -> list[tuple[float, dict[str, object] | None]]:
    """(time of the update, values shown from then on); None while the overlay is hidden."""
    rng = np.random.default_rng(31)
    states: list[tuple[float, dict[str, object] | None]] = []
    at = 0.0
    while at < RECORDING_S:
        values: dict[str, object] = dict(
            instant(shot.device, shot.series, int(RECORDING_FROM_S + at))
        )
        rate = float(values["frame_rate"]) * (1 + 0.01 * rng.standard_normal())  # type: ignore[arg-type]
        if 21 <= at < 24.5:  # the scene loads its next part
            rate *= rng.uniform(0.13, 0.6)
        if 36.5 <= at < 37.2:  # one window without a frame
            rate = 0.0
        values["frame_rate"] = min(rate, 61.0)
        if HIDDEN_S[0] <= at < HIDDEN_S[1]:
            states.append((at, None))
            at = HIDDEN_S[1]
        else:
            states.append((at, values))
            at = round(at + rng.uniform(0.5, 1.0), 4)
    return states


def frame_ticks() -> list[int]:
    """Uneven times: mostly two refreshes of 60 Hz, some one or three, now and then a stall."""
    rng = np.random.default_rng(47)
    ticks, now = [], 0
    while now < RECORDING_S * TICKS:
        ticks.append(now)
        refreshes = rng.choice([1, 2, 3, 4, 8], p=[0.12, 0.56, 0.22, 0.09, 0.01])
        now += int(refreshes * TICKS / 60 + rng.integers(-150, 151))
    return ticks


def draw_recording(browser: Browser, shot: Shot, out: Written, boxes_only: bool) -> None:
    layout, device, states = LAYOUTS["strip"], shot.device, recording_states(shot)
    ticks = frame_ticks()
    pictures: list[np.ndarray | None] = []
    before: dict[str, str] = {}
    for at, values in states:
        first = next((tick for tick in ticks if tick >= at * TICKS), None)
        if first is None:
            break
        figures = {} if values is None else figures_of(layout, values, device.minus)
        for readout in layout.readouts:
            figure = figures.get(readout.name, Drawn("", "", ((readout.name, "", readout.unit),)))
            if before.get(readout.name) != figure.text:
                before[readout.name] = figure.text
                out.truth += truth_rows(
                    shot.path, f"{first / TICKS:.3f}", readout.name, "strip", figure
                )
        if values is None:
            pictures.append(None)
            continue
        drawn = browser.draw(*strip_html(figures), device.screen, device.density, not boxes_only)
        pictures.append(drawn.rgba)
        if at == 0:
            note(out, shot, {"strip": drawn.boxes | {"shown": list(figures)}}, device.screen)
    if not boxes_only:
        save_recording(
            recording_frames(ticks, [at for at, _ in states], pictures, device.screen),
            device.screen,
            ROOT / shot.path,
        )


def recording_frames(
    ticks: list[int], updates: list[float], pictures: list[np.ndarray | None], size: tuple[int, int]
) -> Iterator[tuple[int, np.ndarray]]:
    for tick in ticks:
        moment = tick / TICKS
        shown = pictures[sum(at * TICKS <= tick for at in updates) - 1]
        frame = scene(size, RECORDING_FROM_S + moment, lean=1.5)
        yield tick, frame if shown is None else over(frame, shown)


# ---------------------------------------------------------------- tables


def note(out: Written, shot: Shot, layouts: dict[str, object], screen: tuple[int, int]) -> None:
    out.boxes[shot.path] = {
        "screen": list(screen), "density": shot.device.density, "layouts": layouts,
    }  # fmt: skip
    facts = (str(shot.round), str(shot.attempt)) if shot.round else ("", "")
    out.facts.append((shot.path, shot.device.name, shot.variant, *facts))


def save(rgb: np.ndarray, shot: Shot) -> None:
    save_still(rgb, ROOT / shot.path, shot.quality, shot.taken if shot.exif else None)


def write_table(name: str, header: str, rows: list[tuple[str, ...]]) -> None:
    with (ROOT / name).open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header.split(","))
        writer.writerows(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--boxes", type=Path, help="write the boxes to this file, draw nothing")
    boxes_to = parser.parse_args().boxes
    shots, recording = plan_shots()
    out = Written()
    if boxes_to is None:
        for folder in {Path(shot.path).parts[0] for shot in shots}:
            shutil.rmtree(ROOT / folder, ignore_errors=True)
    with Browser() as browser:
        for number, shot in enumerate(shots):
            if shot.overlay:
                draw_overlay(browser, shot, number, out, boxes_to is not None)
            else:
                draw_summary(browser, shot, out, boxes_to is not None)
        draw_recording(browser, recording, out, boxes_to is not None)
    if boxes_to is not None:
        boxes_to.write_text(json.dumps(out.boxes, indent=1))
        return
    order = sorted(range(len(out.truth)), key=lambda row: (out.truth[row][0], row))
    write_table("truth.csv", "capture,at_s,readout,text,value,unit,layout",
                [out.truth[row] for row in order])  # fmt: skip
    write_table("series.csv", "capture,at_s,layout,trace,t,value,low,high,unit,flags", out.series)
    write_table("facts_truth.csv", "capture,device,variant,round,attempt", sorted(out.facts))


if __name__ == "__main__":
    main()
