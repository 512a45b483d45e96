"""The samples' truth as the tables that ``compare`` takes, and the model they were drawn from."""

from __future__ import annotations

import csv
import importlib
import sys
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import pandas as pd

from extractor.calibration import load_calibrations
from extractor.calibration.model import Calibration, Trace
from extractor.session import Session, load_session

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_frames"
TRUNCATING = ("table",)
_LINES = (
    ("cards", "frame_rate", "frame_rate", "fps", None),
    ("cards", "battery_temperature", "temperature", "Cel", "battery"),
    ("table", "power", "power", "W", None),
)


def rows(name: str) -> list[dict[str, str]]:
    with (SAMPLES / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def half_width(text: str, layout: str, unit: str) -> float:
    """Half of the last shown digit, a whole one where the layout truncates."""
    mark = "," if layout in TRUNCATING else "."
    decimals = len(text.partition(mark)[2]) if mark in text else 0
    step = (60.0 if layout == "battery" else 1.0) if ":" in text else 10.0**-decimals
    return step if layout in TRUNCATING else step / 2


@cache
def readings() -> pd.DataFrame:
    """What a perfect reader would give, with the true facts; the recording once a second."""
    facts = {row["capture"]: row for row in rows("facts_truth.csv")}
    places = _boxes()
    table = []
    for row in _sampled(rows("truth.csv")):
        whose = facts[row["capture"]]
        stem = Path(row["capture"]).stem.split("_")
        table.append(
            {
                "capture": row["capture"],
                "at_s": float(row["at_s"]) if row["at_s"] else float("nan"),
                "taken": _taken(stem),
                "layout": row["layout"],
                "readout": row["readout"],
                "text": row["text"],
                "value": float(row["value"]) if row["value"] else float("nan"),
                "candidate": float("nan"),
                "half_width": half_width(row["text"], row["layout"], row["unit"])
                if row["value"]
                else float("nan"),
                "unit": row["unit"],
                "confidence": 0.9999,
                "flags": "",
                "why": "",
                "source": "read" if row["text"] != "--" else "missing",
                "decided_text": "",
                "settled_flags": "",
                **places.get((row["capture"], row["layout"], row["readout"]), _NO_BOX),
                **{name: whose[name] for name in ("device", "variant", "round", "attempt")},
            }
        )
    return pd.DataFrame(table)


_NO_BOX = dict.fromkeys("xywh", float("nan"))


def _boxes() -> dict[tuple[str, ...], dict[str, float]]:
    """Where `ocrlog extract` found the figures of summaries (whole px), for their crops."""
    with (Path(__file__).parent / "compared_boxes.csv").open(newline="", encoding="utf-8") as file:
        return {
            (row["capture"], row["layout"], row["readout"]): {
                side: float(row[side]) for side in "xywh"
            }
            for row in csv.DictReader(file)
        }


def _taken(parts: list[str]) -> str:
    day, time = parts[-2:]
    if not (day.isdigit() and time.isdigit() and len(day) == 8):
        return ""
    return f"{day[:4]}-{day[4:6]}-{day[6:]}T{time[:2]}:{time[2:4]}:{time[4:]}"


def _sampled(truth: list[dict[str, str]]) -> list[dict[str, str]]:
    """In the recording a row stands where a text changes: sample those once a second."""
    stills = [row for row in truth if not row["at_s"]]
    changes: dict[tuple[str, ...], list[dict[str, str]]] = {}
    for row in truth:
        if row["at_s"]:
            changes.setdefault((row["capture"], row["layout"], row["readout"]), []).append(row)
    frames = []
    for them in changes.values():
        for second in range(60):
            shown = [row for row in them if float(row["at_s"]) <= second + 1e-6]
            if shown and shown[-1]["text"]:
                frames.append({**shown[-1], "at_s": str(second)})
    return stills + frames


@cache
def traces() -> pd.DataFrame:
    """The vertices of every line of a chart, as traces.csv gives them."""
    table = pd.read_csv(SAMPLES / "series.csv", dtype={"flags": str}, keep_default_na=False)
    return table.astype({"at_s": str})


@cache
def columns() -> pd.DataFrame:
    """The same lines as a chart shows them: one row a column of pixels, 1.15 s wide, whole pixels.

    A pixel is 0.3 in the unit of the line, about as in the samples' charts on a phone.
    """
    import numpy as np

    made = []
    for (capture, layout, trace), rows in traces().groupby(["capture", "layout", "trace"]):
        t = np.arange(0, rows["t"].iloc[-1], 1.15)
        value = np.round(np.interp(t, rows["t"], rows["value"]) / 0.3) * 0.3
        made.append(
            pd.DataFrame(
                {
                    "capture": capture, "at_s": "", "layout": layout, "trace": trace, "t": t,
                    "value": value, "low": value - 0.15, "high": value + 0.15,
                    "unit": rows["unit"].iloc[0], "flags": "",
                }
            )
        )  # fmt: skip
    return pd.concat(made, ignore_index=True)


@cache
def calibrations() -> tuple[Calibration, ...]:
    """The packaged calibrations, with their lines where they do not name them yet."""
    loaded = [each.calibration for each in load_calibrations([ROOT / "calibration"])[0]]
    return tuple(layout.model_copy(update={"trace": _lines(layout)}) for layout in loaded)


def _lines(layout: Calibration) -> tuple[Trace, ...]:
    named = {line.name for line in layout.trace}
    return (
        *layout.trace,
        *(
            Trace(
                name=name, quantity=quantity, unit=unit, sensor=sensor,
                plot=(0, 0, 9, 9), colour="#000000",
            )
            for owner, name, quantity, unit, sensor in _LINES
            if owner == layout.name and name not in named
        ),
    )  # fmt: skip


@cache
def session() -> Session:
    return load_session(SAMPLES / "session.toml")


@cache
def model() -> ModuleType:
    return _drawing("model")


@cache
def truth_rounds() -> dict[tuple[str, str, int, int], Any]:
    """(device, variant, round, attempt) -> the model's Round, its series unrounded."""
    plan, model = _drawing("plan"), _drawing("model")
    found = {}
    for number, (name, variant) in enumerate(plan.SESSIONS):
        device = model.variant_of(model.DEVICES[name], variant)
        for each in plan.run_session(device, variant, 100 + number):
            found[name, variant, each.number, each.attempt] = each
    return found


def clock_ratio(each: Any) -> Any:
    """The clock of a round over its full clock, without what idling takes off (model.py)."""
    import numpy as np

    load = each.series["load"] / 100
    idling = np.where(load > 0.7, 1.0, 0.6 + 0.57 * load)
    return each.series["clock"] / each.device.clock_mhz / idling


def _drawing(name: str) -> ModuleType:
    folder = str(SAMPLES / "draw")
    if folder not in sys.path:
        sys.path.insert(0, folder)
    return importlib.import_module(name)
