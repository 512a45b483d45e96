"""Charts on the pages: the recovered curve over the picture, a click on the right line."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, expect
from test_page_calibrate import CARDS, SAMPLES, calibrate, opened, settled
from test_page_review import at_work, axe, review
from test_page_review import opened as reviewed

from extractor.calibration import load_calibration, save
from extractor.extracting import run, settle
from extractor.traces.ink import colour_at

CARDS_JPEG = SAMPLES / "dump" / "20260314_104918.jpg"


def test_a_click_on_a_line_follows_that_line(browser: Browser, tmp_path: Path) -> None:
    with calibrate(CARDS, "--out", tmp_path) as served, opened(browser, served) as page:
        page.click("#tab-charts")
        curve = page.locator(".curve").first
        expect(curve.locator("img")).to_be_visible(timeout=60_000)
        colour = page.locator("input[type=color]").first
        right = colour.input_value()
        # Choose what a person would not: the colour of a letter; no line of it is found.
        colour.evaluate("""(input) => {
          input.value = "#0000ff";
          input.dispatchEvent(new Event("change", { bubbles: true }));
        }""")
        told = page.locator(".curve + p + ul")
        expect(told).to_contain_text("no line", timeout=60_000)
        points = page.evaluate("""async () => {
          const { desk } = await import("/static/desk.js");
          return { room: desk.curves.told[0].room, plot: desk.curves.told[0].plot };
        }""")
        (x, _, w, _), (plot_x, plot_y, plot_w, plot_h) = points["room"], points["plot"]
        place = curve.bounding_box()
        assert place is not None
        share = place["width"] / w
        # The frame rate runs along 60 of 0 to 80, a quarter below the upper edge of the plot.
        page.mouse.click(
            place["x"] + (plot_x + 0.3 * plot_w - x) * share,
            place["y"] + (plot_y + 0.25 * plot_h - points["room"][1]) * share,
        )
        expect(colour).not_to_have_value("#0000ff", timeout=60_000)
        expect(told).not_to_contain_text("no line", timeout=60_000)
        chosen = colour.input_value()
        assert np.abs(_rgb(chosen) - _rgb(right)).max() <= 40
        expect(page.locator(".curve .core").first).to_be_attached()
        settled(page)
        page.click("#save")
        page.keyboard.type("summary")
        page.keyboard.press("Enter")
        expect(page.locator("#state")).to_contain_text("Saved to")
    assert load_calibration(tmp_path / "summary.toml").calibration.trace[0].colour == chosen


def _rgb(colour: str) -> np.ndarray:
    return np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)])


def test_the_colour_of_a_line_is_found_beside_where_a_person_points() -> None:
    plot = np.full((60, 90, 3), 250, np.uint8)
    plot[30:33, :] = (190, 120, 60)
    plot[31, :] = (180, 90, 20)  # the line; the rows beside it are mixed with the ground
    plot[33:, :] = (245, 232, 220)  # an area under the line
    plot[10, :] = (225, 225, 225)  # a grid line
    for y in (29, 31, 33, 35):
        assert colour_at(plot, 40, y) == "#b45a14"
    with pytest.raises(ValueError, match="nothing is drawn"):
        colour_at(plot, 40, 20)


# ---------------------------------------------------------------- in the review


@pytest.fixture(scope="module")
def misled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A summary with a chart whose line the calibration takes for one of another colour."""
    root = tmp_path_factory.mktemp("misled")
    shutil.copy(CARDS_JPEG, root)
    (root / "calibration").mkdir()
    file = SAMPLES.parent / "calibration" / "cards.toml"
    calibration = load_calibration(file).calibration
    wrong = calibration.trace[0].model_copy(update={"colour": "#2040ff"})
    changed = calibration.model_copy(update={"trace": (wrong, *calibration.trace[1:])})
    save(changed, root / "calibration" / "cards.toml")
    run(settle(root))
    return root


def charts(root: Path) -> list[dict[str, str]]:
    with (root / "readings" / "charts.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_right_line_is_pointed_out_in_the_review(
    browser: Browser, misled: Path, tmp_path: Path
) -> None:
    root = Path(shutil.copytree(misled, tmp_path / "folder"))
    assert "no-line" in charts(root)[0]["flags"]
    with review(root) as (_, address), reviewed(browser, address) as page:
        page.click("#tab-charts")
        expect(page.locator("#charts .doubt")).to_contain_text("no line")
        expect(page.locator("#chart-accept")).to_be_disabled()
        assert axe(page) == []
        told = page.evaluate("async () => (await (await fetch('/api/charts')).json()).charts[0]")
        (x, y, w, _), (plot_x, plot_y, plot_w, plot_h) = (
            told["curve"]["room"],
            told["curve"]["plot"],
        )

        def click(down: float) -> None:
            place = page.locator(".curve").bounding_box()
            assert place is not None
            share = place["width"] / w
            across = place["x"] + (plot_x + 0.3 * plot_w - x) * share
            page.mouse.click(across, place["y"] + (plot_y + down * plot_h - y) * share)

        click(0.62)  # between the grid lines at 40 and 20
        expect(page.locator("#alarm")).to_contain_text("Nothing is drawn there", timeout=30_000)
        click(0.25)
        expect(page.locator("#chart-accept")).to_contain_text("This line", timeout=30_000)
        page.locator("#chart-accept").press("Enter")
        expect(page.locator("#charts")).to_contain_text("No chart is in doubt")
    (chart,) = charts(root)
    assert chart["flags"] == ""
    assert "pointed out by ann" in chart["decided"]
    assert 55 < float(chart["mean"]) < 62
    cache = root / "readings" / "cache.sqlite"
    cache.unlink()  # the decision outlives what was read
    run(settle(root))
    assert charts(root) == [chart]
    assert at_work(root).charts()["charts"] == []


def test_a_curve_can_be_called_unusable_and_that_taken_back(misled: Path, tmp_path: Path) -> None:
    root = Path(shutil.copytree(misled, tmp_path / "folder"))
    ann = at_work(root)
    (chart,) = ann.charts()["charts"]
    ann.decide_chart(chart["id"], "unreadable", chart["colour"])
    assert ann.charts()["charts"] == []
    ann.judge()
    assert charts(root)[0]["flags"] == "unreadable"
    ann.undo()
    ann.judge()
    assert "no-line" in charts(root)[0]["flags"]
    assert len(ann.charts()["charts"]) == 1
