"""Loading calibration files, alone and as the set that is in use."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from extractor.calibration.model import Calibration
from extractor.calibration.rules import RULES
from extractor.errors import Fault, FileFaultsError
from extractor.toml import load


@dataclass(frozen=True, slots=True)
class LoadedCalibration:
    """A calibration without faults, its path and the SHA-256 of its bytes in hex."""

    calibration: Calibration
    path: Path
    sha256: str


def load_calibration(path: Path) -> LoadedCalibration:
    """Load one calibration file. Raises FileFaultsError with all its faults."""
    loaded = load(path, Calibration, RULES)
    return LoadedCalibration(loaded.value, loaded.path, loaded.sha256)


def load_calibrations(places: Sequence[Path]) -> tuple[list[LoadedCalibration], list[str]]:
    """Load the calibrations in use, and what the person should be told of them.

    ``places`` are files, or folders of ``*.toml`` (not searched deeper; dot files are skipped), in
    order of precedence: on one id the earlier wins, and a notice says so. A file reached twice is
    loaded once. Raises FileFaultsError with the faults of all files: a place that is missing, two
    files with one name but different ids, one readout name with two units. A calibration that
    comes with ocrlog and contradicts a person's own in either way gives way, and a notice says so.
    """
    faults: list[Fault] = []
    by_id: dict[str, LoadedCalibration] = {}
    notices: list[str] = []
    seen: set[Path] = set()
    for path in _files(places, faults):
        if (real := path.resolve()) in seen:
            continue
        seen.add(real)
        try:
            loaded = load_calibration(path)
        except FileFaultsError as error:
            faults.extend(error.faults)
            continue
        earlier = by_id.setdefault(loaded.calibration.id, loaded)
        if earlier is not loaded and earlier.sha256 != loaded.sha256:
            notices.append(
                f"{path} is not used: {earlier.path} has the same id {loaded.calibration.id} "
                "and comes first"
            )
    in_use = _giving_way(list(by_id.values()), notices)
    faults.extend(_one_name_each(in_use))
    faults.extend(_one_unit_each(in_use))
    if faults:
        raise FileFaultsError(faults)
    return in_use, notices


def packaged_folder() -> Path:
    """The folder of the calibrations that come with ocrlog."""
    package = Path(__file__).resolve().parents[1]
    carried = package / "packaged_calibration"  # in a wheel; a source tree has it at its top
    return carried if carried.is_dir() else package.parent / "calibration"


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a calibration file, for editors that know it."""
    schema = Calibration.model_json_schema()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "ocrlog calibration, format 1",
    }


def _files(places: Sequence[Path], faults: list[Fault]) -> Iterator[Path]:
    for place in places:
        try:
            if place.is_dir():
                yield from sorted(
                    path
                    for path in place.iterdir()
                    if path.suffix.lower() == ".toml" and not path.name.startswith(".")
                )
            elif place.exists():
                yield place
            else:
                faults.append(
                    Fault(str(place), "the calibration", "missing", "a file, or a folder of *.toml")
                )
        except OSError as error:
            met = f"unreadable ({error.strerror or error})"
            faults.append(Fault(str(place), "the calibration", met, "a folder you may read"))


def _giving_way(in_use: list[LoadedCalibration], notices: list[str]) -> list[LoadedCalibration]:
    """Leave out what comes with ocrlog and contradicts what a person wrote."""
    home = packaged_folder().resolve()
    own = [loaded for loaded in in_use if loaded.path.resolve().parent != home]
    kept = []
    for loaded in in_use:
        both = [*own, loaded]
        if loaded not in own and (clash := [*_one_name_each(both), *_one_unit_each(both)]):
            notices.append(
                f"{loaded.path} comes with ocrlog and is not used: {clash[0].key} clashes"
            )
        else:
            kept.append(loaded)
    return kept


def _one_name_each(in_use: list[LoadedCalibration]) -> Iterator[Fault]:
    first: dict[str, LoadedCalibration] = {}
    for loaded in in_use:
        name = loaded.calibration.name
        other = first.setdefault(name, loaded)
        if other is not loaded:
            yield Fault(
                str(loaded.path),
                "name",
                name,
                f"another name, since {other.path} has this one with a different id",
            )


def _one_unit_each(in_use: list[LoadedCalibration]) -> Iterator[Fault]:
    first: dict[str, tuple[str, LoadedCalibration]] = {}
    for loaded in in_use:
        for index, readout in enumerate(loaded.calibration.readout, 1):
            unit, other = first.setdefault(readout.name, (readout.unit, loaded))
            if unit != readout.unit:
                yield Fault(
                    str(loaded.path),
                    f"readout[{index}].unit",
                    f'"{readout.unit}"',
                    f'"{unit}", the unit of {readout.name} in {other.path}; '
                    "or another name for one of the two",
                )
