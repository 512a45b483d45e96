# ruff: noqa: E501  style sheets and tables of figures
"""Eleven overlays for study_locating.py, the tuning set; Chromium draws them.

No test and no sample draws them, but faults of the locator that they showed were mended: what they
measure is no longer untouched. Figures come from another set, locating_report.py.

Each has fonts, words, panels and an arrangement of its own. Its layout engine tells where every
figure stands, to a fraction of a px.
"""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from playwright.sync_api import sync_playwright

from extractor.records import Box

Rgba = NDArray[np.uint8]

_MARGIN = 8  # CSS px around an overlay, so that shadows are not cut
_BOXES = """() => {
  const box = r => [r.x + scrollX, r.y + scrollY, r.width, r.height];
  const text = e => { const r = document.createRange(); r.selectNodeContents(e);
                      return box(r.getBoundingClientRect()); };
  const style = e => getComputedStyle(e);
  const pen = document.createElement('canvas').getContext('2d');
  const ink = e => { pen.font = style(e).font; const m = pen.measureText(e.textContent);
                     return [-m.actualBoundingBoxLeft, m.actualBoundingBoxRight]; };
  const of = (mark) => [...document.querySelectorAll(`[data-${mark}]`)].map(e => ({
    name: e.dataset[mark], box: text(e), align: e.dataset.align || 'left', text: e.textContent,
    ink: ink(e), size: parseFloat(style(e).fontSize)}));
  const head = document.querySelector('#head');
  return {figures: of('f'), labels: of('l'),
          whole: box(document.querySelector('#o').getBoundingClientRect()),
          head: head ? head.getBoundingClientRect().height : 0};
}"""


@dataclass(frozen=True)
class Item:
    """One figure: its label, its unit, least and greatest value, decimals."""

    name: str
    label: str
    unit: str
    low: float
    high: float
    decimals: int = 0

    def drawn(self, rng: np.random.Generator) -> str:
        """Give a value as text."""
        return f"{rng.uniform(self.low, self.high):.{self.decimals}f}"


@dataclass(frozen=True)
class Layout:
    """``sort``: an ``overlay`` on a scene, or a ``page`` as wide as the screen that scrolls."""

    name: str
    sort: Literal["overlay", "page"]
    css: str
    body: Callable[[Callable[[Item], str]], str]


@dataclass(frozen=True)
class Figure:
    """Where a figure stands, px; ``align`` is the side that stays, ``letter`` px of its capitals.

    ``box`` is the advance of its letters, ``ink`` (x from, to) what is drawn of them.
    """

    name: str
    box: Box
    align: str
    letter: float
    ink: tuple[float, float]


@dataclass(frozen=True)
class Drawing:
    """RGBA of the overlay or of the whole page, px; ``head`` px of a bar it scrolls under.

    ``labels``: name (that of the figure it belongs to), text and box.
    """

    rgba: Rgba
    figures: tuple[Figure, ...]
    labels: tuple[tuple[str, str, Box], ...]
    head: float


def drawn_figure(item: Item, value: Callable[[Item], str], align: str = "left") -> str:
    return f'<b data-f="{item.name}" data-align="{align}">{value(item)}</b>'


def drawn_label(item: Item) -> str:
    return f'<i data-l="{item.name}">{item.label}</i>'


def items_of(*rows: tuple[str, str, float, float, int]) -> list[Item]:
    return [Item(f"f{at}", *row) for at, row in enumerate(rows)]


_RIBBON = items_of(
    ("pace", "fps", 20, 144, 0), ("draw", "W", 1, 12, 2), ("skin", "°C", 28, 46, 1),
    ("left", "%", 5, 100, 0),
)  # fmt: skip
_TOWER = items_of(
    ("արագություն", "fps", 20, 144, 1), ("հզորություն", "W", 1, 12, 2), ("ջերմություն", "°C", 28, 46, 1),
    ("լարում", "V", 3.4, 4.4, 3), ("հոսանք", "mA", 200, 3900, 0), ("հաճախություն", "MHz", 300, 980, 0),
    ("լիցք", "%", 5, 100, 0),
)  # fmt: skip
_TILES = items_of(
    ("average pace", "fps", 20, 144, 1), ("energy flow", "W", 1, 12, 2), ("warmest core", "°C", 30, 90, 0),
    ("slow moments", "%", 0, 20, 1), ("graphics speed", "MHz", 300, 980, 0), ("cell level", "%", 5, 100, 0),
)  # fmt: skip
_LEDGER = items_of(
    ("Rendered per second", "", 20, 144, 2), ("Watts taken", "", 1, 12, 3), ("Volts at cell", "", 3, 4, 3),
    ("Chip warmth", "", 30, 95, 1), ("Back warmth", "", 25, 45, 1), ("Shader speed", "", 300, 980, 0),
    ("Busy share", "", 0, 100, 0),
)  # fmt: skip
_BADGE = items_of(
    ("fr", "/s", 20, 144, 0), ("pw", "W", 1, 12, 2), ("tc", "°C", 30, 95, 0), ("lv", "%", 5, 100, 0),
)  # fmt: skip
_SLIP = items_of(
    ("Refresh now", "fps", 20, 144, 1), ("Spent now", "W", 1, 12, 2), ("Cell warmth", "°C", 25, 45, 1),
    ("Cell flow", "mA", 200, 3900, 0), ("Cell volts", "V", 3, 4, 2), ("Remaining", "%", 5, 100, 0),
    ("Core speed", "MHz", 300, 980, 0), ("Core busy", "%", 0, 100, 0),
)  # fmt: skip
_COLUMN = items_of(
    ("Typical frames", "fps", 20, 144, 1), ("Worst second", "fps", 5, 60, 1), ("Best second", "fps", 60, 144, 1),
    ("Power in the mean", "W", 1, 12, 2), ("Power at the peak", "W", 4, 15, 2), ("Charge gone", "%", 1, 60, 0),
    ("Hottest silicon", "°C", 40, 95, 1), ("Hottest cell", "°C", 30, 45, 1), ("Shader clock", "MHz", 300, 980, 0),
    ("Shader busy", "%", 0, 100, 0), ("Memory held", "MiB", 900, 7000, 0), ("Frames in all", "", 9000, 90000, 0),
)  # fmt: skip
_GLYPHS = items_of(
    ("ፍጥነት", "fps", 20, 144, 1), ("ኃይል", "W", 1, 12, 2), ("ሙቀት", "°C", 28, 46, 1),
    ("ባትሪ", "%", 5, 100, 0), ("ሰዓት", "MHz", 300, 980, 0),
)  # fmt: skip
_BARE = items_of(
    ("Frame pace", "fps", 20, 144, 1), ("Frame span", "ms", 7, 50, 1), ("Supply", "W", 1, 12, 2),
    ("Silicon", "°C", 30, 95, 0), ("Graphics", "MHz", 300, 980, 0), ("Storage left", "%", 5, 100, 0),
)  # fmt: skip
_ALMANAC = items_of(
    ("Pictures shown, mean", "fps", 20, 144, 1), ("Pictures shown, worst", "fps", 5, 60, 1),
    ("Longest picture", "ms", 20, 300, 1), ("Draw from the cell, mean", "W", 1, 12, 2),
    ("Draw from the cell, worst", "W", 4, 15, 2), ("Charge lost", "%", 1, 60, 0),
    ("Die, warmest", "°C", 40, 95, 1), ("Shell, warmest", "°C", 30, 45, 1),
    ("Die, beats", "MHz", 300, 980, 0), ("Die, at work", "%", 0, 100, 0),
)  # fmt: skip
_DIALS = items_of(
    ("RATE", "fps", 20, 144, 0), ("WATTAGE", "W", 1, 12, 1), ("SILICON", "°C", 30, 95, 0),
    ("STORED", "%", 5, 100, 0), ("ROTOR", "rpm", 900, 5200, 0),
)  # fmt: skip


def in_rows(items: Sequence[Item], align: str = "right", head: str = "") -> Any:
    def body(value: Callable[[Item], str]) -> str:
        rows = "".join(
            f"<p>{drawn_label(item)}{drawn_figure(item, value, align)}<u>{item.unit}</u></p>"
            for item in items
        )
        return head + rows

    return body


def in_cards(items: Sequence[Item], above: bool, align: str = "left", head: str = "") -> Any:
    def body(value: Callable[[Item], str]) -> str:
        cells = []
        for item in items:
            figure = f"<p>{drawn_figure(item, value, align)}<u>{item.unit}</u></p>"
            cells.append("<section>" + (drawn_label(item) + figure if above else figure + drawn_label(item))
                         + "</section>")  # fmt: skip
        return head + "".join(cells)

    return body


def _ribbon(value: Callable[[Item], str]) -> str:
    return "".join(
        f"<span>{drawn_label(item)} {drawn_figure(item, value)} <u>{item.unit}</u></span>"
        for item in _RIBBON
    )


def _ledger(value: Callable[[Item], str]) -> str:
    heads = "".join(f'<th><i data-l="h{at}">{word}</i></th>'
                    for at, word in enumerate(("typical", "bottom", "top")))  # fmt: skip
    rows = []
    for item in _LEDGER:
        cells = "".join(
            f"<td>{drawn_figure(Item(f'{item.name}_{at}', '', '', item.low, item.high, item.decimals), value, 'right')}</td>"
            for at in range(3)
        )
        rows.append(f"<tr><td>{drawn_label(item)}</td>{cells}</tr>")
    title = '<h1 data-l="title">Record of the evening walk</h1>'
    return f"{title}<table><tr><th></th>{heads}</tr>{''.join(rows)}</table>"


def _column(value: Callable[[Item], str]) -> str:
    found = ['<div id="head">Evening walk, summary</div>']
    titles = ("Fluency", "Consumption", "Warmth", "Machine")
    for at, title in enumerate(titles):
        found.append(f'<h2 data-l="s{at}">{title}</h2>')
        for item in _COLUMN[3 * at : 3 * at + 3]:
            found.append(
                f"<article><p>{drawn_label(item)}</p><div>{drawn_figure(item, value)}"
                f"<u>{item.unit}</u></div></article>"
            )
    return "".join(found)


def _almanac(value: Callable[[Item], str]) -> str:
    found = ['<h1 data-l="title">Almanac of the last hour</h1>']
    for at, title in enumerate(("Picture", "Cell", "Heat and beats")):
        found.append(f'<h2 data-l="s{at}">{title}</h2>')
        for item in (_ALMANAC[:3], _ALMANAC[3:6], _ALMANAC[6:])[at]:
            found.append(
                f"<article>{drawn_label(item)}<div>{drawn_figure(item, value, 'right')} <u>{item.unit}</u></div></article>"
            )
    return "".join(found)


LAYOUTS = (
    Layout("ribbon", "overlay", """
#o{background:rgba(6,36,52,.7);color:#eaf6ff;font:600 14px/30px "Roboto Condensed";white-space:nowrap;
 padding:0 12px;width:420px;border-radius:15px}
span{margin-right:20px}i{font-style:normal;color:#8fd0f2;font-weight:400}b{font-weight:600}
u{text-decoration:none;color:#bcd}""", _ribbon),
    Layout("tower", "overlay", """
#o{width:230px;color:#ffe;font:700 15px/23px "Fira Code";-webkit-text-stroke:3px #120c22;paint-order:stroke fill}
p{display:grid;grid-template-columns:128px 66px 1fr;margin:0}b{text-align:right}
i{font:700 13px/23px "Noto Sans Armenian";color:#ffd9a0}u{text-decoration:none;padding-left:6px;font-size:12px}""",
        in_rows(_TOWER)),
    Layout("tiles", "page", """
#o{background:#f4efe6;color:#3a2a20;padding:16px;display:grid;grid-template-columns:repeat(3,122px);gap:12px;
 min-height:100vh;align-content:start}
section{background:#fffdf8;border:1px solid #d9c9b0;border-radius:12px;padding:12px}
p{margin:0}b{font:700 24px/30px "Open Sans"}u{text-decoration:none;font:400 12px "Open Sans";padding-left:4px}
i{font:400 12px/18px "Open Sans";color:#806a55}""", in_cards(_TILES, above=False)),
    Layout("ledger", "page", """
#o{background:#10151c;color:#dfe6ee;min-height:100vh;padding:10px 18px}
h1{font:700 19px/32px P052;margin:6px 0;display:inline-block}table{width:100%;border-collapse:collapse}
td,th{font:400 15px/32px P052;text-align:right;border-bottom:1px solid #2b3542}td:first-child{text-align:left}
i{font-style:normal;color:#9fb6cc}th i{font:italic 400 14px/30px P052}b{font-weight:400}""", _ledger),
    Layout("badge", "overlay", """
#o{width:112px;background:rgba(32,8,12,.82);border:1px solid #a04848;padding:5px 8px;color:#fff}
p{display:grid;grid-template-columns:26px 46px 1fr;margin:0;font:600 14px/19px "Liberation Mono"}
b{text-align:right}i{color:#f0a8a0;font-style:normal}u{text-decoration:none;font-size:11px;padding-left:5px}""",
        in_rows(_BADGE)),
    Layout("slip", "overlay", """
#o{width:250px;background:rgba(250,252,255,.92);color:#15243a;border-radius:4px;padding:10px 12px;
 display:grid;grid-template-columns:1fr 1fr;gap:6px 14px}
h1{grid-column:1/3;font:700 13px/18px "Liberation Serif";margin:0;color:#28518a}p{margin:0}
b{font:700 18px/22px "Liberation Serif"}u{text-decoration:none;font:400 12px "Liberation Serif";padding-left:3px}
i{font:400 12px/14px "Liberation Serif";color:#5a6f8c;display:block;width:max-content}""",
        in_cards(_SLIP, above=True, head='<h1 data-l="title">Slip of the moment</h1>')),
    Layout("column", "page", """
#o{background:#101a14;color:#e6f2e8}
#head{position:sticky;top:0;height:48px;background:#22382a;font:600 17px/48px Cantarell,"Nimbus Sans";
 text-align:center;border-bottom:2px solid #7fbf8f}
h2{font:700 15px/22px "Nimbus Sans";margin:26px 20px 6px;color:#8fd6a2;display:inline-block}
article{margin:0 14px 10px;padding:9px 14px;background:#1b2a20;border-radius:10px}p{margin:0}
i{font:400 13px/20px "Nimbus Sans";color:#a9bfae}b{font:700 21px/28px "Nimbus Sans"}
u{text-decoration:none;font:400 12px "Nimbus Sans";padding-left:5px}""", _column),
    Layout("glyphs", "overlay", """
#o{width:176px;background:#191c3a;padding:8px 12px;border-radius:10px;color:#fff}
p{display:grid;grid-template-columns:66px 60px 1fr;margin:0;font:500 16px/25px "Roboto"}
i{font:500 14px/25px "Noto Sans Ethiopic";color:#b9bff5}b{font-weight:500}
u{text-decoration:none;font-size:12px;color:#99a}""", in_rows(_GLYPHS, "left")),
    Layout("bare", "overlay", """
#o{width:210px;color:#fff;font:700 15px/21px "Liberation Sans Narrow";-webkit-text-stroke:3px #000;paint-order:stroke fill}
p{display:grid;grid-template-columns:96px 60px 1fr;margin:0}i{font-style:normal;color:#b8ffd0}
b{text-align:right}u{text-decoration:none;font-size:12px;padding-left:5px}""", in_rows(_BARE)),
    Layout("dials", "overlay", """
#o{width:380px;background:rgba(40,40,44,.86);padding:8px 6px;display:grid;
 grid-template-columns:repeat(5,1fr);border-radius:3px}
section{text-align:center;border-right:1px solid #666}section:last-child{border:0}p{margin:0}
b{font:700 19px/26px "DejaVu Serif";color:#ffe08a}u{text-decoration:none;font:400 10px "DejaVu Serif";color:#ccc;padding-left:2px}
i{font:700 10px/14px "DejaVu Serif";color:#ddd;letter-spacing:1px}""", in_cards(_DIALS, above=False, align="centre")),
    Layout("almanac", "page", """
#o{background:#0b1838;color:#f2ead0;min-height:100vh;padding:12px 22px}
h1{font:700 21px/34px C059;margin:4px 0 8px;display:inline-block;color:#ffd97a}
h2{font:italic 400 16px/26px C059;margin:16px 0 4px;width:max-content;color:#9fb4ea}
article{display:flex;justify-content:space-between;border-bottom:1px dotted #40538c;font:400 15px/30px C059}
i{font-style:normal}b{font-weight:700}u{text-decoration:none;font-size:12px}""", _almanac),
)  # fmt: skip

_SWAPPED = [_BADGE[0], _BADGE[2], _BADGE[1], _BADGE[3]]
WORDS = ("slip", "column", "bare")
"""Layouts that are also looked for by their words alone."""

LOOK_ALIKES = {
    "badge": Layout("badge_swapped", "overlay", LAYOUTS[4].css, in_rows(_SWAPPED)),
    "slip": Layout(
        "slip_again", "overlay", LAYOUTS[5].css,
        in_cards(
            [
                *_SLIP[:2],
                *items_of(("Chip warmth", "°C", 25, 45, 1), ("Chip flow", "mA", 200, 3900, 0),
                        ("Chip volts", "V", 3, 4, 2)),
                *_SLIP[5:],
            ],
            above=True, head='<h1 data-l="title">Slip of the minute</h1>',
        ),
    ),
}  # fmt: skip
"""The same panels with two rows swapped, and with other words in three places."""

UNLIKE = {"badge_swapped": ("f1", "f2"), "slip_again": ("f2", "f3", "f4")}
"""Figures of the known layout whose place shows something else on its look-alike."""


class Browser:
    """One Chromium."""

    def __enter__(self) -> Browser:
        program = shutil.which("chromium") or shutil.which("chromium-browser")
        if program is None:
            raise SystemExit("no Chromium found: install the Debian package chromium")
        self._playwright = sync_playwright().start()
        self._chromium = self._playwright.chromium.launch(
            executable_path=program,
            args=["--font-render-hinting=none", "--disable-lcd-text", "--force-color-profile=srgb"],
        )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._chromium.close()
        self._playwright.stop()

    def draw(self, layout: Layout, width: int, density: float, seed: int) -> Drawing:
        """Draw with values of ``seed``, on a screen ``width`` px wide where that matters."""
        rng = np.random.default_rng(seed)
        values: dict[str, str] = {}

        def value(item: Item) -> str:
            return values.setdefault(item.name, item.drawn(rng))

        page = layout.sort == "page"
        across = width / density if page else 700
        context = self._chromium.new_context(
            viewport={"width": int(across), "height": 500}, device_scale_factor=density
        )
        tab = context.new_page()
        place = "" if page else f"#o{{position:absolute;left:{_MARGIN}px;top:{_MARGIN}px}}"
        size = f"width:{across}px;box-sizing:border-box" if page else ""
        tab.set_content(
            f"<!doctype html><style>*{{box-sizing:border-box}}html,body{{margin:0}}"
            f"{place}{layout.css}</style><div id=o style='{size}'>{layout.body(value)}</div>"
        )
        tab.evaluate("document.fonts.ready")
        told = tab.evaluate(_BOXES)
        x, y, w, h = told["whole"]
        if not page:
            x, y, w, h = x - _MARGIN, y - _MARGIN, w + 2 * _MARGIN, h + 2 * _MARGIN
        png = tab.screenshot(omit_background=True, full_page=True)
        context.close()
        rgba = np.asarray(Image.open(io.BytesIO(png)).convert("RGBA"))
        rgba = rgba[: int(np.ceil(h * density)), : width if page else int(np.ceil(w * density))]

        def box(sides: Sequence[float]) -> Box:
            left, top, wide, high = sides
            return Box((left - x) * density, (top - y) * density, wide * density, high * density)

        return Drawing(
            np.ascontiguousarray(rgba),
            tuple(
                Figure(
                    each["name"],
                    at,
                    each["align"],
                    0.7 * each["size"] * density,
                    (at.x + each["ink"][0] * density, at.x + each["ink"][1] * density),
                )
                for each in told["figures"]
                for at in [box(each["box"])]
            ),
            tuple((each["name"], each["text"], box(each["box"])) for each in told["labels"]),
            told["head"] * density,
        )


def aligned(figure: Figure) -> float:
    """The x that stays while digits come and go."""
    shift: Mapping[str, float] = {"left": 0.0, "centre": 0.5, "right": 1.0}
    return figure.box.x + shift[figure.align] * figure.box.w
