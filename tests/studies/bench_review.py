"""How long the review page takes from a key to the next crop, with 10 200 figures in doubt.

    python tests/studies/bench_review.py [KEYS]

In headless Chromium, on the very page and server of ``ocrlog review``. Aim: at most 100 ms at the
95th percentile.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS)]

from playwright.sync_api import expect, sync_playwright  # noqa: E402
from test_page_review import WATCH, opened, served  # noqa: E402
from tools import need  # noqa: E402


def main(keys: int = 200) -> None:
    """Press keys, and print what they took."""
    with (
        tempfile.TemporaryDirectory() as folder,
        sync_playwright() as playwright,
        served(TESTS / "review_world.py", folder) as (process, address),
    ):
        browser = playwright.chromium.launch(executable_path=need("chromium"))
        with opened(browser, address) as page:
            expect(page.locator("#progress")).to_contain_text("of 10200")
            page.evaluate(WATCH)
            for at in range(keys):
                page.keyboard.press("Enter")
                page.wait_for_function(f"window.took.length === {at + 1}")
                page.wait_for_timeout(100)  # nobody reads a crop faster
            took = [each["ms"] for each in page.evaluate("window.took")]
        browser.close()
        process.kill()
    median, most = np.percentile(took, [50, 95])
    print(
        f"{keys} keys: {median:.0f} ms in the median, {most:.0f} ms at the 95th percentile, "
        f"{max(took):.0f} ms at most; load of the machine {os.getloadavg()[0]:.1f}"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
