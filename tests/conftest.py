"""What several test files share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from tools import need

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real Chromium without a window."""
    from playwright.sync_api import sync_playwright

    chromium = need("chromium")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium)
        yield started
        started.close()
