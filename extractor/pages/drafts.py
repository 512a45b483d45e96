"""Work in progress on a calibration, kept on the disk as it is done.

A draft lies beside where the calibration will be saved, as ``.draft-<capture>.json``, named by the
content of the capture it is drawn on (and, where a calibration is mended, by its id); captures that
were added on the page lie in a folder of the same name. Where nothing can be written there, it lies
in the system's folder for temporary files.
"""

from __future__ import annotations

import getpass
import json
import os
import re
import tempfile
from pathlib import Path
from typing import Any


class Drafts:
    """The draft of one capture. ``notice`` tells the person where it had to be put, or is ''."""

    def __init__(self, folder: Path, content: str, mended: str = "") -> None:
        name = f".draft-{content[:16]}{f'-{mended}' if mended else ''}"
        self.notice = ""
        try:
            folder.mkdir(parents=True, exist_ok=True)
            probe = folder / f"{name}.{os.getpid()}.tmp"
            probe.touch()
            probe.unlink()
        except OSError as error:
            elsewhere = Path(tempfile.gettempdir()) / f"ocrlog-drafts-{getpass.getuser()}"
            elsewhere.mkdir(mode=0o700, exist_ok=True)
            self.notice = (
                f"Nothing can be written to {folder} ({error.strerror}), so your work is kept in "
                f"{elsewhere}. To save the calibration, start again with --out and a folder of "
                "yours."
            )
            folder = elsewhere
        self._file = folder / f"{name}.json"
        self.captures = folder / name

    def read(self) -> dict[str, Any] | None:
        """The draft that is there; None if there is none, or none that can be used."""
        try:
            found = json.loads(self._file.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return found if isinstance(found, dict) and found.get("format") == 1 else None

    def write(self, draft: dict[str, Any]) -> None:
        """Keep a draft, whole or not at all. Raises OSError."""
        beside = self._file.with_suffix(f".{os.getpid()}.tmp")
        try:
            with beside.open("w", encoding="utf-8") as stream:
                json.dump({"format": 1} | draft, stream)
                stream.flush()
                os.fsync(stream.fileno())
            beside.replace(self._file)
        finally:
            beside.unlink(missing_ok=True)

    def keep_capture(self, name: str, data: bytes) -> Path:
        """Keep the bytes of a capture that was added on the page. Raises OSError.

        Captures of two devices may have one name: none takes the place of another.
        """
        self.captures.mkdir(exist_ok=True)
        plain = re.sub(r"[^\w.() -]", "_", Path(name).name).lstrip(".") or "capture"
        path, number = self.captures / plain[-120:], 2
        while path.exists() and path.read_bytes() != data:
            path = path.with_name(f"{number}-{plain[-120:]}")
            number += 1
        path.write_bytes(data)
        return path
