"""Time and memory of ``ocrlog extract``: ``bench_extract.py [CAPTURES [OUT]]``.

Runs the command twice into a new folder (OUT is kept) and prints wall and processor time, the most
memory that all its processes held together (sum of their proportional shares where the system
tells, so that pages they share count once), the second run as a share of the first and whether it
wrote the same bytes. The limit, decoding every pixel of every capture once with OpenCV and FFmpeg
and nothing else, is measured in the same run.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psutil

from extractor.captures import Recording, find_captures, inspect, read_still
from extractor.errors import CaptureError

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"


def held(process: psutil.Process) -> int:
    """Bytes held by a process and its children."""
    total = 0
    for each in (process, *process.children(recursive=True)):
        try:
            memory = each.memory_full_info()
            total += getattr(memory, "pss", 0) or memory.rss
        except psutil.Error:
            continue
    return total


def timed(captures: Path, out: Path) -> tuple[float, float, int]:
    """Wall s, processor s and most bytes held of one run."""
    call = [sys.executable, "-m", "extractor.cli", "extract", str(captures), "--out", str(out)]
    began, before = time.monotonic(), os.times()
    process = psutil.Popen(call, stdout=sys.stderr)
    most = 0
    while process.poll() is None:
        try:
            most = max(most, held(process))
        except psutil.Error:
            break
        time.sleep(0.25)
    process.wait()
    after = os.times()
    used = (after.children_user + after.children_system) - (
        before.children_user + before.children_system
    )
    return time.monotonic() - began, used, most


def decoded(captures: Path) -> Iterator[None]:
    """Decode every capture whole, one after the other."""
    for candidate in find_captures(captures).candidates:
        try:
            capture = inspect(candidate)
            if capture.medium == "still":
                read_still(capture)
            else:
                with Recording(capture) as recording:
                    for _ in recording.sample(1.0):
                        pass
        except CaptureError:
            continue
        yield


def digest(out: Path) -> str:
    """One digest of every table."""
    tables = sorted(path for path in out.rglob("*") if path.suffix in {".csv", ".parquet", ".json"})
    return hashlib.sha256(b"".join(path.read_bytes() for path in tables)).hexdigest()


def main() -> None:
    captures = Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES
    began = time.process_time()
    count = sum(1 for _ in decoded(captures))
    limit = time.process_time() - began
    with tempfile.TemporaryDirectory() as folder:
        out = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(folder) / "readings"
        first = timed(captures, out)
        wrote = digest(out)
        second = timed(captures, out)
        same = digest(out) == wrote
    print(f"{count} captures, decoding alone {limit:.1f} s of processor time")
    for name, (wall, used, most) in (("first", first), ("second", second)):
        print(f"{name} run: {wall:.1f} s, {used:.1f} s of processor time ({used / limit:.1f} x "
              f"decoding), {most / 2**20:.0f} MiB held by all processes")  # fmt: skip
    print(f"second / first: {second[0] / first[0]:.2%}; same bytes: {same}")


if __name__ == "__main__":
    main()
