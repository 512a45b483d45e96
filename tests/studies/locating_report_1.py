# ruff: noqa: E501  style sheets and tables of figures
"""Twelve overlays for study_locating.py: the first report set, by whose captures a limit was chosen.

They differ from the tuning set (locating_layouts.py) in fonts, words, panels and arrangement. Figures
come from locating_report.py, drawn after the limit was chosen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

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

_TICKER = items_of(
    ("tempo", "fps", 20, 144, 0), ("span", "ms", 7, 50, 1), ("uptake", "W", 1, 12, 2),
    ("core", "°C", 30, 95, 0), ("shader", "MHz", 300, 980, 0), ("store", "%", 5, 100, 0),
)  # fmt: skip
_LADDER = items_of(
    ("cadence", "", 20, 144, 1), ("appetite", "", 1, 12, 2), ("ember", "", 30, 95, 1),
    ("gallop", "", 300, 980, 0), ("vessel", "", 5, 100, 0), ("strain", "", 0, 100, 0),
)  # fmt: skip
_PAIRS = items_of(
    ("Quickness", "fps", 20, 144, 1), ("Hunger", "W", 1, 12, 2), ("Outer heat", "°C", 25, 45, 1),
    ("Inner heat", "°C", 30, 95, 1), ("Pressure", "V", 3, 4, 2), ("Stream", "mA", 200, 3900, 0),
    ("Rhythm", "MHz", 300, 980, 0), ("Reserve", "%", 5, 100, 0),
)  # fmt: skip
_PILLS = items_of(
    ("pictures", "fps", 20, 144, 0), ("intake", "W", 1, 12, 1), ("hull", "°C", 25, 45, 1),
    ("fuel", "%", 5, 100, 0),
)  # fmt: skip
_SHADE = items_of(
    ("Swiftness", "fps", 20, 144, 1), ("Burden", "W", 1, 12, 2), ("Kernel", "°C", 30, 95, 0),
    ("Pulse", "MHz", 300, 980, 0), ("Supply left", "%", 5, 100, 0),
)  # fmt: skip
_MOSAIC = items_of(
    ("pictures in a second", "fps", 20, 144, 1), ("slowest tenth", "fps", 5, 60, 1),
    ("drawn from the cell", "W", 1, 12, 2), ("peak of the draw", "W", 4, 15, 2),
    ("warmth of the die", "°C", 40, 95, 1), ("warmth of the shell", "°C", 30, 45, 1),
    ("beats of the die", "MHz", 300, 980, 0), ("left in the cell", "%", 5, 100, 0),
)  # fmt: skip
_JOURNAL = items_of(
    ("Views a second", "fps", 20, 144, 1), ("Fewest views", "fps", 5, 60, 0),
    ("Slowest view", "ms", 20, 300, 1), ("Appetite", "W", 1, 12, 2),
    ("Appetite at most", "W", 4, 15, 2), ("Eaten", "%", 1, 60, 0),
    ("Hot spot", "°C", 40, 95, 1), ("Palm rest", "°C", 30, 45, 1),
)  # fmt: skip
_TAMIL = items_of(
    ("வேகம்", "fps", 20, 144, 1), ("சக்தி", "W", 1, 12, 2), ("வெப்பம்", "°C", 28, 46, 1),
    ("மின்னழுத்தம்", "V", 3, 4, 2), ("இருப்பு", "%", 5, 100, 0),
)  # fmt: skip
_CHEROKEE = items_of(
    ("ᎠᏂᏥᎸᏍᎩ", "fps", 20, 144, 0), ("ᎠᎾᎦᎵᏍᎩ", "W", 1, 12, 1), ("ᎤᏗᎴᎩ", "°C", 28, 46, 1),
    ("ᎠᏟᎢᎵᏒ", "%", 5, 100, 0),
)  # fmt: skip
_GAUGE = items_of(
    ("◆", "fps", 20, 144, 0), ("▲", "W", 1, 12, 1), ("●", "°C", 30, 95, 0), ("■", "%", 5, 100, 0),
    ("✚", "MHz", 300, 980, 0),
)  # fmt: skip
_CROWN = items_of(
    ("Shown", "fps", 20, 144, 1), ("Taken", "W", 1, 12, 2), ("Die", "°C", 30, 95, 0),
    ("Cell", "°C", 25, 45, 1), ("Kept", "%", 5, 100, 0),
)  # fmt: skip


def _ticker(value: Value) -> str:
    def line(part: Sequence[Item]) -> str:
        return "".join(
            f"<span>{drawn_label(item)} {drawn_figure(item, value)} <u>{item.unit}</u></span>"
            for item in part
        )

    return f"<p>{line(_TICKER[:3])}</p><p>{line(_TICKER[3:])}</p>"


def _pairs(value: Value) -> str:
    cells = "".join(
        f"<td>{drawn_label(item)}</td><td>{drawn_figure(item, value, 'right')}</td><td><u>{item.unit}</u></td>"
        + ("</tr><tr>" if at % 2 else "")
        for at, item in enumerate(_PAIRS)
    )
    return f'<h1 data-l="title">Held now</h1><table><tr>{cells}</tr></table>'


def _journal(value: Value) -> str:
    rows = "".join(
        f"<p>{drawn_label(item)}<span>{drawn_figure(item, value, 'right')}<u>{item.unit}</u></span></p>"
        for item in _JOURNAL
    )
    return f'<h1 data-l="title">Journal of a ride</h1><div>{rows}</div>'


def _matrix(value: Value) -> str:
    heads = "".join(f'<th><i data-l="h{at}">{word}</i></th>'
                    for at, word in enumerate(("pace", "draw, W", "die, °C", "kept, %")))  # fmt: skip
    spans = ((20, 144, 1), (1, 12, 2), (30, 95, 1), (5, 100, 0))
    found = []
    for row, word in enumerate(("first lap", "second lap", "third lap", "fourth lap", "fifth lap")):
        cells = "".join(
            f"<td>{drawn_figure(Item(f'f{row}_{at}', '', '', *span), value, 'right')}</td>"
            for at, span in enumerate(spans)
        )
        found.append(f'<tr><td><i data-l="r{row}">{word}</i></td>{cells}</tr>')
    return f"<table><tr><th></th>{heads}</tr>{''.join(found)}</table>"


LAYOUTS = (
    Layout("ticker", "overlay", """
#o{background:#ffe9a8;color:#3a2600;font:600 14px/24px "Open Sans Condensed";white-space:nowrap;
 padding:4px 10px;width:340px;border-left:6px solid #b56a00}
p{margin:0}span{margin-right:18px}i{font-style:italic;font-weight:400;color:#7a4a00}
u{text-decoration:none;font-weight:400}""", _ticker),
    Layout("ladder", "overlay", """
#o{width:208px;background:rgba(0,0,0,.88);color:#7dff9a;padding:8px 10px;border:2px dashed #2e7d46}
p{display:grid;grid-template-columns:108px 1fr;margin:0;font:700 15px/22px "Nimbus Mono PS"}
b{text-align:right}i{font-style:normal;font-weight:400}u{display:none}""", in_rows(_LADDER)),
    Layout("pairs", "overlay", """
#o{background:#f3ead2;color:#2d1f10;padding:8px 12px 10px;border:3px double #8a6a3a}
h1{font:italic 700 15px/22px "Noto Serif";margin:0 0 4px;display:inline-block}
td{font:400 13px/21px "Noto Serif";text-align:right;padding:0 0 0 3px}td:nth-child(3n+1){text-align:left;padding-left:12px}
td:nth-child(3n+2){width:60px}td:nth-child(3n){width:36px;text-align:left}
i{font-style:normal}b{font-weight:700}u{text-decoration:none;font-size:11px}""", _pairs),
    Layout("pills", "overlay", """
#o{width:172px;color:#fff}p{margin:0 0 7px;padding:0 14px;border-radius:14px;font:600 15px/28px "URW Gothic";
 display:grid;grid-template-columns:70px 44px 1fr}p:nth-child(1){background:#214d8c}p:nth-child(2){background:#8c3b21}
p:nth-child(3){background:#5a2a78}p:nth-child(4){background:#1f6b46}b{text-align:right}i{font-style:normal;font-weight:400;font-size:13px}
u{text-decoration:none;font-weight:400;font-size:11px;padding-left:6px}""", in_rows(_PILLS)),
    Layout("shade", "overlay", """
#o{width:236px;color:#fffbe8;font:600 16px/24px "URW Bookman";text-shadow:0 0 2px #000,0 0 3px #000,1px 2px 2px #000}
p{display:grid;grid-template-columns:108px 62px 1fr;margin:0}i{font-style:normal}b{text-align:right}
u{text-decoration:none;font-size:12px;padding-left:6px}""", in_rows(_SHADE)),
    Layout("mosaic", "page", """
#o{background:#ece6f7;color:#2a1850;padding:14px;display:grid;grid-template-columns:1fr 1fr;gap:14px;
 min-height:100vh;align-content:start}
section{background:#faf8ff;border-radius:4px;padding:14px 16px;border-left:5px solid #8f6fd8}
p{margin:2px 0 0}i{font:500 12px/18px "Inter Display";color:#6d5a98}b{font:800 26px/32px "Inter Display"}
u{text-decoration:none;font:400 13px "Inter Display";padding-left:5px}""", in_cards(_MOSAIC, above=True)),
    Layout("journal", "page", """
#o{background:#e3ece4;color:#16301c;min-height:100vh;padding:16px}
h1{font:600 18px/30px "Noto Serif Display";margin:0 0 10px;width:max-content}
div div{background:#fbfffb;border-radius:18px;padding:8px 18px}p{display:flex;justify-content:space-between;margin:0;
 font:500 15px/40px "Lato";border-bottom:1px solid #d3e0d5}p:last-child{border:0}
i{font-style:normal;color:#49624f}b{font-weight:900}u{text-decoration:none;font-weight:400;font-size:13px;padding-left:4px}""",
        _journal),
    Layout("tamil", "overlay", """
#o{width:222px;background:rgba(58,12,40,.9);color:#ffe9f4;padding:9px 14px;border-top:4px solid #e85c9b}
p{display:grid;grid-template-columns:112px 54px 1fr;margin:0;font:400 15px/26px "DejaVu Sans Condensed"}
i{font:500 13px/26px "Noto Serif Tamil";color:#ffb9d8}b{text-align:right}
u{text-decoration:none;font-size:11px;padding-left:6px}""", in_rows(_TAMIL)),
    Layout("lodge", "overlay", """
#o{width:400px;background:rgba(4,62,66,.84);padding:8px 16px;display:grid;grid-template-columns:repeat(4,1fr);color:#e9fffb}
section{border-left:2px solid #39a8a0;padding-left:8px}p{margin:0}
i{font:600 11px/18px "Noto Sans Cherokee";color:#9fe6dc;display:block;width:max-content}
b{font:400 20px/26px "Noto Sans Display"}u{text-decoration:none;font:400 11px "Noto Sans Display";padding-left:4px}""",
        in_cards(_CHEROKEE, above=True)),
    Layout("matrix", "page", """
#o{background:#fff;color:#1c2430;min-height:100vh;padding:16px 12px}table{width:100%;border-collapse:collapse}
th{background:#223a5e;text-align:right;padding-right:10px}th i{font:700 13px/34px "Nimbus Sans Narrow";color:#fff}
td{font:400 16px/36px "Nimbus Sans Narrow";text-align:right;padding-right:10px}td:first-child{text-align:left;padding-left:10px}
tr:nth-child(odd) td{background:#eef2f8}i{font-style:normal}b{font-weight:400}""", _matrix),
    Layout("gauge", "overlay", """
#o{width:118px;background:rgba(18,18,18,.8);color:#fff;padding:6px 9px;border-radius:0 16px 16px 0}
p{display:grid;grid-template-columns:22px 42px 1fr;margin:0;font:700 15px/25px "DejaVu Sans Mono"}
i{font:400 15px/25px "DejaVu Sans";color:#ffb347;font-style:normal}b{text-align:right;letter-spacing:-.5px}
u{text-decoration:none;font-size:10px;padding-left:5px}""", in_rows(_GAUGE)),
    Layout("crown", "overlay", """
#o{width:520px;background:linear-gradient(#3d4a5c,#232c38);padding:5px 0;display:grid;grid-template-columns:repeat(5,1fr);
 border-bottom:3px solid #d0a030;color:#f4f6fa}
section{text-align:center}p{margin:0}b{font:500 18px/24px "Nimbus Roman"}
u{text-decoration:none;font:400 12px "Nimbus Roman";padding-left:3px}
i{font:italic 400 13px/16px "Nimbus Roman";color:#ffdf94}""", in_cards(_CROWN, above=False, align="centre")),
)  # fmt: skip

WORDS = ("pairs", "mosaic", "shade")
"""Layouts that are also looked for by their words alone."""

LOOK_ALIKES = {
    "ladder": Layout("ladder_swapped", "overlay", LAYOUTS[1].css,
                     in_rows([_LADDER[0], _LADDER[2], _LADDER[1], *_LADDER[3:]])),
    "tamil": Layout("tamil_again", "overlay", LAYOUTS[7].css, in_rows([
        _TAMIL[0],
        *items_of(("மின்சாரம்", "W", 1, 12, 2), ("குளிர்", "°C", 28, 46, 1)),
        *_TAMIL[3:],
    ])),
}  # fmt: skip
"""The same panels with two rows swapped, and with other words in two places."""

UNLIKE = {"ladder_swapped": ("f1", "f2"), "tamil_again": ("f1", "f2")}
"""Figures of the known layout whose place shows something else on its look-alike."""
