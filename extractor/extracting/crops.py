"""The crops of flagged readings, as PNG under ``flagged/``, for a person to look at."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor import captures as sources
from extractor.errors import CaptureError
from extractor.export import flagged_crop_name
from extractor.records import Box, Capture, Judgement

Wanted = dict[str, tuple[Capture, int | None, Box]]

MARGIN = 0.6
"""What a person needs to see around a figure, as a share of the box's height."""


def wanted_crops(judgement: Judgement) -> Wanted:
    """Name every crop that the flagged readings need: file name -> capture, pts, box.

    Readings that are not shown have no box and no crop.
    """
    wanted = {}
    for verdict in judgement.verdicts:
        for judged in verdict.judged:
            if judged.doubts and judged.reading.box is not None:
                sighting = verdict.sighting
                wanted[flagged_crop_name(verdict, judged)] = (
                    sighting.capture,
                    sighting.frame.pts,
                    judged.reading.box,
                )
    return wanted


def write_crops(folder: Path, judgement: Judgement) -> list[str]:
    """Make ``folder`` hold the crops of the flagged readings and no stale ones.

    Crops that are there already stay; a capture that can no longer be decoded is passed over
    (it is a problem of its own). Returns what the person should be told.
    """
    try:
        _write_crops(folder, wanted_crops(judgement))
    except OSError as error:
        return [f"not all crops could be written to {folder} ({error}); the tables are whole"]
    return []


def _write_crops(folder: Path, wanted: Wanted) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for stale in folder.glob("*.png"):
        if stale.name not in wanted and stale.is_file():
            stale.unlink()
    missing: dict[Capture, list[tuple[str, int | None, Box]]] = defaultdict(list)
    for name, (capture, pts, box) in wanted.items():
        if not (folder / name).exists():
            missing[capture].append((name, pts, box))
    for capture, crops in missing.items():
        try:
            for name, image in _cut(capture, crops):
                _write(folder / name, image)
        except CaptureError:
            continue


def _cut(
    capture: Capture, crops: Sequence[tuple[str, int | None, Box]]
) -> Iterator[tuple[str, NDArray[np.uint8]]]:
    if capture.medium == "still":
        image = sources.read_still(capture)
        for name, _, box in crops:
            yield name, sources.around(image, box, MARGIN * box.h)
        return
    with sources.Recording(capture) as recording:
        by_frame = sorted(crops, key=lambda crop: (crop[1] or 0, crop[0]))
        for pts, group in groupby(by_frame, key=lambda crop: crop[1]):
            assert pts is not None
            image = recording.frame_at(pts)
            for name, _, box in group:
                yield name, sources.around(image, box, MARGIN * box.h)


def _write(path: Path, image: NDArray[np.uint8]) -> None:
    done, data = cv2.imencode(".png", cv2.cvtColor(image, cv2.COLOR_RGB2BGR))
    assert done
    half = path.with_suffix(".part")
    half.write_bytes(data.tobytes())
    half.replace(path)
