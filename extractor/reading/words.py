"""Finds lines of text anywhere on a picture with the text detector that rapidocr brings.

The net gives a map of text probability (differentiable binarisation, Liao et al. 2020, AAAI); its
regions are grown back by area / perimeter times a factor as in that paper. Overlays are upright,
so boxes are too.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import cv2
import numpy as np

from extractor.reading.interface import Picture
from extractor.reading.nets import net_file, net_identity, open_net
from extractor.records import Box

_INSIDE = 0.3  # threshold of the map, rapidocr's default
_SURE = 0.5  # least mean of the map over a box, rapidocr's default
_GROW = 1.6  # rapidocr's default for the net it ships
_AREA = 400_000  # px² the net sees at once: it takes some 430 B for each
_OVERLAP = 96  # px after scaling that bands share, more than a line of text is high
_STEP = 32  # the net halves five times


class WordFinder:
    """The detector; ``find`` gives boxes only."""

    @cached_property
    def identity(self) -> str:
        """Weights' hash and library versions."""
        return net_identity("det")

    @cached_property
    def _net(self) -> Any:
        return open_net(net_file("det"))

    def find(self, image: Picture, scale: float = 1.0) -> list[Box]:
        """Find lines of text on ``image`` (RGB uint8), reading it at ``scale`` of its size.

        Letters between about 8 and 100 px after scaling are found. Boxes are px of ``image``,
        ordered from top to bottom, then left to right.
        """
        width = image.shape[1] * scale
        band = max(_OVERLAP * 3, round(_AREA / width)) / scale
        step = band - _OVERLAP / scale
        boxes: list[Box] = []
        top = 0.0
        while True:
            last = top + band >= image.shape[0]
            piece = image[int(top) : None if last else int(top + band)]
            for box in self._find(piece, scale):
                # What a band's edge cuts stands whole in the next band.
                if (top == 0 or box.y > 0) and (last or box.bottom < len(piece)):
                    _add(boxes, Box(box.x, box.y + int(top), box.w, box.h))
            if last:
                return sorted(boxes, key=lambda box: (box.y, box.x))
            top += step

    def _find(self, image: Picture, scale: float) -> list[Box]:
        height, width = image.shape[:2]
        wide = max(_STEP, round(width * scale / _STEP) * _STEP)
        high = max(_STEP, round(height * scale / _STEP) * _STEP)
        small = cv2.resize(image, (wide, high), interpolation=cv2.INTER_AREA)
        data = (small[:, :, ::-1].transpose(2, 0, 1)[None] / np.float32(127.5)) - 1
        (out,) = self._net.run(None, {self._net.get_inputs()[0].name: data.astype(np.float32)})
        inside = out[0, 0]
        count, labels, stats, _ = cv2.connectedComponentsWithStats(
            (inside > _INSIDE).astype(np.uint8), connectivity=8
        )
        across, down = width / inside.shape[1], height / inside.shape[0]
        boxes = []
        for label in range(1, count):
            x, y, w, h, _ = (int(n) for n in stats[label])
            region = labels[y : y + h, x : x + w] == label
            if min(w, h) < 3 or inside[y : y + h, x : x + w][region].mean() < _SURE:
                continue
            grow = w * h * _GROW / (2 * (w + h))
            x0, y0 = max(0.0, x - grow) * across, max(0.0, y - grow) * down
            x1 = min(float(width), (x + w + grow) * across)
            y1 = min(float(height), (y + h + grow) * down)
            boxes.append(Box(x0, y0, x1 - x0, y1 - y0))
        return boxes


def _add(boxes: list[Box], found: Box) -> None:
    """Add a box to those of other bands; of one text, which an edge may cut, the largest stays."""
    same = [box for box in boxes if _same(found, box)]
    if all(found.w * found.h > box.w * box.h for box in same):
        boxes[:] = [box for box in boxes if box not in same] + [found]


def _same(one: Box, other: Box) -> bool:
    return one.overlap(other) > 0.5 * min(one.w * one.h, other.w * other.h)
