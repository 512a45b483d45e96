"""Hold a ``readings.csv`` against what the samples really show.

    python sample_frames/check.py sample_frames/readings/readings.csv

A released reading is right if text, value and unit are those of ``truth.csv``; a released reading
of something that is not shown is wrong. In a recording the truth of a time is the last row of the
readout at or before it. ``missed`` are figures that are shown and have no reading, or one that says
``not-shown``. Exit status 1 if anything released is wrong, 2 if nothing could be compared.
"""

from __future__ import annotations

import argparse
import csv
import sys
from bisect import bisect_right
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).resolve().parent
NOT_SHOWN = "not-shown"
_CODINGS = {"png": "png", "jpg": "jpeg", "webp": "webp", "mp4": "h264"}

Row = dict[str, str]
Key = tuple[str, str, str]  # capture, layout, readout


@dataclass
class Count:
    """How many readings of a group fared how; ``figures`` leaves out those not shown."""

    figures: int = 0
    released: int = 0
    wrong: int = 0
    flagged: int = 0
    missed: int = 0

    def line(self, name: str) -> str:
        share = 100 * self.flagged / self.figures if self.figures else 0.0
        return (
            f"{name:<22}{self.figures:>9}{self.released:>10}{self.wrong:>7}{self.flagged:>9}"
            f"{share:>8.2f} %{self.missed:>8}"
        )


@dataclass
class Result:
    """The counts of each group and what is wrong or missed, in words."""

    groups: dict[tuple[str, str], Count] = field(default_factory=lambda: defaultdict(Count))
    wrong: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)

    @property
    def total(self) -> Count:
        return self.groups["all", "all"]


class Truth:
    """What is shown where, and from when."""

    def __init__(self, folder: Path) -> None:
        self._rows: dict[Key, list[tuple[float, Row]]] = defaultdict(list)
        for row in read(folder / "truth.csv"):
            key = (row["capture"], row["layout"], row["readout"])
            self._rows[key].append((float(row["at_s"] or 0), row))
        self.devices = {row["capture"]: row["device"] for row in read(folder / "facts_truth.csv")}

    def at(self, key: Key, at_s: str) -> Row | None:
        """The truth of a readout at that time, None where it is not shown."""
        rows = self._rows.get(key, [])
        # Times are given to the millisecond on both sides.
        number = bisect_right([at for at, _ in rows], float(at_s or 0) + 0.0005)
        row = rows[number - 1][1] if number else None
        return row if row and row["text"] else None

    @property
    def keys(self) -> list[Key]:
        return list(self._rows)

    def groups(self, key: Key) -> list[tuple[str, str]]:
        capture, layout, _ = key
        return [
            ("all", "all"),
            ("layout", layout),
            ("device", self.devices.get(capture, "?")),
            ("coding", _CODINGS.get(capture.rsplit(".", 1)[-1], "?")),
        ]


def read(file: Path) -> list[Row]:
    with file.open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def plain(cell: str) -> str:
    """The cell as it was before it was guarded against being taken for a formula."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] in tuple("=+-@\t\r") else cell


def is_right(reading: Row, truth: Row) -> bool:
    value, true_value = reading["value"], truth["value"]
    same = float(value) == float(true_value) if value and true_value else value == true_value
    # A person's answer stands for what was read.
    text = plain(reading.get("decided_text") or reading["text"])
    return same and text == truth["text"] and reading["unit"] == truth["unit"]


def compare(readings: list[Row], truth: Truth) -> Result:
    result = Result()
    times: dict[str, set[str]] = defaultdict(set)
    seen: set[tuple[Key, str]] = set()
    for row in readings:
        key = (row["capture"].removeprefix("./"), row["layout"], row["readout"])
        times[key[0]].add(row["at_s"])
        flags = row["flags"].split(";") if row["flags"] else []
        if NOT_SHOWN in flags:
            continue
        seen.add((key, row["at_s"]))
        true_row = truth.at(key, row["at_s"])
        wrong = not flags and (true_row is None or not is_right(row, true_row))
        for group in truth.groups(key):
            count = result.groups[group]
            count.figures += 1
            count.flagged += bool(flags)
            count.released += not flags
            count.wrong += wrong
        if wrong:
            shown = "nothing" if true_row is None else f"{true_row['text']} ({true_row['value']})"
            result.wrong.append(
                f"{where(key, row['at_s'])}: released {plain(row['text'])!r} "
                f"({row['value']} {row['unit']}), shown is {shown}"
            )
    for key in truth.keys:
        for at in sorted(times.get(key[0], {""})):
            if (key, at) not in seen and truth.at(key, at) is not None:
                result.missed.append(where(key, at))
                for group in truth.groups(key):
                    result.groups[group].missed += 1
    return result


def where(key: Key, at_s: str) -> str:
    return f"{key[0]}{f' at {at_s} s' if at_s else ''}, {key[1]}, {key[2]}"


def report(result: Result) -> str:
    head = "".join(
        f"{word:>{width}}"
        for word, width in (
            ("", 22), ("figures", 9), ("released", 10), ("wrong", 7), ("flagged", 9), ("share", 10),
            ("missed", 8),
        )
    )  # fmt: skip
    lines = [head]
    for sort in ("layout", "device", "coding", "all"):
        lines += [
            result.groups[group].line(f"{group[0]} {group[1]}".replace("all all", "all"))
            for group in sorted(result.groups)
            if group[0] == sort
        ]
    lines += [f"WRONG  {line}" for line in result.wrong]
    lines += [f"missed {line}" for line in result.missed[:20]]
    if len(result.missed) > 20:
        lines.append(f"missed … and {len(result.missed) - 20} more")
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Hold readings.csv against truth.csv.")
    parser.add_argument("readings", type=Path, help="the readings.csv of the samples")
    parser.add_argument("--truth", type=Path, default=HERE, help="folder of truth.csv")
    options = parser.parse_args(arguments)
    result = compare(read(options.readings), Truth(options.truth))
    print(report(result))
    if not result.total.figures:
        print("nothing could be compared: the file holds no readings of these samples")
        return 2
    return 1 if result.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
