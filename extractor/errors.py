"""Errors that end a call, each with its exit status; imported by every module, imports none.

A message says what is wrong, where, and how to mend it. Exit statuses depend on classes,
never on wording.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of a file that a person writes (a calibration, the session file).

    ``place`` is ``FILE:LINE`` (line from 1; ``FILE`` alone when the line is unknown), ``key`` the
    dotted path in the file, ``met`` the value found there as written, ``expected`` what is
    allowed, in words.
    """

    place: str
    key: str
    met: str
    expected: str

    def __str__(self) -> str:
        met = f" is {self.met}" if self.met else ""
        return f"{self.place}: {self.key}{met}; expected {self.expected}"


class OcrlogError(Exception):
    """Base of every error that a person can mend. ``exit_status`` is promised as stable."""

    exit_status = 2


class CallError(OcrlogError):
    """The call itself is wrong: a folder that is missing, empty or unreadable, a bad option."""


class FileFaultsError(OcrlogError):
    """A file that a person writes has faults; all of them are listed."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = faults
        super().__init__("\n".join(str(fault) for fault in faults))


class BusyError(OcrlogError):
    """Another ocrlog writes to the same output folder."""

    exit_status = 4


class CaptureError(Exception):
    """One capture cannot be used; the rest of the batch goes on.

    ``problem`` says what is wrong with it, ``mend`` what the person can do. ``passing``: it lies
    with the disk or the moment, not with the content, so it is tried again in the next run.
    """

    def __init__(self, problem: str, mend: str, *, passing: bool = False) -> None:
        self.problem = problem
        self.mend = mend
        self.passing = passing
        super().__init__(f"{problem}; {mend}")
