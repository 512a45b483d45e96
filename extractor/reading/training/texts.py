"""What lines say: figures of every kind as overlays write them, and label lines.

Digits are drawn evenly and without sense, so that a net learns shapes and no likely values.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from extractor.reading.training.charset import DRAWN

_WORDS = [
    "FPS",
    "fps",
    "Avg",
    "avg",
    "AVG",
    "Min",
    "min",
    "Max",
    "max",
    "Mean",
    "Low",
    "low",
    "High",
    "1%",
    "0.1%",
    "CPU",
    "GPU",
    "RAM",
    "Mem",
    "VRAM",
    "Temp",
    "temp",
    "Power",
    "power",
    "Battery",
    "Level",
    "Charge",
    "Voltage",
    "Current",
    "Load",
    "Usage",
    "Clock",
    "Core",
    "Rate",
    "Frame",
    "frame",
    "time",
    "Time",
    "Total",
    "Session",
    "Duration",
    "Stable",
    "Stutter",
    "Jank",
    "Limit",
    "limit",
    "on",
    "off",
    "On",
    "Off",
    "OK",
    "None",
    "none",
    "idle",
    "Fan",
    "Speed",
    "Net",
    "up",
    "down",
    "Down",
    "Up",
    "Upload",
    "Disk",
    "Read",
    "Write",
    "Screen",
    "Size",
    "Render",
    "Resolution",
    "Scale",
    "Quality",
    "Preset",
    "Ultra",
    "Medium",
    "Scene",
    "Round",
    "Test",
    "Score",
    "Median",
    "Peak",
    "Drain",
    "Device",
    "Chip",
    "Skin",
    "Case",
    "Sensor",
    "Heat",
    "Throttle",
    "throttled",
    "Level",
    "level",
    "Thread",
    "Process",
    "Delay",
    "Latency",
    "Input",
    "Ping",
    "Loss",
    "Variance",
    "Smooth",
    "share",
    "above",
    "below",
    "floor",
    "per",
    "frame",
    "of",
    "and",
    "to",
    "Energy",
    "Capacity",
    "Full",
    "empty",
    "Dauer",
    "Leistung",
    "Spannung",
    "Bildrate",
    "Temperatur",
    "Niedrig",
    "puissance",
    "moyenne",
    "batterie",
    "durata",
    "media",
    "potencia",
    "promedio",
    "tiempo",
    "nivel",
]
_UNITS = {
    "decimal": [
        "fps",
        "FPS",
        "W",
        "mW",
        "ms",
        "s",
        "V",
        "A",
        "mA",
        "mAh",
        "Wh",
        "GB",
        "MB",
        "GHz",
        "MHz",
        "J",
        "°C",
        "°F",
        "x",
        "px",
        "Hz",
        "dB",
        "Ω",
        "µs",
        "Mb/s",
    ],
    "integer": [
        "fps",
        "FPS",
        "MHz",
        "mA",
        "mV",
        "mAh",
        "mW",
        "rpm",
        "RPM",
        "ms",
        "MB",
        "GB",
        "px",
        "Hz",
        "°C",
        "°",
        "K",
        "x",
        "nits",
        "Mpx",
    ],
    "percentage": ["%"],
    "temperature": ["°C", "°F", "°", "C"],
}
_LOOK_ALIKES = "1lI7|!0OoQD8B35S6GbZ2z9gq.,:;'`·°-–_~=+x×*%/\\()[]{}"
KINDS = [
    "integer",
    "decimal",
    "signed",
    "percentage",
    "temperature",
    "thousands",
    "duration",
    "clock",
    "size",
    "missing",
    "word",
    "mixed",
]
_SHARES = np.array([20, 26, 6, 9, 5, 5, 6, 6, 5, 2, 12, 4], float)


@dataclass(frozen=True, slots=True)
class Text:
    """A caption before, a figure, and a unit after it; all but ``figure`` may be empty."""

    kind: str
    caption: str
    figure: str
    unit: str


def _digits(rng: np.random.Generator, n: int, lead: bool = True) -> str:
    """Draw n digits, the first no 0 if ``lead``; one in eight repeats one or two digits."""
    if rng.random() < 0.12:
        few = rng.integers(0, 10, 2)
        drawn = few[rng.integers(0, 2, n)]
    else:
        drawn = rng.integers(0, 10, n)
    if lead and n > 1 and drawn[0] == 0:
        drawn[0] = rng.integers(1, 10)
    return "".join(map(str, drawn))


def _length(rng: np.random.Generator) -> int:
    return int(rng.choice([1, 2, 3, 4, 5], p=[0.14, 0.38, 0.26, 0.17, 0.05]))


def _mark(rng: np.random.Generator) -> str:
    return "." if rng.random() < 0.75 else ","


def _decimal(rng: np.random.Generator) -> str:
    after = int(rng.choice([1, 2, 3], p=[0.6, 0.3, 0.1]))
    return _digits(rng, _length(rng)) + _mark(rng) + _digits(rng, after, lead=False)


def _two(rng: np.random.Generator) -> str:
    return f"{rng.integers(0, 60):02d}"


def _duration(rng: np.random.Generator) -> str:
    gap = " " if rng.random() < 0.7 else ""
    names = [("h", "min", "s"), ("h", "m", "s"), ("hr", "min", "sec"), ("d", "h", "m")]
    first, second, third = names[rng.integers(len(names))]
    a, b, c = _digits(rng, int(rng.integers(1, 3))), str(rng.integers(0, 60)), _two(rng)
    forms = (
        f"{a}{gap}{first} {b}{gap}{second}",
        f"{b}{gap}{second} {c}{gap}{third}",
        f"{a}{gap}{first} {b}{gap}{second} {c}{gap}{third}",
        f"{a}{first}{c}{second}",
    )
    return forms[rng.integers(len(forms))]


def _clock(rng: np.random.Generator) -> str:
    form = rng.integers(4)
    if form == 0:
        return f"{_digits(rng, int(rng.integers(1, 3)))}:{_two(rng)}:{_two(rng)}"
    if form == 1:
        return f"{_two(rng)}:{_two(rng)}"
    if form == 2:
        return f"{_digits(rng, int(rng.integers(1, 4)))}:{_two(rng)}.{_digits(rng, 1)}"
    return f"{_digits(rng, int(rng.integers(1, 3)))}:{_two(rng)}"


def _thousands(rng: np.random.Generator) -> str:
    mark = str(rng.choice([",", ".", " ", "'"], p=[0.4, 0.2, 0.25, 0.15]))
    groups = [_digits(rng, int(rng.integers(1, 4)))]
    groups += [_digits(rng, 3, lead=False) for _ in range(1 if rng.random() < 0.8 else 2)]
    text = mark.join(groups)
    if rng.random() < 0.25:
        text += ("." if mark != "." else ",") + _digits(rng, int(rng.integers(1, 3)), lead=False)
    return text


def _size(rng: np.random.Generator) -> str:
    times = str(
        rng.choice(["×", "x", "X", " × ", " x ", "*"], p=[0.4, 0.25, 0.05, 0.2, 0.08, 0.02])
    )
    return times.join(_digits(rng, int(rng.integers(3, 5))) for _ in range(2))


def _random_word(rng: np.random.Generator) -> str:
    n = int(rng.integers(1, 9))
    letters = "abcdefghijklmnopqrstuvwxyz"
    kind = rng.integers(5)
    if kind == 0:
        pool = letters.upper()
    elif kind == 1:
        pool = _LOOK_ALIKES
    elif kind == 2:
        pool = DRAWN[1:]
    else:
        pool = letters
    word = "".join(pool[k] for k in rng.integers(0, len(pool), n))
    return word.capitalize() if kind == 3 else word


def words(rng: np.random.Generator) -> str:
    """Draw a label of one to four words."""
    count = int(rng.choice([1, 2, 3, 4], p=[0.5, 0.3, 0.14, 0.06]))
    drawn = [
        _random_word(rng) if rng.random() < 0.45 else _WORDS[rng.integers(len(_WORDS))]
        for _ in range(count)
    ]
    label = " ".join(drawn)
    change = rng.random()
    if change < 0.1:
        label = label.upper()
    elif change < 0.15:
        label += str(rng.choice([":", "…", " →", " (", ")", " ·", " |", " –", "!", "?"]))
    elif change < 0.2:
        label = str(rng.choice(["· ", "→ ", "(", "± ", "√", "– ", "#"])) + label
    return label


def _figure(rng: np.random.Generator, kind: str) -> str:
    if kind in ("integer", "percentage", "temperature"):
        plain = rng.random() < (1.0 if kind == "integer" else 0.6)
        return _digits(rng, _length(rng)) if plain else _decimal(rng)
    if kind == "signed":
        sign = str(rng.choice(["-", "−", "–", "+", "±"], p=[0.4, 0.3, 0.08, 0.17, 0.05]))
        return sign + (_digits(rng, _length(rng)) if rng.random() < 0.5 else _decimal(rng))
    if kind == "missing":
        return str(rng.choice(["--", "-", "–", "N/A", "n/a", "---", "?", "…", "--.-", "−"]))
    if kind == "mixed":
        parts = [_figure(rng, KINDS[rng.integers(0, 4)]) for _ in range(2)]
        return str(rng.choice(["/", " / ", "-", " – ", " | ", " · ", "→", " ± ", "~"])).join(parts)
    makers = {
        "decimal": _decimal, "thousands": _thousands, "duration": _duration, "clock": _clock,
        "size": _size, "word": words,
    }  # fmt: skip
    return makers[kind](rng)


def draw(rng: np.random.Generator) -> Text:
    """Draw what one line says."""
    kind = KINDS[rng.choice(len(KINDS), p=_SHARES / _SHARES.sum())]
    figure = _figure(rng, kind)
    units = _UNITS.get(kind) or _UNITS["decimal" if kind == "signed" else "integer"]
    with_unit = kind in _UNITS or kind in ("signed", "thousands", "size", "missing")
    unit = ""
    if with_unit and rng.random() < (0.85 if kind in ("percentage", "temperature") else 0.5):
        unit = units[rng.integers(len(units))]
    caption = words(rng) if kind != "word" and rng.random() < 0.35 else ""
    return Text(kind, caption, figure, unit)
