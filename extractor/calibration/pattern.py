"""Patterns of literals and ``{name}``: flowing lines of a layout, paths of captures."""

from __future__ import annotations

import re
from dataclasses import dataclass

_TOKEN = re.compile(r"(?P<literal>(?:[^{}]|\{\{|\}\})+)|\{(?P<name>[a-z][a-z0-9_]{0,59})\}")


class PatternError(ValueError):
    """A pattern that cannot be read; ``position`` counts characters from 1."""

    def __init__(self, position: int, message: str) -> None:
        self.position = position
        super().__init__(f"{message} (at character {position})")


@dataclass(frozen=True, slots=True)
class Slot:
    """The place of a figure, or a fact, in a pattern."""

    name: str


Pattern = tuple[str | Slot, ...]


def parse_pattern(pattern: str) -> Pattern:
    """Split ``FPS {frame_rate} W`` into literals (text) and names (`Slot`).

    ``{{`` and ``}}`` write braces. Raises PatternError: a brace that does not pair, no name at
    all, one name twice, two names without a literal between.
    """
    pieces: list[str | Slot] = []
    seen: set[str] = set()
    position = 0
    while position < len(pattern):
        token = _TOKEN.match(pattern, position)
        if token is None:
            raise PatternError(
                position + 1, "a brace that is neither {name} with a name of a-z, 0-9, _ nor {{ }}"
            )
        if token["literal"] is not None:
            pieces.append(token["literal"].replace("{{", "{").replace("}}", "}"))
        else:
            name = token["name"]
            if pieces and isinstance(pieces[-1], Slot):
                raise PatternError(position + 1, f"no literal between {pieces[-1].name} and {name}")
            if name in seen:
                raise PatternError(position + 1, f"{name} a second time")
            seen.add(name)
            pieces.append(Slot(name))
        position = token.end()
    if not seen:
        raise PatternError(1, "no {name} at all")
    return tuple(pieces)
