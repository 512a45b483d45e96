"""Captures: finding them, telling them by their content, decoding only the pixels needed, time.

Decoders (Pillow, OpenCV, FFmpeg) are imported when the first picture is opened, not before.
"""

from .finding import Candidate, Listing, find_captures
from .inspecting import inspect
from .pieces import around
from .recordings import Frame, Recording, Sample
from .stills import read_still

__all__ = [
    "Candidate",
    "Frame",
    "Listing",
    "Recording",
    "Sample",
    "around",
    "find_captures",
    "inspect",
    "read_still",
]
