"""A candidate -> a Capture, told by its content, or what is wrong with it."""

from __future__ import annotations

from typing import BinaryIO

from ..records import Capture
from .files import identity, identity_of_file, read_whole, reading
from .finding import Candidate
from .formats import HEAD, RECORDINGS, Form, tell
from .recordings import describe_recording
from .stills import describe_still
from .taken import taken_from_name


def inspect(candidate: Candidate) -> Capture:
    """What a candidate is, from its content: identity, size upright, time, camera.

    Nothing is decoded but the first frame of a recording. Raises CaptureError for a file that is
    no capture, is not whole, declares more than 100 million pixels or a side over 65 500, or
    holds several pictures.
    """
    with reading(candidate.file) as file:
        form = tell(file.read(HEAD))
        if form in RECORDINGS:
            return _recording(candidate, form, file)
    return _still(candidate, form)


def _still(candidate: Candidate, form: Form) -> Capture:
    data = read_whole(candidate.file)
    facts = describe_still(form, data)
    return Capture(
        candidate.path,
        candidate.file,
        identity(data),
        "still",
        facts.width,
        facts.height,
        taken_from_name(candidate.file.name) or facts.taken,
        facts.camera,
    )


def _recording(candidate: Candidate, form: Form, file: BinaryIO) -> Capture:
    content = identity_of_file(file)
    facts = describe_recording(form, file)
    return Capture(
        candidate.path,
        candidate.file,
        content,
        "recording",
        facts.width,
        facts.height,
        taken_from_name(candidate.file.name),
        duration_s=facts.duration_s,
    )
