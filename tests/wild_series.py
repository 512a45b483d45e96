"""Truthful series as wild as devices make them: steps, spikes, dropouts, hopping clocks."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

Draw = Callable[[random.Random, int], list[float]]


def _noisy(chance: random.Random, level: float, noise: float) -> float:
    return max(0.0, level * (1 + chance.gauss(0, noise)))


def steps(chance: random.Random, count: int) -> list[float]:
    """A level with noise that jumps to another one, once in thirty samples, and stays."""
    level, noise = chance.uniform(5, 100), chance.choice([0.0, 0.002, 0.01, 0.03])
    values = []
    for _ in range(count):
        if chance.random() < 1 / 30:
            level = chance.uniform(5, 100)
        values.append(_noisy(chance, level, noise))
    return values


def spikes(chance: random.Random, count: int) -> list[float]:
    """A level with noise; one sample in thirty is anything."""
    level, noise = chance.uniform(5, 100), chance.choice([0.0, 0.002, 0.01, 0.03])
    return [
        chance.uniform(1, 120) if chance.random() < 1 / 30 else _noisy(chance, level, noise)
        for _ in range(count)
    ]


def dropouts(chance: random.Random, count: int) -> list[float]:
    """A level with noise that drops to 0 for a sample or a few."""
    level, noise = chance.uniform(5, 100), chance.choice([0.0, 0.002, 0.01, 0.03])
    values, left = [], 0
    for _ in range(count):
        if left == 0 and chance.random() < 1 / 30:
            left = chance.randint(1, 4)
        values.append(0.0 if left else _noisy(chance, level, noise))
        left = max(0, left - 1)
    return values


def hopping(chance: random.Random, count: int) -> list[float]:
    """A clock that hops between two to nine levels, at every sample or staying for a while."""
    levels = [float(chance.randrange(300, 3300, 25)) for _ in range(chance.randint(2, 9))]
    stay = chance.choice([0.0, 0.7, 0.95])
    values = [chance.choice(levels)]
    while len(values) < count:
        values.append(values[-1] if chance.random() < stay else chance.choice(levels))
    return values


def capped(chance: random.Random, count: int) -> list[float]:
    """A frame rate at its cap that dips for a few samples, deeper the rarer."""
    cap = chance.choice([30.0, 60.0, 90.0, 120.0])
    values, dip = [], 0.0
    for _ in range(count):
        if chance.random() < 0.05:
            dip = cap * chance.random() ** 3
        values.append(max(0.0, cap - dip - abs(chance.gauss(0, 0.1))))
        dip *= 0.5
    return values


def throttling(chance: random.Random, count: int) -> list[float]:
    """A value that warms or falls on an exponential, with a saw of a regulator on top."""
    low, high = sorted(chance.uniform(10, 100) for _ in range(2))
    tau, period = chance.uniform(20, 200), chance.randint(2, 15)
    falls, saw = chance.random() < 0.5, chance.uniform(0, 0.05)
    values = []
    for at in range(count):
        share = math.exp(-at / tau)
        level = low + (high - low) * (share if falls else 1 - share)
        values.append(_noisy(chance, level * (1 + saw * (at % period) / period), 0.003))
    return values


def mixed(chance: random.Random, count: int) -> list[float]:
    """All at once: noise, a level that steps, spikes of one sample, dropouts to 0."""
    level, noise = chance.uniform(5, 100), chance.choice([0.0, 0.002, 0.01, 0.03])
    values = []
    for _ in range(count):
        event = chance.random()
        if event < 0.02:
            level = chance.uniform(5, 100)
        value = _noisy(chance, level, noise)
        if 0.02 <= event < 0.035:
            value = chance.uniform(1, 120)
        elif 0.035 <= event < 0.05:
            value = 0.0
        values.append(value)
    return values


WILD: tuple[Draw, ...] = (steps, spikes, dropouts, hopping, capped, throttling, mixed)


def texts(draw: Draw, chance: random.Random, count: int, decimals: int, trimmed: bool) -> list[str]:
    """Write a series down; ``trimmed``: a last 0 behind the point is left out."""
    written = [f"{value:.{decimals}f}" for value in draw(chance, count)]
    return [text.rstrip("0").rstrip(".") if trimmed and decimals else text for text in written]
