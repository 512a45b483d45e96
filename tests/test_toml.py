"""The loader of TOML files that people write: all faults at once, with their lines."""

from __future__ import annotations

import hashlib
import time
from pathlib import Path
from typing import Annotated, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from extractor.errors import Fault, FileFaultsError
from extractor.toml import MAX_BYTES, RuleFault, load, parse


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Wheel(Strict):
    name: str
    size: Annotated[float, Field(gt=0)]
    tyre: Literal["road", "gravel", "none"] = "road"
    place: tuple[int, int] = (0, 0)


class Lamp(Strict):
    watts: float = 3.0
    colour: str | None = None


class Bicycle(Strict):
    name: Annotated[str, Field(pattern="^[a-z]+$", description="a word of small letters")]
    gears: Annotated[int, Field(ge=1, le=30)] = 1
    bought: str = ""
    lamp: Lamp = Lamp()
    wheel: tuple[Wheel, ...] = ()
    bag: dict[str, Lamp] = {}


def _same_size(part: Bicycle, whole: Bicycle) -> list[RuleFault]:
    return [
        RuleFault(("wheel", index, "size"), "the size of the first wheel")
        for index, wheel in enumerate(part.wheel)
        if wheel.size != part.wheel[0].size
    ]


def _bare(part: Wheel, whole: Bicycle) -> list[RuleFault]:
    return [RuleFault(("tyre",), "a tyre", "missing")] if part.tyre == "none" else []


RULES = {Bicycle: (_same_size,), Wheel: (_bare,)}


def faults(text: str) -> list[Fault]:
    with pytest.raises(FileFaultsError) as caught:
        parse(text.encode(), Path("b.toml"), Bicycle, RULES)
    return caught.value.faults


def places(text: str) -> list[tuple[str, str]]:
    return [(fault.place, fault.key) for fault in faults(text)]


def test_a_good_file_and_its_digest(tmp_path: Path) -> None:
    file = tmp_path / "b.toml"
    content = (
        b'\xef\xbb\xbfname = "ox"\r\nbought = 2024-05-01\r\nlamp.watts = 2\r\n'
        b'wheel = [{name = "front", size = 28, place = [1, 2]}]\r\n'
    )
    file.write_bytes(content)
    loaded = load(file, Bicycle, RULES)
    assert loaded.value.wheel == (Wheel(name="front", size=28.0, place=(1, 2)),)
    assert loaded.value.bought == "2024-05-01"
    assert loaded.value.lamp.watts == 2.0
    assert (loaded.path, loaded.sha256) == (file, hashlib.sha256(content).hexdigest())


ARRAYS_OF_TABLES = """\
name = "ox"

[[wheel]]
name = "front"
size = -1

[[wheel]]
name = "rear"
# a comment
siez = 28
tyre = "grvel"
"""


def test_faults_in_arrays_of_tables() -> None:
    found = faults(ARRAYS_OF_TABLES)
    assert [str(fault) for fault in found] == [
        "b.toml:5: wheel[1].size is -1; expected a number above 0",
        "b.toml:7: wheel[2].size is missing; expected a number above 0",
        "b.toml:10: wheel[2].siez is an unknown key; expected size (the nearest known key)",
        'b.toml:11: wheel[2].tyre is "grvel"; expected one of road, gravel, none (nearest: gravel)',
    ]


def test_faults_in_inline_tables() -> None:
    text = """\
name = "ox"
gears = 31  # too many
wheel = [
  { name = "front", size = 28, place = [1, 2.5] },
  # between
  { name = 'rear', size = "28",
    tyre = "road" },
  { name = "third", size = 28, wat = 1 },
]
lamp = { watts = 1, colour = 7 }  # a comment
"""
    text = text.replace('"28",\n   ', '"28",')
    assert places(text) == [
        ("b.toml:2", "gears"),
        ("b.toml:4", "wheel[1].place[2]"),
        ("b.toml:6", "wheel[2].size"),
        ("b.toml:7", "wheel[3].wat"),
        ("b.toml:9", "lamp.colour"),
    ]
    assert faults(text)[0].met == "31"
    assert faults(text)[2].met == '"28"'
    assert faults(text)[4].expected == "text in quotes"


def test_faults_under_dotted_and_quoted_keys() -> None:
    text = """\
"name" = "Ox"
lamp.watts = true
lamp . 'colour' = 3
bag."left side".watts = inf
bag.right.wats = 1

[bag.rear]
watts = '1'

[bag."a.b"]
"col\\u006fur" = []
"""
    assert places(text) == [
        ("b.toml:1", "name"),
        ("b.toml:2", "lamp.watts"),
        ("b.toml:3", "lamp.colour"),
        ("b.toml:4", 'bag."left side".watts'),
        ("b.toml:5", "bag.right.wats"),
        ("b.toml:8", "bag.rear.watts"),
        ("b.toml:11", 'bag."a.b".colour'),
    ]


def test_rules_and_values_fail_together() -> None:
    text = """\
name = "ox"
gears = 0
[[wheel]]
name = "front"
size = 28
tyre = "none"
[[wheel]]
name = "rear"
size = 26
[[wheel]]
name = 5
size = 27
"""
    assert places(text) == [
        ("b.toml:2", "gears"),
        ("b.toml:6", "wheel[1].tyre"),
        ("b.toml:9", "wheel[2].size"),
        ("b.toml:11", "wheel[3].name"),
        ("b.toml:12", "wheel[3].size"),
    ]


def test_a_rule_that_needs_a_faulty_value_is_not_applied() -> None:
    text = 'name = "ox"\n[[wheel]]\nname="a"\nsize="x"\n[[wheel]]\nname="b"\nsize=2\n'
    assert places(text) == [("b.toml:4", "wheel[1].size")]


def test_a_rule_with_a_defect_is_not_hidden() -> None:
    def broken(part: Bicycle, whole: Bicycle) -> list[RuleFault]:
        return part.nothing  # type: ignore[attr-defined,no-any-return]

    with pytest.raises(AttributeError):
        parse(b'name = "ox"', Path("b.toml"), Bicycle, {Bicycle: (broken,)})


def test_syntax_and_values_fail_together() -> None:
    text = """\
name = ox
gears = 99
bought = "today
lamp.watts = = 3
[[wheel]]
name = "front"
size = 28
place = [1, 2
tyre = "grvel"
not a key
[[wheel]]
name = "rear"
size = 26
"""
    found = faults(text)
    assert [fault.place for fault in found] == [
        f"b.toml:{line}" for line in (1, 2, 3, 4, 8, 9, 10, 13)
    ]
    assert found[0].met == "`name = ox`"
    assert found[0].expected == "TOML: Invalid value (at line 1, column 8)"
    assert found[1].key == "gears"
    assert found[5].key == "wheel[1].tyre"
    assert found[7].expected == "the size of the first wheel"


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ('name = "ox"\n[[wheel]\nsize = 3\n[lamp]\nwatts = "x"\n', [2, 5]),
        ('name = "ox"\nname = "oy"\ngears = 31', [2, 3]),
        ('name = "ox"\n[lamp]\n[lamp]\nwatts = "x"', [3]),
        ('name = """ox\ngears = 3\n', [1]),
        ("name = 'ox'\nlamp = {watts = 3,\n colour = 'red'}\n", [2]),
        ("= 3", [1]),
        ("name = [\n 1,\n x,\n]\n", [1]),
    ],
)
def test_places_of_syntax_faults(text: str, lines: list[int]) -> None:
    found = [int(fault.place.removeprefix("b.toml:")) for fault in faults(text)]
    assert found[: len(lines)] == lines


def test_bytes_that_are_not_text_are_named_by_line() -> None:
    with pytest.raises(FileFaultsError, match=r"b\.toml:2: the text is not UTF-8 \(byte 0xff\)"):
        parse(b'name = "ox"\n# \xff', Path("b.toml"), Bicycle)


def test_files_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileFaultsError, match=r"none\.toml: the file is missing; expected a TOML"):
        load(tmp_path / "none.toml", Bicycle)
    with pytest.raises(FileFaultsError, match="missing"):
        load(tmp_path, Bicycle)


HOSTILE = {
    "large": b"#" * (MAX_BYTES + 1),
    "dotted": b"a." * 500_000 + b"a = 1",
    "dotted lines": b"".join(b"k%d" % n + b".a" * 199 + b" = 1\n" for n in range(2500))[
        : MAX_BYTES // 5
    ],
    "brackets": b"a = " + b"[" * 1_000_000,
    "closed brackets": b"a = " + b"[" * 3000 + b"]" * 3000,
    "inline tables": b"a = " + b"{a = " * 200_000,
    "long number": b"gears = " + b"9" * 1_000_000,
    "long hexadecimal": b"gears = 0x" + b"f" * 1_000_000,
    "long array": b"wheel = [" + b"1," * 500_000 + b"]",
    "many wheels": b"[[wheel]]\n" * 100_000,
    "dotted lines within the marks": b"".join(
        b"k%d" % n + b".a" * 199 + b" = 1\n" for n in range(240)
    ),
    "many keys": b"".join(b"k%d=1\n" % number for number in range(100_000)),
    "many faulty keys": b"".join(b"k%d=1\n" % number for number in range(49_000)),
    "many faulty items": b"wheel = [" + b"1," * 49_000 + b"]",
    "many faulty lines": b"a = x\n" * 170_000,
    "long key": b"a" * 1_000_000 + b" = 1",
    "quotes": b'"' * 1_000_000,
    "nothing": b"",
    "zeros": bytes(1000),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_are_refused_in_bounded_time(name: str) -> None:
    start = time.process_time()
    with pytest.raises(FileFaultsError) as caught:
        parse(HOSTILE[name], Path("b.toml"), Bicycle, RULES)
    assert time.process_time() - start < 5
    assert 1 <= len(caught.value.faults) <= 101
    assert len(str(caught.value)) < 40_000


@given(st.data())
def test_mutated_files_raise_nothing_else(data: st.DataObject) -> None:
    text = ARRAYS_OF_TABLES.replace("siez", "size").replace("grvel", "gravel").replace("-1", "28")
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(len(text), start + 6)))
        put = data.draw(
            st.sampled_from(["", '"', "'", "[", "]", "{", "}", "=", ".", "\n", "#", "inf", '"""'])
            | st.text(max_size=3)
        )
        text = text[:start] + put + text[end:]
    content = text.encode("utf-8", "surrogatepass")
    try:
        parse(content, Path("b.toml"), Bicycle, RULES)
    except FileFaultsError as error:
        lines = text.count("\n") + 1
        for fault in error.faults:
            _, _, line = fault.place.rpartition(":")
            assert line == "b.toml" or 1 <= int(line) <= lines


@given(st.binary(max_size=60))
def test_any_bytes_raise_nothing_else(content: bytes) -> None:
    with pytest.raises(FileFaultsError):
        parse(content, Path("b.toml"), Bicycle, RULES)
