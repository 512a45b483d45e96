"""What looks are worth together: from path sums and agreement to a probability.

The general recogniser is nearly always right and nearly always certain, so its own probability
alone says little; agreement of looks and of a reader of another make says more. The ceilings
below are placeholders until they are measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from extractor.records import Look

SURE_COLUMN = 0.9
NO_FIGURE = 0.01

Witnessed = Literal["agrees", "silent", "differs"]


def witness(text: str, looks: Sequence[Look]) -> Witnessed:
    """Tell what the second reader's looks say of ``text``."""
    if any(look.text == text for look in looks):
        return "agrees"
    return "differs" if any(look.text for look in looks) else "silent"


def probability(
    mean: float, surety: float, agreeing: int, looks: int, witnessed: Witnessed, sure: bool
) -> float:
    """Give the probability that a text is right."""
    return min(mean, 0.9999)


def heard(look: Look, text: str, probability: float) -> Look:
    """Give a second reader's look with what its text is worth beside ``text``."""
    if look.text == text:
        return look
    return Look(look.reader, look.text, min(look.probability, 1.0 - probability))
