"""A calibration made ready for locating."""

from __future__ import annotations

from extractor.calibration.model import Calibration, Landmark
from extractor.locate.anchors import Anchor, groups
from extractor.locate.pictures import Picture
from extractor.records import Box

_ANCHORS = 2
_LEAST_CONTRAST = 6.0
_LEGIBLE = 9.0
"""Height of the largest readout's box below which nothing can be read: not worth a search."""


class Layout:
    """Landmarks of one calibration by sort, and the pictures that the search begins with.

    Raises ValueError when a picture cannot be used.
    """

    def __init__(self, calibration: Calibration) -> None:
        self.calibration = calibration
        self.id = calibration.id
        self.needs = calibration.locating.needs
        low, high = calibration.locating.scales
        boxes = [each.box for each in calibration.readout if each.box]
        boxes += [each.box for each in calibration.line]
        legible = _LEGIBLE / max((box[3] for box in boxes), default=_LEGIBLE)
        self.scales = (max(low, min(legible, high)), high)
        of_sort: dict[str, list[Landmark]] = {}
        for landmark in calibration.landmark:
            of_sort.setdefault(landmark.sort, []).append(landmark)
        self.pictures = [Picture(landmark) for landmark in of_sort.get("picture", [])]
        self.words = of_sort.get("word", [])
        self.edges = of_sort.get("edge", [])
        self.colours = of_sort.get("colour", [])
        usable = [picture for picture in self.pictures if picture.contrast >= _LEAST_CONTRAST]
        self.anchors = groups(usable, _ANCHORS)
        self.singles = {picture.name: Anchor([picture]) for picture in usable}
        self.boxes = {landmark.name: Box(*landmark.box) for landmark in calibration.landmark}
