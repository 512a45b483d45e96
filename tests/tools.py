"""Programs of the system that some tests need; pip cannot bring them."""

from __future__ import annotations

import os
import shutil

import pytest

_HOW = {
    "chromium": "apt-get install chromium",
    "ffmpeg": "apt-get install ffmpeg",
    "ffprobe": "apt-get install ffmpeg",
    "gnuplot": "apt-get install gnuplot-nox",
}


def need(program: str) -> str:
    """Return the path of a program; without it the test is skipped, on CI it fails."""
    path = shutil.which(program)
    if path:
        return path
    message = f"{program} is not installed; {_HOW[program]}"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)
