"""Recordings: their frames in the order shown, with the time of each.

FFmpeg (through PyAV) reads the container and decodes, on one thread. Zero of time is the first
frame shown, after edit lists and start offset. A decoder that meets damage would go on with
frames patched from their neighbours, which show figures of another time; so decoding stops there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from fractions import Fraction
from itertools import chain
from typing import TYPE_CHECKING, BinaryIO, cast

from ..errors import CaptureError
from ..records import Capture
from .files import changed, identity_of_file, reading
from .formats import HEAD, Form, tell
from .structure import check_boxes, check_matroska, check_size, damaged
from .upright import orientation_of_matrix, turned, upright

if TYPE_CHECKING:
    import numpy as np
    from av.container import InputContainer
    from av.sidedata.sidedata import SideData
    from av.video.frame import VideoFrame
    from av.video.stream import VideoStream
    from numpy.typing import NDArray

_DEMUXERS: dict[Form, str] = {"MP4": "mov", "MATROSKA": "matroska"}
_NEEDED_BOXES = {b"moov": "its index (moov)", b"mdat": "the recording itself (mdat)"}
_BACK_S = (0, 2, 10, math.inf)
"""How far before a frame decoding starts, s, until a key frame is met that is not later."""


@dataclass(frozen=True, slots=True)
class RecordingFacts:
    """Size of the first frame shown, px upright, and for how long frames are shown, s."""

    width: int
    height: int
    duration_s: float


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame shown: ``pts`` in the stream's own ticks, ``at_s`` s from the first frame shown.

    ``image`` is RGB, uint8, (h, w, 3), upright.
    """

    pts: int
    at_s: float
    image: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Sample(Frame):
    """The frame on screen at ``k`` times the interval, and the frames shown beside it."""

    k: int
    before: Frame | None
    after: Frame | None


def describe_recording(form: Form, file: BinaryIO) -> RecordingFacts:
    """Check that a recording is whole and begins to decode, and measure it.

    Only the first frame is decoded. The end is taken from the packets: containers leave the
    duration out, or state that of the sound. Raises CaptureError.
    """
    _check_whole(form, file)
    first: VideoFrame | None = None
    latest: list[tuple[int, int]] = []
    with _opened(form, file) as (container, stream):
        try:
            for packet in container.demux(stream):
                if first is None:
                    first = next(iter(packet.decode()), None)
                if packet.pts is not None and not packet.is_discard:
                    latest = sorted([*latest, (packet.pts, packet.duration or 0)])[-2:]
        except _failures() as error:
            if first is None:
                raise damaged(f"its first frame cannot be decoded ({error})") from error
        if first is None or first.pts is None:
            raise CaptureError(
                "the recording holds no frame", "Record again, or take it out of the folder."
            )
        check_size(first.width, first.height)
        width, height = turned((first.width, first.height), _orientation(first))
        shown = _end(latest, first.pts) - first.pts
        return RecordingFacts(width, height, _seconds(shown * _tick(stream)))


class Recording:
    """The frames of a recording; a context manager.

    Entering raises CaptureError if the file cannot be read or is no longer the one inspected.
    """

    def __init__(self, capture: Capture) -> None:
        self.duration_s = capture.duration_s or 0.0
        self._capture = capture
        self._closing = ExitStack()
        self._seeker: tuple[InputContainer, VideoStream] | None = None
        self._orientation: int | None = None

    def __enter__(self) -> Recording:
        with ExitStack() as closing:
            self._file = closing.enter_context(reading(self._capture.file))
            if identity_of_file(self._file) != self._capture.content:
                raise changed()
            self._file.seek(0)
            self._form = tell(self._file.read(HEAD))
            self._closing = closing.pop_all()
        return self

    def __exit__(self, *error: object) -> None:
        self._closing.close()
        self._seeker = None

    def sample(self, every: float) -> Iterator[Sample]:
        """The frames on screen at 0, ``every``, 2 · ``every``, … s, each once, in order.

        The frame on screen at a time is the one with the greatest PTS that is not later; it stays
        until the next is shown, the last one until ``duration_s``. All frames are decoded, in one
        pass, and three kept at a time. Raises CaptureError at the first damage, after the samples
        that lie before it; its problem says up to which second the recording was read.
        """
        interval = Fraction(str(every))
        if interval <= 0:
            raise ValueError("the interval between samples must be more than 0 s")
        with reading(self._capture.file) as file, _opened(self._form, file) as opened:
            tick, zero = _tick(opened[1]), 0
            frames = _Shown(*opened)
            before: VideoFrame | None = None
            shown: VideoFrame | None = None

            def time(frame: VideoFrame) -> Fraction:
                return (_pts(frame) - zero) * tick

            def made(frame: VideoFrame | None) -> Frame | None:
                if frame is None:
                    return None
                return Frame(_pts(frame), _seconds(time(frame)), self._image(frame))

            for after in chain(frames, (None,)):
                if shown is None:
                    zero = 0 if after is None else _pts(after)
                else:
                    if after is not None:
                        until = time(after)
                    elif frames.damage is not None:
                        until = time(shown) + (shown.duration or 0) * tick
                    else:
                        until = Fraction(str(self.duration_s))
                    k = math.ceil(time(shown) / interval)
                    if k == 0 or k * interval < until:
                        yield Sample(
                            _pts(shown),
                            _seconds(time(shown)),
                            self._image(shown),
                            k,
                            made(before),
                            made(after),
                        )
                if after is not None:
                    before, shown = shown, after
            if frames.damage is not None:
                read_s = 0.0 if shown is None else _seconds(time(shown))
                raise CaptureError(
                    f"the recording is damaged: only its first {read_s:.3f} s of "
                    f"{self.duration_s:.3f} s could be read ({frames.damage})",
                    "Copy it again from the device; what comes before the damage was read.",
                ) from frames.damage

    def frame_at(self, pts: int) -> NDArray[np.uint8]:
        """The image of the frame with this ``pts``, as `sample` gives it.

        Raises CaptureError if no such frame is shown. Do not call it from two threads at once.
        """
        if self._seeker is None:
            self._seeker = self._closing.enter_context(_opened(self._form, self._file))
        try:
            for back_s in _BACK_S:
                frame = _sought(*self._seeker, pts, back_s)
                if frame is not None:
                    return self._image(frame)
        except _failures() as error:
            raise damaged(f"the frame with PTS {pts} cannot be decoded ({error})") from error
        raise CaptureError(f"no frame with PTS {pts} is shown", "Run ocrlog extract again.")

    def _image(self, frame: VideoFrame) -> NDArray[np.uint8]:
        """RGB, upright.

        A stream that does not name its colours is taken as ITU-R BT.709 if it is larger than
        standard definition, as players do (common practice).
        """
        from av.video.reformatter import Colorspace

        if self._orientation is None:  # asked of one frame only: it would not be freed
            self._orientation = _orientation(frame)
        unnamed = frame.colorspace == 2  # AVCOL_SPC_UNSPECIFIED; ISO/IEC 23091-2, table 4
        large = frame.width >= 1280 or frame.height > 576
        space = Colorspace.ITU709 if unnamed and large else None
        rgb = frame.reformat(format="rgb24", src_colorspace=space, threads=1)
        return upright(cast("NDArray[np.uint8]", rgb.to_ndarray()), self._orientation)


def _sought(
    container: InputContainer, stream: VideoStream, pts: int, back_s: float
) -> VideoFrame | None:
    """The frame ``pts``, decoded from the key frame found ``back_s`` before it, or None.

    A key frame that is itself later does not do: frames shown before it may lack their references.
    """
    start = stream.start_time or 0
    target = start if back_s == math.inf else pts - round(back_s / _tick(stream))
    container.seek(min(target, pts), stream=stream)
    begun = False
    for packet in container.demux(stream):
        if not begun and packet.pts is not None and packet.pts > pts:
            return None
        begun = True
        for frame in packet.decode():
            if frame.pts is not None and frame.pts >= pts:
                return frame if frame.pts == pts else None
    return None


class _Shown:
    """The frames of a stream in the order shown, up to the first damage, which is kept."""

    def __init__(self, container: InputContainer, stream: VideoStream) -> None:
        self._container = container
        self._stream = stream
        self.damage: Exception | None = None

    def __iter__(self) -> Iterator[VideoFrame]:
        last: int | None = None
        try:
            for frame in self._container.decode(self._stream):
                if frame.pts is not None and (last is None or frame.pts > last):
                    last = frame.pts
                    yield frame
        except _failures() as error:
            self.damage = error


# ---------------------------------------------------------------- container


def _check_whole(form: Form, file: BinaryIO) -> None:
    size = file.seek(0, 2)
    if form == "MP4":
        check_boxes(file, size, _NEEDED_BOXES)
    else:
        check_matroska(file, size)


@contextmanager
def _opened(form: Form, file: BinaryIO) -> Iterator[tuple[InputContainer, VideoStream]]:
    """The container ``file`` and its stream of moving pictures, ready to be decoded.

    The demuxer is given and reads from the open file alone, so that neither a playlist inside nor
    a strange name makes FFmpeg open anything else.
    """
    import av

    file.seek(0)
    try:
        container = av.open(file, "r", format=_DEMUXERS[form], metadata_errors="replace")
    except (av.FFmpegError, OSError, ValueError) as error:
        raise damaged(f"it cannot be opened as a recording ({error})") from error
    with container:
        cover = av.stream.Disposition.attached_pic
        streams = [stream for stream in container.streams.video if not stream.disposition & cover]
        if not streams:
            raise CaptureError(
                "it holds no moving picture, only sound or other data",
                "Take it out of the folder.",
            )
        stream = streams[0]
        if stream.codec_context is None:
            raise CaptureError(
                "its pictures are coded in a way that cannot be decoded here",
                "Convert it to MP4 with H.264.",
            )
        stream.codec_context.thread_count = 1
        stream.codec_context.options = {"err_detect": "explode"}
        yield container, stream


def _failures() -> tuple[type[Exception], ...]:
    import av

    return (av.FFmpegError, OSError)


def _tick(stream: VideoStream) -> Fraction:
    assert stream.time_base is not None  # FFmpeg gives every stream of these containers one
    return stream.time_base


def _end(latest: list[tuple[int, int]], first: int) -> int:
    """When the last frame goes, from PTS and duration of the two ``latest`` packets.

    If the last packet states no duration, it is as long as the one before.
    """
    if not latest:
        return first
    last, length = latest[-1]
    return last + (length or last - latest[0][0])


def _seconds(time: Fraction) -> float:
    return round(float(time), 6)


# ---------------------------------------------------------------- frames


def _pts(frame: VideoFrame) -> int:
    assert frame.pts is not None  # _Shown lets no other pass
    return frame.pts


def _orientation(frame: VideoFrame) -> int:
    """EXIF orientation of a frame. Asking ties the frame into a cycle, which keeps its memory."""
    matrix = cast("SideData | None", frame.side_data.get("DISPLAYMATRIX"))
    return 1 if matrix is None else orientation_of_matrix(bytes(matrix))
