"""Rounds, derived figures, verdicts and warnings on small tables, most of them bad."""

from __future__ import annotations

import io
import json
from typing import Any

import pandas as pd
import pytest
from judging_world import layout, readout

from extractor import compare
from extractor.calibration.model import Calibration
from extractor.comparing.throttling import Verdict
from extractor.comparing.whole import Comparison, compare_all, comparison_grid
from extractor.errors import CallError
from extractor.session import Session

SUMMARY = layout(
    readout("run_time", "duration", kind="duration", statistic="total", unit="s"),
    readout("size", "render_size", kind="size", unit="px"),
    readout("rate", "frame_rate", statistic="mean", unit="fps"),
    readout("watts", "power", statistic="mean", unit="W"),
    readout("share", "share_at_floor", kind="percentage", statistic="share", unit="%"),
    readout("warmest", "temperature", statistic="highest", sensor="battery", unit="Cel"),
    readout("before", "level", statistic="start", unit="%"),
    readout("after", "level", statistic="end", unit="%"),
    name="card",
    id="cardlayout",
)
LIVE = layout(
    readout("fps", "frame_rate", unit="fps"),
    readout("width_height", "render_size", kind="size", unit="px"),
    readout("mean_so_far", "frame_rate", statistic="mean", unit="fps"),
    name="overlay",
    id="livelayout",
)
OTHER = layout(
    readout("rate", "frame_rate", statistic="mean", unit="fps", rounding="down"),
    readout("watts", "power", statistic="mean", unit="mW"),
    name="ledger",
    id="ledgerlayout",
)
LAYOUTS = (SUMMARY, LIVE, OTHER)
ROUND = {
    "run_time": 600.0,
    "size.width": 1280.0,
    "size.height": 720.0,
    "rate": 60.0,
    "watts": 5.5296,
    "share": 99.0,
    "warmest": 35.0,
    "before": 90.0,
    "after": 85.0,
}
_UNITS = {
    "run_time": "s",
    **dict.fromkeys(("rate", "fps", "mean_so_far"), "fps"),
    **dict.fromkeys(("share", "before", "after"), "%"),
    **{f"{size}.{side}": "px" for size in ("size", "width_height") for side in ("width", "height")},
    "watts": "W",
    "warmest": "Cel",
}


def rows(
    capture: str = "a.png",
    *,
    device: str = "H1",
    variant: str = "",
    round: str = "1",
    attempt: str = "1",
    layout: str = "card",
    at_s: float = float("nan"),
    taken: str = "",
    half: float = 0.05,
    units: dict[str, str] | None = None,
    flags: str = "",
    **values: float,
) -> list[dict[str, Any]]:
    """The readings of one capture; readouts of a size are ``size__width``."""
    return [
        {
            "capture": capture, "at_s": at_s, "taken": taken, "layout": layout,
            "readout": name, "text": f"{value:g}", "value": value,
            "candidate": float("nan"), "half_width": half,
            "unit": {**_UNITS, **(units or {})}[name], "confidence": 0.9999, "flags": flags,
            "why": "", "source": "read", "decided_text": "", "settled_flags": "",
            **dict.fromkeys("xywh", float("nan")), "device": device, "variant": variant,
            "round": round, "attempt": attempt,
        }
        for name, value in ((n.replace("__", "."), v) for n, v in values.items())
    ]  # fmt: skip


def a_round(capture: str = "a.png", **more: Any) -> list[dict[str, Any]]:
    values = {name.replace(".", "__"): value for name, value in ROUND.items()}
    return rows(capture, **{**values, **more})


def compared(
    *tables: list[dict[str, Any]], session: dict[str, Any] | None = None, traces: Any = None,
    layouts: tuple[Calibration, ...] = LAYOUTS,
) -> Comparison:  # fmt: skip
    table = pd.DataFrame([row for each in tables for row in each])
    said = Session.model_validate_json(json.dumps({"format": 1, **(session or {})}))
    return compare_all(table, said, layouts, traces)


def first(whole: Comparison, figure: str, number: int = 1) -> Any:
    return whole.get(figure, number)["H1", ""]


def verdict(whole: Comparison, number: int) -> Verdict:
    (one,) = [each for each in whole.verdicts if each.round == number and each.device == "H1"]
    return one


# ---------------------------------------------------------------- figures come through


def test_the_check_values_come_through_the_tables():
    whole = compared(a_round(half=0.0))
    assert first(whole, "pixel_throughput").value == pytest.approx(55.296)
    assert first(whole, "energy_a_pixel").value == pytest.approx(100.0)
    assert first(whole, "energy_a_frame").value == pytest.approx(92.16)


def test_u_display_of_energy_a_frame_by_hand():
    """5.5296 W ± 0.05 and 60 fps ± 0.05: 92.16 × √((0.05/5.5296)² + (0.05/60)²)/√3 = 0.483 mJ."""
    assert first(compared(a_round()), "energy_a_frame").u_display == pytest.approx(0.4832, abs=1e-3)


def test_a_truncated_figure_stands_in_the_middle_of_what_it_leaves_open():
    """59.94 truncated lies between 59.94 and 59.95; 5530 mW is 5.53 W."""
    whole = compared(
        rows(layout="ledger", half=0.01, rate=59.94, watts=5530.0, units={"watts": "mW"})
    )
    (one,) = whole.rounds.of("H1", "", 1)
    rate = one.figures["frame_rate_mean"]
    assert (rate.value, rate.low, rate.high) == pytest.approx((59.94, 59.94, 59.95))
    assert first(whole, "frame_rate").value == pytest.approx(59.945)
    assert first(whole, "power").value == pytest.approx(5.53)
    assert first(whole, "power").unit == "W"


def test_attempts_are_a_mean_with_their_spread_and_the_display_does_not_shrink():
    """60, 62 and 64 fps: mean 62, standard deviation 2, u_display 0.05/√3 as for one."""
    whole = compared(*(a_round(f"{n}.png", attempt=str(n), rate=58.0 + 2 * n) for n in (1, 2, 3)))
    rate = first(whole, "frame_rate")
    assert (rate.value, rate.spread, rate.attempts) == (62.0, 2.0, 3)
    assert rate.u_display == pytest.approx(0.028868, abs=1e-6)


def test_stills_of_single_instants_and_running_means_never_make_a_mean():
    whole = compared(
        rows("a.png", layout="overlay", fps=60.0, mean_so_far=59.0),
        rows("b.png", layout="overlay", fps=30.0, mean_so_far=58.0),
    )
    (one,) = whole.rounds.of("H1", "", 1)
    assert "frame_rate_mean" not in one.figures
    assert verdict(whole, 1).kind == "cannot be told"
    assert any("mean frame rate" in each.text for each in whole.todos)


def test_a_recording_is_weighted_by_time_and_gaps_do_not_count():
    """Samples at 0, 1, 2, 3, 4 s, then hidden until 20 s: 60 each, the last two 30."""
    times = [0.0, 1.0, 2.0, 3.0, 4.0, 20.0, 21.0]
    rates = [60.0, 60.0, 60.0, 60.0, 60.0, 30.0, 30.0]
    whole = compared(
        *(rows("r.mp4", layout="overlay", at_s=t, fps=v) for t, v in zip(times, rates, strict=True))
    )
    (one,) = whole.rounds.of("H1", "", 1)
    # 4 s at 60, then 60 for the 2.5 s that a sample may stand, 30 for 1 s and 1 s.
    assert one.figures["frame_rate_mean"].value == pytest.approx((60 * 6.5 + 30 * 2) / 8.5)
    assert one.figures["frame_rate_mean"].basis == "recording"


def test_from_and_to_of_the_session_cut_a_recording():
    table = [rows("r.mp4", layout="overlay", at_s=float(t), fps=60.0 if t >= 10 else 10.0)
             for t in range(31)]  # fmt: skip
    said = {"round": [{"round": 1, "capture": "r.mp4", "from": 10, "to": 30}]}
    whole = compared(*table, session=said)
    (one,) = whole.rounds.of("H1", "", 1)
    assert one.figures["frame_rate_mean"].value == 60.0
    assert one.series[0].times[0] == 0.0


def test_a_typed_second_source_confirms_the_render_size():
    typed = {"device": "H1", "quantity": "render_size", "value": (1280, 720), "unit": "px",
             "who": "R. Viewer", "when": "2026-03-01", "from": "the settings"}  # fmt: skip
    whole = compared(a_round(), session={"typed": [typed]})
    assert "size-unconfirmed" not in {each.code for each in whole.warnings}
    assert "not confirmed" not in first(whole, "pixel_throughput").text
    assert "taken for rendered frames" in first(whole, "pixel_throughput").text
    other = compared(a_round(), session={"typed": [{**typed, "value": (960, 540)}]})
    assert "size-unconfirmed" in {each.code for each in other.warnings}
    assert any("render_width is 1280" in each for each in other.notices)


def test_a_typed_value_fills_what_no_capture_shows():
    typed = {"device": "H1", "round": 1, "quantity": "temperature", "sensor": "skin",
             "statistic": "highest", "value": 109.4, "unit": "[degF]", "half_width": 0.09,
             "who": "R. Viewer", "when": "2026-03-01", "from": "a surface thermometer"}  # fmt: skip
    skin = first(compared(a_round(), session={"typed": [typed]}), "skin_temperature")
    assert skin.value == pytest.approx(43.0)
    assert skin.u_display == pytest.approx(0.05 / 3**0.5)
    assert skin.basis == "typed"


def test_power_from_current_and_voltage_where_nothing_else_is_shown():
    """1500 mA ± 0.5 at 4.00 V ± 0.005 = 6.000 W, between 5.9905 and 6.0095."""
    meter = layout(
        readout("amps", "current", statistic="mean", unit="mA"),
        readout("volts", "voltage", statistic="mean", unit="V"),
        readout("rate", "frame_rate", statistic="mean", unit="fps"),
        name="meter",
        id="meterlayout",
    )
    table = [
        *rows(layout="meter", half=0.5, amps=-1500.0, units={"amps": "mA"}),
        *rows(layout="meter", half=0.005, volts=4.0, rate=60.0, units={"volts": "V"}),
    ]
    power = compared(table, layouts=(meter,)).rounds.of("H1", "", 1)[0].figures["power_mean"]
    assert (power.value, power.low, power.high) == pytest.approx((6.0, 5.9905025, 6.0095025))
    assert "mean current × mean voltage" in power.source


def test_displayed_frames_are_not_taken_for_rendered_ones():
    said = {"device": {"H1": {"frames": "displayed"}}}
    whole = compared(a_round(), session=said)
    assert ("H1", "") not in whole.get("pixel_throughput")
    assert ("H1", "") not in whole.get("energy_a_pixel")
    assert {each.code for each in whole.warnings} >= {"frames-displayed"}
    refused = [each for each in whole.derived if each.figure == "energy_a_pixel"]
    assert "displayed frames" in refused[0].text


def test_a_render_size_that_changes_gives_no_throughput_unless_sampled_along_time():
    stills = compared(
        a_round(),
        rows("b.png", layout="overlay", width_height__width=960.0, width_height__height=540.0),
    )
    assert ("H1", "") not in stills.get("pixel_throughput")
    assert "render-size-changes" in {each.code for each in stills.warnings}
    # Half of the time 1280 × 720, half 640 × 360, at 50 fps: 46.08 and 11.52, mean 28.8 Mpx/s.
    frames = [
        rows("r.mp4", layout="overlay", at_s=float(t), half=0.0, fps=50.0,
             width_height__width=1280.0 if t < 10 else 640.0,
             width_height__height=720.0 if t < 10 else 360.0)
        for t in range(20)
    ]  # fmt: skip
    sampled = first(compared(*frames), "pixel_throughput")
    assert sampled.value == pytest.approx(28.8)
    assert "along time" in sampled.text


def test_rounding_at_the_floor_gives_a_range():
    frames = [rows("r.mp4", layout="overlay", at_s=float(t), half=0.5, fps=v)
              for t, v in enumerate([46.0, 45.0, 44.0, 30.0])]  # fmt: skip
    share = first(compared(*frames), "share_at_floor")
    assert share.value == pytest.approx(50.0)
    assert share.text == "rounding at the floor leaves 25.0 to 50.0 %"
    assert "samples of 1 s" in share.basis


def test_unlike_bases_of_the_share_are_named():
    frames = [rows("r.mp4", device="H2", layout="overlay", at_s=float(t), fps=50.0)
              for t in range(30)]  # fmt: skip
    whole = compared(a_round(), *frames)
    assert "share-bases-differ" in {each.code for each in whole.warnings}


# ---------------------------------------------------------------- verdicts


def later(whole_change: dict[str, float], **session: Any) -> Verdict:
    whole = compared(
        a_round(rate=50.0),
        a_round("b.png", round="2", **{"rate": 50.0, **whole_change}),
        session=session,
    )
    return verdict(whole, 2)


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        ({"rate": 40.0, "watts": 4.0, "warmest": 38.0}, "throttled"),
        ({"rate": 40.0, "watts": 4.0, "warmest": 30.0}, "slower"),  # cooler: no heat shown
        ({"rate": 40.0, "warmest": 38.0}, "slower"),
        ({"watts": 4.0, "warmest": 38.0}, "held on less power"),
        ({}, "held"),
        ({"rate": 49.5, "watts": 5.5}, "held"),
    ],
)
def test_a_fall_of_the_rate_alone_is_not_called_throttled(change, kind):
    assert later(change).kind == kind


def test_without_a_temperature_it_is_not_called_throttled():
    table = [a_round(rate=50.0), a_round("b.png", round="2", rate=40.0, watts=4.0)]
    cold = [[row for row in each if row["readout"] != "warmest"] for each in table]
    told = verdict(compared(*cold), 2)
    assert told.kind == "slower"
    assert "no temperature of both rounds is shown" in told.evidence


def test_a_round_at_its_cap_is_not_called_throttled():
    said = {"device": {"H1": {"frame_cap": 50}}}
    assert later({"warmest": 45.0}, **said).kind == "at its cap"
    assert later({"warmest": 45.0, "watts": 4.5}, **said).kind == "held on less power"


def test_attempts_that_scatter_more_than_the_fall_show_none():
    """50 and 40 fps in round 1 (mean 45, deviation 7.1), 42 in round 2: within two deviations."""
    whole = compared(
        a_round(rate=50.0),
        a_round("a2.png", attempt="2", rate=40.0),
        a_round("b.png", round="2", rate=42.0, watts=4.0, warmest=38.0),
    )
    assert verdict(whole, 2).kind not in ("throttled", "slower")


def test_slow_from_the_start_unless_a_variant_lifts_it():
    said = {"device": {"H1": {"variant": {"off": {"limiter": False}, "on": {"limiter": True}}}}}
    whole = compared(
        a_round(variant="on", rate=30.0), a_round("b.png", variant="off", rate=55.0), session=said
    )
    (slow,) = [each for each in whole.verdicts if each.variant == "on"]
    assert slow.kind == "slow from the start"
    assert "off lifts it to 55.0 fps" in slow.evidence


def test_missing_and_not_run_are_outcomes():
    said = {"rounds": 3, "not_run": [{"device": "H1", "round": 3, "reason": "stopped by heat"}]}
    whole = compared(a_round(), session=said)
    assert verdict(whole, 2).kind == "missing"
    assert verdict(whole, 3).words == "not run: stopped by heat"
    (one,) = [each.words for each in whole.todos if "[[not_run]]" in each.text]
    assert one == "H1: run round 2, or state under [[not_run]] why not"


def test_without_a_session_as_many_rounds_are_planned_as_most_devices_ran():
    runs = {"H1": 2, "H2": 2, "H3": 4, "H4": 1}
    whole = compared(
        *(
            a_round(f"{device}-{number}.png", device=device, round=str(number))
            for device, last in runs.items()
            for number in range(1, last + 1)
        )
    )
    missing = [(v.device, v.round) for v in whole.verdicts if v.kind == "missing"]
    assert missing == [("H4", 2)]
    assert ("H3", "") in whole.get("sustained_frame_rate", 4)


# ---------------------------------------------------------------- bad input


def test_without_a_session_it_works_and_says_what_cannot_be_computed():
    whole = compared(a_round(), a_round("b.png", device="H2", rate=50.0))
    assert len(whole.get("energy_a_pixel")) == 2
    told = " ".join(each.text for each in whole.todos)
    for needed in ("battery's charge", "`frames`", "`ambient`", "battery test", "repeat a round"):
        assert needed in told


def test_a_device_that_the_session_does_not_know_is_named_and_the_rest_computed():
    said = {"device": {"H2": {}}}
    whole = compared(a_round(), session=said)
    assert any("H1" in each and "session.toml" in each for each in whole.notices)
    assert first(whole, "energy_a_frame").value == pytest.approx(92.16)


def test_a_battery_without_its_charge_gives_hours_but_no_power():
    test = rows("t.png", round="", run_time=45000.0, before=100.0, after=20.0, half=0.0)
    whole = compared(test, a_round())
    assert whole.get("hours_from_full", 0)["H1", ""].value == pytest.approx(15.625)
    refused = {each.figure: each.text for each in whole.derived if each.value is None}
    assert "states no battery charge" in refused["drain_current"]
    said = {"device": {"H1": {"battery": {"charge": 5000, "nominal_voltage": 3.87,
                                          "voltage_of": "cell"}}}}  # fmt: skip
    known = compared(test, a_round(), session=said)
    assert known.get("drain_current", 0)["H1", ""].value == pytest.approx(320.0)
    assert known.get("drain_power", 0)["H1", ""].value == pytest.approx(1.2384)


def test_a_battery_level_that_rises_asks_for_external_power():
    said = {"device": {"H1": {"battery": {"energy": 19.35}}}}
    whole = compared(a_round(before=50.0, after=80.0), session=said)
    codes = {each.code: each.text for each in whole.warnings}
    assert "external power" in codes["level-not-falling"]
    fed = compared(a_round(before=50.0, after=80.0), session={**said, "power_supply": "external"})
    assert "level-not-falling" not in {each.code for each in fed.warnings}


def test_rounds_that_were_all_recorded_are_not_called_unlike():
    film = rows("r.mp4", layout="overlay", at_s=0.0, fps=60.0) + rows(
        "r.mp4", layout="overlay", at_s=1.0, fps=60.0
    )
    unlike = compared(a_round(), film, a_round("b.png", device="H2"))
    assert "recorded-beside-unrecorded" in {each.code for each in unlike.warnings}
    said = {"recorded": True}
    alike = compared(a_round(), film, a_round("b.png", device="H2"), session=said)
    assert "recorded-beside-unrecorded" not in {each.code for each in alike.warnings}


def test_a_frame_rate_of_zero_is_named_and_the_rest_computed():
    whole = compared(a_round(rate=0.0))
    refused = {each.figure: each.text for each in whole.derived if each.value is None}
    assert "frame rate is 0" in refused["energy_a_frame"]
    assert "pixel throughput is 0" in refused["energy_a_pixel"]
    assert first(whole, "power").value == pytest.approx(5.5296)
    assert first(whole, "share_at_floor").value == 99.0


def test_captures_that_contradict_each_other_are_named_and_left_out():
    whole = compared(a_round(), rows("z.png", rate=50.0))
    assert any("captures-disagree: frame_rate_mean" in each for each in whole.notices)
    assert ("H1", "") not in whole.get("frame_rate")
    assert first(whole, "power").value == pytest.approx(5.5296)


def test_captures_that_agree_within_their_digits_give_the_finer_figure():
    whole = compared(a_round(), rows("z.png", rate=59.96, half=0.005))
    assert first(whole, "frame_rate").value == pytest.approx(59.96)
    assert whole.notices == ()


def test_facts_that_are_no_numbers_or_unknown_are_named():
    whole = compared(
        a_round(),
        a_round("b.png", round="two"),
        a_round("c.png", device=""),
        rows("d.png", round="", rate=50.0),
    )
    told = " ".join(whole.notices)
    assert "b.png: round 'two'" in told
    assert "c.png: no device is known" in told
    assert "no known round" in told
    assert first(whole, "frame_rate").value == 60.0


def test_two_units_under_one_name_are_converted_where_kin_and_left_out_where_not():
    kin = compared(a_round(), a_round("b.png", device="H2", watts=5529.6, units={"watts": "mW"}))
    assert kin.get("power")["H2", ""].value == pytest.approx(5.5296)
    assert any("watts is given in W and mW" in each for each in kin.notices)
    strangers = compared(a_round(), a_round("b.png", device="H2", watts=5.0, units={"watts": "V"}))
    assert any("no kin" in each for each in strangers.notices)
    assert not strangers.get("power")
    assert strangers.get("frame_rate")["H1", ""].value == 60.0


def test_a_layout_without_calibration_is_named():
    whole = compared(a_round(), rows("b.png", layout="unheard", rate=30.0))
    assert any("layout unheard: no calibration" in each for each in whole.notices)
    assert first(whole, "frame_rate").value == 60.0


def test_flagged_readings_are_never_used():
    whole = compared(a_round(), rows("b.png", rate=5.0, flags="unsure"))
    assert first(whole, "frame_rate").value == 60.0
    assert whole.notices == ()


def test_a_round_of_one_capture_with_one_figure():
    whole = compared(rows(rate=60.0))
    assert verdict(whole, 1).kind == "held"
    assert {each.figure for each in whole.derived if each.value is not None} == {"frame_rate"}


def test_a_line_of_a_chart_without_calibration_is_named_and_flagged_samples_left_out():
    traces = pd.DataFrame(
        [("a.png", "", "card", "unheard", t, 60.0, 60.0, 60.0, "fps", "") for t in range(9)],
        columns=[
            "capture",
            "at_s",
            "layout",
            "trace",
            "t",
            "value",
            "low",
            "high",
            "unit",
            "flags",
        ],
    )
    whole = compared(a_round(), traces=traces)
    assert any("what the line unheard measures" in each for each in whole.notices)


def test_two_clocks_of_one_layout_are_not_taken_for_one():
    clocks = layout(
        readout("cpu", "clock", statistic="mean", unit="MHz"),
        readout("gpu", "clock", statistic="mean", unit="MHz"),
        readout("rate", "frame_rate", statistic="mean", unit="fps"),
        name="clocks",
        id="clocklayout",
    )
    units = {"cpu": "MHz", "gpu": "MHz"}
    whole = compared(
        rows(layout="clocks", cpu=2400.0, gpu=900.0, rate=60.0, units=units), layouts=(clocks,)
    )
    assert any("cpu, gpu all measure clock" in each for each in whole.notices)
    assert "clock_mean" not in whole.rounds.of("H1", "", 1)[0].figures
    assert first(whole, "frame_rate").value == 60.0


def test_a_round_is_early_against_the_rounds_of_its_own_device():
    whole = compared(
        a_round(),
        a_round("b.png", round="2", run_time=400.0),
        a_round("c.png", device="H2", run_time=300.0),
        a_round("d.png", device="H2", round="2", run_time=300.0),
    )
    early = [str(each.key) for each in whole.rounds.all if each.ended_early]
    assert early == ["H1, round 2"]
    assert "lengths-differ" in {each.code for each in whole.warnings}


def test_a_table_that_another_reader_read_gives_the_same():
    """pandas alone makes numbers of rounds and NaN of blanks."""
    table = pd.DataFrame([*a_round(), *a_round("b.png", round="2", rate=50.0)])
    own = compare(table, calibration=())
    other = pd.read_csv(io.StringIO(table.to_csv(index=False)))
    pd.testing.assert_frame_equal(compare(other, calibration=()), own)
    with pytest.raises(CallError, match="it lacks flags"):
        compare(table.drop(columns="flags"))


def test_no_readings_at_all():
    empty = pd.DataFrame(a_round()).iloc[:0]
    whole = compare_all(empty, Session(format=1), LAYOUTS)
    assert whole.rounds.all == ()
    assert len(comparison_grid(whole).rows) == len(whole.todos)
    assert list(compare(empty)["figure"].unique()) == ["missing"]


def test_no_cell_of_the_table_starts_a_formula():
    whole = compared(a_round(device="=cmd()"))
    text = comparison_grid(whole).csv().decode()
    assert "\n=cmd" not in text and "'=cmd()" in text


def test_many_devices_are_ranked_with_ties_and_their_order_is_stable():
    tables = [a_round(f"{n}.png", device=f"D{n}", watts=5.0 + 0.1 * n) for n in range(12)]
    ranks = {s[0]: each.rank for s, each in compared(*tables).get("energy_a_frame").items()}
    assert set(ranks.values()) == {1}  # each 2 % above the last: a chain of ties
    apart = [a_round(f"{n}.png", device=f"D{n}", watts=5.0 * 1.1**n) for n in range(4)]
    ranks = {s[0]: each.rank for s, each in compared(*apart).get("energy_a_frame").items()}
    assert ranks == {"D0": 1, "D1": 2, "D2": 3, "D3": 4}
