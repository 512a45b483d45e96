"""Recordings: times against ffprobe, pixels against the ffmpeg program, cut and damaged files."""

from __future__ import annotations

import gc
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from av.video.frame import VideoFrame
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from media import candidate, capture_of, decoded, encoded, ffmpeg, picture, record, shown

from extractor.captures import Recording, Sample, inspect
from extractor.errors import CaptureError
from extractor.records import Capture

COPY = ("-c", "copy")
UNEVEN = ("-vf", "select='eq(n,0)+gt(random(7),0.6)+gt(n,80)*not(mod(n,9))'", "-vsync", "vfr")


def samples(capture: Capture, every: float) -> list[Sample]:
    with Recording(capture) as recording:
        return list(recording.sample(every))


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Recordings whose times need care, each made by ffmpeg."""
    made = tmp_path_factory.mktemp("recordings")
    plain = record(made / "plain.mp4")
    ffmpeg("-ss", "1.37", "-i", plain, *COPY, made / "edit list.mp4")
    ffmpeg("-i", plain, *COPY, "-output_ts_offset", "5", made / "offset.mp4")
    ffmpeg("-i", plain, *COPY, "-output_ts_offset", "5", made / "offset.mkv")
    sound = ("-f", "lavfi", "-i", "sine=duration=5", "-map", "0:v", "-map", "1:a")
    late = ("-c:v", "copy", "-c:a", "aac")
    ffmpeg("-itsoffset", "1.5", "-i", plain, *sound, *late, made / "late.mov")
    ffmpeg("-i", plain, *COPY, "-movflags", "frag_keyframe+empty_moov", made / "fragments.mp4")
    ffmpeg("-i", plain, *COPY, "-movflags", "faststart", made / "front.mp4")
    (made / "stream.mkv").write_bytes(ffmpeg("-i", plain, *COPY, "-f", "matroska", "-"))
    record(made / "uneven.mp4", *UNEVEN, seconds=4)
    record(made / "uneven.mkv", *UNEVEN, seconds=4)
    record(made / "vp9.webm", "-c:v", "libvpx-vp9", "-deadline", "realtime", "-cpu-used", "8")
    record(made / "mpeg4.3gp", "-c:v", "mpeg4", "-bf", "0", "-q:v", "3", size="176x144")
    record(made / "hevc.mp4", "-c:v", "libx265", "-x265-params", "log-level=none:bframes=4")
    return made


NAMES = [
    *("plain.mp4", "edit list.mp4", "offset.mp4", "offset.mkv", "late.mov", "fragments.mp4"),
    *("front.mp4", "stream.mkv", "uneven.mp4", "uneven.mkv", "vp9.webm", "mpeg4.3gp", "hevc.mp4"),
]


# ---------------------------------------------------------------- time


@pytest.mark.parametrize("name", NAMES)
def test_every_frame_and_its_time_as_ffprobe_says(folder: Path, name: str) -> None:
    """Source: the frames and PTS that `ffprobe -show_frames` lists, edit lists applied."""
    expected = shown(folder / name)
    capture = inspect(candidate(folder / name))
    got = samples(capture, 0.001)
    assert [sample.pts for sample in got] == [pts for pts, _ in expected]
    assert [sample.at_s for sample in got] == [round(float(at), 6) for _, at in expected]
    assert got[0].at_s == 0
    assert capture.duration_s is not None
    assert 0 < capture.duration_s - got[-1].at_s <= 0.5  # the last frame stays a while
    for before, sample, after in zip([None, *got], got, [*got[1:], None], strict=False):
        assert (sample.before and sample.before.pts) == (before and before.pts)
        assert (sample.after and sample.after.at_s) == (after and after.at_s)


def test_the_files_are_what_they_should_be(folder: Path) -> None:
    """The files hold the hard cases, so that the test above cannot pass for want of them."""
    first = {name: shown(folder / name)[0][0] for name in NAMES}
    assert first["offset.mp4"] > 0
    assert first["offset.mkv"] == 5000
    assert first["late.mov"] > 0
    assert len(shown(folder / "edit list.mp4")) < 60
    packets = inspect(candidate(folder / "edit list.mp4"))
    assert packets.duration_s == pytest.approx(1.63, abs=0.04)
    gaps = np.diff([float(at) for _, at in shown(folder / "uneven.mp4")])
    assert gaps.max() > 5 * gaps.min()
    assert b"elst" in (folder / "edit list.mp4").read_bytes()


@pytest.mark.parametrize("name", ["plain.mp4", "edit list.mp4", "uneven.mp4", "uneven.mkv"])
def test_sample_k_is_the_frame_on_screen(folder: Path, name: str) -> None:
    """Greatest PTS <= k * every, worked out anew from ffprobe's times; each frame once."""
    file = folder / name
    times = shown(file)
    capture = inspect(candidate(file))

    @settings(
        max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(st.sampled_from([0.04, 0.1, 0.25, 1 / 3, 0.5, 0.7, 1.0, 2.5, 100.0]))
    def check(every: float) -> None:
        expected: dict[int, int] = {}
        k = 0
        while k * Fraction(str(every)) < Fraction(str(capture.duration_s)):
            on_screen = max(pts for pts, at in times if at <= k * Fraction(str(every)))
            expected.setdefault(on_screen, k)
            k += 1
        got = samples(capture, every)
        assert [(sample.pts, sample.k) for sample in got] == list(expected.items())

    check()


def test_a_picture_that_stands_still_is_sampled_once(tmp_path: Path) -> None:
    """Two frames, the second shown from 4 s on: nothing between them is made up."""
    still = tmp_path / "still.mp4"
    record(still, "-vf", "select='eq(n,0)+eq(n,120)+eq(n,121)'", "-vsync", "vfr", seconds=5)
    capture = inspect(candidate(still))
    assert [(s.k, s.at_s) for s in samples(capture, 1)] == [(0, 0.0), (4, 4.0)]


def test_a_single_frame_without_a_duration(tmp_path: Path) -> None:
    file = tmp_path / "one.mkv"
    file.write_bytes(
        ffmpeg("-i", record(tmp_path / "a.mp4"), "-frames:v", "1", "-f", "matroska", "-")
    )
    assert [(s.k, s.at_s, s.after) for s in samples(inspect(candidate(file)), 1)] == [
        (0, 0.0, None)
    ]


def test_the_interval_must_be_positive(folder: Path) -> None:
    with pytest.raises(ValueError, match="more than 0 s"):
        samples(inspect(candidate(folder / "plain.mp4")), 0)


# ---------------------------------------------------------------- pixels


@pytest.mark.parametrize("name", ["plain.mp4", "edit list.mp4", "vp9.webm", "hevc.mp4"])
def test_pixels_as_the_ffmpeg_program_decodes_them(folder: Path, name: str) -> None:
    frames = decoded(folder / name, 160, 96)
    got = samples(inspect(candidate(folder / name)), 0.001)
    assert len(frames) == len(got)
    for frame, sample in zip(frames, got, strict=True):
        assert sample.image.dtype == np.uint8
        assert np.abs(frame.astype(int) - sample.image).mean() < 1.5


@pytest.mark.parametrize(
    ("size", "how", "within"),
    [
        ("160x96", ("-colorspace", "bt470bg"), 6),
        ("160x96", ("-colorspace", "bt709"), 6),
        ("1280x720", (), 6),  # unnamed and large: BT.709
        ("160x96", ("-color_range", "pc", "-pix_fmt", "yuvj420p"), 6),
    ],
)
def test_colours(tmp_path: Path, size: str, how: tuple[str, ...], within: int) -> None:
    """A flat colour comes back, whichever matrix and range the recording uses."""
    matrix = "bt601" if "bt470bg" in how or "pc" in how else "bt709"
    span = "full" if "pc" in how else "limited"
    file = tmp_path / "a.mp4"
    ffmpeg(
        *("-f", "lavfi", "-i", f"color=0xC86432:size={size}:rate=5:duration=1,format=gbrp"),
        *("-vf", f"scale=out_color_matrix={matrix}:out_range={span},format=yuv420p"),
        *("-c:v", "libx264", "-qp", "1", *how, file),
    )
    image = samples(inspect(candidate(file)), 1)[0].image
    assert np.abs(image[40:50, 40:50].reshape(-1, 3) - np.array([0xC8, 0x64, 0x32])).max() <= within


# Rows (a, b), (c, d) of the matrix in the track header, ISO/IEC 14496-12, 8.3.2; each turns the
# picture as the EXIF orientation of the same place in the list does.
MATRICES = [
    *((1, 0, 0, 1), (-1, 0, 0, 1), (-1, 0, 0, -1), (1, 0, 0, -1)),
    *((0, 1, 1, 0), (0, 1, -1, 0), (0, -1, -1, 0), (0, -1, 1, 0)),
]


@pytest.mark.parametrize("matrix", MATRICES)
def test_turned_as_the_ffmpeg_program_turns_it(
    folder: Path, tmp_path: Path, matrix: tuple[int, int, int, int]
) -> None:
    a, b, c, d = (part << 16 for part in matrix)
    numbers = (a, b, 0, c, d, 0, 0, 0, 1 << 30)
    data = bytearray((folder / "plain.mp4").read_bytes())
    at = data.index(b"tkhd") + 44
    data[at : at + 36] = b"".join(number.to_bytes(4, "big", signed=True) for number in numbers)
    capture = capture_of(tmp_path, "a.mp4", bytes(data))
    size = (96, 160) if matrix[0] == 0 else (160, 96)
    assert (capture.width, capture.height) == size
    frame = decoded(capture.file, *size)[0].astype(int)
    image = samples(capture, 10)[0].image
    assert np.abs(frame - image).mean() < 1.5
    assert np.abs(frame[::-1] - image).mean() > 20


@pytest.mark.parametrize("name", NAMES)
def test_a_frame_sought_equals_the_one_sampled(folder: Path, name: str) -> None:
    capture = inspect(candidate(folder / name))
    with Recording(capture) as recording:
        for sample in [*recording.sample(0.31)][::-1]:
            assert np.array_equal(recording.frame_at(sample.pts), sample.image)
            for beside in (sample.before, sample.after):
                if beside is not None:
                    assert np.array_equal(recording.frame_at(beside.pts), beside.image)
        with pytest.raises(CaptureError, match="no frame with PTS"):
            recording.frame_at(10**9)
        first = next(iter(recording.sample(1)))
        with pytest.raises(CaptureError, match="no frame with PTS"):
            recording.frame_at(first.pts - 1)


def test_sampling_and_seeking_do_not_disturb_each_other(folder: Path) -> None:
    capture = inspect(candidate(folder / "plain.mp4"))
    alone = samples(capture, 0.2)
    with Recording(capture) as recording:
        for sample, expected in zip(recording.sample(0.2), alone, strict=True):
            recording.frame_at(alone[0].pts)
            assert np.array_equal(sample.image, expected.image)


# ---------------------------------------------------------------- what cannot be read


def refused(folder: Path, data: bytes) -> CaptureError:
    with pytest.raises(CaptureError) as caught:
        capture_of(folder, "a.mp4", data)
    assert caught.value.mend.endswith(".")
    return caught.value


@pytest.mark.parametrize(
    ("name", "missing"),
    [
        ("plain.mp4", "of at least"),  # the index lies at the end
        ("front.mp4", "of at least"),
        ("uneven.mkv", "of at least"),
        ("stream.mkv", "of at least"),
        ("vp9.webm", "of at least"),
        ("fragments.mp4", "of at least"),
    ],
)
def test_a_recording_cut_off_half_way(
    folder: Path, tmp_path: Path, name: str, missing: str
) -> None:
    data = (folder / name).read_bytes()
    error = refused(tmp_path, data[: len(data) // 2])
    assert "ends early" in error.problem
    assert missing in error.problem
    assert "Copy it again" in error.mend


def test_a_recording_that_was_never_finished(folder: Path, tmp_path: Path) -> None:
    data = (folder / "plain.mp4").read_bytes()
    error = refused(tmp_path, data[: data.index(b"moov") - 4])
    assert "its index (moov) is missing" in error.problem
    front = (folder / "front.mp4").read_bytes()
    error = refused(tmp_path, front[: front.index(b"mdat") - 4])
    assert "the recording itself (mdat) is missing" in error.problem


@pytest.mark.parametrize("name", ["front.mp4", "stream.mkv", "fragments.mp4", "vp9.webm"])
def test_a_cut_or_damage_anywhere_never_ends_the_batch(
    folder: Path, tmp_path: Path, name: str
) -> None:
    data = (folder / name).read_bytes()

    @settings(
        max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(st.integers(0, len(data) - 1), st.binary(max_size=6), st.booleans())
    def check(at: int, put: bytes, cut: bool) -> None:
        broken = data[:at] + put + (b"" if cut else data[at + len(put) :])
        try:
            capture = capture_of(tmp_path, "a.mp4", broken)
            samples(capture, 1)
        except CaptureError:
            return
        assert capture.duration_s is not None

    check()


@pytest.mark.parametrize("name", ["plain.mp4", "uneven.mkv", "hevc.mp4"])
def test_what_comes_before_damage_is_read(folder: Path, tmp_path: Path, name: str) -> None:
    whole = samples(inspect(candidate(folder / name)), 0.1)
    data = bytearray((folder / name).read_bytes())
    middle = len(data) // 2
    data[middle : middle + 400] = b"\xff\x00" * 200
    capture = capture_of(tmp_path, name, bytes(data))
    got: list[Sample] = []
    with Recording(capture) as recording, pytest.raises(CaptureError) as caught:
        for sample in recording.sample(0.1):
            got.append(sample)
    assert 3 <= len(got) < len(whole)
    for sample, expected in zip(got, whole, strict=False):
        assert sample.pts == expected.pts
        assert np.array_equal(sample.image, expected.image)
    assert f"only its first {math.floor(got[-1].at_s)}" in caught.value.problem
    assert "Copy it again" in caught.value.mend


def test_sound_alone_is_no_recording(tmp_path: Path) -> None:
    cover = tmp_path / "cover.jpg"
    cover.write_bytes(encoded(picture(), "JPEG"))
    tone = ("-f", "lavfi", "-i", "sine=duration=1")
    picked = ("-map", "0", "-map", "1", "-c:v", "copy", "-disposition:v", "attached_pic")
    file = tmp_path / "sound.m4a"
    for more in ((), ("-i", cover, *picked)):
        ffmpeg(*tone, *more, "-c:a", "aac", file)
        assert "no moving picture" in refused(tmp_path, file.read_bytes()).problem


def test_a_recording_that_changes_meanwhile(folder: Path, tmp_path: Path) -> None:
    capture = capture_of(tmp_path, "a.mp4", (folder / "plain.mp4").read_bytes())
    capture.file.write_bytes((folder / "front.mp4").read_bytes())
    with pytest.raises(CaptureError, match="changed while"), Recording(capture):
        pass
    capture.file.unlink()
    with pytest.raises(CaptureError, match="cannot be read"), Recording(capture):
        pass


def test_taken_is_the_name_s(folder: Path, tmp_path: Path) -> None:
    data = (folder / "plain.mp4").read_bytes()
    capture = capture_of(tmp_path, "20260314_101532.mp4", data)
    assert (capture.medium, capture.taken) == ("recording", "2026-03-14T10:15:32")
    assert capture.duration_s == 3.0


def test_few_frames_are_kept(folder: Path) -> None:
    """Decoded frames go as soon as they are done with, without waiting for the collector."""
    gc.collect()
    gc.disable()
    try:
        with Recording(inspect(candidate(folder / "plain.mp4"))) as recording:
            for sample in recording.sample(0.04):
                recording.frame_at(sample.pts)
            kept = sum(isinstance(thing, VideoFrame) for thing in gc.get_objects())
    finally:
        gc.enable()
    assert kept < 10
