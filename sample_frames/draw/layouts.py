"""The six invented layouts: what each shows, how it writes figures, and its HTML and CSS.

``LAYOUTS`` is the one table of readouts, from which calibrations and truth are written. In the HTML
``data-figure`` marks a figure alone, ``data-label`` the words beside it, ``data-line`` a flowing
line, ``data-panel`` an edge that is drawn, ``data-plot`` the inside of a chart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal
from html import escape

MISSING = "--"


@dataclass(frozen=True)
class Readout:
    """One figure of a layout. ``unit`` as in readings.csv, ``drawn_unit`` as on the screen."""

    name: str
    kind: str
    quantity: str
    statistic: str
    label: str
    drawn_unit: str = ""
    unit: str = ""
    decimals: int | None = 0
    sensor: str | None = None
    rounding: str = "half"
    missing: str | None = MISSING


@dataclass(frozen=True)
class Trace:
    """A line of a chart: what ``series.csv`` calls it and the colour it is drawn in."""

    name: str
    quantity: str
    unit: str
    colour: str
    every_s: int
    sensor: str | None = None


@dataclass(frozen=True)
class Layout:
    name: str
    shows: str
    readouts: tuple[Readout, ...]
    decimal: str = "."
    thousands: str = "none"
    duration: str | None = None
    traces: tuple[Trace, ...] = ()

    def readout(self, name: str) -> Readout:
        return next(readout for readout in self.readouts if readout.name == name)


@dataclass(frozen=True)
class Drawn:
    """A figure as drawn, as a reader should give it, and the values it stands for."""

    drawn: str
    text: str
    rows: tuple[tuple[str, str, str], ...]  # name, value, unit


def _number(
    name: str,
    quantity: str,
    statistic: str,
    label: str,
    drawn: str,
    unit: str,
    decimals: int,
    sensor: str | None = None,
    rounding: str = "half",
) -> Readout:
    kind = "percentage" if unit == "%" else "number"
    return Readout(name, kind, quantity, statistic, label, drawn, unit, decimals, sensor, rounding)


def _strip() -> Layout:
    return Layout(
        "strip",
        "one flowing line in a band at the foot of the screen",
        (
            _number("frame_rate", "frame_rate", "now", "Pace", "fps", "fps", 1),
            _number("power", "power", "now", "Draw", "W", "W", 2),
            _number("battery_temperature", "temperature", "now", "Pack", "°C", "Cel", 1, "battery"),
            _number("gpu_clock", "clock", "now", "Clock", "MHz", "MHz", 0),
            _number("gpu_load", "load", "now", "Busy", "%", "%", 0),
            _number("battery_level", "level", "now", "Left", "%", "%", 0),
        ),
    )


def _list() -> Layout:
    return Layout(
        "list",
        "stacked outlined letters without a panel, labels in Georgian",
        (
            _number("frame_rate", "frame_rate", "now", "კადრი", "fps", "fps", 1),
            _number("frame_time", "frame_time", "now", "დრო", "ms", "ms", 2),
            _number("power", "power", "now", "სიმძლავრე", "W", "W", 2),
            _number("current", "current", "now", "დენი", "mA", "mA", 0),
            _number("voltage", "voltage", "now", "ძაბვა", "V", "V", 3),
            _number("battery_temperature", "temperature", "now", "ბატარეა", "°C", "Cel", 1,
                    "battery"),
            _number("chip_temperature", "temperature", "now", "ჩიპი", "°C", "Cel", 0, "chip"),
            _number("gpu_clock", "clock", "now", "სიხშირე", "MHz", "MHz", 0),
            _number("gpu_load", "load", "now", "დატვირთვა", "%", "%", 0),
            _number("battery_level", "level", "now", "მუხტი", "%", "%", 0),
            Readout("render_size", "size", "render_size", "now", "ზომა", "", "px", 0),
        ),
    )  # fmt: skip


def _panel() -> Layout:
    return Layout(
        "panel",
        "a small paper-coloured panel that a finger moves",
        (
            _number("frame_rate", "frame_rate", "now", "rate", "fps", "fps", 1),
            _number("frame_rate_mean", "frame_rate", "mean", "rate so far", "fps", "fps", 1),
            _number("frame_rate_lowest", "frame_rate", "lowest", "least so far", "fps", "fps", 1),
            _number("frame_time", "frame_time", "now", "one frame", "ms", "ms", 1),
            _number("power", "power", "now", "power", "W", "W", 3),
            _number("current", "current", "now", "current", "mA", "mA", 0),
            _number("voltage", "voltage", "now", "voltage", "V", "V", 2),
            _number("battery_temperature", "temperature", "now", "battery", "°C", "Cel", 1,
                    "battery"),
            _number("chip_temperature", "temperature", "now", "chip", "°C", "Cel", 1, "chip"),
            _number("gpu_clock", "clock", "now", "clock", "MHz", "MHz", 0),
            _number("battery_level", "level", "now", "level", "%", "%", 0),
            Readout("run_time", "duration", "duration", "total", "running", "", "s", 0),
        ),
        duration="m:s",
    )  # fmt: skip


def _cards() -> Layout:
    return Layout(
        "cards",
        "a scrolled summary of index cards, dark or light, with two charts",
        (
            Readout("outcome", "word", "outcome", "total", "how it ended", missing=None),
            Readout("run_time", "duration", "duration", "total", "length", "", "s", 0),
            Readout("render_size", "size", "render_size", "now", "drawn at", "", "px", 0),
            _number("frame_rate_mean", "frame_rate", "mean", "mean pace", "fps", "fps", 1),
            _number("frame_rate_lowest", "frame_rate", "lowest", "slowest second", "fps", "fps", 1),
            _number("frame_rate_highest", "frame_rate", "highest", "fastest second", "fps", "fps",
                    1),
            _number("frame_rate_low_1_percent", "frame_rate", "low_1_percent", "1 % low", "fps",
                    "fps", 1),
            _number("smooth_share", "share_at_floor", "share", "time at 45 fps or more", "%", "%",
                    1),
            _number("power_mean", "power", "mean", "mean power", "W", "W", 2),
            _number("power_highest", "power", "highest", "highest power", "W", "W", 2),
            _number("level_start", "level", "start", "level before", "%", "%", 0),
            _number("level_end", "level", "end", "level after", "%", "%", 0),
            _number("battery_temperature_highest", "temperature", "highest", "battery, warmest",
                    "°C", "Cel", 1, "battery"),
            _number("chip_temperature_highest", "temperature", "highest", "chip, warmest", "°C",
                    "Cel", 1, "chip"),
        ),
        duration="m:s",
        traces=(
            Trace("frame_rate", "frame_rate", "fps", "#c2612c", 5),
            Trace("battery_temperature", "temperature", "Cel", "#3f8f86", 5, "battery"),
        ),
    )  # fmt: skip


def _table() -> Layout:
    down = "down"
    return Layout(
        "table",
        "a ledger over the whole width, labels in Italian, decimal comma, with one dense chart",
        (
            _number("frame_rate_mean", "frame_rate", "mean", "Cadenza", "fps", "fps", 2,
                    rounding=down),
            _number("frame_rate_lowest", "frame_rate", "lowest", "Cadenza", "fps", "fps", 2,
                    rounding=down),
            _number("frame_rate_highest", "frame_rate", "highest", "Cadenza", "fps", "fps", 2,
                    rounding=down),
            _number("frame_rate_low_1_percent", "frame_rate", "low_1_percent", "1 % più lento",
                    "fps", "fps", 2, rounding=down),
            _number("smooth_share", "share_at_floor", "share", "Tempo da 45 fps in su", "%", "%", 2,
                    rounding=down),
            _number("frame_count", "count", "total", "Fotogrammi", "", "", 0, rounding=down),
            _number("power_mean", "power", "mean", "Potenza", "W", "W", 3, rounding=down),
            _number("power_highest", "power", "highest", "Potenza", "W", "W", 3, rounding=down),
            _number("current_mean", "current", "mean", "Corrente", "mA", "mA", 0, rounding=down),
            _number("current_highest", "current", "highest", "Corrente", "mA", "mA", 0,
                    rounding=down),
            _number("chip_temperature_mean", "temperature", "mean", "Chip", "°C", "Cel", 1, "chip",
                    down),
            _number("chip_temperature_highest", "temperature", "highest", "Chip", "°C", "Cel", 1,
                    "chip", down),
            _number("gpu_clock_mean", "clock", "mean", "Frequenza", "MHz", "MHz", 0, rounding=down),
            _number("gpu_clock_highest", "clock", "highest", "Frequenza", "MHz", "MHz", 0,
                    rounding=down),
        ),
        decimal=",",
        thousands=".",
        traces=(Trace("power", "power", "W", "#8a2f5c", 1),),
    )  # fmt: skip


def _battery() -> Layout:
    return Layout(
        "battery",
        "the screen of a battery test from full to a fifth",
        (
            Readout("outcome", "word", "outcome", "total", "result", missing=None),
            Readout("test_time", "duration", "duration", "total", "hours:min", "", "s", 0),
            _number("level_start", "level", "start", "from level", "%", "%", 0),
            _number("level_end", "level", "end", "to level", "%", "%", 0),
            _number("charge_used", "charge", "total", "charge out", "mA·h", "mA.h", 0),
            _number("energy_used", "energy", "total", "energy out", "W·h", "W.h", 2),
            _number("power_mean", "power", "mean", "mean power", "W", "W", 2),
            _number("current_mean", "current", "mean", "mean current", "mA", "mA", 0),
            _number("voltage_mean", "voltage", "mean", "mean voltage", "V", "V", 2),
            _number("battery_temperature_mean", "temperature", "mean", "mean warmth", "°C", "Cel",
                    1, "battery"),
            _number("frame_rate_mean", "frame_rate", "mean", "mean pace", "fps", "fps", 1),
            _number("brightness", "brightness", "now", "light", "cd/m²", "cd/m2", 0),
        ),
        duration="h:m",
    )  # fmt: skip


LAYOUTS = {
    layout.name: layout for layout in (_strip(), _list(), _panel(), _cards(), _table(), _battery())
}


# ---------------------------------------------------------------- figures


def _grouped(digits: str, mark: str) -> str:
    if mark == "none":
        return digits
    head = len(digits) % 3 or 3
    return mark.join([digits[:head]] + [digits[i : i + 3] for i in range(head, len(digits), 3)])


def _duration(seconds: float, form: str) -> tuple[str, str]:
    if form == "m:s":
        whole = int(seconds)
        return f"{whole // 60}:{whole % 60:02}", str(whole)
    minutes = int(seconds // 60)
    return f"{minutes // 60}:{minutes % 60:02}", str(minutes * 60)


def draw(layout: Layout, readout: Readout, value: object, minus: str) -> Drawn:
    """Write ``value`` as the layout does; None is its missing mark."""
    if value is None:
        names = [readout.name]
        return Drawn(MISSING, MISSING, tuple((name, "", readout.unit) for name in names))
    if readout.kind == "word":
        return Drawn(str(value), str(value), ((readout.name, "", ""),))
    if readout.kind == "size":
        width, height = value  # type: ignore[misc]
        rows = ((f"{readout.name}.width", str(width), "px"),
                (f"{readout.name}.height", str(height), "px"))  # fmt: skip
        return Drawn(f"{width} × {height}", f"{width}x{height}", rows)
    number = float(value)  # type: ignore[arg-type]
    if readout.kind == "duration":
        text, seconds = _duration(number, layout.duration or "")
        return Drawn(text, text, ((readout.name, seconds, "s"),))
    mode = ROUND_DOWN if readout.rounding == "down" else ROUND_HALF_UP
    step = Decimal(1).scaleb(-(readout.decimals or 0))
    exact = Decimal(repr(number)).quantize(step, mode)
    if exact == 0:
        exact = abs(exact)
    whole, _, part = str(abs(exact)).partition(".")
    shown = _grouped(whole, layout.thousands) + (layout.decimal + part if part else "")
    sign = "-" if exact < 0 else ""
    plain = repr(float(exact)).removesuffix(".0")
    drawn = (minus if sign else "") + shown
    return Drawn(drawn, sign + shown, ((readout.name, plain, readout.unit),))


Figures = Mapping[str, Drawn]


def _figure(name: str, figures: Figures) -> str:
    return f'<b data-figure="{name}">{escape(figures[name].drawn)}</b>'


def _label(name: str, text: str) -> str:
    return f'<i data-label="{name}">{escape(text)}</i>'


def _unit(readout: Readout, figures: Figures) -> str:
    if not readout.drawn_unit or figures[readout.name].drawn == MISSING:
        return ""
    return f"<u>{escape(readout.drawn_unit)}</u>"


# ---------------------------------------------------------------- HTML


def page(body: str, css: str, width: float, height: float) -> str:
    """A whole document whose ``#screen`` has the device's size in CSS px."""
    return f"""<!doctype html><meta charset="utf-8"><style>
*{{box-sizing:border-box;margin:0;padding:0}}
b,i,u{{font-style:normal;font-weight:inherit;text-decoration:none}}u{{line-height:0}}
html,body{{background:transparent;overflow:hidden}}
#screen{{position:absolute;left:0;top:0;width:{width}px;height:{height}px;overflow:hidden}}
{css}</style><div id="screen">{body}</div>"""


def strip_html(figures: Figures) -> tuple[str, str]:
    items = "".join(
        f"<span>{_label(r.name, r.label)} {_figure(r.name, figures)} {_unit(r, figures)}</span>"
        for r in LAYOUTS["strip"].readouts
    )
    css = """
.strip{position:absolute;left:0;right:0;bottom:0;height:30px;padding-left:26px;
 background:rgba(18,12,36,.62);border-top:2px solid #dc9a4e;font:600 13.5px/28px "Open Sans";
 white-space:nowrap;color:#fff}
.strip span{margin-right:17px}.strip i{color:#f3c98d;font-weight:400}
.strip u{color:#d9d3e6;font-weight:400}"""
    return f'<div class="strip" data-panel="band"><q data-line="line">{items}</q></div>', (
        css + "q{quotes:none}"
    )


def list_html(figures: Figures, right: bool) -> tuple[str, str]:
    rows = "".join(
        f"{_label(r.name, r.label)}<p>{_figure(r.name, figures)}</p>"
        f"{_unit(r, figures) or '<u></u>'}"
        for r in LAYOUTS["list"].readouts
    )
    side = "right:20px" if right else "left:24px"
    css = f"""
.list{{position:absolute;top:52px;{side};display:grid;grid-template-columns:96px 88px 36px;
 column-gap:6px;font:700 15px/22px Lato;color:#fff;-webkit-text-stroke:3px #141019;
 paint-order:stroke fill;letter-spacing:.3px}}
.list p{{text-align:right}}.list b{{color:#ffe7a8}}
.list i{{font:700 13px/22px "Noto Sans Georgian";color:#c9f0e4;letter-spacing:0}}
.list u{{font-size:12px;line-height:22px}}"""
    return f'<div class="list">{rows}</div>', css


def panel_html(figures: Figures, left: float, top: float) -> tuple[str, str]:
    cells = "".join(
        f"<div><p>{_figure(r.name, figures)} {_unit(r, figures)}</p>{_label(r.name, r.label)}</div>"
        for r in LAYOUTS["panel"].readouts
    )
    css = f"""
.panel{{position:absolute;left:{left}px;top:{top}px;width:262px;padding:7px 6px 8px 16px;
 background:rgba(244,236,219,.9);border-left:6px solid #6d3b86;border-radius:3px 16px 3px 16px;
 font:500 17px/20px Roboto;color:#2a1c33}}
.panel h1{{font:700 11px/14px Roboto;color:#6d3b86;margin-bottom:5px}}
.panel .g{{display:grid;grid-template-columns:80px 80px 80px;row-gap:5px}}
.panel u{{font-size:11px}}.panel i{{display:block;font:400 10.5px/12px Roboto;color:#5c4b66}}"""
    title = '<h1 data-label="title">Slate · drag to move</h1>'
    return f'<div class="panel" data-panel="sheet">{title}<div class="g">{cells}</div></div>', css


@dataclass(frozen=True)
class Chart:
    """A chart with its data: ``t`` in s, ``values`` in the trace's unit, the axes' ranges."""

    trace: Trace
    t: Sequence[float]
    values: Sequence[float]
    value_range: tuple[float, float]
    t_range: tuple[float, float] = (0.0, 600.0)


def chart_svg(chart: Chart, width: int, height: int, ink: str, grid: str, comma: bool) -> str:
    """Fixed size in CSS px; the plot's inside is x from 34, y from 8, leaving 20 below."""
    left, top, right, foot = 34, 8, 8, 20
    w, h = width - left - right, height - top - foot
    low, high = chart.value_range
    t0, t1 = chart.t_range

    def at(t: float, value: float) -> str:
        x = left + w * (t - t0) / (t1 - t0)
        y = top + h * (high - value) / (high - low)
        return f"{x:.3f},{y:.3f}"

    lines = []
    for part in range(5):
        value, y = low + (high - low) * part / 4, top + h * (4 - part) / 4
        text = f"{value:g}".replace(".", "," if comma else ".")
        lines.append(
            f'<line x1="{left}" x2="{left + w}" y1="{y}" y2="{y}" stroke="{grid}"/>'
            f'<text x="{left - 5}" y="{y + 3.5}" text-anchor="end">{text}</text>'
        )
    for minute in range(0, 11, 2):
        x = left + w * minute / 10
        lines.append(f'<text x="{x}" y="{height - 5}" text-anchor="middle">{minute}</text>')
    points = " ".join(at(t, value) for t, value in zip(chart.t, chart.values, strict=True))
    return (
        f'<svg width="{width}" height="{height}" fill="{ink}" font-size="10">{"".join(lines)}'
        f'<rect data-plot="{chart.trace.name}" x="{left}" y="{top}" width="{w}" height="{h}" '
        f'fill="none"/><polyline points="{points}" fill="none" stroke="{chart.trace.colour}" '
        f'stroke-width="1.6" stroke-linejoin="round"/></svg>'
    )


def cards_html(
    figures: Figures, charts: Mapping[str, Chart], dark: bool, head: str, scroll: float
) -> tuple[str, str]:
    """``scroll`` in CSS px."""
    layout = LAYOUTS["cards"]
    back, card, ink, soft, grid = (
        ("#171a21", "#252a35", "#f2efe8", "#a5abba", "#39404f")
        if dark
        else ("#e6e2d8", "#fffdf8", "#22252c", "#6a6d76", "#dcd8cd")
    )

    def cell(name: str, extra: str = "") -> str:
        r = layout.readout(name)
        return (
            f'<div class="{extra}"><p>{_figure(name, figures)} {_unit(r, figures)}</p>'
            f"{_label(name, r.label)}</div>"
        )

    def block(title: str, colour: str, inside: str) -> str:
        return (
            f'<section data-panel="{title.lower()}"><h2 style="background:{colour}" '
            f'data-label="card_{title.lower()}">{title}</h2>{inside}</section>'
        )

    rate = chart_svg(charts["frame_rate"], 346, 210, soft, grid, False)
    warm = chart_svg(charts["battery_temperature"], 346, 210, soft, grid, False)
    cards = "".join(
        (
            block("Round", "#7d5aa6", '<div class="g">' + cell("outcome") + cell("run_time")
                  + cell("render_size") + "</div>"),
            block("Pace", "#c2612c", '<div class="g">' + cell("frame_rate_mean", "big")
                  + cell("smooth_share", "two") + cell("frame_rate_lowest")
                  + cell("frame_rate_highest") + cell("frame_rate_low_1_percent") + "</div>"),
            block("Power", "#2f6f9f", '<div class="h">' + cell("power_mean")
                  + cell("power_highest") + cell("level_start") + cell("level_end") + "</div>"),
            block("Course", "#c2612c", rate),
            block("Warmth", "#3f8f86", '<div class="h">' + cell("battery_temperature_highest")
                  + cell("chip_temperature_highest") + "</div>" + warm),
            block("Remarks", "#7d5aa6", "<em>Lantern Road is an invented scene of an invented "
                  "game. Pace is counted over windows of one second; the length leaves out the "
                  "loading screen.</em>"),
        )
    )  # fmt: skip
    css = f"""
html,#screen{{background:{back}}}#screen{{color:{ink};font:500 17px/22px Inter}}
header{{position:absolute;z-index:2;left:0;right:0;top:0;height:50px;background:{card};
 border-bottom:3px double #c2612c;text-align:center;font:600 16px/46px Inter}}
main{{position:absolute;left:50%;margin-left:-186px;width:372px;top:{62 - scroll}px}}
section{{position:relative;background:{card};border-radius:2px 12px 12px 12px;margin:26px 0 12px;
 padding:13px 13px 11px}}
h2{{position:absolute;left:0;top:-17px;padding:0 14px;border-radius:7px 7px 0 0;color:#fff;
 font:600 12px/17px Inter}}
.g{{display:grid;grid-template-columns:118px 114px 114px;row-gap:9px}}
.h{{display:grid;grid-template-columns:173px 173px;row-gap:9px}}
.big p{{font-size:30px;line-height:36px}}.two{{grid-column:2/4;padding-top:14px}}
section i{{display:block;font:400 11px/14px Inter;color:{soft}}}u{{font-size:12px;color:{soft}}}
em{{font:400 12px/17px Inter;color:{soft}}}svg{{display:block;margin-top:6px}}
svg text{{font-family:Inter}}"""
    return f'<header data-panel="head">{escape(head)}</header><main>{cards}</main>', css


def table_html(figures: Figures, chart: Chart, head: str) -> tuple[str, str]:
    columns = {
        "Cadenza": ("frame_rate_mean", "frame_rate_lowest", "frame_rate_highest"),
        "1 % più lento": ("frame_rate_low_1_percent", "", ""),
        "Tempo da 45 fps in su": ("smooth_share", "", ""),
        "Fotogrammi": ("frame_count", "", ""),
        "Potenza": ("power_mean", "", "power_highest"),
        "Corrente": ("current_mean", "", "current_highest"),
        "Chip": ("chip_temperature_mean", "", "chip_temperature_highest"),
        "Frequenza": ("gpu_clock_mean", "", "gpu_clock_highest"),
    }
    layout, rows = LAYOUTS["table"], []
    for label, names in columns.items():
        unit = layout.readout(names[0]).drawn_unit
        cells = "".join(f"<td>{_figure(name, figures) if name else ''}</td>" for name in names)
        rows.append(
            f'<tr><th>{_label(names[0], label)} <u data-label="unit_{names[0]}">{unit}</u></th>'
            f"{cells}</tr>"
        )
    heads = "".join(
        f'<td><i data-label="column_{word.lower()}">{word}</i></td>'
        for word in ("media", "minimo", "massimo")
    )
    css = """
html,#screen{background:#f3f4ea}#screen{color:#1d2b23;font:400 15px/20px "Noto Sans"}
h1{font:700 17px/24px "Noto Sans";padding:14px 20px 10px}
table{width:100%;border-collapse:collapse}tr{height:32px}
tr:nth-child(odd){background:#e2e8d3}thead tr{background:#2f4a38!important;color:#fff;height:28px}
th{text-align:left;font-weight:400;padding-left:20px;white-space:nowrap}
td{width:84px;text-align:right;padding-right:16px}th u{color:#627567;font-size:12px}
thead td{font-size:12px}svg{display:block;margin:12px 0 0 12px}svg text{font-family:"Noto Sans"}
figure{font:400 12px/16px "Noto Sans";padding:12px 0 0 20px;color:#627567}"""
    svg = chart_svg(chart, 380, 120, "#627567", "#cfd6c0", True)
    return (
        f'<h1 data-label="title">{escape(head)}</h1><table data-panel="ledger"><thead><tr>'
        f"<th></th>{heads}</tr></thead>{''.join(rows)}</table>"
        f"<figure>Potenza, W · minuti</figure>{svg}"
    ), css


def battery_html(figures: Figures, start: float, end: float) -> tuple[str, str]:
    layout = LAYOUTS["battery"]
    cells = "".join(
        f"<div>{_label(r.name, r.label)}<p>{_figure(r.name, figures)} {_unit(r, figures)}</p></div>"
        for r in layout.readouts
    )
    css = f"""
html,#screen{{background:#12323a}}#screen{{color:#f6ead0;font:500 18px/24px "Fira Code"}}
.well{{position:absolute;left:50%;top:50%;width:372px;height:376px;margin:-188px 0 0 -186px;
 border:2px solid #4f8a86;border-radius:26px 4px;padding:12px 18px}}
h1{{font:700 15px/20px "Fira Code";color:#f0b35a}}
.bar{{height:12px;margin:6px 0 10px;background:#0b2127;position:relative;border-radius:3px}}
.bar s{{position:absolute;left:{end:.1f}%;width:{start - end:.1f}%;top:0;bottom:0;
 background:repeating-linear-gradient(90deg,#f0b35a 0 7px,#b97f33 7px 9px)}}
.bar s+s{{left:0;width:{end:.1f}%;background:#4f8a86}}
.g{{display:grid;grid-template-columns:178px 154px;row-gap:7px}}
.g i{{display:block;font:400 12px/15px "Fira Code";color:#9cc4bd}}u{{font-size:13px}}"""
    return (
        '<div class="well" data-panel="well"><h1 data-label="title">Endurance walk, '
        'Lantern Road</h1><div class="bar" data-panel="bar"><s></s><s></s></div>'
        f'<div class="g">{cells}</div></div>'
    ), css
