"""What is asked of a figure, and how one look answers: texts of a line gathered by figure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from extractor.calibration.model import Marks, Readout
from extractor.reading.figures import CHARACTERS, LIKE_ZEROS, Parted, part
from extractor.reading.interface import SeenColumns
from extractor.records import Kind, Look
from extractor.values import DASHES


@dataclass(frozen=True, slots=True)
class Ask:
    """What is known of a figure before it is read."""

    kind: Kind
    missing: str | None = None
    decimals: int | None = None
    readout: Readout | None = None
    marks: Marks | None = None

    @property
    def dashes(self) -> str:
        """The mark for no value where it is made of dashes, else ''."""
        mark = self.missing or ""
        return "" if mark.strip(DASHES) else mark

    @property
    def spaced(self) -> bool:
        """Whether spaces may stand in its figures: between thousands, or around a sign."""
        thousands = self.marks.thousands if self.marks else ""
        return thousands == " " or self.kind in {"size", "duration"}

    @property
    def may_be_signed(self) -> bool:
        """Whether a minus sign may stand before it."""
        return self.readout is None or self.readout.may_be_negative

    @property
    def characters(self) -> str:
        """The characters its figures may hold; '' for any."""
        known = CHARACTERS[self.kind]
        return known + (self.missing or "") if known else ""

    def settle_mark(self, text: str) -> str:
        """Write the one decimal mark a figure has as its layout does.

        A point and a comma differ by a px or two, and a layout that states its decimals leaves no
        doubt which it is; where fewer or more digits follow, the comma may part thousands.
        """
        mark = self.marks.decimal if self.marks else None
        if mark is None or not self.decimals or self.kind not in {"number", "percentage"}:
            return text
        other = "," if mark == "." else "."
        whole, found, after = text.partition(other)
        if found and len(after) == self.decimals < 3 and (whole + after).lstrip("+-").isdigit():
            return f"{whole}{mark}{after}"
        return text


SECOND = ", or"
"""How the names of looks end that give a look's second thought."""


@dataclass(frozen=True, slots=True)
class View:
    """One look of one reader, its texts gathered by the figure they hold.

    ``figures`` holds probabilities by text; what is no figure of its kind keeps what it has, so
    that a kind never makes a figure likelier than the picture does. ``lines`` holds the likeliest
    line of each figure, ``nothing`` the probability that nothing is drawn.
    """

    name: str
    columns: SeenColumns
    figures: Mapping[str, float]
    lines: Mapping[str, tuple[str, Parted]]
    nothing: float
    best_line: str

    @property
    def best(self) -> str:
        """The likeliest figure, '' if there is none."""
        return max(self.figures, key=lambda text: (self.figures[text], text), default="")

    def look(self) -> Look:
        """Give the view as a record: its likeliest figure."""
        return Look(self.name, self.best, self.figures.get(self.best, 0.0))

    def rivals(self, least: float) -> Iterator[Look]:
        """Give the other figures of the view that have at least the probability ``least``."""
        for text, probability in self.figures.items():
            if probability >= least and text != self.best:
                yield Look(f"{self.name}{SECOND}", text, probability)


def gather(name: str, columns: SeenColumns, ask: Ask) -> View:
    """Gather the likeliest texts of a line by the figure they hold."""
    figures: dict[str, float] = {}
    lines: dict[str, tuple[str, Parted]] = {}
    texts = columns.texts()
    for line in texts:
        parted = part(line.text, ask.kind, ask.missing)
        if parted is None or not parted.text or line.text[parted.end :][:1] in LIKE_ZEROS:
            continue
        figure = ask.settle_mark(parted.text)
        lines.setdefault(figure, (line.text, parted))
        figures[figure] = figures.get(figure, 0.0) + line.probability
    nothing = sum(line.probability for line in texts if not line.text.strip())
    best = texts[0].text.strip() if texts else ""
    return View(name, columns, figures, lines, nothing, best)
