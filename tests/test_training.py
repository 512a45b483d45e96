"""The generator of training lines, the lists of its inputs, and the reader that came of it."""

from __future__ import annotations

import hashlib
import io
import json
import tomllib
import zipfile
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from drawn_figures import FONTS, _file, font
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw
from skimage import data

from extractor.reading import own
from extractor.reading.ctc import Columns
from extractor.reading.own import HEIGHTS, WIDTHS, OwnReader, likeliest, prepare
from extractor.reading.training import coding
from extractor.reading.training.bundle import licence
from extractor.reading.training.charset import CLASSES, DRAWN, encode, fold
from extractor.reading.training.feed import batches, middles
from extractor.reading.training.letters import draw_line, draw_style, in_few_dots, set_close
from extractor.reading.training.sheets import Crop, scattered, stream, with_remains
from extractor.reading.training.stock import Stock

TRAINING = Path(own.__file__).parent / "training"
WEIGHTS = Path(own.__file__).parent / "weights"


@pytest.fixture(scope="module")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bundle with the tests' own fonts and two pictures."""
    path = tmp_path_factory.mktemp("training") / "bundle.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for name in filter(None, FONTS):
            kind = "mono" if "Mono" in name else "serif" if "Serif" in name else "sans"
            family = Path(name).stem.partition("-")[0]
            archive.write(_file(name), f"fonts/train/{kind}/{family}/{Path(name).stem}.ttf")
        for at, picture in enumerate((data.rocket(), data.coffee())):
            out = io.BytesIO()
            Image.fromarray(picture).save(out, "JPEG")
            archive.writestr(f"scenes/train/{at}.jpg", out.getvalue())
    return path


@pytest.fixture(scope="module")
def crops(bundle: Path) -> list[Crop]:
    drawn = stream(Stock(bundle, "train"), scattered, np.random.default_rng(3))
    return list(islice(drawn, 250))


@pytest.fixture(scope="module")
def reader() -> OwnReader:
    return OwnReader()


def drawn(text: str, name: str, size: int = 30) -> np.ndarray:
    """Light letters on a dark ground, cut close, by Pillow."""
    face = font(name, size)
    x0, y0, x1, y1 = face.getbbox(text)
    picture = Image.new("RGB", (int(x1 - x0) + 8, int(y1 - y0) + 8), (25, 30, 40))
    ImageDraw.Draw(picture).text((4 - x0, 4 - y0), text, (235, 235, 225), font=face)
    return np.asarray(picture)


@given(st.text(alphabet=DRAWN))
def test_every_drawn_text_has_classes_that_spell_it_folded(text: str) -> None:
    assert "".join(CLASSES[code - 1] for code in encode(text)) == fold(text)
    assert fold(fold(text)) == fold(text)


def test_splits_share_no_family_and_no_scenes() -> None:
    fonts = tomllib.loads((TRAINING / "fonts.toml").read_text())
    families = [name for split in fonts.values() for group in split.values() for name in group]
    assert len(families) == len(set(families))
    # The fonts of sample_frames/ (see its folder) are for the test alone.
    test = {name for group in fonts["test"].values() for name in group}
    assert {"inter", "noto-sans", "roboto", "dejavu-sans"} <= test
    scenes = tomllib.loads((TRAINING / "scenes.toml").read_text())
    sources = [name for split in scenes.values() for group in split.values() for name in group]
    assert len(sources) == len(set(sources))


def test_a_font_without_a_known_licence_is_refused(tmp_path: Path) -> None:
    (tmp_path / "package.json").write_text(json.dumps({"license": "UFL-1.0"}))
    with pytest.raises(ValueError, match=r"UFL-1\.0"):
        licence(tmp_path)
    (tmp_path / "LICENSE").write_text("SIL OPEN FONT LICENSE Version 1.1")
    assert licence(tmp_path) == "OFL-1.1"


def test_the_same_seed_draws_the_same_lines(bundle: Path, crops: list[Crop]) -> None:
    again = stream(Stock(bundle, "train"), scattered, np.random.default_rng(3))
    for first, second in zip(crops[:40], again, strict=False):
        assert first.text == second.text
        assert np.array_equal(first.picture, second.picture)


def test_crops_know_what_stands_on_them_and_where(crops: list[Crop]) -> None:
    assert {crop.cut for crop in crops} == {"tight", "loose", "whole", "empty"}
    for crop in crops:
        assert len(crop.boxes) == len(crop.text.replace(" ", ""))
        assert (crop.text == "") == (crop.cut == "empty")
        assert crop.figure in crop.text
        wide = crop.picture.shape[1]
        shown = np.minimum(crop.boxes[:, 1], wide) - np.maximum(crop.boxes[:, 0], 0)
        assert (shown > 0.6 * (crop.boxes[:, 1] - crop.boxes[:, 0])).all()
        assert len(middles(crop)) == len(crop.text)


def test_remains_of_other_digits_are_fainter_than_those_that_are_read(bundle: Path) -> None:
    stock, rng, left = Stock(bundle, "train"), np.random.default_rng(5), 0
    for _ in range(20):
        style, parts = draw_style(stock, 24.0, rng), [("478.5", 1.0, 0.0), ("W", 1.0, 0.2)]
        line = draw_line(style, parts, stock, rng)
        assert line is not None
        spoilt = with_remains(line, style, parts, stock, rng)
        assert spoilt.text == line.text
        assert (spoilt.coverage >= 0.55 * line.coverage - 1).all()
        more = spoilt.coverage.astype(int) - line.coverage
        assert more.max() <= 0.45 * 255 + 1
        left += more.max() > 20
    assert left >= 5


def test_letters_in_few_dots_are_made_of_squares_of_ink(bundle: Path) -> None:
    stock, rng = Stock(bundle, "train"), np.random.default_rng(6)
    seen = 0
    while seen < 5:
        style = in_few_dots(draw_style(stock, 30.0, rng), rng)
        if not style.dot:
            continue
        mask, dot = style.glyph("5", 1.0, style.face).mask, style.dot
        assert set(np.unique(mask)) <= {0, 255}
        assert 5 <= mask.shape[0] / dot <= 13
        small = mask[::dot, ::dot]
        assert (mask == np.repeat(np.repeat(small, dot, axis=0), dot, axis=1)).all()
        seen += 1


def test_of_letters_set_close_a_sign_runs_into_its_digit(bundle: Path) -> None:
    stock, rng = Stock(bundle, "train"), np.random.default_rng(8)
    gaps: dict[bool, list[float]] = {False: [], True: []}
    for _ in range(60):
        style = draw_style(stock, 30.0, rng)
        for close in (False, True):
            drawn = set_close(style, rng) if close else style
            line = draw_line(drawn, [("-71.6", 1.0, 0.0)], stock, rng)
            assert line is not None
            gaps[close].append(float(line.boxes[1, 0] - line.boxes[0, 2]) / style.em)
    assert np.median(gaps[True]) < np.median(gaps[False]) - 0.03
    assert sum(gap <= 0 for gap in gaps[True]) > 2 * sum(gap <= 0 for gap in gaps[False])


def test_training_spoils_other_crops_than_the_tests_are_made_of(
    bundle: Path, crops: list[Crop]
) -> None:
    drawn = stream(Stock(bundle, "train"), scattered, np.random.default_rng(3), training=True)
    spoilt = list(islice(drawn, 250))
    widest = [max(c.boxes[0, 0] / c.letter for c in some if c.cut == "loose" and c.text)
              for some in (crops, spoilt)]  # fmt: skip
    assert widest[1] > 1.5 * widest[0]


def test_crops_hold_ink_where_they_say(crops: list[Crop]) -> None:
    """On plain grounds most of a picture's variation lies between first and last character."""
    sure = [crop for crop in crops if crop.text and crop.coding == "png" and crop.contrast > 100]
    assert sure
    held = 0
    for crop in sure:
        across = crop.picture.astype(float).std(axis=(0, 2))
        x0, x1 = max(0, int(crop.boxes[0, 0])), int(np.ceil(crop.boxes[-1, 1]))
        held += across[x0:x1].mean() > 0.9 * across.mean()
    assert held > 0.9 * len(sure)


def test_batches_hold_every_line_at_both_heights(crops: list[Crop]) -> None:
    rows = 0
    for batch, part in batches(crops):
        rows += len(part)
        width = batch.low.shape[2]
        assert width in WIDTHS
        assert batch.high.shape[1:] == (HEIGHTS[1], width * HEIGHTS[1] // HEIGHTS[0], 3)
        for row, crop in enumerate(part):
            codes = batch.codes[row][batch.codes[row] > 0].tolist()
            assert codes == encode(crop.text)
    assert rows == len(crops)


@pytest.mark.parametrize("crf", [18, 34])
def test_h264_is_real_and_keeps_size_and_order(crf: int) -> None:
    pictures = [np.ascontiguousarray(data.rocket()[at : at + 160, :256]) for at in (0, 100, 200)]
    films = coding.h264(pictures, crf)
    for picture, film in zip(pictures, films, strict=True):
        assert film.shape == picture.shape
        error = np.abs(film.astype(int) - picture).mean()
        assert 0.3 < error < 14
        others = [np.abs(film.astype(int) - p).mean() for p in pictures if p is not picture]
        assert error < min(others)


def test_the_weights_are_those_described() -> None:
    told = json.loads((WEIGHTS / "reader.json").read_text(encoding="utf-8"))
    assert told["characters"] == CLASSES
    for name, net in told["nets"].items():
        file = (WEIGHTS / f"{name}.onnx").read_bytes()
        assert hashlib.sha256(file).hexdigest() == net["sha256"]
        assert len(file) < 5e6


@pytest.mark.parametrize("name", [name for name in FONTS if "Serif" not in name])
def test_drawn_figures_are_read(reader: OwnReader, name: str) -> None:
    texts = ["60", "59.9", "-1234", "4.12 V", "38.5 °C", "12:34", "1280x720", "99 %", "7108"]
    seen = reader.read([drawn(text, name) for text in texts])
    # How wide a space is differs by font; before a unit it says nothing.
    said = [looks.texts()[0].text.replace(" ", "") for looks in seen]
    assert said == [text.replace(" ", "") for text in texts]


def test_a_line_reads_the_same_alone_and_among_others(reader: OwnReader, crops: list[Crop]) -> None:
    lines = [crop.picture for crop in crops[:60]]
    together = reader.read(lines)
    for line, looks in zip(lines, together, strict=True):
        (alone,) = reader.read([line])
        assert [a.text for a in alone.texts()] == [a.text for a in looks.texts()]
        for one, other in zip(alone.texts(), looks.texts(), strict=True):
            assert one.probability == pytest.approx(other.probability, abs=1e-5)


def test_fast_decoding_agrees_with_the_plain_one(reader: OwnReader, crops: list[Crop]) -> None:
    lines = reader.look([crop.picture for crop in crops[:80]], "first")
    for columns, best in zip(lines, likeliest(lines), strict=True):
        (score,) = columns.score([best.text])
        assert best.probability == pytest.approx(float(score), abs=1e-6)
        fast, plain = columns.texts()[0], Columns.texts(columns)[0]
        # Faint paths are not followed; what they add is counted when looks are scored. On lines
        # that nobody can read they are most of the little there is.
        if plain.probability < 0.05:
            continue
        assert fast.text == plain.text
        assert 0.85 * plain.probability < fast.probability < plain.probability + 1e-9


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 90), st.integers(1, 700), st.sampled_from(HEIGHTS))
def test_any_line_can_be_prepared(high: int, wide: int, height: int) -> None:
    line = np.full((high, wide, 3), 200, np.uint8)
    width = WIDTHS[-1] * height // HEIGHTS[0]
    prepared = prepare(line, height, width)
    assert prepared.shape == (height, width, 3)
    filled = min(width, max(1, round(wide * height / high)))
    assert (prepared[:, :filled] == 200).all()
    assert (prepared[:, filled:] == 127).all()


def test_photographs_and_noise_hold_no_sure_figure(reader: OwnReader) -> None:
    rng = np.random.default_rng(0)
    lines = [rng.integers(0, 255, (30, 100, 3), dtype=np.uint8) for _ in range(30)]
    picture = data.coffee()
    for _ in range(120):
        high, wide = int(rng.integers(12, 60)), int(rng.integers(30, 200))
        y, x = (int(rng.integers(0, limit)) for limit in (400 - high, 600 - wide))
        lines.append(np.ascontiguousarray(picture[y : y + high, x : x + wide]))
    for looks in reader.read(lines):
        best = looks.texts()[0]
        assert not any(char.isdigit() for char in best.text) or best.probability < 0.9


def test_nothing_and_very_long_lines_are_lines_too(reader: OwnReader) -> None:
    empty, long = reader.read(
        [np.zeros((0, 0, 3), np.uint8), drawn("60.5 " * 16 + "60", FONTS[0], 24)]
    )
    assert empty.texts()[0].text == ""
    assert long.texts()[0].text.startswith("60.5 60.5")
