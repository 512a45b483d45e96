"""The session file and the path pattern that tells facts."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from extractor.calibration import PatternError
from extractor.errors import FileFaultsError
from extractor.records import READINGS
from extractor.session import Session, load_session, match_pattern

ROOT = Path(__file__).parents[1]
EXAMPLE = (ROOT / "docs" / "session.md").read_text("utf-8").split("```toml\n")[1].split("```")[0]


def session(tmp_path: Path, text: str) -> Session:
    (tmp_path / "session.toml").write_text(text, "utf-8")
    return load_session(tmp_path / "session.toml")


def faults(tmp_path: Path, text: str) -> list[str]:
    with pytest.raises(FileFaultsError) as caught:
        session(tmp_path, text)
    return [str(fault).replace(f"{tmp_path}/", "") for fault in caught.value.faults]


def test_the_documented_example(tmp_path: Path) -> None:
    loaded = session(tmp_path, EXAMPLE)
    assert loaded.rounds == 3
    device = loaded.device["H1"]
    assert device.battery.energy == 19.35
    assert device.screen == (1440, 3120)
    assert device.variant["unlimited"].limiter is False
    assert device.variant["unlimited"].upscaling == "quality"
    assert (loaded.round[0].from_s, loaded.round[0].to_s) == (12.0, 612.0)
    assert loaded.not_run[0].reason == "stopped by heat"
    assert loaded.typed[0].source == "surface thermometer, middle of the back"


def test_everything_but_the_format_is_optional(tmp_path: Path) -> None:
    loaded = session(tmp_path, "format = 1")
    assert (loaded.smooth_floor, loaded.tie, loaded.device) == (45.0, 5.0, {})


def test_dates_may_be_written_without_quotes(tmp_path: Path) -> None:
    for written in ("2025-03-01", "2025-03-01T14:20:00", "2025-03-01T14:20:00Z"):
        text = EXAMPLE.replace('"2025-03-01T14:20"', written)
        assert session(tmp_path, text).typed[0].when.startswith("2025-03-01")


def test_a_typed_render_size(tmp_path: Path) -> None:
    text = EXAMPLE.replace('quantity = "temperature"\nsensor = "skin"', 'quantity = "render_size"')
    text = text.replace("value = 43.5", "value = [1280, 720]").replace('"Cel"', '"px"')
    assert session(tmp_path, text).typed[0].value == (1280, 720)


def test_the_samples_session_loads() -> None:
    assert load_session(ROOT / "sample_frames" / "session.toml").device


CASES = {
    "unknown key": (
        "smooth_floor",
        "smoth_floor",
        "smoth_floor is an unknown key; expected smooth_fl",
    ),
    "share": ("tie = 5", "tie = 500", "tie is 500; expected a number at least 0 and at most 100"),
    "switch": ("limiter = false", "limiter = 2", "limiter is 2; expected true or false or text"),
    "frames": ('"rendered"', '"drawn"', "one of rendered, displayed, unknown"),
    "voltage": (
        'voltage_of = "cell", ',
        "",
        "battery.voltage_of is missing; expected cell or pack",
    ),
    "device": ('device = "H2"', 'device = "H2"\nsize = 3', "not_run[1].size is an unknown key"),
    "other device": ('device = "H2"', 'device = "h1"', 'device is "h1"; expected a device of this'),
    "variant": ('variant = "unlimited"', 'variant = "off"', "expected a variant of H1: unlimited"),
    "round": (
        "round = 3\nreason",
        "round = 4\nreason",
        "round is 4; expected at most 3, the rounds",
    ),
    "span": ("to = 612.0", "to = 2.0", "round[1].to is 2.0; expected a time after `from`"),
    "unit": ('unit = "Cel"', 'unit = "W"', "Cel or [degF], the units of temperature"),
    "sensor": ('sensor = "skin"\n', "", "sensor is missing; expected a sensor for a temperature"),
    "value": ("value = 43.5", "value = [4, 5]", "[width, height] for a render_size, else a number"),
    "when": ('"2025-03-01T14:20"', '"yesterday"', "expected a date, or date and time"),
    "no who": ('who = "R. Viewer"\n', "", "typed[1].who is missing; expected text of 1 to 300"),
    "name": (
        "[device.H1]",
        '[device."H/1"]',
        "a name that cannot be; expected a name as facts use",
    ),
    "column": ("{device}/", "{layout}/", "facts, and layout is a column of readings.csv"),
    "pattern": ("{device}/", "{device/", "a path with {name} of facts: a brace that is neither"),
    "screen": ("[1440, 3120]", "[1440]", "[a whole number at least 1 and at most 65500, a whole"),
}


@pytest.mark.parametrize("name", CASES)
def test_a_fault_is_named(tmp_path: Path, name: str) -> None:
    old, new, expected = CASES[name]
    assert old in EXAMPLE
    found = faults(tmp_path, EXAMPLE.replace(old, new))
    assert any(expected in fault for fault in found), found


def test_three_faults_at_once_with_their_lines(tmp_path: Path) -> None:
    text = EXAMPLE.replace("tie = 5 ", "tie = -5 ").replace("ambient = 24.0", "ambiant = 24.0")
    text = text.replace("to = 612.0", "to = 6.0")
    lines = [
        text[: text.index(written)].count("\n") + 1
        for written in ("tie = -5", "to = 6.0", "ambiant")
    ]
    assert [fault.split(" ")[0] for fault in faults(tmp_path, text)] == [
        f"session.toml:{line}:" for line in lines
    ]


def test_a_round_given_twice(tmp_path: Path) -> None:
    text = "format = 1\n" + "[[round]]\nround = 1\nambient = 20\n" * 2
    assert "session.toml:5: round[2] is given twice; expected one [[round]] each" in faults(
        tmp_path, text
    )


# ---------------------------------------------------------------- path patterns


@pytest.mark.parametrize(
    ("pattern", "path", "facts"),
    [
        ("{device}/round-{round}/{capture}", "H1/round-2/a.png", {"device": "H1", "round": "2"}),
        ("{device}/round-{round}/{capture}", "H1/round-02/a.png", {"device": "H1", "round": "2"}),
        ("{device}/round-{round}/{capture}", "H1/round-x/a.png", None),
        ("{device}/round-{round}/{capture}", "H1/round-0/a.png", None),
        ("{device}/round-{round}/{capture}", "H1/round-2/b/a.png", None),
        ("{device}/round-{round}/{capture}", "x/H1/round-2/a.png", None),
        ("{device}/round-{round}/{capture}", "/round-2/a.png", None),
        ("{device}/round-{round}/{capture}", "H1/Round-2/a.png", None),
        # as few characters as lead to a match; a round is a whole number
        ("{device}-{round}_{capture}", "H1-pro-2_a_b.png", {"device": "H1-pro", "round": "2"}),
        ("{device}-{variant}/{capture}", "H1-a-b/c.png", {"device": "H1", "variant": "a-b"}),
        ("{device}.{attempt}.png", "H1.2.3.png", {"device": "H1.2", "attempt": "3"}),
        ("shots/{device}/{capture}.png", "shots/H1/a.png", {"device": "H1"}),
        ("shots/{device}/{capture}.png", "shots/H1/a.jpg", None),
        ("{device}/{capture}", "H .*$(/é.png", {"device": "H .*$("}),
        ("{{x}}{device}", "{x}H1", {"device": "H1"}),
        ("{device}{{x", "H1{x", {"device": "H1"}),
    ],
)
def test_match_pattern(pattern: str, path: str, facts: dict[str, str] | None) -> None:
    assert match_pattern(pattern, path) == facts


def test_a_faulty_pattern_is_refused() -> None:
    with pytest.raises(PatternError):
        match_pattern("{device}{round}", "H1/2")


def test_matching_takes_bounded_time() -> None:
    pattern = "".join(f"{{{a}{b}}}a" for a in "bcdef" for b in "abcd")
    start = time.process_time()
    assert match_pattern(pattern, "a" * 254 + "b") is None
    assert match_pattern(pattern, "a" * 100_000) is None
    assert time.process_time() - start < 3


NAMES = st.sampled_from(["device", "variant", "place", "kind_2"])
LITERALS = st.text("-_./{}R", min_size=1, max_size=3)


@given(
    st.lists(NAMES, min_size=1, max_size=4, unique=True),
    st.lists(LITERALS, min_size=5, max_size=5),
    st.lists(st.text("ab0é ", min_size=1, max_size=5), min_size=4, max_size=4),
)
def test_facts_come_back_from_the_path(
    names: list[str], literals: list[str], values: list[str]
) -> None:
    """No value holds a character of a literal here, so only one match is possible."""
    pattern = path = literals[0]
    pattern = pattern.replace("{", "{{").replace("}", "}}")
    for name, literal, value in zip(names, literals[1:], values, strict=False):
        pattern += f"{{{name}}}" + literal.replace("{", "{{").replace("}", "}}")
        path += value + literal
    assert match_pattern(pattern, path) == dict(zip(names, values, strict=False))


def test_no_fact_of_the_samples_is_a_column() -> None:
    assert not {"device", "variant", "round", "attempt"} & READINGS.names
