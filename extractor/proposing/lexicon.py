"""What the words and units around a figure say of it; English, and a few words of its neighbours.

A guess is offered to a person, never relied on: what no word tells stays open.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal, get_args

from extractor.calibration.model import Quantity, Statistic, Unit
from extractor.calibration.rules import UNITS

Sensor = Literal["battery", "chip", "skin", "ambient"]

# As drawn, without spaces and case -> the unit of a calibration.
_UNITS = {
    "fps": "fps", "f/s": "fps", "frames/s": "fps", "hz": "fps",
    "ms": "ms", "msec": "ms",
    "s": "s", "sec": "s",
    "w": "W", "watt": "W", "watts": "W", "mw": "mW",
    "ma": "mA", "a": "A", "amp": "A",
    "v": "V", "volt": "V", "volts": "V", "mv": "mV",
    "°c": "Cel", "°°c": "Cel", "ºc": "Cel", "c": "Cel", "oc": "Cel", "degc": "Cel",
    "°f": "[degF]", "°°f": "[degF]", "ºf": "[degF]",
    "mhz": "MHz", "ghz": "GHz",
    "%": "%", "percent": "%",
    "px": "px",
    "mah": "mA.h", "ma·h": "mA.h", "ma.h": "mA.h", "ma•h": "mA.h",
    "wh": "W.h", "w·h": "W.h", "w.h": "W.h", "w•h": "W.h",
    "mb": "MiBy", "mib": "MiBy", "gb": "GiBy", "gib": "GiBy",
    "cd/m2": "cd/m2", "cd/m": "cd/m2", "nits": "cd/m2", "nit": "cd/m2",
}  # fmt: skip

_LONG_UNIT = 4

# How units are drawn, where readers take liberties with case and signs.
_DRAWN = {"Cel": "°C", "[degF]": "°F", "mA.h": "mA·h", "W.h": "W·h", "cd/m2": "cd/m²"}

UNIT_QUANTITY = {
    "fps": "frame_rate", "ms": "frame_time", "W": "power", "mW": "power", "A": "current",
    "mA": "current", "V": "voltage", "mV": "voltage", "Cel": "temperature",
    "[degF]": "temperature", "MHz": "clock", "GHz": "clock", "px": "render_size",
    "mA.h": "charge", "W.h": "energy", "MiBy": "memory", "GiBy": "memory",
    "cd/m2": "brightness",
}  # fmt: skip
"""Quantities that a unit alone tells; % and s tell none."""

# The first that fits counts. Stems of words: English, then other languages of Latin script.
_QUANTITIES = (
    ("share_at_floor", r"\b(time|share|frames?)\b.*\b(at|above|over)\b.*\d|smooth|\bda \d+ fps"),
    ("frame_time", r"frame ?time|one frame|per frame|a frame|latency|zeit je bild"),
    ("frame_rate", r"\bfps\b|\brate\b|\bpace\b|frames? (a|per) second|frame ?rate|cadenz|bildrate"
                   r"|\b1 ?% low|\d ?% (low|slow)|\b(slow|fast)est\b|cadence"),
    ("render_size", r"resol|render|drawn at|\bsize\b|auflös|risoluz|résol"),
    ("outcome", r"\bended\b|\bresult\b|\boutcome\b|\bstatus\b|\bverdict\b|ergebnis|esito|résultat"),
    ("temperature", r"temp|warm|heat|therm|\bhot|°"),
    ("clock", r"clock|freq|\bmhz\b|takt|fréq"),
    ("charge", r"\bcharge (out|used|drawn|total)|\bmah\b|discharged"),
    ("energy", r"energy|energie|\bwh\b"),
    ("capacity", r"capacity"),
    ("voltage", r"volt|\bspannung|tension"),
    ("current", r"current|\bamps?\b|corrent|\bstrom\b|courant"),
    ("power", r"power|\bdraw\b|watt|potenz|leistung|puissance"),
    ("brightness", r"bright|\blight\b|\bnits?\b|hellig|luminos"),
    ("memory", r"memory|\bram\b|speicher"),
    ("load", r"\bload\b|busy|usage|\butil|\bcaric|auslast"),
    ("level", r"level|\bleft\b|remain|\bcharge\b|\bbattery\b|akku|batteria|batterie"),
    ("count", r"\bframes\b|\bcount|fotogramm|\bbilder\b"),
    ("duration", r"time|length|durat|running|elapsed|hours|minutes|dauer|durata|durée"),
)  # fmt: skip
_STATISTICS = (
    ("low_1_percent", r"\b1 ?%.{0,12}(low|slow|lent|lang)|low 1 ?%|1 percent low"),
    (
        "lowest",
        r"\blow|\bleast|(?<![:\d])(?<!\d )\bmin(?!ut|:)|slowest|coolest|coldest|niedr|mínim",
    ),
    ("highest", r"\bhigh|\bpeak|\bmax|fastest|warmest|hottest|\bmost\b|\btop\b|höch|massim|máxim"),
    ("median", r"median"),
    ("mean", r"\bmean|\bavg|averag|\bmedia\b|mittel|durchschn|moyen|médi|so far"),
    ("spread", r"spread|deviat|jitter|stdev|\bsd\b"),
    ("start", r"\bbefore\b|\bfrom\b|\bstart|\bbegin|\binitial"),
    ("end", r"\bafter\b|^to\b|\bend\b|\bfinal|\bat end"),
    ("total", r"total|\bused\b|\bout\b|\bdrawn from\b|gesamt|totale"),
)
_SENSORS: tuple[tuple[Sensor, str], ...] = (
    ("battery", r"batter|\bpack\b|akku|\bcell\b|\bbatt?\b"),
    ("chip", r"\bchip|\bsoc\b|\bcpu|\bgpu|processor|\bcore|\bdie\b"),
    ("skin", r"\bskin|\bshell|\bcase\b|surface|\bbody\b|housing|\bback\b"),
    ("ambient", r"ambient|\broom\b|\bair\b|outside"),
)
_SUBJECTS = ("gpu", "cpu", "screen")
_TOTALS = {"duration", "charge", "energy", "count", "outcome"}

# What handhelds show at most, as wide as a believable figure may lie (common practice).
BOUNDS: dict[str, tuple[float, float]] = {
    "fps": (0, 500), "ms": (0, 5000), "W": (-100, 100), "mW": (-100000, 100000),
    "A": (-20, 20), "mA": (-20000, 20000), "V": (2, 30), "mV": (2000, 30000),
    "Cel": (-30, 130), "[degF]": (-20, 260), "MHz": (0, 6000), "GHz": (0, 6), "%": (0, 100),
    "s": (0, 172800), "mA.h": (0, 30000), "W.h": (0, 120), "MiBy": (0, 100000),
    "GiBy": (0, 100), "cd/m2": (0, 10000),
}  # fmt: skip
COUNT_BOUNDS = (0.0, 100_000_000.0)


@dataclass(frozen=True, slots=True)
class Meaning:
    """What the words around a figure say of it; '' or None where they say nothing."""

    quantity: str = ""
    statistic: str = ""
    sensor: Sensor | None = None
    subject: str = ""
    duration: str = ""


def plain(text: str) -> str:
    """``text`` for comparison: compatible forms as one, no case, single spaces."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def unit_of(drawn: str) -> str:
    """The unit that is drawn as ``drawn``, '' if it is none that is known.

    In the longer ones a reader may have slipped in one character.
    """
    text = plain(drawn).replace(" ", "").strip("()[],;:|")
    if text in _UNITS or len(text) < _LONG_UNIT:
        return _UNITS.get(text, "")
    near = {
        unit
        for spelling, unit in _UNITS.items()
        if len(spelling) == len(text)
        and sum(one != other for one, other in zip(spelling, text, strict=True)) == 1
    }
    return near.pop() if len(near) == 1 else ""


def drawn_unit(text: str) -> str:
    """The unit as it is drawn, where readers slip (case, degree signs)."""
    unit = unit_of(text)
    return _DRAWN.get(unit, unit) if unit else text.strip()


def meaning(*texts: str) -> Meaning:
    """What words say of a figure: the label first, then what heads its column or its card."""
    found = [_meaning(plain(text)) for text in texts if text.strip()]

    def first(name: str) -> str:
        return next((getattr(each, name) for each in found if getattr(each, name)), "")

    sensor = next((each.sensor for each in found if each.sensor), None)
    return Meaning(
        first("quantity"), first("statistic"), sensor, first("subject"), first("duration")
    )


def _meaning(text: str) -> Meaning:
    sensor: Sensor | None = next((name for name, stems in _SENSORS if re.search(stems, text)), None)
    form = ""
    if re.search(r"\bh(ours?|rs?)?:m(in)?", text):
        form = "h:m"
    elif re.search(r"\bm(in)?:s(ec)?", text):
        form = "m:s"
    return Meaning(
        next((name for name, stems in _QUANTITIES if re.search(stems, text)), ""),
        next((name for name, stems in _STATISTICS if re.search(stems, text)), ""),
        sensor,
        next((name for name in _SUBJECTS if re.search(rf"\b{name}\b", text)), ""),
        form,
    )


def usual_statistic(quantity: str) -> str:
    """The statistic of a figure whose words name none."""
    return "total" if quantity in _TOTALS else "now"


_STEMS = {"duration": "run_time", "share_at_floor": "smooth_share", "other": "figure"}
_USUAL_NAMES = {
    "level": "battery_level", "charge": "charge_used", "energy": "energy_used",
    "count": "frame_count",
}  # fmt: skip


def name_of(quantity: str, statistic: str, sensor: str | None, subject: str, kind: str) -> str:
    """A readout's name from what it measures."""
    stem = "word" if quantity == "other" and kind == "word" else _STEMS.get(quantity, quantity)
    if statistic == usual_statistic(quantity):
        stem = _USUAL_NAMES.get(quantity, stem)
    if sensor:
        stem = f"{sensor}_{stem}"
    elif quantity in ("clock", "load") and subject:
        stem = f"{subject}_{stem}"
    plain_name = statistic == usual_statistic(quantity) or quantity == "share_at_floor"
    return stem if plain_name else f"{stem}_{statistic}"


def vocabulary() -> list[dict[str, object]]:
    """Everything that can be measured, for a page to choose from: names, units, bounds."""
    quantities: list[dict[str, object]] = []
    for quantity in get_args(Quantity):
        sensors = [name for name, _ in _SENSORS] if quantity == "temperature" else [None]
        for sensor in sensors:
            usual = usual_statistic(quantity)
            units = list(UNITS.get(quantity, get_args(Unit)))
            entry: dict[str, object] = {
                "quantity": quantity,
                "sensor": sensor,
                "usual": usual,
                "names": {
                    statistic: name_of(quantity, statistic, sensor, "", "number")
                    for statistic in get_args(Statistic)
                },
                "units": units,
                "bounds": {
                    unit: COUNT_BOUNDS if quantity == "count" else BOUNDS[unit]
                    for unit in units
                    if unit in BOUNDS or quantity == "count"
                },
            }
            quantities.append(entry)
    return quantities
