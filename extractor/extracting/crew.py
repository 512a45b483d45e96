"""Worker processes: each spawned, each on one thread, handing back what could not be done.

A capture that crashes its process (a defect in a codec, say) costs that capture only: what was
in flight is tried again alone, one process each, so that the crash finds its cause.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from extractor import captures as sources
from extractor.calibration.model import Calibration
from extractor.extracting.worker import Worker
from extractor.records import Capture, Problem
from extractor.store import Cache

Item = Capture | sources.Candidate
Done = Callable[[Problem | None], None]

# Every runtime on one thread a process: the processes are what fills the cores.
_ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OMP_THREAD_LIMIT",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
_CRASHED = "the process that read it ended without a word"
_CRASHED_MEND = "Take it out of the folder and report it as a defect of ocrlog."


@dataclass(frozen=True, slots=True)
class Crew:
    """How workers are started: the calibrations in use, s between samples, cache, processes."""

    calibrations: tuple[Calibration, ...]
    every: float
    cache: Path
    jobs: int

    def do(self, items: Sequence[Item], done: Done) -> None:
        """Inspect every Candidate and read every Capture; call ``done`` as each is finished.

        ``done`` gets the problem with the item, or None. Results lie in the cache.
        """
        left = self._together(items, done)
        for item in left:
            if self._together([item], done, jobs=1):
                done(Problem(item.path, _CRASHED, _CRASHED_MEND))

    def _together(self, items: Sequence[Item], done: Done, jobs: int | None = None) -> list[Item]:
        """Work through ``items``; returns those in flight or waiting when a process crashed."""
        if not items:
            return []
        with _one_thread():
            pool = ProcessPoolExecutor(
                max_workers=min(jobs or self.jobs, len(items)),
                mp_context=multiprocessing.get_context("spawn"),
                initializer=_start,
                initargs=(self.calibrations, self.every, self.cache),
            )
            try:
                with _interrupts_held():
                    waiting = {pool.submit(_do, item): item for item in items}
                left: list[Item] = []
                for future in as_completed(waiting):
                    try:
                        problem = future.result()
                    except BrokenProcessPool:
                        left.append(waiting[future])
                        continue
                    done(problem)
                return left
            except BaseException:
                for process in list(pool._processes.values()):
                    process.terminate()
                raise
            finally:
                pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Start processes that no interrupt reaches before they can ignore it."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows sends them none
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _one_thread() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


# ---------------------------------------------------------------- inside a worker process


class _Here:
    """The worker of this process; a pool's initializer can leave it nowhere else."""

    worker: Worker


def _start(calibrations: tuple[Calibration, ...], every: float, cache: Path) -> None:
    # An interrupt is the main process's to handle; it ends the workers.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # The main process has checked the cache; each worker need not scan it again.
    _Here.worker = Worker(calibrations, every, Cache(cache, check=False))


def _do(item: Item) -> Problem | None:
    try:
        worker = _Here.worker
        return worker.read(item) if isinstance(item, Capture) else worker.inspect(item)
    except Exception as error:  # a defect on one capture must not end the batch
        where = " | ".join(traceback.format_exc().strip().splitlines())
        return Problem(
            item.path,
            f"ocrlog failed on it: {type(error).__name__}: {error}",
            f"Report this as a defect of ocrlog, with: {where}",
        )
