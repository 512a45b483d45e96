"""What a text says by itself: its values, and the doubts that need nothing but the text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from extractor import values
from extractor.calibration.model import Calibration, Readout
from extractor.records import Doubt, NeighbourKind
from extractor.values import FormError, Value


@dataclass(frozen=True, slots=True)
class Form:
    """A text by itself. ``values`` is empty for a word, a missing mark and what does not parse.

    ``candidates`` is what the text would give if it stood (decimals or bounds aside).
    """

    values: tuple[Value, ...] = ()
    candidates: tuple[Value, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    missing: bool = False


@dataclass(frozen=True, slots=True)
class Slip:
    """A text one slip away, of the right form and within bounds, and how many of its kind."""

    kind: NeighbourKind
    values: tuple[Value, ...]
    of: int


class Forms:
    """Texts of one readout, each looked into once."""

    def __init__(self, layout: Calibration, readout: Readout) -> None:
        self._readout = readout
        self._loose = readout.model_copy(update={"decimals": None})
        self._marks = layout.marks
        self._forms: dict[str, Form] = {}
        self._decided: dict[str, Form] = {}
        self._slips: dict[str, Mapping[str, Slip]] = {}

    def of(self, text: str) -> Form:
        """Look into a text as read."""
        form = self._forms.get(text)
        if form is None:
            form = self._forms[text] = self._look(text)
        return form

    def decided(self, text: str) -> Form:
        """Look into a text a person gave: it must be a figure; decimals and bounds are theirs."""
        form = self._decided.get(text)
        if form is None:
            form = self._decided[text] = self._look(text, by_person=True)
        return form

    def slips(self, text: str) -> Mapping[str, Slip]:
        """Every figure within bounds that stands one slip away from ``text``."""
        found = self._slips.get(text)
        if found is None:
            found = self._slips[text] = self._slip(text)
        return found

    def _look(self, text: str, by_person: bool = False) -> Form:
        if values.is_missing(text, self._readout):
            return Form(missing=True)
        try:
            says = values.parse(text, self._loose if by_person else self._readout, self._marks)
        except FormError as error:
            return Form(candidates=self._candidates(text), doubts=(Doubt(error.code, error.why),))
        doubts = () if by_person else self._bounds(says)
        return Form(values=says, candidates=says, doubts=doubts)

    def _candidates(self, text: str) -> tuple[Value, ...]:
        try:
            return values.parse(text, self._loose, self._marks)
        except FormError:
            return ()

    def _bounds(self, says: tuple[Value, ...]) -> tuple[Doubt, ...]:
        if self._readout.bounds is None:
            least = min((each.value for each in says), default=0.0)
            if least >= 0 or self._readout.may_be_negative:
                return ()
            what = self._readout.quantity.replace("_", " ")
            return (Doubt("out-of-bounds", f"{number(least)} is less than 0, and {what} never is"),)
        low, high = self._readout.bounds
        return tuple(
            Doubt(
                "out-of-bounds",
                f"{number(each.value)} lies outside {number(low)} to {number(high)} "
                f"{each.unit}".rstrip(),
            )
            for each in says
            if not low <= each.value <= high
        )[:1]

    def _slip(self, text: str) -> dict[str, Slip]:
        texts: dict[str, tuple[NeighbourKind, tuple[Value, ...]]] = {}
        for kind, other in values.neighbours(text, self._readout, self._marks):
            form = self.of(other)
            if form.values and not form.doubts:
                texts[other] = (kind, form.values)
        counts: dict[NeighbourKind, int] = {}
        for kind, _ in texts.values():
            counts[kind] = counts.get(kind, 0) + 1
        return {other: Slip(kind, says, counts[kind]) for other, (kind, says) in texts.items()}


def number(value: float) -> str:
    """Write a number for a sentence: as short as it reads back, at most 6 digits."""
    return f"{value:.6g}" if abs(value) < 1e6 else f"{value:.0f}"


def unit_of(readout: Readout) -> str:
    """The unit of a readout's rows."""
    match readout.kind:
        case "duration":
            return "s"
        case "percentage":
            return readout.unit or "%"
        case "size":
            return readout.unit or "px"
        case _:
            return readout.unit
