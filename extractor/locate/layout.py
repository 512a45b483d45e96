"""A calibration made ready for locating."""

from __future__ import annotations

from extractor.calibration.model import Calibration, Landmark
from extractor.locate.anchors import Anchor, groups
from extractor.locate.pictures import Picture
from extractor.records import Box

_ANCHORS = 2
_LEAST_CONTRAST = 6.0


class Layout:
    """Landmarks of one calibration by sort, and the pictures that the search begins with.

    Raises ValueError when a picture cannot be used.
    """

    def __init__(self, calibration: Calibration) -> None:
        self.calibration = calibration
        self.id = calibration.id
        self.needs = calibration.locating.needs
        self.scales = calibration.locating.scales
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
