"""A calibration made ready for locating."""

from __future__ import annotations

from extractor.calibration.model import Calibration, Landmark
from extractor.locate.pictures import Picture
from extractor.records import Box

_ANCHORS = 3
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
        self.anchors = self._anchors()
        self.boxes = {landmark.name: Box(*landmark.box) for landmark in calibration.landmark}

    def _anchors(self) -> list[Picture]:
        """Few pictures, distinct and far from each other: a scrolled layout may show one alone."""
        usable = [picture for picture in self.pictures if picture.contrast >= _LEAST_CONTRAST]

        def distinct(picture: Picture) -> float:
            return float(picture.weight.sum()) ** 0.5 * min(picture.contrast, 60.0)

        usable.sort(key=distinct, reverse=True)
        chosen = usable[:1]
        while usable and len(chosen) < min(_ANCHORS, len(usable)):
            rest = [picture for picture in usable if picture not in chosen]

            def spread(picture: Picture) -> float:
                return distinct(picture) * min(
                    abs(picture.centre[1] - other.centre[1])
                    + 0.3 * abs(picture.centre[0] - other.centre[0])
                    + picture.box[3]
                    for other in chosen
                )

            chosen.append(max(rest, key=spread))
        return chosen
