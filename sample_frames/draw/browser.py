"""Chromium draws the pages; the boxes of what it drew come from its own layout engine."""

from __future__ import annotations

import io
import shutil
from dataclasses import dataclass
from types import TracebackType
from typing import Any

import numpy as np
from layouts import page
from PIL import Image
from playwright.sync_api import sync_playwright

_BOXES = """() => {
  const box = r => [r.x, r.y, r.width, r.height];
  const text = e => { const r = document.createRange(); r.selectNodeContents(e);
                      return box(r.getBoundingClientRect()); };
  const all = (mark, how) => Object.fromEntries([...document.querySelectorAll(`[data-${mark}]`)]
    .map(e => [e.dataset[mark], how(e)]));
  return {figures: all('figure', text), labels: all('label', text), lines: all('line', text),
          panels: all('panel', e => box(e.getBoundingClientRect())),
          plots: all('plot', e => box(e.getBoundingClientRect()))};
}"""


def find_chromium() -> str:
    for name in ("chromium", "chromium-browser", "google-chrome-stable"):
        path = shutil.which(name)
        if path:
            return path
    raise SystemExit("no Chromium found: install the Debian package chromium")


@dataclass
class Picture:
    """RGBA uint8 of the whole screen, and boxes [x, y, w, h] in px of it."""

    rgba: np.ndarray
    boxes: dict[str, dict[str, list[float]]]


class Browser:
    """One Chromium; a page a density, so that pictures come one after another quickly."""

    def __enter__(self) -> Browser:
        self._playwright = sync_playwright().start()
        self._chromium = self._playwright.chromium.launch(
            executable_path=find_chromium(),
            args=["--font-render-hinting=none", "--disable-lcd-text", "--force-color-profile=srgb"],
        )
        self._pages: dict[tuple[int, int, float], Any] = {}
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._chromium.close()
        self._playwright.stop()

    def draw(
        self,
        body: str,
        css: str,
        screen: tuple[int, int],
        density: float,
        picture: bool = True,
    ) -> Picture:
        """Draw on a screen of that many px; without ``picture`` only the boxes are made."""
        width, height = screen
        key = (width, height, density)
        if key not in self._pages:
            context = self._chromium.new_context(
                viewport={"width": int(width / density) + 1, "height": int(height / density) + 1},
                device_scale_factor=density,
            )
            self._pages[key] = context.new_page()
        tab = self._pages[key]
        tab.set_content(page(body, css, width / density, height / density))
        tab.evaluate("document.fonts.ready")
        found = tab.evaluate(_BOXES)
        boxes = {
            sort: {name: [round(v * density, 2) for v in box] for name, box in group.items()}
            for sort, group in found.items()
        }
        if not picture:
            return Picture(np.empty((0, 0, 4), np.uint8), boxes)
        png = tab.screenshot(omit_background=True)
        rgba = np.asarray(Image.open(io.BytesIO(png)).convert("RGBA"))
        return Picture(rgba[:height, :width], boxes)
