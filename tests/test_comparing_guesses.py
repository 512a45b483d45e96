"""What ``compare`` asks of a flat dump, and what its answers make of the captures."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from compared_samples import calibrations, columns, readings, session

from extractor.comparing.deriving import energy_of
from extractor.comparing.drafting import draft
from extractor.comparing.guesses import (
    DeviceQuestion,
    Question,
    RoundQuestion,
    Stretch,
    ask_all,
    questions,
)
from extractor.comparing.whole import compare_all
from extractor.errors import FileFaultsError
from extractor.records import Capture
from extractor.session import Session, load_session


class Typing:
    """A person who types these answers; '' is Enter alone."""

    def __init__(self, *texts: str) -> None:
        self.texts, self.asked = list(texts), []

    def __call__(self, words: str, default: str) -> str:
        self.asked.append(f"{words} [{default}]")
        return self.texts.pop(0) or default


def device(*names: str) -> DeviceQuestion:
    stretches = tuple(Stretch((name,), f"at {name}") for name in names)
    return DeviceQuestion("told", stretches, "which device?", "screen-9x9")


def rounds(count: int, variant: str = "") -> RoundQuestion:
    stretches = tuple(Stretch((f"{n}.png",), f"at {n}", n) for n in range(1, count + 1))
    return RoundQuestion("told", stretches, "H3", variant)


def test_one_name_is_for_all_captures_of_a_size():
    assert ask_all([device("a", "b")], Typing("H1")) == {
        "a": {"device": "H1"}, "b": {"device": "H1"},
    }  # fmt: skip


def test_devices_of_one_screen_are_told_apart_stretch_by_stretch():
    typing = Typing("H1 / H2", "", "H2", "", "-")
    answers = ask_all([device("a", "b", "c", "d")], typing)
    assert answers == {"a": {"device": "H1"}, "b": {"device": "H2"}, "c": {"device": "H2"}}
    assert typing.asked[1] == "  at a: H1 or H2? [H1]"
    assert typing.asked[3] == "  at c: H1 or H2? [H2]"  # as the one before


def test_a_name_that_is_none_of_them_is_asked_again():
    typing = Typing("H1/H2", "H3", "H2")
    assert ask_all([device("a")], typing) == {"a": {"device": "H2"}}


def test_a_slip_is_mended_by_going_back():
    typing = Typing("H1", "<", "H2", "H3 / H4", "H4", "<", "<", "H5")
    answers = ask_all([device("a"), device("b", "c")], typing)
    assert [each["device"] for each in answers.values()] == ["H2", "H5", "H5"]
    assert ask_all([device("a")], Typing("<", "H1")) == {"a": {"device": "H1"}}


def test_rounds_that_are_right_take_one_key():
    answers = ask_all([rounds(2)], Typing(""))
    assert answers == {
        "1.png": {"round": "1", "attempt": "1"}, "2.png": {"round": "2", "attempt": "1"},
    }  # fmt: skip


def test_a_scene_that_was_run_twice_with_a_switch_changed():
    """Two figures typed and the rest Enter: what follows counts on."""
    answers = ask_all([rounds(6)], Typing("n", "1 limiter-off", "", "", "1 limiter-on", "", ""))
    told = [(each["variant"], each["round"], each["attempt"]) for each in answers.values()]
    assert told == [
        (variant, number, "1") for variant in ("limiter-off", "limiter-on") for number in "123"
    ]


def test_a_round_that_was_run_again_is_a_further_attempt():
    typing = Typing("n", "", "", "2", "")
    answers = ask_all([rounds(4)], typing)
    assert [(each["round"], each["attempt"]) for each in answers.values()] == [
        ("1", "1"), ("2", "1"), ("2", "2"), ("3", "1"),
    ]  # fmt: skip
    assert all("variant" not in each for each in answers.values())


def test_a_round_is_left_out_and_what_is_typed_wrong_is_asked_again():
    answers = ask_all([rounds(3, "fast")], Typing("n", "-", "one", "1", ""))
    assert answers["1.png"] == {"round": "", "attempt": ""}
    assert [answers[f"{n}.png"]["round"] for n in (2, 3)] == ["1", "2"]


def test_going_back_within_rounds_takes_the_last_back():
    answers = ask_all([rounds(2)], Typing("n", "5", "<", "", ""))
    assert [each["round"] for each in answers.values()] == ["1", "2"]
    assert ask_all([rounds(1)], Typing("n", "<", "y"))["1.png"]["round"] == "1"


# ---------------------------------------------------------------- what is asked of captures


def found(captures: list[Capture], facts: dict[str, str], stated: Session) -> list[Question]:
    """The questions about captures that all carry these guesses."""
    verdicts = [
        SimpleNamespace(sighting=SimpleNamespace(capture=each, facts=facts)) for each in captures
    ]
    judgement = SimpleNamespace(verdicts=verdicts)
    outcome = SimpleNamespace(captures=captures, judgement=judgement)
    return questions(outcome, stated, {})


def capture(name: str, taken: str, size: tuple[int, int] = (90, 40), **more: Any) -> Capture:
    return Capture(name, Path(name), name, "still", *size, taken=taken, **more)


def test_captures_of_one_screen_are_offered_in_stretches():
    """A recording lasts: what follows within five minutes of its end belongs to it."""
    captures = [
        capture("c.png", "2026-03-14T10:40:00"),
        capture("a.png", "2026-03-14T10:00:00", (40, 90)),
        capture("b.mp4", "2026-03-14T10:04:00", duration_s=600.0),
        capture("d.png", "2026-03-14T10:16:00"),
    ]
    (question,) = found(captures, {"device": "screen-90x40"}, Session(format=1))
    assert [each.captures for each in question.stretches] == [
        ("a.png", "b.mp4", "d.png"), ("c.png",),
    ]  # fmt: skip
    assert question.stretches[0].words == "2026-03-14 10:00 to 10:16, 3 captures"
    assert question.told.startswith("4 captures of 90 × 40 px, 2026-03-14 10:00 to 10:40 (")


def test_devices_are_asked_in_the_order_in_which_they_were_run():
    captures = [capture("z.png", "2026-03-14T12:00:00"), capture("a.png", "", (50, 20)),
                capture("b.png", "2026-03-14T11:00:00", (70, 30))]  # fmt: skip
    asked = found(captures, {"device": ""}, Session(format=1))
    assert [each.captures[0] for each in asked] == ["a.png", "b.png", "z.png"]
    assert "time unknown" in asked[0].told and "device unknown" in asked[0].told


def test_two_devices_of_the_session_with_that_screen_are_offered():
    stated = Session.model_validate(
        {"format": 1, "device": {"H1": {"screen": (40, 90)}, "H2": {"screen": (90, 40)}}}
    )
    (question,) = found([capture("a.png", "2026-03-14T10:00:00")], {"device": ""}, stated)
    assert ask_all([question], Typing("", "H2")) == {"a.png": {"device": "H2"}}


def test_rounds_are_asked_in_the_order_of_time():
    captures = [capture("a.png", "2026-03-14T10:00:00")]
    stated = Session.model_validate({"format": 1, "device": {"H1": {}}})
    (question,) = found(captures, {"device": "H1", "round": "2", "attempt": "2"}, stated)
    assert question.told == "H1: round 2 (attempt 2) 2026-03-14 10:00, 1 capture"
    assert question.words.splitlines() == [
        "H1, rounds by their times:",
        "  round 2 (attempt 2)  2026-03-14 10:00, 1 capture",
        "Right (y, n)?",
    ]


# ---------------------------------------------------------------- the session file to fill in


def drafted() -> str:
    whole = compare_all(readings(), Session(format=1), calibrations(), columns())
    return draft(whole, {"H1": [(2400, 1080)]})


def test_the_draft_states_only_what_is_known(tmp_path):
    file = tmp_path / "session.toml"
    file.write_text(drafted(), encoding="utf-8")
    left = load_session(file)
    assert list(left.device) == ["H1", "H2", "H3", "H4", "H5", "H6"]
    assert list(left.device["H3"].variant) == ["limiter-off", "limiter-on"]
    assert left.device["H1"].screen == (2400, 1080)
    assert all(
        energy_of(each.battery) is None and each.frame_cap is None for each in left.device.values()
    )
    assert left.ambient is None and not left.not_run


def test_a_device_with_captures_of_two_sizes_gets_no_screen():
    """One of them stated would flag all captures of the other shape."""
    whole = compare_all(readings(), Session(format=1), calibrations())
    assert "screen" not in draft(whole, {"H1": [(2400, 1080), (2300, 1080)]})
    assert "screen = [2400, 1080]" in draft(whole, {"H1": [(2400, 1080), (2400, 1080)]})


def test_nothing_of_the_draft_is_believed_that_nobody_filled_in(tmp_path):
    """Every line taken in without its value is a fault; nothing stands for a value."""
    lines = drafted().splitlines()
    kinds = ("# ambient", "# battery", "# frames", "# reason", "# frame_cap =  ")
    blanks = {line for line in lines if line.startswith(kinds)}
    assert len(blanks) == 6  # a reason with a hint and one without
    for number, line in enumerate(blanks):
        file = tmp_path / f"{number}.toml"
        head = "" if line.startswith("# ambient") else "[device.H1]\n"
        if line.startswith("# reason"):
            head = '[[not_run]]\ndevice = "H1"\nround = 3\n'
        file.write_text(f"format = 1\n{head}{line[2:]}\n", encoding="utf-8")
        with pytest.raises(FileFaultsError):
            load_session(file)


def test_the_draft_filled_in_is_what_the_samples_session_states(tmp_path):
    text = drafted().replace("# frame_cap = 60 ", "frame_cap = 60 ").replace(
        "# battery = { charge = , nominal_voltage = ,",
        "battery = { charge = 5000, nominal_voltage = 3.87,",
    )  # fmt: skip
    file = tmp_path / "session.toml"
    file.write_text(text, encoding="utf-8")
    filled = load_session(file).device["H1"]
    assert filled.battery == session().device["H1"].battery
    assert filled.frame_cap == session().device["H1"].frame_cap
