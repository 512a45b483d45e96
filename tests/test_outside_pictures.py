"""Figures drawn by programs that share nothing with ocrlog, and what they are known to show.

- ffmpeg's ``testsrc`` source (FFmpeg filters documentation, section "testsrc"): a test picture
  with the running time in whole seconds in glyphs of its own, so a frame's time stamp says what
  is drawn.
- libass (through ffmpeg's ``ass`` filter): subtitles in a font, outlined, over a moving picture.
- matplotlib's Agg renderer: text of a figure, its own rasteriser and kerning.
- scikit-learn's ``load_digits`` (E. Alpaydin and C. Kaynak 1998, Optical Recognition of Handwritten
  Digits, UCI): figures by hand, 8 px high, that no overlay draws.
- scikit-image's photographs: no figures at all.
"""

from __future__ import annotations

import base64
import csv
import io
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure as Plot
from media import ffmpeg
from PIL import Image
from skimage import data
from sklearn.datasets import load_digits
from tools import need

from extractor import read_figures
from extractor.calibration import save
from extractor.calibration.model import Calibration
from extractor.captures import Recording, find_captures, inspect
from extractor.extracting import run, settle
from extractor.judging.entries import UNSURE

# two digits all along: the block of digits grows to the left over the bars
FROM, SECONDS = 10, 24


@pytest.fixture(scope="module")
def clock(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a recording of testsrc and the calibration of its layout."""
    need("ffmpeg")
    root = tmp_path_factory.mktemp("clock") / "captures"
    (root / "calibration").mkdir(parents=True)
    cut = f"trim=start={FROM}:duration={SECONDS},setpts=PTS-STARTPTS"
    source = f"testsrc=size=640x480:rate=10,{cut}"
    ffmpeg("-f", "lavfi", "-i", source, "-pix_fmt", "yuv420p", "-crf", "18", root / "clock.mp4")
    (candidate,) = find_captures(root).candidates
    with Recording(inspect(candidate)) as recording:
        first = next(recording.sample(1.0)).image
    save(calibration(first), root / "calibration" / "clock.toml")
    return root


def picture(image: np.ndarray, box: tuple[int, int, int, int]) -> str:
    x, y, w, h = box
    with io.BytesIO() as file:
        Image.fromarray(image[y : y + h, x : x + w]).save(file, "PNG")
        return base64.b64encode(file.getvalue()).decode()


def calibration(image: np.ndarray) -> Calibration:
    # the bars and the ring stand still; the band below them and the figure move
    boxes = {"upper_left": (40, 20, 130, 130), "upper_right": (470, 10, 130, 130)}
    return Calibration(
        format=1,
        id="testsrcclock",
        name="clock",
        shows="the test picture with the running time in whole seconds",
        drawn_on=(640, 480),
        marks={"decimal": ".", "thousands": "none"},
        locating={"scales": (0.8, 1.25), "needs": 2},
        landmark=[
            {"name": name, "sort": "picture", "box": box, "picture": picture(image, box)}
            for name, box in boxes.items()
        ],
        readout=[
            {
                "name": "running_time",
                "kind": "number",
                "quantity": "other",
                "unit": "s",
                "decimals": 0,
                "box": (448, 184, 124, 112),
                "bounds": (0, 3600),
                "trend": "grows",
            }
        ],
    )


def test_the_running_time_of_the_test_picture_agrees_with_the_time_stamps(clock: Path) -> None:
    outcome = run(settle(clock, jobs=1))
    assert not outcome.problems
    with (clock / "readings" / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == SECONDS
    right = 0
    for row in rows:
        # A second is drawn on the ten frames from its beginning; the first of them gives way.
        shown = str(FROM + int(float(row["at_s"]) + 1e-6))
        right += row["text"] == shown
        if row["value"]:
            assert row["text"] == shown, row
    assert right >= 0.8 * SECONDS


FIGURES = ("60", "59.8", "-1432", "4.127", "38.5", "1280x720", "12:34", "99", "0.4", "1150",
           "7.06", "-0.3", "144.0", "5", "81.9")  # fmt: skip


def test_letters_drawn_by_libass_are_read_or_doubted(tmp_path: Path) -> None:
    need("ffmpeg")
    events = "\n".join(
        f"Dialogue: 0,0:00:{k:02}.00,0:00:{k + 1:02}.00,Default,,0,0,0,,{text}"
        for k, text in enumerate(FIGURES)
    )
    script = tmp_path / "figures.ass"
    script.write_text(
        "[Script Info]\nScriptType: v4.00+\nPlayResX: 640\nPlayResY: 360\n\n[V4+ Styles]\n"
        "Format: Name, Fontname, Fontsize, PrimaryColour, OutlineColour, Outline, Alignment\n"
        "Style: Default,DejaVu Sans,44,&H00FFFFFF,&H00101010,2,5\n\n[Events]\n"
        "Format: Layer, Start, End, Style, Name, MarginL, MarginR, MarginV, Effect, Text\n"
        f"{events}\n",
        encoding="utf-8",
    )
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"  # its DejaVu Sans
    letters = f"ass={script}:fontsdir={fonts}"
    source = f"mandelbrot=size=640x360:rate=1,trim=duration={len(FIGURES)},{letters}"
    ffmpeg("-f", "lavfi", "-i", source, tmp_path / "%03d.png")
    files = sorted(tmp_path.glob("*.png"))
    frames = [np.asarray(Image.open(file).convert("RGB")) for file in files]
    assert len(frames) == len(FIGURES)
    right = 0
    for frame, text in zip(frames, FIGURES, strict=True):
        kind = "size" if "x" in text else "duration" if ":" in text else "number"
        (figure,) = read_figures([np.ascontiguousarray(frame[152:208, 210:430])], kind)
        right += figure.text == text
        if figure.probability >= UNSURE:
            assert figure.text == text
    assert right >= 0.8 * len(FIGURES)


@pytest.mark.parametrize("family", ["DejaVu Sans", "DejaVu Sans Mono", "STIXGeneral", "cmr10"])
def test_letters_drawn_by_matplotlib_are_read_or_doubted(family: str) -> None:
    right = 0
    for text in FIGURES:
        plot = Plot(figsize=(3, 0.6), dpi=100, facecolor="#20242c")
        canvas = FigureCanvasAgg(plot)
        plot.text(0.5, 0.5, text, family=family, size=19, color="#f2ead8", ha="center", va="center")
        canvas.draw()
        drawn = np.ascontiguousarray(np.asarray(canvas.buffer_rgba())[:, :, :3])
        kind = "size" if "x" in text else "duration" if ":" in text else "number"
        (figure,) = read_figures([drawn], kind)
        right += figure.text == text
        assert figure.text == text or figure.probability < UNSURE
    assert right >= 0.9 * len(FIGURES)


@pytest.mark.parametrize("ground", [0, 1, 2, 3])
def test_figures_by_hand_are_not_trusted(ground: int) -> None:
    """As they were scanned, 8 px high, whatever ground is left around them."""
    crops = []
    for picture in load_digits().images[:60]:
        grey = np.pad(255 - (picture * (255 / 16)).astype(np.uint8), ground, constant_values=255)
        crops.append(np.repeat(grey[:, :, None], 3, axis=2))
    assert all(figure.probability < UNSURE for figure in read_figures(crops))


def test_figures_by_hand_that_were_enlarged_are_hardly_trusted() -> None:
    digits = load_digits()
    crops = []
    for picture in digits.images[:60]:
        grey = np.pad(255 - (picture * (255 / 16)).astype(np.uint8), 1, constant_values=255)
        large = cv2.resize(grey, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
        crops.append(np.repeat(large[:, :, None], 3, axis=2))
    figures = read_figures(crops)
    sure = [
        (figure.text, str(digit))
        for figure, digit in zip(figures, digits.target, strict=False)
        if figure.probability >= UNSURE
    ]
    assert all(text == digit for text, digit in sure)
    assert len(sure) <= 0.1 * len(crops)


def test_nothing_is_released_on_photographs_and_noise() -> None:
    random = np.random.default_rng(4)
    crops = [random.integers(0, 255, (30, 100, 3), dtype=np.uint8) for _ in range(6)]
    for photograph in (data.coffee(), data.rocket(), data.chelsea()):
        for _ in range(18):
            high, wide = int(random.integers(12, 60)), int(random.integers(30, 200))
            y = int(random.integers(0, photograph.shape[0] - high))
            x = int(random.integers(0, photograph.shape[1] - wide))
            crops.append(np.ascontiguousarray(photograph[y : y + high, x : x + wide]))
    assert all(figure.probability < UNSURE for figure in read_figures(crops))
