"""The nets: convolutions alone, so that any width goes and columns see only what is near them.

Two CTC steps stand in one column of 4 px: narrow digits in loose crops need them.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor, nn

from extractor.reading.training.charset import CLASSES


@dataclass(frozen=True, slots=True)
class Plan:
    """Sizes of a net: height of its input, channels of its four stages, blocks along the line.

    ``early`` and ``middle`` residual blocks after the second and the third stage; ``rate`` is the
    highest at which it learns.
    """

    height: int
    channels: tuple[int, int, int, int]
    early: int
    middle: int
    blocks: int
    rate: float


PLANS = {
    "first": Plan(32, (16, 32, 56, 128), early=0, middle=1, blocks=4, rate=3e-3),
    "second": Plan(40, (40, 80, 144, 320), early=2, middle=2, blocks=8, rate=2e-3),
}


def _conv(
    inside: int, out: int, size: tuple[int, int], stride: tuple[int, int] = (1, 1),
    pad: tuple[int, int] = (1, 1), groups: int = 1,
) -> nn.Sequential:  # fmt: skip
    return nn.Sequential(
        nn.Conv2d(inside, out, size, stride, pad, groups=groups, bias=False), nn.BatchNorm2d(out)
    )


class _Block(nn.Module):  # type: ignore[misc, unused-ignore]
    """Adds what ``body`` makes of its input."""

    def __init__(self, *body: nn.Module) -> None:
        super().__init__()
        self.body = nn.Sequential(*body)

    def forward(self, x: Tensor) -> Tensor:
        return torch.relu(x + self.body(x))


def _along(channels: int) -> _Block:
    """A block that looks along the line alone."""
    sideways = _conv(channels, channels, (1, 7), pad=(0, 3), groups=channels)
    return _Block(sideways, nn.ReLU(), _conv(channels, channels, (1, 1), pad=(0, 0)))


class Net(nn.Module):  # type: ignore[misc, unused-ignore]
    """Pictures (n, 3, height, width) in -1 to 1 -> class scores (n, width / 2, classes)."""

    def __init__(self, plan: Plan) -> None:
        super().__init__()
        a, b, c, d = plan.channels
        self.look = nn.Sequential(
            _conv(3, a, (3, 3), (2, 2)), nn.ReLU(),
            _conv(a, b, (3, 3), (2, 2)), nn.ReLU(),
            *(_Block(_conv(b, b, (3, 3))) for _ in range(plan.early)),
            _conv(b, c, (3, 3), (2, 1)), nn.ReLU(),
            *(_Block(_conv(c, c, (3, 3))) for _ in range(plan.middle)),
            _conv(c, d, (plan.height // 8, 3), pad=(0, 1)), nn.ReLU(),
        )  # fmt: skip
        self.along = nn.Sequential(*(_along(d) for _ in range(plan.blocks)))
        self.head = nn.Conv2d(d, 2 * (len(CLASSES) + 1), 1)

    def forward(self, x: Tensor) -> Tensor:
        """Give the scores of every class at every step."""
        scores = self.head(self.along(self.look(x))).squeeze(2)  # (n, 2 * classes, columns)
        n, _, columns = scores.shape
        return scores.transpose(1, 2).reshape(n, 2 * columns, -1)
