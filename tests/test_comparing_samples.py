"""The comparison of the samples against the model they were drawn from (sample_frames/draw)."""

from __future__ import annotations

from functools import cache

import compared_samples as samples
import numpy as np
import pandas as pd
import pytest

from extractor import compare
from extractor.comparing.deriving import label
from extractor.comparing.throttling import Verdict, frame_cap
from extractor.comparing.whole import Comparison, compare_all, rounds_grid

PIXELS = {"H6": 1600 * 720}


@cache
def whole() -> Comparison:
    return compare_all(
        samples.readings(), samples.session(), samples.calibrations(), samples.traces()
    )


@cache
def by_columns() -> Comparison:
    """With the charts as they are read: a row a column of pixels."""
    return compare_all(
        samples.readings(), samples.session(), samples.calibrations(), samples.columns()
    )


@cache
def cards_only() -> Comparison:
    """Summary cards and battery tests, nothing else: no table, no overlay, no chart."""
    readings = samples.readings()
    kept = readings[readings["layout"].isin(["cards", "battery"])].reset_index(drop=True)
    return compare_all(kept, samples.session(), samples.calibrations())


def verdicts(of: Comparison) -> dict[tuple[str, str, int], Verdict]:
    return {(each.device, each.variant, each.round): each for each in of.verdicts}


# ---------------------------------------------------------------- rounds


def test_every_round_of_the_model_is_there_with_its_attempts():
    run = {
        (each.key.device, each.key.variant, each.key.round, each.key.attempt)
        for each in whole().rounds.all
        if each.state == "run"
    }
    assert run == set(samples.truth_rounds())


def test_means_of_the_rounds_are_those_of_the_model():
    names = {"frame_rate_mean": "rate", "power_mean": "power"}
    for each in whole().rounds.all:
        if each.state != "run":
            continue
        key = (each.key.device, each.key.variant, each.key.round, each.key.attempt)
        series = samples.truth_rounds()[key].series
        for name, column in names.items():
            amount = each.figures[name]
            assert amount.low - 1e-9 <= series[column].mean() <= amount.high + 1e-9, (key, name)
            assert amount.basis == "monitor"
        share = 100 * np.mean(series["rate"] >= 45)
        amount = each.figures["share_at_floor"]
        assert amount.low - 1e-9 <= share <= amount.high + 1e-9


def test_the_attempt_that_a_call_broke_is_read_but_does_not_count():
    (one,) = [
        each for each in whole().rounds.all if (each.key.device, each.key.round, each.key.attempt)
        == ("H4", 2, 1)
    ]  # fmt: skip
    assert not one.counts
    assert one.why == "a call came in after five minutes"
    assert [each.key.attempt for each in whole().rounds.of("H4", "", 2)] == [2]


def test_a_minute_of_recording_is_no_mean_of_ten_minutes():
    (second,) = whole().rounds.of("H2", "", 2)
    assert second.recorded
    assert second.figures["frame_rate_mean"].basis == "monitor"
    lines = [line for line in second.series if line.medium == "recording"]
    assert {round(line.times[0]) for line in lines} == {120}
    readings = samples.readings()
    no_summary = readings[
        ~((readings["device"] == "H2") & readings["layout"].isin(["table"]))
        & ~((readings["device"] == "H2") & (readings["readout"] == "frame_rate_mean"))
    ].reset_index(drop=True)
    (again,) = compare_all(no_summary, samples.session(), samples.calibrations()).rounds.of(
        "H2", "", 2
    )
    assert "frame_rate_mean" not in again.figures


def test_the_table_of_rounds_says_where_each_figure_comes_from():
    grid = rounds_grid(whole().rounds)
    names = [column.name for column in grid.columns]
    for row in grid.rows:
        cells = dict(zip(names, row, strict=True))
        for name, cell in cells.items():
            if name.endswith("_from"):
                assert bool(cell) == (cells[name.removesuffix("_from")] is not None), name
    assert len(grid.rows) == len(samples.truth_rounds()) + 6 + 1  # battery tests, one not run


# ---------------------------------------------------------------- verdicts


def test_the_kind_of_every_device_is_that_of_the_model():
    kinds = {
        ("H1", ""): "throttled",
        ("H2", ""): "at its cap",
        ("H3", "limiter-off"): "throttled",
        ("H3", "limiter-on"): "at its cap",
        ("H4", ""): "throttled",
        ("H5", ""): "slow from the start",
        ("H6", ""): "throttled",
    }
    for (device, variant, number), verdict in verdicts(whole()).items():
        if (device, number) == ("H6", 3):
            assert verdict.kind == "not run"
            assert "stopped by heat" in verdict.words
        else:
            assert verdict.kind == kinds[device, variant], (device, variant, number)


def test_gradual_and_stepped_are_told_apart():
    how = {key: each.how for key, each in verdicts(whole()).items()}
    assert how["H1", "", 2] == "gradual"
    assert how["H3", "limiter-off", 2] == "stepped"
    assert how["H6", "", 2] == "stepped"


def _true_onset(device: str, variant: str) -> float:
    """The first second from which the frame rate is more than 1 % below that of a full clock."""
    model = samples.model()
    first = samples.truth_rounds()[device, variant, 1, 1]
    demand = model.demand(first.series.t)
    clock = samples.clock_ratio(first)
    full = np.minimum(first.device.cap, first.device.full_rate / demand)
    lost = 1 - np.minimum(first.device.cap, first.device.full_rate * clock / demand) / full
    return float(np.argmax(lost > 0.01))


@pytest.mark.parametrize(("device", "variant"), [("H1", ""), ("H3", "limiter-off"), ("H6", "")])
@pytest.mark.parametrize("charts", [whole, by_columns], ids=["vertices", "columns"])
def test_the_onset_from_charts_is_within_ten_seconds(charts, device, variant):
    verdict = verdicts(charts())[device, variant, 2]
    assert verdict.how == ("gradual" if device == "H1" else "stepped")
    assert verdict.onset is not None
    truth = _true_onset(device, variant)
    assert abs(verdict.onset.at_s - truth) <= 10
    assert verdict.onset.from_s - 5 <= truth <= verdict.onset.to_s + 5


def test_charts_as_they_are_read_give_the_same_verdicts():
    one, other = verdicts(whole()), verdicts(by_columns())
    assert {key: each.kind for key, each in one.items()} == {
        key: each.kind for key, each in other.items()
    }


def test_where_the_cap_hides_the_onset_it_is_only_bounded():
    onset = verdicts(whole())["H4", "", 2].onset
    assert onset is not None and not onset.is_sharp
    first = samples.truth_rounds()["H4", "", 1, 1]
    slow = float(np.argmax(samples.clock_ratio(first) < 0.99))
    assert onset.from_s <= slow <= onset.to_s
    assert "between" in onset.words


def _recorded(device: str, variant: str) -> pd.DataFrame:
    """Round 1 of a device as a recording of the strip overlay would be read, once a second."""
    first = samples.truth_rounds()[device, variant, 1, 1]
    units = {"frame_rate": ("rate", "fps", 1), "power": ("power", "W", 2),
             "gpu_clock": ("clock", "MHz", 0), "gpu_load": ("load", "%", 0),
             "battery_temperature": ("battery", "Cel", 1)}  # fmt: skip
    rows = []
    for name, (column, unit, decimals) in units.items():
        for second, value in zip(first.series.t, first.series[column], strict=True):
            rows.append(
                {
                    "capture": f"{device}.mp4", "at_s": float(second), "taken": "",
                    "layout": "strip", "readout": name, "text": f"{value:.{decimals}f}",
                    "value": round(value, decimals), "candidate": float("nan"),
                    "half_width": 0.5 * 10.0**-decimals, "unit": unit, "confidence": 0.9999,
                    "flags": "", "why": "", "source": "read", "decided_text": "",
                    "settled_flags": "", **dict.fromkeys("xywh", float("nan")),
                    "device": device, "variant": variant, "round": "1", "attempt": "1",
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


@pytest.mark.parametrize(
    ("device", "variant", "how"),
    [("H1", "", "gradual"), ("H3", "limiter-off", "stepped"), ("H6", "", "stepped")],
)
def test_the_onset_from_a_recording_is_within_ten_seconds(device, variant, how):
    alone = compare_all(_recorded(device, variant), samples.session(), samples.calibrations())
    verdict = verdicts(alone)[device, variant, 1]
    assert verdict.kind == "throttled"
    assert verdict.how == how
    first = samples.truth_rounds()[device, variant, 1, 1]
    slow = float(np.argmax(samples.clock_ratio(first) < 0.99))
    assert verdict.onset is not None
    assert abs(verdict.onset.at_s - slow) <= 10


@pytest.mark.parametrize(("device", "variant"), [("H2", ""), ("H3", "limiter-on"), ("H5", "")])
def test_a_recording_of_a_device_that_holds_shows_no_onset(device, variant):
    alone = compare_all(_recorded(device, variant), samples.session(), samples.calibrations())
    verdict = verdicts(alone)[device, variant, 1]
    assert verdict.onset is None
    assert verdict.kind in ("at its cap", "slow from the start")


def test_a_recording_gives_the_means_that_no_summary_shows():
    alone = compare_all(_recorded("H1", ""), samples.session(), samples.calibrations())
    (first,) = alone.rounds.of("H1", "", 1)
    truth = samples.truth_rounds()["H1", "", 1, 1].series
    assert first.figures["frame_rate_mean"].basis == "recording"
    assert first.figures["frame_rate_mean"].value == pytest.approx(truth["rate"].mean(), abs=0.05)
    share = first.figures["share_at_floor"]
    assert share.low <= 100 * np.mean(truth["rate"] >= 45) <= share.high
    assert "samples of 1 s" in share.remark


def test_cards_alone_give_the_main_figures_and_the_verdicts_between_rounds():
    told = verdicts(cards_only())
    assert told["H1", "", 2].kind == "throttled"
    assert told["H3", "limiter-off", 2].kind == "throttled"
    assert told["H2", "", 2].kind == "at its cap"
    assert told["H5", "", 2].kind == "slow from the start"
    # Its cap hides most of it: the mean fell by 1 %, the power by 4 %.
    assert told["H4", "", 2].kind == "held on less power"
    assert "stopped by heat" in told["H6", "", 2].words
    for figure in ("pixels_a_frame", "frame_rate", "pixel_throughput", "share_at_floor", "power",
                   "battery_temperature", "energy_a_pixel", "energy_a_frame"):  # fmt: skip
        assert len(cards_only().get(figure)) == 7, figure
    assert len(cards_only().get("sustained_frame_rate", 2)) == 7


# ---------------------------------------------------------------- derived figures


def _true_energies() -> dict[str, float]:
    """nJ/px of the first rounds, of what each monitor shows (H4's shows half)."""
    found = {}
    for (device, variant, number, _), each in samples.truth_rounds().items():
        if number == 1:
            pixels = PIXELS.get(device, 1280 * 720)
            found[label(device, variant)] = (
                1e9 * each.series["power"].mean() / (pixels * each.series["rate"].mean())
            )
    return found


def test_energy_a_pixel_is_that_of_the_model_within_its_display():
    truth = _true_energies()
    for subject, each in whole().get("energy_a_pixel").items():
        assert each.value == pytest.approx(truth[label(*subject)], abs=4 * each.u_display)


def test_energy_a_pixel_is_ranked_with_ties_as_the_model_ranks_it():
    """Of the truth: 78.9, 90.2, 92.3, 94.0, 96.1, 106.6, 115.1 nJ/px; closer than 5 % tie."""
    truth = _true_energies()
    ordered = sorted(truth, key=lambda name: truth[name])
    expected: dict[str, int] = {}
    for place, name in enumerate(ordered):
        before = ordered[place - 1] if place else None
        close = before is not None and truth[name] - truth[before] < 0.05 * truth[name]
        expected[name] = expected[before] if close else place + 1
    ranks = {label(*subject): each.rank for subject, each in whole().get("energy_a_pixel").items()}
    assert ranks == expected
    assert ranks["H5"] == 1
    assert ranks["H3 limiter-off"] == ranks["H6"] == ranks["H4"] == ranks["H2"] == 2


def test_battery_drain_is_that_of_the_model():
    """Charge × drop ÷ hours from the model's own, unrounded; H4's battery is the whole pack's."""
    model, plan = samples.model(), samples._drawing("plan")
    for number, device in enumerate(model.DEVICES.values()):
        series = plan.battery_test(device, 200 + number)
        hours = series.duration / 3600
        drop = series["level"][0] - series["level"][-1]
        battery = samples.session().device[device.name].battery
        current = battery.charge * drop / 100 / hours
        each = whole().get("drain_current", 0)[device.name, ""]
        assert each.value == pytest.approx(current, abs=3 * each.u_display)
        watts = whole().get("drain_power", 0)[device.name, ""]
        energy = battery.energy or battery.charge * battery.nominal_voltage / 1000
        assert watts.value == pytest.approx(energy * drop / 100 / hours, abs=3 * watts.u_display)
    ranks = {s[0]: each.rank for s, each in whole().get("drain_power", 0).items()}
    assert sorted(ranks, key=lambda name: ranks[name]) == ["H5", "H1", "H2", "H3", "H6", "H4"]


def test_sustained_share_is_that_of_the_model():
    for number in (2, 3):
        for subject, each in whole().get("sustained_frame_rate", number).items():
            attempt = 2 if (subject[0], number) == ("H4", 2) else 1
            first, later = (
                samples.truth_rounds()[(*subject, k, a)].series["rate"].mean()
                for k, a in ((1, 1), (number, attempt))
            )
            assert each.value == pytest.approx(100 * later / first, abs=4 * each.u_display + 1e-9)


def test_a_round_that_was_not_run_has_no_share_of_round_1():
    assert ("H6", "") not in whole().get("sustained_frame_rate", 3)
    assert "not the whole scene" in whole().get("sustained_frame_rate", 2)["H6", ""].text


# ---------------------------------------------------------------- warnings


def test_every_warning_fires_where_it_was_planted_and_nowhere_else():
    everyone = {("H1", ""), ("H2", ""), ("H3", "limiter-off"), ("H3", "limiter-on"), ("H4", ""),
                ("H5", ""), ("H6", "")}  # fmt: skip
    planted = {
        "best-but-unplayable": {("H5", "")},
        "render-sizes-differ": {("H6", "")},
        "ranked-oppositely": {("H6", ""), ("H1", "")},
        "energy-balance": {("H4", "")},
        "frames-unknown": {("H6", "")},
        "size-unconfirmed": everyone,  # nobody typed a second source
        "rooms-differ": {("H4", "")},
        "brightness-differs": {("H5", "")},
        "lengths-differ": {("H6", "")},
        "recorded-beside-unrecorded": {("H2", "")},
        "single-of-its-chip": {("H2", ""), ("H5", "")},
    }
    fired = {each.code: set(each.about) for each in whole().warnings}
    assert fired == planted
    assert len(whole().warnings) == len(planted)


def test_the_energy_balance_of_h4_shows_that_one_cell_of_two_is_seen():
    (warning,) = [each for each in whole().warnings if each.code == "energy-balance"]
    assert "0.51" in warning.text and "one cell of two" in warning.text
    doubled = samples.session().model_copy(
        update={
            "device": {
                **samples.session().device,
                "H4": samples.session().device["H4"].model_copy(update={"power_factor": 2.0}),
            }
        }
    )
    mended = compare_all(samples.readings(), doubled, samples.calibrations())
    assert "energy-balance" not in {each.code for each in mended.warnings}
    energy = mended.get("energy_a_pixel")["H4", ""].value
    assert energy == pytest.approx(2 * _true_energies()["H4"], rel=2e-3)


def test_nothing_of_the_samples_could_not_be_used():
    assert whole().notices == ()


# ---------------------------------------------------------------- the door for a notebook


def test_compare_gives_the_columns_of_comparison_csv():
    table = compare(samples.readings(), samples.SAMPLES / "session.toml")
    first = table[(table["figure"] == "energy_a_pixel") & (table["device"] == "H1")].iloc[0]
    assert first["value"] == pytest.approx(106.59, abs=0.2)
    assert first["unit"] == "nJ/px"
    assert first["rank"] == 6
    assert np.isnan(first["spread"])
    assert set(table["figure"]) >= {"verdict", "warning", "missing", "drain_power"}
    assert (table["figure"] == "verdict").sum() == 21


# ---------------------------------------------------------------- caps that nobody stated


@cache
def uncapped(traces: bool = True) -> Comparison:
    """The samples with a session file that states no cap."""
    devices = {
        name: device.model_copy(update={"frame_cap": None, "variant": {}})
        for name, device in samples.session().device.items()
    }
    session = samples.session().model_copy(update={"device": devices})
    lines = samples.columns() if traces else None
    return compare_all(samples.readings(), session, samples.calibrations(), lines)


def _seen_caps(whole: Comparison) -> dict[str, float]:
    found = {
        label(*subject): frame_cap(whole.rounds, whole.session, *subject)
        for subject in whole.rounds.subjects
    }
    return {name: cap.fps for name, cap in found.items() if cap}


def test_a_cap_is_seen_where_the_frame_rate_stands():
    """H5 never reaches its cap, and H3 without a limiter its cap of 120 fps hardly ever."""
    assert _seen_caps(uncapped()) == {
        "H1": 60, "H2": 60, "H3 limiter-on": 50, "H4": 60, "H6": 90,
    }  # fmt: skip
    told = verdicts(uncapped())["H2", "", 1]
    assert told.kind == "at its cap"
    assert "not stated: its frame rate stands there" in told.evidence[0]
    (todo,) = [each for each in uncapped().todos if "90 fps" in each.words]
    assert todo.words.startswith("H6: taken for capped")


def test_summaries_alone_show_a_cap_that_holds():
    seen = _seen_caps(uncapped(traces=False))
    assert seen == {"H2": 60, "H3 limiter-on": 50, "H4": 60}


def test_no_cap_is_seen_where_one_is_stated():
    whole_caps = [frame_cap(whole().rounds, whole().session, *s) for s in whole().rounds.subjects]
    assert all(cap and not cap.seen for cap in whole_caps)
    assert not any("frame_cap" in each.words for each in whole().todos)


@pytest.mark.parametrize(("device", "variant"), [("H1", ""), ("H3", "limiter-off"), ("H6", "")])
def test_the_onset_is_as_true_without_a_stated_cap(device, variant):
    onset = verdicts(uncapped())[device, variant, 2].onset
    assert onset is not None
    assert abs(onset.at_s - _true_onset(device, variant)) <= 10


def test_captures_at_the_cap_tell_the_onset_within_one_interval_of_theirs():
    """H4: its charts only bound it; two captures at the cap show the clock before and after."""
    first = samples.truth_rounds()["H4", "", 1, 1]
    slow = float(np.argmax(samples.clock_ratio(first) < 0.99))
    onset = verdicts(whole())["H4", "", 2].onset
    assert onset is not None and onset.sign is not None
    assert onset.sign.from_s <= slow <= onset.sign.to_s
    assert "no proof" in onset.sign.words and "load 76 %" in onset.sign.words
    assert onset.words.endswith("its clock lower by 8:17")


def test_a_capture_that_is_in_doubt_widens_the_interval_and_breaks_nothing():
    readings = samples.readings()
    doubted = (readings["capture"] == "H4/round-1/20260314_124727.webp") & (
        readings["readout"] == "gpu_clock"
    )
    assert doubted.sum() == 1
    readings = readings.assign(
        value=readings["value"].mask(doubted), flags=readings["flags"].mask(doubted, "unsure")
    )
    told = compare_all(readings, samples.session(), samples.calibrations(), samples.columns())
    onset = verdicts(told)["H4", "", 1].onset
    assert onset is not None and onset.sign is not None
    first = samples.truth_rounds()["H4", "", 1, 1]
    slow = float(np.argmax(samples.clock_ratio(first) < 0.99))
    assert onset.sign.from_s <= slow <= onset.sign.to_s
    assert "1150 MHz (load 99 %)" in verdicts(told)["H4", "", 1].evidence[-1]


def test_the_sign_is_told_of_no_other_device():
    for (device, _, _), verdict in verdicts(whole()).items():
        if device != "H4":
            assert not (verdict.onset and verdict.onset.sign)


def test_an_attempt_that_was_cut_short_is_named_and_hides_nothing():
    """As a flat dump is compared before anybody says that H4's first try does not count."""
    session = samples.session().model_copy(update={"does_not_count": ()})
    told = compare_all(samples.readings(), session, samples.calibrations(), samples.columns())
    (todo,) = [each for each in told.todos if "does_not_count" in each.words]
    assert todo.words.startswith("H4: round 2, attempt 1 ended early")
    onset = verdicts(told)["H4", "", 3].onset
    counted = verdicts(by_columns())["H4", "", 3].onset
    assert onset is not None and counted is not None and onset.sign is not None
    assert (onset.from_s, onset.to_s, onset.sign.to_s) == (
        counted.from_s, counted.to_s, counted.sign.to_s,
    )  # fmt: skip


def test_a_summary_of_no_known_round_is_no_battery_test():
    """Captures without a time have no round: their levels must not pass for a battery test's."""
    readings = samples.readings()
    kept = readings["layout"].isin(["cards", "battery"]) & (readings["device"] == "H1")
    readings = readings[kept].assign(round="", attempt="").reset_index(drop=True)
    told = compare_all(readings, samples.session(), samples.calibrations())
    (drain,) = told.get("drain_power", 0).values()
    (right,) = (v for s, v in whole().get("drain_power", 0).items() if s[0] == "H1")
    assert drain.value == right.value
    (notice,) = [each for each in told.notices if "no known round" in each]
    assert "facts.csv" in notice and not any("captures-disagree" in each for each in told.notices)
    cards = readings[readings["layout"] == "cards"].reset_index(drop=True)
    alone = compare_all(cards, samples.session(), samples.calibrations())
    assert not alone.get("drain_power", 0)
