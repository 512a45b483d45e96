"""Files that are written beside their places first and then put there one after the other."""

from __future__ import annotations

import os
from pathlib import Path
from types import TracebackType
from typing import Self

from extractor.errors import CallError


class Stage:
    """A set of files below ``out``; nothing of them is seen there before ``commit``."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._places: list[tuple[Path, Path | None]] = []

    def put(self, name: str, data: bytes) -> None:
        """Write the file to come beside its place, unless it stands there already."""
        place = self._out / name
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            if _same(place, data):
                self._places.append((place, None))
                return
            half = place.with_name(f".{place.name}.part")
            self._places.append((place, half))
            with half.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise _unwritable(place, error) from error

    def commit(self) -> tuple[tuple[Path, ...], tuple[str, ...]]:
        """Put all files in their places; return where they are and what the person must know."""
        files: list[Path] = []
        notices: list[str] = []
        for place, half in self._places:
            beside = place.with_name(f"{place.stem}.new{place.suffix}")
            try:
                if half is not None:
                    half.replace(place)
            except OSError as error:
                assert half is not None
                try:
                    half.replace(beside)
                except OSError as worse:
                    raise _unwritable(beside, worse) from worse
                files.append(beside)
                notices.append(
                    f"{place} could not be replaced ({error.strerror}), is it open in another "
                    f"program? The new table is {beside.name}; close the old one and run again"
                )
            else:
                files.append(place)
                beside.unlink(missing_ok=True)
        return tuple(files), tuple(notices)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        # Also what a run that was killed left there.
        for place, _ in self._places:
            place.with_name(f".{place.name}.part").unlink(missing_ok=True)


def _same(place: Path, data: bytes) -> bool:
    try:
        return place.stat().st_size == len(data) and place.read_bytes() == data
    except OSError:
        return False


def _unwritable(place: Path, error: OSError) -> CallError:
    return CallError(
        f"{place}: cannot be written ({error.strerror}); free some space or make the folder "
        "writable, or give another folder with --out"
    )
