"""Batches for training, drawn by many processes beside the GPU.

Every process draws its own stream and writes batches of one width into slots of shared memory.
"""

from __future__ import annotations

import multiprocessing as mp
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from extractor.reading.own import HEIGHTS, WIDTHS, prepare
from extractor.reading.training.charset import encode
from extractor.reading.training.sheets import LONGEST, Crop

PIXELS = 98304  # px along the lines of a batch
_SHORTEST = 85  # px; a batch of shorter lines has no more lines
_SLOTS = 3  # a process


@dataclass(frozen=True, slots=True)
class Batch:
    """Lines of one width: pictures at both heights, uint8 (n, height, width, 3).

    ``codes`` (n, 40) classes, 0 after the end; ``middles`` (n, 40) px where each character's
    middle stands on a line of 32 px.
    """

    low: NDArray[np.uint8]
    high: NDArray[np.uint8]
    codes: NDArray[np.uint8]
    middles: NDArray[np.float32]


def size_of(width: int, pixels: int) -> int:
    """Give the lines of a batch of ``width``."""
    return pixels // max(width, _SHORTEST)


def _shapes(width: int, n: int) -> dict[str, tuple[tuple[int, ...], Any]]:
    low, high = HEIGHTS
    return {
        "low": ((n, low, width, 3), np.uint8),
        "high": ((n, high, width * high // low, 3), np.uint8),
        "codes": ((n, LONGEST), np.uint8),
        "middles": ((n, LONGEST), np.float32),
    }


def _room(pixels: int) -> int:
    """Give the bytes that a batch of any width fits into."""
    return max(
        int(sum(np.prod(shape) * np.dtype(kind).itemsize for shape, kind in shapes.values()))
        for shapes in (_shapes(w, size_of(w, pixels)) for w in WIDTHS)
    )


def _view(memory: Any, width: int, pixels: int) -> Batch:
    arrays, at = {}, 0
    for name, (shape, kind) in _shapes(width, size_of(width, pixels)).items():
        count = int(np.prod(shape))
        arrays[name] = np.frombuffer(memory, kind, count, at).reshape(shape)
        at += count * np.dtype(kind).itemsize
    return Batch(**arrays)


def middles(crop: Crop) -> list[float]:
    """Give where each character's middle stands, px on a line of 32 px, spaces between."""
    scale = HEIGHTS[0] / crop.picture.shape[0]
    places: list[float] = []
    at = 0
    for char in crop.text:
        if char == " ":
            places.append(float(crop.boxes[at - 1, 1] + crop.boxes[at, 0]) / 2 * scale)
        else:
            places.append(float(crop.boxes[at].mean()) * scale)
            at += 1
    return places


def fill(batch: Batch, row: int, crop: Crop) -> None:
    """Write a crop into a row of a batch."""
    for pictures, height in ((batch.low, HEIGHTS[0]), (batch.high, HEIGHTS[1])):
        pictures[row] = prepare(crop.picture, height, pictures.shape[2])
    codes = encode(crop.text)
    batch.codes[row] = 0
    batch.middles[row] = 0.0
    batch.codes[row, : len(codes)] = codes
    batch.middles[row, : len(codes)] = middles(crop)


def _draw(
    bundle: str, split: str, seed: int, pixels: int, memories: list[Any], free: Any, ready: Any
) -> None:
    import cv2

    from extractor.reading.training.sheets import scattered, stream
    from extractor.reading.training.stock import Stock

    cv2.setNumThreads(1)
    os.nice(10)  # training comes first
    stock = Stock(Path(bundle), split)
    rng = np.random.default_rng(seed)
    waiting: dict[int, list[Crop]] = {w: [] for w in WIDTHS}
    for crop in stream(stock, scattered, rng, codings=2, training=True):
        wide = crop.picture.shape[1] * HEIGHTS[0] / crop.picture.shape[0]
        width = next((w for w in WIDTHS if w >= round(wide)), None)
        if width is None:
            continue
        waiting[width].append(crop)
        if len(waiting[width]) == size_of(width, pixels):
            slot = free.get()
            if slot is None:
                return
            batch = _view(memories[slot], width, pixels)
            for row, waits in enumerate(waiting[width]):
                fill(batch, row, waits)
            ready.put((seed, slot, width))
            waiting[width] = []


class Feed:
    """Batches from ``processes`` processes; iterate, and take with ``poll``."""

    def __init__(
        self, bundle: Path, split: str, seed: int, processes: int, pixels: int = PIXELS
    ) -> None:
        os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
        context = mp.get_context("spawn")
        self._ready: Any = context.Queue()
        self._pixels = pixels
        self._lanes: dict[int, tuple[list[Any], Any]] = {}
        self._processes = []
        for at in range(processes):
            lane = 1000 * seed + at
            memories = [context.RawArray("B", _room(pixels)) for _ in range(_SLOTS)]
            free: Any = context.Queue()
            for slot in range(_SLOTS):
                free.put(slot)
            self._lanes[lane] = memories, free
            process = context.Process(
                target=_draw,
                args=(str(bundle), split, lane, pixels, memories, free, self._ready),
                daemon=True,
            )
            process.start()
            self._processes.append(process)

    def poll(self, wait: bool) -> Batch | None:
        """Give a copy of the next batch; None if none is there and ``wait`` is False."""
        if not wait and self._ready.empty():
            return None
        lane, slot, width = self._ready.get(timeout=120)
        memories, free = self._lanes[lane]
        seen = _view(memories[slot], width, self._pixels)
        batch = Batch(seen.low.copy(), seen.high.copy(), seen.codes.copy(), seen.middles.copy())
        free.put(slot)
        return batch

    def close(self) -> None:
        """End the processes."""
        for process in self._processes:
            process.terminate()


def batches(crops: list[Crop]) -> Iterator[tuple[Batch, list[Crop]]]:
    """Yield a list of crops as batches by width, with the crops of each."""
    by_width: dict[int, list[Crop]] = {}
    for crop in crops:
        wide = round(crop.picture.shape[1] * HEIGHTS[0] / crop.picture.shape[0])
        width = next((w for w in WIDTHS if w >= wide), None)
        if width is not None:
            by_width.setdefault(width, []).append(crop)
    for width, chosen in sorted(by_width.items()):
        for start in range(0, len(chosen), size_of(width, PIXELS)):
            part = chosen[start : start + size_of(width, PIXELS)]
            arrays = {
                name: np.zeros(shape, kind)
                for name, (shape, kind) in _shapes(width, len(part)).items()
            }
            batch = Batch(**arrays)
            for row, crop in enumerate(part):
                fill(batch, row, crop)
            yield batch, part
