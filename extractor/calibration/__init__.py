"""The calibration of a layout: model, loading, saving, relations, patterns, keys for the cache."""

from extractor.calibration.files import (
    LoadedCalibration,
    json_schema,
    load_calibration,
    load_calibrations,
    packaged_folder,
)
from extractor.calibration.keys import locating_key, other_colours, readout_key, trace_key
from extractor.calibration.pattern import Pattern, PatternError, Slot, parse_pattern
from extractor.calibration.relation import (
    Interval,
    ParsedRelation,
    RelationCheck,
    RelationError,
    parse_relation,
)
from extractor.calibration.saving import save

__all__ = [
    "Interval",
    "LoadedCalibration",
    "ParsedRelation",
    "Pattern",
    "PatternError",
    "RelationCheck",
    "RelationError",
    "Slot",
    "json_schema",
    "load_calibration",
    "load_calibrations",
    "locating_key",
    "other_colours",
    "packaged_folder",
    "parse_pattern",
    "parse_relation",
    "readout_key",
    "save",
    "trace_key",
]
