"""One writer of an output folder at a time."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from extractor.errors import BusyError, CallError

_LOCK = ".ocrlog.lock"
_WRITER = ".ocrlog.writer"


@contextmanager
def writer_lock(out: Path) -> Iterator[None]:
    """Hold the output folder ``out``, which is made if missing, as its only writer.

    The operating system lets go of it when the process ends, however it ends. Raises BusyError
    that names the other process if it is held, CallError if the folder cannot be written.
    """
    from filelock import FileLock, Timeout

    writer = out / _WRITER
    try:
        out.mkdir(parents=True, exist_ok=True)
        lock = FileLock(out / _LOCK, timeout=0)
        lock.acquire()
    except Timeout:
        raise BusyError(
            f"{out}: another ocrlog writes there ({_who(writer)}); wait until it is done, or give "
            "another folder with --out"
        ) from None
    except (OSError, NotImplementedError) as error:
        raise CallError(
            f"{out}: cannot write there ({error}); give a folder that can be written with --out"
        ) from error
    try:
        _introduce(writer)
        yield
    finally:
        writer.unlink(missing_ok=True)
        lock.release()


def _introduce(writer: Path) -> None:
    since = datetime.now(UTC).isoformat(timespec="seconds")
    me = {"pid": os.getpid(), "host": platform.node(), "since": since}
    try:
        writer.write_text(json.dumps(me), encoding="utf-8")
    except OSError as error:
        raise CallError(
            f"{writer}: cannot be written ({error}); free some space, or give another folder with "
            "--out"
        ) from error


def _who(writer: Path) -> str:
    try:
        other = json.loads(writer.read_text(encoding="utf-8"))
        return f"process {other['pid']} on {other['host']}, since {other['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "it does not say which"
