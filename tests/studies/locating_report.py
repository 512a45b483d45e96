# ruff: noqa: E501  style sheets and tables of figures
"""Twelve more overlays for study_locating.py, on which nothing is tuned: the report set.

They differ from the other sets (locating_layouts.py, locating_report_1.py) in fonts or their weights,
words, panels and arrangement. Whoever mends something because of what they show keeps them as a set of
the past, as locating_report_1.py is, and draws others.
"""

from __future__ import annotations

from collections.abc import Callable

from locating_layouts import (
    Item,
    Layout,
    drawn_figure,
    drawn_label,
    in_cards,
    in_rows,
    items_of,
)

Value = Callable[[Item], str]

_BROOK = items_of(
    ("flow", "fps", 20, 144, 0), ("toil", "W", 1, 12, 2), ("glow", "°C", 30, 95, 0),
    ("fund", "%", 5, 100, 0),
)  # fmt: skip
_REED = items_of(
    ("sweep", "fps", 20, 144, 1), ("lull", "ms", 7, 50, 1), ("thirst", "W", 1, 12, 2),
    ("crust", "°C", 28, 46, 1), ("hoard", "%", 5, 100, 0), ("whirl", "MHz", 300, 980, 0),
)  # fmt: skip
_PSALM = items_of(
    ("Sightings", "fps", 20, 144, 1), ("Interval", "ms", 7, 50, 1), ("Outlay", "W", 1, 12, 2),
    ("Marrow", "°C", 30, 95, 0), ("Purse", "%", 5, 100, 0), ("Clatter", "MHz", 300, 980, 0),
)  # fmt: skip
_LOTUS = items_of(
    ("ល្បឿន", "fps", 20, 144, 1), ("ថាមពល", "W", 1, 12, 2), ("កម្ដៅ", "°C", 28, 46, 1),
    ("តង់ស្យុង", "V", 3, 4, 2), ("ថ្ម", "%", 5, 100, 0),
)  # fmt: skip
_SIGNET = items_of(
    ("✦", "fps", 20, 144, 0), ("❖", "W", 1, 12, 1), ("✱", "°C", 30, 95, 0), ("➤", "MHz", 300, 980, 0),
    ("❍", "%", 5, 100, 0),
)  # fmt: skip
_MONOGRAM = items_of(
    ("F", "", 20, 144, 0), ("W", "", 1, 12, 1), ("T", "", 30, 95, 0), ("G", "", 300, 980, 0),
    ("B", "", 5, 100, 0),
)  # fmt: skip
_QUARTET = items_of(
    ("Agility", "fps", 20, 144, 1), ("Exertion", "W", 1, 12, 2), ("Fever", "°C", 30, 95, 1),
    ("Stamina", "%", 5, 100, 0),
)  # fmt: skip
_TERRACE = items_of(
    ("images each second", "fps", 20, 144, 1), ("calmest stretch", "fps", 5, 60, 1),
    ("longest wait", "ms", 20, 300, 1), ("electric load", "W", 1, 12, 2),
    ("kiln of the chip", "°C", 40, 95, 1), ("touch of the case", "°C", 30, 45, 1),
    ("drum of the chip", "MHz", 300, 980, 0), ("spent of the tank", "%", 1, 60, 0),
)  # fmt: skip
_DIPTYCH = items_of(
    ("Dance", "fps", 20, 144, 1), ("Feast", "W", 1, 12, 2), ("Hearth", "°C", 30, 95, 1),
    ("Mantle", "°C", 25, 45, 1), ("Drumbeat", "MHz", 300, 980, 0), ("Granary", "%", 5, 100, 0),
)  # fmt: skip
_FOLIO = items_of(
    ("Screens a second", "fps", 20, 144, 1), ("At its slowest", "fps", 5, 60, 1),
    ("Longest hold", "ms", 20, 300, 1), ("Lent by the cell", "W", 1, 12, 2),
    ("Lent at the height", "W", 4, 15, 2), ("Used up", "%", 1, 60, 0),
    ("Engine room", "°C", 40, 95, 1), ("Outer wall", "°C", 30, 45, 1),
    ("Engine turns", "MHz", 300, 980, 0), ("Engine engaged", "%", 0, 100, 0),
)  # fmt: skip
_TOTEM = items_of(
    ("RENDERING", "fps", 20, 144, 1), ("CONSUMING", "W", 1, 12, 2), ("HEATING", "°C", 30, 95, 0),
    ("HOLDING", "%", 5, 100, 0),
)  # fmt: skip


def _flowing(*lines: list[Item], between: str = "") -> Callable[[Value], str]:
    def body(value: Value) -> str:
        return "".join(
            "<p>"
            + between.join(
                f"<span>{drawn_label(item)} {drawn_figure(item, value)} <u>{item.unit}</u></span>"
                for item in line
            )
            + "</p>"
            for line in lines
        )

    return body


def _diptych(value: Value) -> str:
    rows = "".join(
        "<tr>"
        + "".join(
            f"<td>{drawn_label(item)}</td><td>{drawn_figure(item, value, 'right')}</td><td><u>{item.unit}</u></td>"
            for item in (left, right)
        )
        + "</tr>"
        for left, right in zip(_DIPTYCH[:3], _DIPTYCH[3:], strict=True)
    )
    return f"<table>{rows}</table>"


def _tally(value: Value) -> str:
    heads = "".join(
        f'<th><i data-l="h{at}">{word}</i></th>' for at, word in enumerate(("calm", "storm"))
    )
    rows = []
    for at, (word, low, high, decimals) in enumerate((
        ("Turns, fps", 20, 144, 1), ("Turns, poorest, fps", 5, 60, 1), ("Stall, ms", 20, 300, 1),
        ("Diet, W", 1, 12, 2), ("Diet, richest, W", 4, 15, 2), ("Furnace, °C", 40, 95, 1),
        ("Hide, °C", 30, 45, 1), ("Remnant, %", 5, 100, 0),
    )):  # fmt: skip
        cells = "".join(
            f"<td>{drawn_figure(Item(f'f{at}_{side}', '', '', low, high, decimals), value, 'right')}</td>"
            for side in range(2)
        )
        rows.append(f'<tr><td><i data-l="r{at}">{word}</i></td>{cells}</tr>')
    title = '<h1 data-l="title">Tally of two voyages</h1>'
    return f"{title}<table><tr><th></th>{heads}</tr>{''.join(rows)}</table>"


def _folio(value: Value) -> str:
    found = ['<div id="head">Folio of the crossing</div>']
    for at, title in enumerate(("What was seen", "What was paid", "How it fared")):
        found.append(f'<h2 data-l="s{at}">{title}</h2>')
        for item in (_FOLIO[:3], _FOLIO[3:6], _FOLIO[6:])[at]:
            found.append(
                f"<article>{drawn_label(item)}<div>{drawn_figure(item, value, 'right')}<u>{item.unit}</u></div></article>"
            )
    return "".join(found)


LAYOUTS = (
    Layout("brook", "overlay", """
#o{background:rgba(18,46,30,.78);color:#effff2;font:700 13px/26px "Liberation Sans";white-space:nowrap;
 padding:0 10px;width:366px;border-bottom:2px solid #57b87a}
p{margin:0}i{font-style:normal;font-weight:400;color:#9fe0b4}s{text-decoration:none;color:#57b87a;margin:0 7px;font-weight:400}
u{text-decoration:none;font-weight:400;font-size:11px}""", _flowing(_BROOK, between="<s>|</s>")),
    Layout("reed", "overlay", """
#o{width:350px;color:#fff;font:900 14px/22px Roboto;white-space:nowrap;-webkit-text-stroke:3px #06121c;paint-order:stroke fill}
p{margin:0}span{margin-right:14px}i{font-style:normal;color:#ffdf70}u{text-decoration:none;font-size:11px}""",
        _flowing(_REED[:3], _REED[3:])),
    Layout("psalm", "overlay", """
#o{width:224px;color:#f6fff4;font:700 15px/23px "DejaVu Serif Condensed";text-shadow:0 0 2px #000,0 0 4px #000,1px 1px 1px #000}
p{display:grid;grid-template-columns:100px 58px 1fr;margin:0}i{font-style:normal;color:#ffe3b0}b{text-align:right}
u{text-decoration:none;font-size:11px;padding-left:6px}""", in_rows(_PSALM)),
    Layout("lotus", "overlay", """
#o{width:204px;background:rgba(236,244,232,.9);color:#18301e;padding:7px 12px;border-left:5px solid #6a9a4a}
p{display:grid;grid-template-columns:84px 60px 1fr;margin:0;font:400 15px/27px "Noto Sans Mono"}
i{font:400 14px/27px "Noto Serif Khmer";color:#3f6b2c}b{text-align:right;font-weight:700}
u{text-decoration:none;font-size:11px;padding-left:6px}""", in_rows(_LOTUS)),
    Layout("signet", "overlay", """
#o{width:128px;background:rgba(30,24,44,.72);color:#fff;padding:7px 10px;border-radius:8px}
p{display:grid;grid-template-columns:26px 44px 1fr;margin:0;font:400 16px/25px "DejaVu Math TeX Gyre"}
i{font:400 14px/25px "DejaVu Sans";color:#7fd6ff;font-style:normal}b{text-align:right}
u{text-decoration:none;font-size:11px;padding-left:5px}""", in_rows(_SIGNET)),
    Layout("monogram", "overlay", """
#o{width:84px;background:rgba(4,4,60,.75);color:#fff;padding:4px 9px;border:1px solid #9090ff}
p{display:grid;grid-template-columns:20px 1fr;margin:0;font:400 15px/20px "Noto Mono"}
i{font-style:normal;color:#b0b0ff}b{text-align:right;font-weight:400}u{display:none}""", in_rows(_MONOGRAM)),
    Layout("quartet", "overlay", """
#o{width:206px;background:#1d4f7a;color:#fff;padding:8px 14px;border-radius:2px 14px 2px 14px}
p{display:grid;grid-template-columns:92px 1fr 34px;margin:0;font:300 15px/24px "DejaVu Sans Light"}
b{text-align:right;font-weight:300}i{font-style:normal;color:#cfe6ff}u{text-decoration:none;font-size:11px;padding-left:6px}""",
        in_rows(_QUARTET)),
    Layout("terrace", "page", """
#o{background:#16211f;color:#e8f4ee;padding:18px 0;display:grid;grid-template-columns:166px 166px;gap:16px 20px;
 min-height:100vh;align-content:start;justify-content:center}
section{background:#243532;border-radius:0 20px 20px 0;padding:12px 14px;border-top:1px solid #4f7a70}
p{margin:3px 0 0}i{font:400 13px/18px "Noto Sans Math";color:#96c4b6}b{font:400 24px/30px "Noto Sans Math"}
u{text-decoration:none;font:400 12px "Noto Sans Math";padding-left:5px}""", in_cards(_TERRACE, above=True)),
    Layout("diptych", "overlay", """
#o{background:#5b1f24;color:#fff4e4;padding:7px 12px 9px;border:1px solid #d9a441;outline:1px solid #d9a441;outline-offset:-5px}
td{font:italic 400 15px/25px Lato;text-align:right;padding:0 0 0 3px}td:nth-child(3n+1){text-align:left;padding-left:10px;width:78px}
td:nth-child(3n+2){width:50px}td:nth-child(3n){width:34px;text-align:left}
i{font:500 18px/25px Z003;color:#f2cf8a}b{font-weight:400}u{text-decoration:none;font-size:11px}""", _diptych),
    Layout("tally", "page", """
#o{background:#fbf3ee;color:#3b1d2a;min-height:100vh;padding:14px 16px}h1{font:700 16px/28px "DejaVu Sans";margin:0 0 8px;width:max-content}
table{width:100%;border-collapse:collapse}th{text-align:right;padding-right:12px;border-bottom:2px solid #b0607c}
th i{font:700 13px/30px "DejaVu Sans";color:#a03a5c}td{font:400 14px/34px "DejaVu Sans";text-align:right;padding-right:12px;border-bottom:1px solid #ecd2cc}
td:first-child{text-align:left}i{font-style:normal;color:#7d4a5c}b{font-weight:400}""", _tally),
    Layout("folio", "page", """
#o{background:#28231c;color:#f5ecdc}#head{position:sticky;top:0;height:44px;background:#453a28;font:800 16px/44px "Open Sans";padding-left:18px}
h2{font:800 14px/22px "Open Sans";margin:20px 18px 4px;width:max-content;color:#f0b860}
article{display:flex;justify-content:space-between;margin:0 18px;font:300 15px/36px "Open Sans";border-bottom:1px solid #4c4334}
i{font-style:normal;color:#cbbda2}b{font-weight:800}u{text-decoration:none;font-size:12px;padding-left:4px}""", _folio),
    Layout("totem", "overlay", """
#o{width:104px;background:linear-gradient(rgba(90,20,90,.85),rgba(20,20,90,.85));color:#fff;padding:6px 8px;border-radius:12px}
section{border-bottom:1px solid rgba(255,255,255,.35);padding:3px 0}section:last-child{border:0}p{margin:0}
i{font:300 10px/13px "Fira Code Light";color:#f4d6ff;display:block;width:max-content}
b{font:300 20px/25px "Fira Code Light"}u{text-decoration:none;font:300 11px "Fira Code Light";padding-left:4px}""",
        in_cards(_TOTEM, above=True)),
)  # fmt: skip

WORDS = ("quartet", "folio", "psalm")
"""Layouts that are also looked for by their words alone."""

LOOK_ALIKES = {
    "quartet": Layout("quartet_swapped", "overlay", LAYOUTS[6].css,
                      in_rows([_QUARTET[0], _QUARTET[2], _QUARTET[1], _QUARTET[3]])),
    "lotus": Layout("lotus_again", "overlay", LAYOUTS[3].css, in_rows([
        _LOTUS[0],
        *items_of(("ចរន្ត", "W", 1, 12, 2), ("ត្រជាក់", "°C", 28, 46, 1)),
        *_LOTUS[3:],
    ])),
}  # fmt: skip
"""The same panels with two rows swapped, and with other words in two places."""

UNLIKE = {"quartet_swapped": ("f1", "f2"), "lotus_again": ("f1", "f2")}
"""Figures of the known layout whose place shows something else on its look-alike."""
