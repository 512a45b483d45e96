"""The pages on the two files that people write: their examples load, no key is left out."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel

from extractor import session
from extractor.calibration import model
from extractor.calibration.rules import RESERVED, RULES, UNITS
from extractor.toml import parse

DOCS = Path(__file__).parents[1] / "docs"


def _page(name: str) -> str:
    return (DOCS / name).read_text("utf-8")


def test_the_example_loads() -> None:
    text = _page("calibration.md").split("```toml\n")[1].split("```")[0]
    calibration = parse(text.encode(), Path("example.toml"), model.Calibration, RULES)
    assert [readout.name for readout in calibration.readout][:2] == ["frame_rate", "power"]


def _models(module: object) -> list[type[BaseModel]]:
    return [
        item
        for item in vars(module).values()
        if isinstance(item, type)
        and issubclass(item, BaseModel)
        and item.__module__ == getattr(module, "__name__", "")
        and item.model_fields
    ]


@pytest.mark.parametrize(
    ("page", "part"),
    [("calibration.md", part) for part in _models(model)]
    + [("session.md", part) for part in _models(session)],
    ids=lambda value: getattr(value, "__name__", value),
)
def test_every_key_is_described(page: str, part: type[BaseModel]) -> None:
    written = set(re.findall(r"`\[*([a-z_]+)(?:\.[A-Z.a-z]+)?\]*`", _page(page)))
    keys = {field.alias or name for name, field in part.model_fields.items()}
    tables = {"landmark", "readout", "line", "relation", "trace", "marks", "locating", "device"}
    missing = keys - written - tables - {"variant"}
    assert not missing


def test_every_word_of_the_closed_lists_is_described() -> None:
    page = _page("calibration.md")
    for word in (*get_args(model.Quantity), *get_args(model.Statistic), *get_args(model.Unit)):
        assert not word or f"`{word}`" in page or f'`"{word}"`' in page, word
    for name in RESERVED:
        assert f"`{name}`" in page


def test_the_table_of_units_is_right() -> None:
    page = _page("calibration.md")
    rows = dict(
        re.findall(r"\n\| (`[a-z_`, ()]+) \| ([^|]*) \|", page.split("| quantity | units")[1])
    )
    described = {
        quantity: tuple(re.findall(r"`([^`]+)`", units)) or ("",)
        for names, units in rows.items()
        for quantity in re.findall(r"`([a-z_]+)`", names)
    }
    del described["other"]
    assert {name: units for name, units in described.items() if name in UNITS} == UNITS
