"""Loading, saving and describing calibration files."""

from __future__ import annotations

import base64
import json
import re
import shutil
import tomllib
from io import BytesIO
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from extractor.calibration import (
    json_schema,
    load_calibration,
    load_calibrations,
    locating_key,
    packaged_folder,
    readout_key,
    save,
)
from extractor.calibration.model import Calibration
from extractor.calibration.rules import RULES, UNITS, png_size
from extractor.errors import FileFaultsError
from extractor.toml import parse

ROOT = Path(__file__).parents[1]

GOOD = """\
# A strip of figures.
format = 1
id = "k3v9x0aa"
name = "strip"
shows = "one line at the top"
drawn_on = [1080, 2400]

[marks]
decimal = "."      # as drawn
thousands = "none"

[locating]
scales = [0.5, 2.0]
needs = 1

# The label never moves.
[[landmark]]
name = "label"
sort = "word"
word = "POW"
box = [10, 20, 60.5, 30]

[[landmark]]
name = "panel"
sort = "edge"
side = "left"
box = [0, 0, 400, 60]
part = "panel"

[[readout]]
name = "power"
kind = "number"
quantity = "power"
unit = "W"          # of the whole device
box = [100, 20, 80, 30]
decimals = 2
bounds = [-5, 40]
step = 20

# The battery's own sensor.
[[readout]]
name = "battery_temperature"
kind = "number"
quantity = "temperature"
sensor = "battery"
unit = "Cel"
box = [200, 20, 80, 30]
part = "panel"
x_part = "main"

[[readout]]
name = "voltage"
kind = "number"
quantity = "voltage"
unit = "V"

[[readout]]
name = "current"
kind = "number"
quantity = "current"
unit = "mA"

[[readout]]
name = "size"
kind = "size"
quantity = "render_size"
unit = "px"
box = [300, 20, 80, 30]

[[line]]
name = "electric"
pattern = "{voltage} V · {current} mA"
box = [10, 60, 900, 30]

[[relation]]
that = "voltage * current = 1000 * power"
within = "3 %"

[[trace]]
name = "rate"
quantity = "frame_rate"
unit = "fps"
plot = [10, 300, 900, 200]
colour = "#00ff7F"
t_range = [0, 600]
value_labels = [0, 300, 10, 200]
"""


def good(**changes: Any) -> Calibration:
    return parse(GOOD.encode(), Path("good.toml"), Calibration, RULES).model_copy(update=changes)


def faults(text: str) -> list[str]:
    with pytest.raises(FileFaultsError) as caught:
        parse(text.encode(), Path("c.toml"), Calibration, RULES)
    return [str(fault) for fault in caught.value.faults]


def png(width: int = 8, height: int = 4, mode: str = "RGBA") -> str:
    stream = BytesIO()
    Image.new(mode, (width, height)).save(stream, "PNG")
    return base64.b64encode(stream.getvalue()).decode()


# ---------------------------------------------------------------- faults


def test_three_faults_at_once_with_their_lines() -> None:
    text = (
        GOOD.replace("box = [300, 20, 80, 30]", "box = [1030, 20, 80, 30]")
        .replace("1000 * power", "1000 * * power")
        .replace('kind = "number"\nquantity = "power"', 'kind = "numbr"\nquantity = "power"')
    )
    kind, box, that = (
        text[: text.index(written)].count("\n") + 1
        for written in ('"numbr"', "[1030, 20, 80, 30]", "* * power")
    )
    assert faults(text) == [
        f'c.toml:{kind}: readout[1].kind is "numbr"; expected one of number, percentage, duration, '
        "size, word (nearest: number)",
        f"c.toml:{box}: readout[5].box is [1030, 20, 80, 30]; expected a box inside the picture, "
        "which is 1080 x 2400 px",
        f'c.toml:{that}: relation[1].that is "voltage * current = 1000 * * power"; expected '
        "numbers, names of readouts, + - * / ( ), <= < =: `*` cannot stand here (at character 28)",
    ]


CASES: dict[str, tuple[str, str, str]] = {
    "unknown key": ('unit = "V"', 'unti = "V"', r"readout\[3\]\.unti is an unknown key; .*unit "),
    "no format": ("format = 1\n", "", "format is missing; expected 1"),
    "other format": ("format = 1", "format = 2", "format is 2; expected 1"),
    "text for a number": ("step = 20", 'step = "20"', r'step is "20"; expected a number above 0'),
    "true for a number": ("step = 20", "step = true", "step is true; expected a number"),
    "infinite": ("step = 20", "step = inf", "step is inf; expected a number"),
    "short box": ("[200, 20, 80, 30]", "[200, 20, 80]", r"box is \[200, 20, 80\]; expected \[x, y"),
    "zero area": ("[200, 20, 80, 30]", "[200, 20, 0, 30]", "a width and a height above 0"),
    "outside": ("[200, 20, 80, 30]", "[-1, 20, 80, 30]", "a box inside the picture"),
    "line outside": ("[10, 60, 900, 30]", "[10, 60, 1900, 30]", r"line\[1\]\.box.*inside"),
    "landmark outside": ("[10, 20, 60.5, 30]", "[10, 2390, 60, 30]", r"landmark\[1\]\.box"),
    "plot outside": ("[10, 300, 900, 200]", "[10, 2300, 900, 200]", r"trace\[1\]\.plot"),
    "labels outside": ("[0, 300, 10, 200]", "[0, 2300, 10, 200]", r"trace\[1\]\.value_labels"),
    "readout twice": ('name = "current"', 'name = "power"', r"name is \"power\".*no other has"),
    "landmark twice": ('name = "panel"', 'name = "label"', r"landmark\[2\]\.name is \"label\""),
    "reserved": ('name = "size"', 'name = "device"', "a column of the output has this one"),
    "bounds": ("[-5, 40]", "[40, -5]", r"bounds is \[40, -5\]; expected the lower end first"),
    "part": ('x_part = "main"', 'x_part = "mian"', 'x_part is "mian".*landmark has: main, panel'),
    "line's part": ("[10, 60, 900, 30]", '[10, 60, 900, 30]\npart="q"', r"line\[1\]\.part"),
    "trace's part": ('colour = "#00ff7F"', 'colour="#00ff7F"\npart="q"', r"trace\[1\]\.part"),
    "needs": ("needs = 1", "needs = 3", "needs is 3; expected at most 2, the number of landmarks"),
    "scales": ("[0.5, 2.0]", "[0.5, 200]", "scales is .*between 0.1 and 10"),
    "bars": ("needs = 1", "needs = 1\nbars = [1200, 1200]", "less than the picture's height, 2400"),
    "bar": (
        "needs = 1",
        "needs = 1\nbars = [-1, 0]",
        r"bars\[1\] is -1; expected a number at least",
    ),
    "marks": ('thousands = "none"', 'thousands = "."', "another mark than `decimal`"),
    "no word": ('word = "POW"\n', "", r"landmark\[1\]\.word is missing"),
    "no side": ('side = "left"\n', "", r"landmark\[2\]\.side is missing"),
    "no colour": ('sort = "edge"\nside = "left"', 'sort = "colour"', r"colour is missing"),
    "no picture": ('sort = "edge"\nside = "left"', 'sort = "picture"', r"picture is missing"),
    "word beside side": ('side = "left"', 'side = "left"\nword = "a"', "no `word` for"),
    "no sensor": ('sensor = "battery"\n', "", r"readout\[2\]\.sensor is missing"),
    "sensor": ('unit = "V"', 'unit = "V"\nsensor = "chip"', "voltage is no temperature"),
    "unit": ('unit = "V"', 'unit = "W"', 'unit is "W"; expected V or mV, the units of voltage'),
    "no unit": ('unit = "V"', "", 'unit is ""; expected V or mV'),
    "unknown unit": ('unit = "V"', 'unit = "volt"', 'unit is "volt"; expected one of "", fps'),
    "trace unit": ('unit = "fps"', 'unit = "ms"', r"trace\[1\]\.unit"),
    "size of power": (
        'kind = "number"\nquantity = "power"',
        'kind = "size"\nquantity = "power"',
        "a size is for render_size",
    ),
    "render size as number": ('kind = "size"', 'kind = "number"', "size, for render_size"),
    "percentage": (
        'kind = "number"\nquantity = "voltage"',
        'kind = "percentage"\nquantity = "voltage"',
        "%, the unit of a percentage",
    ),
    "duration": (
        'kind = "number"\nquantity = "voltage"',
        'kind = "duration"\nquantity = "voltage"',
        "a duration does not tell voltage",
    ),
    "decimals of a size": ('kind = "size"', 'kind = "size"\ndecimals = 1', "whole px"),
    "relation's name": ("1000 * power", "1000 * pwoer", "names of readouts, and pwoer is none"),
    "relation of a size": ("1000 * power", "1000 * size", r"size\.width or size\.height"),
    "relation's slack": ('within = "3 %"', 'within = "few"', 'within is "few"'),
    "pattern's name": ("{current} mA", "{curent} mA", "names of readouts, and curent is none"),
    "pattern's brace": ("{current} mA", "{current mA", "a brace that is neither"),
    "pattern's neighbours": ("{voltage} V · {current}", "{voltage}{current}", "no literal between"),
    "no place": ("{voltage} V · ", "", r"readout\[3\]\.box is missing; expected a `box`, or a"),
    "two places": ('unit = "V"', 'unit = "V"\nbox = [1, 1, 9, 9]', "line electric gives its place"),
    "two lines": (
        "[[relation]]",
        '[[line]]\nname="b"\npattern="V {voltage}"\nbox=[1, 1, 9, 9]\n[[relation]]',
        "not electric and b",
    ),
    "no axis": ("t_range = [0, 600]\n", "", "t_range is missing; expected either `t_range` or"),
    "two axes": (
        "t_range = [0, 600]",
        "t_range=[0, 6]\nt_labels=[1, 1, 9, 9]",
        "beside the labels",
    ),
    "reversed axis": ("t_range = [0, 600]", "t_range = [600, 0]", "the lower end first"),
    "colour": ("#00ff7F", "green", 'colour is "green"; expected a colour as'),
    "no readouts": (
        GOOD[GOOD.index("[[readout]]") :],
        "",
        "readout is missing; expected a list of",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_a_fault_is_named(name: str) -> None:
    old, new, expected = CASES[name]
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    found = faults(text)
    assert any(re.search(expected, fault) for fault in found), found


def test_word_readouts_have_no_value() -> None:
    text = GOOD + (
        '[[readout]]\nname = "state"\nkind = "word"\nquantity = "outcome"\nbox = [1, 1, 9, 9]\n'
        "bounds = [1, 2]\nstep = 1\n"
        '[[relation]]\nthat = "state = power"\n'
    )
    found = " ".join(faults(text))
    assert "no `bounds`" in found
    assert "no `step`" in found
    assert "state is a word" in found


@pytest.mark.parametrize(
    ("picture", "expected"),
    [
        ("no base64!", "not base64"),
        (base64.b64encode(b"GIF89a").decode(), "not a PNG"),
        (png(513, 4), "513 x 4 px, more than 512 a side"),
        (png()[:60], "damaged PNG|not base64"),
        ("A" * 22_000, "larger"),
        (png(400, 8), "the shape of its picture, which is 400 x 8 px"),
    ],
)
def test_faulty_pictures(picture: str, expected: str) -> None:
    text = GOOD.replace(
        'sort = "word"\nword = "POW"', f'sort = "picture"\npicture = "{picture}"'
    ).replace("[10, 20, 60.5, 30]", "[10, 20, 60, 30]")
    assert any(re.search(expected, fault) for fault in faults(text))


def test_a_picture_that_inflates_further_than_it_says() -> None:
    import struct
    import zlib

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    bomb = (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", 4, 4, 8, 6, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(bytes(8_000_000)))
        + chunk(b"IEND", b"")
    )
    assert len(bomb) < 16_384
    assert png_size(base64.b64encode(bomb).decode()) == (4, 4)  # only what it says is inflated
    short = bomb.replace(struct.pack(">II", 4, 4), struct.pack(">II", 4, 5), 1)
    with pytest.raises(ValueError, match="damaged"):
        png_size(base64.b64encode(short).decode())


@given(
    st.integers(1, 512), st.integers(1, 64), st.sampled_from(["L", "LA", "RGB", "RGBA", "P", "1"])
)
def test_pictures_of_every_mode_are_taken(width: int, height: int, mode: str) -> None:
    assert png_size(png(width, height, mode)) == (width, height)


def test_every_quantity_has_its_units() -> None:
    schema = json_schema()["$defs"]["Readout"]["properties"]
    assert set(UNITS) | {"other"} == set(schema["quantity"]["enum"])
    assert {unit for units in UNITS.values() for unit in units} <= set(schema["unit"]["enum"])


# ---------------------------------------------------------------- the set in use


def test_the_earlier_of_one_id_wins(tmp_path: Path) -> None:
    for folder in ("a", "b", "c"):
        (tmp_path / folder).mkdir()
    mine, theirs = tmp_path / "a" / "mine.toml", tmp_path / "b" / "strip.toml"
    mine.write_text(GOOD)
    theirs.write_text(GOOD.replace("one line", "a line"))
    shutil.copy(mine, tmp_path / "c" / "same.toml")
    (tmp_path / "b" / ".hidden.toml").write_text("no")
    (tmp_path / "b" / "notes.txt").write_text("no")
    places = [mine, tmp_path / "b", tmp_path / "c", tmp_path / "b"]
    in_use, notices = load_calibrations(places)
    assert [loaded.path for loaded in in_use] == [mine]
    assert notices == [f"{theirs} is not used: {mine} has the same id k3v9x0aa and comes first"]
    assert load_calibrations([]) == ([], [])


def test_faults_of_all_files_are_gathered(tmp_path: Path) -> None:
    step = GOOD[: GOOD.index("step = 20")].count("\n") + 1
    (tmp_path / "1.toml").write_text(GOOD.replace("step = 20", "step = 0"))
    (tmp_path / "2.toml").write_text("format = = 1")
    (tmp_path / "3.toml").write_text(GOOD)
    (tmp_path / "4.toml").write_text(
        GOOD.replace("k3v9x0aa", "k3v9x0ab").replace('"mA"', '"A"').replace("1000 * ", "")
    )
    with pytest.raises(FileFaultsError) as caught:
        load_calibrations([tmp_path, tmp_path / "none"])
    found = [str(fault).replace(f"{tmp_path}/", "") for fault in caught.value.faults]
    assert any(fault.startswith(f"1.toml:{step}: readout[1].step is 0") for fault in found)
    assert any(fault.startswith("2.toml:1: the line is `format = = 1`") for fault in found)
    assert any(fault.startswith("none: the calibration is missing") for fault in found)
    assert (
        "4.toml: name is strip; expected another name, since 3.toml has this one with a different "
        "id" in found
    )
    assert (
        '4.toml: readout[4].unit is "A"; expected "mA", the unit of current in 3.toml; or another '
        "name for one of the two" in found
    )


def test_what_comes_with_ocrlog_gives_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    packaged, mine = tmp_path / "packaged", tmp_path / "mine"
    packaged.mkdir()
    mine.mkdir()
    monkeypatch.setattr("extractor.calibration.files.packaged_folder", lambda: packaged)
    other = GOOD.replace("k3v9x0aa", "k3v9x0ab").replace('"strip"', '"other"')
    (packaged / "fits.toml").write_text(other)
    (packaged / "name.toml").write_text(GOOD.replace("k3v9x0aa", "k3v9x0ac"))
    (packaged / "unit.toml").write_text(
        other.replace("k3v9x0ab", "k3v9x0ad").replace('"other"', '"third"').replace('"mA"', '"A"')
    )
    (mine / "strip.toml").write_text(GOOD)
    in_use, notices = load_calibrations([mine, packaged])
    assert [loaded.path.name for loaded in in_use] == ["strip.toml", "fits.toml"]
    assert [notice.split(" comes")[0] for notice in notices] == [
        str(packaged / "name.toml"),
        str(packaged / "unit.toml"),
    ]


def test_the_packaged_calibrations_load() -> None:
    assert packaged_folder() == ROOT / "calibration"
    in_use, notices = load_calibrations([packaged_folder()])
    assert len(in_use) == len(list((ROOT / "calibration").glob("*.toml")))
    assert notices == []


# ---------------------------------------------------------------- saving


def test_saving_keeps_comments_and_order(tmp_path: Path) -> None:
    file = tmp_path / "strip.toml"
    file.write_text(GOOD)
    calibration = load_calibration(file).calibration
    save(calibration, file)
    assert file.read_text() == GOOD

    power, *others = calibration.readout
    changed = calibration.model_copy(
        update={
            "revision": 2,
            "readout": (power.model_copy(update={"bounds": (-5.0, 50.5), "step": None}), *others),
        }
    )
    save(changed, file)
    assert file.read_text() == GOOD.replace(
        "bounds = [-5, 40]\nstep = 20\n", "bounds = [-5, 50.5]\n"
    ).replace("drawn_on = [1080, 2400]\n", "drawn_on = [1080, 2400]\nrevision = 2\n")
    assert load_calibration(file).calibration == changed
    assert list(tmp_path.iterdir()) == [file]


def test_saving_without_a_readout_keeps_the_next_ones_comment(tmp_path: Path) -> None:
    file = tmp_path / "strip.toml"
    file.write_text(
        GOOD.replace('[[readout]]\nname = "voltage"', '# In volts.\n[[readout]]\nname = "voltage"')
    )
    calibration = load_calibration(file).calibration
    fewer = calibration.model_copy(
        update={"readout": tuple(r for r in calibration.readout if r.name != "battery_temperature")}
    )
    save(fewer, file)
    text = file.read_text()
    assert '# In volts.\n[[readout]]\nname = "voltage"' in text
    assert "# The battery's own sensor." in text
    assert load_calibration(file).calibration == fewer


def test_saving_a_renamed_readout_keeps_its_comment(tmp_path: Path) -> None:
    file = tmp_path / "strip.toml"
    file.write_text(GOOD)
    calibration = load_calibration(file).calibration
    power, second, *others = calibration.readout
    renamed = second.model_copy(update={"name": "cell_temperature"})
    save(calibration.model_copy(update={"readout": (power, renamed, *others)}), file)
    assert file.read_text() == GOOD.replace("battery_temperature", "cell_temperature")


def test_nothing_faulty_is_saved(tmp_path: Path) -> None:
    file = tmp_path / "strip.toml"
    file.write_text(GOOD)
    calibration = load_calibration(file).calibration
    with pytest.raises(FileFaultsError, match=r"drawn_on|box"):
        save(calibration.model_copy(update={"drawn_on": (50, 50)}), file)
    assert file.read_text() == GOOD
    file.write_text("= not TOML")
    with pytest.raises(FileFaultsError, match="not TOML"):
        save(calibration, file)
    assert file.read_text() == "= not TOML"
    assert list(tmp_path.iterdir()) == [file]


NUMBERS = st.floats(0, 400, allow_nan=False).map(lambda number: round(number, 3))
BOXES = st.tuples(NUMBERS, NUMBERS, NUMBERS.map(lambda n: n + 0.5), NUMBERS.map(lambda n: n + 0.5))
NAMES = st.from_regex(r"\A[b-q][a-z0-9_]{0,8}\Z").filter(
    lambda name: name not in ("capture", "device")
)
TEXTS = st.text(st.characters(codec="utf-8", exclude_characters="{}"), min_size=1, max_size=20)


@st.composite
def calibrations(draw: st.DrawFn) -> Calibration:
    """Calibrations that break no rule."""
    names = draw(st.lists(NAMES, min_size=1, max_size=5, unique=True))
    readouts = [
        {
            "name": name,
            "kind": "number",
            "quantity": "power",
            "unit": draw(st.sampled_from(["W", "mW"])),
            "box": draw(BOXES),
            **draw(
                st.fixed_dictionaries(
                    {},
                    optional={
                        "decimals": st.integers(0, 6),
                        "missing": TEXTS,
                        "step": st.floats(1e-3, 1e12),
                        "bounds": st.just((-1.5, 1e300)),
                        "rounding": st.sampled_from(["half", "down"]),
                        "trend": st.sampled_from(["grows", "falls"]),
                    },
                )
            ),
        }
        for name in names
    ]
    data: dict[str, Any] = {
        "format": 1,
        "id": draw(st.from_regex(r"\A[a-z0-9]{8,32}\Z")),
        "name": draw(NAMES),
        "revision": draw(st.integers(1, 9)),
        "shows": draw(TEXTS),
        "drawn_on": (1000, 1000),
        "marks": draw(st.sampled_from([{}, {"decimal": ",", "thousands": "'"}])),
        "landmark": tuple(
            {"name": name, "sort": "word", "word": draw(TEXTS), "box": draw(BOXES)}
            for name in draw(st.lists(NAMES, min_size=2, max_size=3, unique=True))
        ),
        "readout": tuple(readouts),
        "relation": tuple(
            {"that": f"{name} <= {number}"}
            for name, number in draw(
                st.lists(st.tuples(st.sampled_from(names), st.integers(0, 99)), max_size=3)
            )
        ),
    }
    return Calibration.model_validate(data, strict=True)


@settings(
    max_examples=25,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    deadline=None,
)
@given(calibrations(), calibrations(), st.booleans())
def test_what_is_saved_loads_equal(
    tmp_path: Path, first: Calibration, second: Calibration, commented: bool
) -> None:
    file = tmp_path / "c.toml"
    file.unlink(missing_ok=True)
    save(first, file)
    assert load_calibration(file).calibration == first
    text = file.read_text()
    if commented:
        text = re.sub(r"(?m)^(\[\[|[a-z_]+ =)(.*)$", r"# above \1\n\1\2  # beside \1", text)
        file.write_text(text)
    save(second, file)
    assert load_calibration(file).calibration == second
    if commented:
        kept = file.read_text()
        assert kept.count("# above") >= text.count("# above")
        assert kept.count("# beside") >= text.count("# beside")


INLINE = """\
format = 1
id = "k3v9x0ac"
name = "small"
shows = "s"
drawn_on = [100, 100]
marks.decimal = ","   # dotted
locating = { needs = 1 }
landmark = [
  { name = "a", sort = "word", word = "A", box = [1, 1, 9, 9] },  # kept
]
readout = [{ name = "p", kind = "number", quantity = "power", unit = "W", box = [1, 1, 9, 9] }]
"""


def test_saving_into_inline_tables(tmp_path: Path) -> None:
    file = tmp_path / "c.toml"
    file.write_text(INLINE)
    calibration = load_calibration(file).calibration
    save(calibration, file)
    assert file.read_text() == INLINE
    changed = calibration.model_copy(
        update={
            "readout": (calibration.readout[0].model_copy(update={"decimals": 1}),),
            "marks": calibration.marks.model_copy(update={"thousands": "."}),
            "relation": (good().relation[0].model_copy(update={"that": "p = 1"}),),
        }
    )
    save(changed, file)
    assert load_calibration(file).calibration == changed
    assert "# dotted" in file.read_text()
    assert "# kept" in file.read_text()
    more = changed.model_copy(
        update={
            "landmark": (
                *changed.landmark,
                good().landmark[1].model_copy(update={"box": (0.0, 0.0, 9.0, 9.0)}),
            )
        }
    )
    save(more, file)
    assert load_calibration(file).calibration == more
    assert "# kept" in file.read_text()


# ---------------------------------------------------------------- JSON Schema


def test_the_committed_schema_is_current() -> None:
    committed = json.loads((ROOT / "docs" / "calibration.schema.json").read_text("utf-8"))
    assert committed == json.loads(json.dumps(json_schema()))


def test_the_schema_agrees_with_an_independent_validator() -> None:
    """Draft 2020-12 metaschema, as the ``jsonschema`` package carries it."""
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    examples = [
        GOOD,
        INLINE,
        *(p.read_text("utf-8") for p in (ROOT / "calibration").glob("*.toml")),
    ]
    for text in examples:
        validator.validate(tomllib.loads(text))
    for bad in (
        GOOD.replace("format = 1", "format = 2"),
        GOOD.replace('unit = "V"', 'unit = "volt"'),
        GOOD.replace('unit = "V"', 'unti = "V"'),
        GOOD.replace("[200, 20, 80, 30]", "[200, 20, 80]"),
        GOOD.replace("#00ff7F", "green"),
    ):
        assert not validator.is_valid(tomllib.loads(bad))


# ---------------------------------------------------------------- keys for the cache


def changed(place: str, index: int, **changes: Any) -> Calibration:
    calibration = good()
    parts = list(getattr(calibration, place))
    parts[index] = parts[index].model_copy(update=changes)
    return calibration.model_copy(update={place: tuple(parts)})


def keys(calibration: Calibration) -> tuple[str, list[str]]:
    return locating_key(calibration), [readout_key(calibration, r) for r in calibration.readout]


@pytest.mark.parametrize(
    "same",
    [
        changed("readout", 0, bounds=(-1.0, 1.0)),
        changed("readout", 0, step=None),
        changed("readout", 0, trend="grows"),
        changed("readout", 0, rounding="down"),
        changed("readout", 0, quantity="other"),
        changed("readout", 0, unit="mW"),
        changed("relation", 0, within="5 %"),
        changed("landmark", 0, name="title"),
        changed("line", 0, name="mains"),
        good(revision=9, shows="another sentence", name="other", relation=(), trace=()),
    ],
)
def test_what_only_the_judge_needs_changes_no_key(same: Calibration) -> None:
    assert keys(same) == keys(good())


def test_the_name_of_another_readout_changes_no_key() -> None:
    renamed = changed("readout", 3, name="amperes").model_copy(
        update={
            "line": (good().line[0].model_copy(update={"pattern": "{voltage} V · {amperes} mA"}),)
        }
    )
    before, after = keys(good()), keys(renamed)
    assert before[0] == after[0]
    assert [b == a for b, a in zip(before[1], after[1], strict=True)] == [
        True,
        True,
        True,
        False,
        True,
    ]


@pytest.mark.parametrize(
    ("other", "readouts"),
    [
        (changed("readout", 0, box=(101.0, 20.0, 80.0, 30.0)), {0}),
        (changed("readout", 0, decimals=None), {0}),
        (changed("readout", 0, bounds=(0.0, 1.0)), {0}),  # no sign may stand before it any more
        (changed("readout", 0, missing="--"), {0}),
        (changed("readout", 0, drawn_unit="W"), {0}),
        (changed("readout", 1, x_part=None), {1}),
        (changed("readout", 2, decimals=2), {2, 3}),
        (changed("line", 0, pattern="{voltage} V, {current} mA"), {2, 3}),
        (changed("line", 0, pattern="{current} V · {voltage} mA"), {2, 3}),
        (changed("line", 0, box=(10.0, 60.0, 901.0, 30.0)), {2, 3}),
        (good(marks=good().marks.model_copy(update={"decimal": ","})), {0, 1, 2, 3, 4}),
    ],
)
def test_what_reading_needs_changes_the_readouts_key(
    other: Calibration, readouts: set[int]
) -> None:
    before, after = keys(good()), keys(other)
    assert before[0] == after[0]
    assert {i for i, key in enumerate(before[1]) if key != after[1][i]} == readouts


@pytest.mark.parametrize(
    "other",
    [
        changed("landmark", 0, box=(11.0, 20.0, 60.5, 30.0)),
        changed("landmark", 0, word="PWR"),
        changed("landmark", 1, side="right"),
        good(id="k3v9x0ab"),
        good(drawn_on=(1080, 2401)),
        good(locating=good().locating.model_copy(update={"needs": 2})),
    ],
)
def test_what_locating_needs_changes_its_key(other: Calibration) -> None:
    assert locating_key(other) != locating_key(good())
    assert keys(other)[1] == keys(good())[1]


def test_keys_are_stable_from_run_to_run() -> None:
    assert locating_key(good()) == "66eeece55e697f595ecc2628b986762a"
