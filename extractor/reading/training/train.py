"""Train both nets at once on lines drawn beside the GPU, each on one of its own if there are two.

    python -m extractor.reading.training.train BUNDLE.zip OUT --minutes 9 --total 18

A later run with the same OUT goes on from its checkpoints (one a net, at most 16 MiB) until
``--total`` minutes are trained. Seeds are fixed; how many lines are drawn depends on the machine.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn

from extractor.reading.training.charset import CLASSES, fold
from extractor.reading.training.feed import PIXELS, Batch, Feed, batches
from extractor.reading.training.net import PLANS, Net
from extractor.reading.training.sheets import Crop, scattered, stream
from extractor.reading.training.stock import Stock

_RATE = 3e-3
_DECAY = 0.03
_ALIGN = 0.3  # weight of the target that says where each character stands
_EMA = 0.999
_USES = 4  # a batch is used at most so often, each time altered otherwise
_POOL = 1200  # batches kept for another use


def alter(pictures: Tensor, middles: Tensor, rng: torch.Generator) -> tuple[Tensor, Tensor]:
    """Alter uint8 (n, h, w, 3) at random; give (n, 3, h, w) in -1 to 1, and moved middles.

    Shift and scale by fractions of a px, colours exchanged, inverted, stretched, noise.
    """
    n, h, w, _ = pictures.shape
    place = pictures.device

    def rand(*shape: int) -> Tensor:
        return torch.rand(*shape, device=place, generator=rng)

    x = pictures.permute(0, 3, 1, 2).float().sub_(127).div_(127)
    moved = rand(n) < 0.6
    wide = torch.where(moved, 1 + 0.05 * (rand(n) - 0.5), 1.0)
    tall = torch.where(moved, 1 + 0.08 * (rand(n) - 0.5), 1.0)
    across = torch.where(moved, (rand(n) - 0.5) * 4, 0.0)  # px of the picture
    down = torch.where(moved, (rand(n) - 0.5) * 2.4, 0.0)
    turn = torch.zeros(n, 2, 3, device=place)
    turn[:, 0, 0], turn[:, 1, 1] = wide, tall
    turn[:, 0, 2], turn[:, 1, 2] = 2 * across / w, 2 * down / h
    grid = nn.functional.affine_grid(turn, [n, 3, h, w], align_corners=False)
    x = nn.functional.grid_sample(x, grid, padding_mode="border", align_corners=False)
    # source = wide * (out - w / 2) + across + w / 2
    scale = h / 32
    half = w / 2 / scale
    middles = (middles - half - across[:, None] / scale) / wide[:, None] + half
    order = torch.argsort(rand(n, 3), dim=1)
    x = torch.where(
        (rand(n) < 0.5)[:, None, None, None], x[torch.arange(n, device=place)[:, None], order], x
    )
    gain = torch.where(rand(n) < 0.3, -1.0, 1.0) * (0.65 + 0.55 * rand(n))
    x = x * gain[:, None, None, None] + 0.3 * (rand(n, 3, 1, 1) - 0.5)
    noise = 0.08 * rand(n).square()
    x = x + noise[:, None, None, None] * torch.randn(x.shape, device=place, generator=rng)
    return x.clamp(-1.05, 1.05), middles


def loss_of(scores: Tensor, codes: Tensor, middles: Tensor, height: int) -> Tensor:
    """CTC, and cross entropy where the generator knows what stands at a step.

    A character's middle says the character; half-way between two middles, and clear of the text,
    it says blank: characters are neither doubled nor dropped.
    """
    n, steps, _ = scores.shape
    logs = scores.float().log_softmax(2)
    lengths = (codes > 0).sum(1)
    whole = torch.full((n,), steps, dtype=torch.long, device=scores.device)
    ctc = nn.functional.ctc_loss(
        logs.transpose(0, 1), codes.long(), whole, lengths, reduction="none", zero_infinity=True
    )
    at = middles * (height / 32) / 2
    real = codes > 0
    spot = at.floor().long().clamp(0, steps - 1)
    goal = torch.full((n, steps + 1), -100, dtype=torch.long, device=scores.device)
    between = (at[:, 1:] + at[:, :-1]) / 2
    apart = real[:, 1:] & (at[:, 1:] - at[:, :-1] >= 2.5)
    gap = torch.where(apart, between.floor().long().clamp(0, steps - 1), steps)
    goal.scatter_(1, gap, torch.zeros_like(gap))
    goal.scatter_(1, torch.where(real, spot, steps), codes.long())
    goal = goal[:, :steps]
    line = torch.arange(steps, device=scores.device)[None]
    last = torch.where(real, at, -9.0).amax(1)
    first = torch.where(real, at, 1e6).amin(1)
    clear = (line > last[:, None] + 8) | (line < first[:, None] - 8)
    goal = torch.where((goal < 0) & clear, 0, goal)
    align = nn.functional.nll_loss(logs.reshape(n * steps, -1), goal.reshape(-1), ignore_index=-100)
    return (ctc / (lengths + 2)).mean() + _ALIGN * align


def spell(scores: Tensor) -> list[str]:
    """Read the best path of each line."""
    texts = []
    for best in scores.argmax(2).cpu().numpy():
        kept = best[np.r_[True, best[1:] != best[:-1]]]
        texts.append("".join(CLASSES[k - 1] for k in kept if k))
    return texts


class Trainee:
    """A net in training with its average, optimiser and checkpoint."""

    def __init__(self, name: str, place: torch.device, seed: int) -> None:
        torch.manual_seed(7)
        self.name, self.plan, self.place = name, PLANS[name], place
        self._rng = torch.Generator(place)
        self._rng.manual_seed(seed)
        self.net = Net(self.plan).to(place).to(memory_format=torch.channels_last)
        self.mean = copy.deepcopy(self.net).eval()
        self.step = 0
        kernels = [p for p in self.net.parameters() if p.ndim > 1]
        others = [p for p in self.net.parameters() if p.ndim <= 1]
        self.optimiser = torch.optim.AdamW(
            [{"params": kernels, "weight_decay": _DECAY}, {"params": others, "weight_decay": 0.0}],
            lr=_RATE, betas=(0.9, 0.99), fused=place.type == "cuda",
        )  # fmt: skip

    def train(self, batch: dict[str, Tensor], share: float) -> Tensor:
        """Take one step; ``share`` of the whole training is done."""
        rate = (
            _RATE
            * min(1.0, (self.step + 1) / 600)
            * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * min(1.0, share))))
        )
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        x, middles = alter(batch["pictures"], batch["middles"], self._rng)
        self.net.train()
        with torch.autocast(x.device.type, torch.bfloat16, enabled=x.is_cuda):
            scores = self.net(x.to(memory_format=torch.channels_last))
        loss = loss_of(scores, batch["codes"], middles, self.plan.height)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.optimiser.step()
        self.step += 1
        keep = min(_EMA, (self.step + 1) / (self.step + 10))
        with torch.no_grad():
            means = list(self.mean.parameters())
            torch._foreach_lerp_(means, list(self.net.parameters()), 1 - keep)
            pairs = zip(self.mean.buffers(), self.net.buffers(), strict=True)
            mine, others = zip(*(p for p in pairs if p[0].is_floating_point()), strict=True)
            torch._foreach_lerp_(list(mine), list(others), 1 - keep)
        return loss.detach()

    def save(self, folder: Path, minutes: float) -> None:
        """Write the checkpoint; moments as half floats."""
        state = copy.deepcopy(self.optimiser.state_dict())
        for moments in state["state"].values():
            for key in ("exp_avg", "exp_avg_sq"):
                moments[key] = moments[key].to(torch.bfloat16)
        torch.save(
            {"net": self.net.state_dict(), "mean": self.mean.state_dict(), "step": self.step,
             "optimiser": state, "minutes": minutes},
            folder / f"{self.name}.pt",
        )  # fmt: skip

    def load(self, folder: Path) -> None:
        """Go on from a checkpoint, if there is one."""
        path = folder / f"{self.name}.pt"
        if not path.exists():
            return
        saved: dict[str, Any] = torch.load(path, map_location="cpu", weights_only=True)
        self.net.load_state_dict(saved["net"])
        self.mean.load_state_dict(saved["mean"])
        self.optimiser.load_state_dict(saved["optimiser"])
        for moments in self.optimiser.state.values():
            for key in ("exp_avg", "exp_avg_sq"):
                moments[key] = moments[key].float()
        self.step = saved["step"]


def minutes_trained(folder: Path) -> float:
    """Give the minutes that the checkpoints of ``folder`` were trained, 0 if there are none."""
    paths = [folder / f"{name}.pt" for name in PLANS]
    saved = [torch.load(p, map_location="cpu", weights_only=True) for p in paths if p.exists()]
    return max((float(state["minutes"]) for state in saved), default=0.0)


# What each net is shown of a batch: pictures, codes and middles, on its own GPU.
Shown = dict[str, dict[str, Tensor]]


def show(batch: Batch, trainees: list[Trainee]) -> Shown:
    """Copy a batch to the GPUs."""
    return {
        trainee.name: {
            "pictures": torch.from_numpy(batch.low if trainee.plan.height == 32 else batch.high).to(
                trainee.place
            ),
            "codes": torch.from_numpy(batch.codes).to(trainee.place),
            "middles": torch.from_numpy(batch.middles).to(trainee.place),
        }
        for trainee in trainees
    }


def judge(trainee: Trainee, held: list[tuple[Shown, list[Crop]]]) -> dict[str, float]:
    """Give the share of lines not read exactly, by cut, on the tuning crops."""
    wrong: dict[str, list[bool]] = {}
    for batch, crops in held:
        x = batch[trainee.name]["pictures"].permute(0, 3, 1, 2).float().sub(127).div(127)
        with torch.no_grad(), torch.autocast(x.device.type, torch.bfloat16, enabled=x.is_cuda):
            scores = trainee.mean(x.to(memory_format=torch.channels_last)).float()
        for crop, text in zip(crops, spell(scores), strict=True):
            wrong.setdefault(crop.cut, []).append(text != fold(crop.text))
    return {cut: round(100 * float(np.mean(flags)), 3) for cut, flags in sorted(wrong.items())}


class Pool:
    """Batches kept on the GPUs for another use."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._kept: list[Shown] = []
        self._uses: list[int] = []

    def __len__(self) -> int:
        return len(self._kept)

    def take(self, fresh: Shown | None) -> Shown:
        """Keep a fresh batch and give it, or give one that was kept."""
        if fresh is not None:
            if len(self._kept) == _POOL:
                del self._kept[0], self._uses[0]
            self._kept.append(fresh)
            self._uses.append(0)
        at = len(self._kept) - 1 if fresh is not None else int(self._rng.integers(len(self._kept)))
        batch = self._kept[at]
        self._uses[at] += 1
        if self._uses[at] == _USES:
            del self._kept[at], self._uses[at]
        return batch


def tuning_crops(bundle: Path, count: int) -> list[Crop]:
    """Draw the crops by which runs are compared."""
    found = stream(Stock(bundle, "tune"), scattered, np.random.default_rng(11))
    return [next(found) for _ in range(count)]


def main() -> None:
    """Train for the minutes asked."""
    asked = argparse.ArgumentParser()
    asked.add_argument("bundle", type=Path)
    asked.add_argument("out", type=Path)
    asked.add_argument("--minutes", type=float, default=9.0)
    asked.add_argument("--total", type=float, default=18.0)
    asked.add_argument("--processes", type=int, default=max(1, (os.cpu_count() or 2) - 2))
    asked.add_argument("--tuning", type=int, default=6000)
    asked.add_argument("--pixels", type=int, default=PIXELS)
    told = asked.parse_args()
    begun = time.monotonic()
    gpus = torch.cuda.device_count()
    torch.backends.cuda.matmul.allow_tf32 = True
    told.out.mkdir(parents=True, exist_ok=True)
    before = minutes_trained(told.out)
    seed = 1 + round(10 * before)
    trainees = [
        Trainee(name, torch.device(f"cuda:{at % gpus}" if gpus else "cpu"), seed)
        for at, name in enumerate(PLANS)
    ]
    for trainee in trainees:
        trainee.load(told.out)
    feed = Feed(told.bundle, "train", seed, told.processes, told.pixels)
    held = [(show(b, trainees), c) for b, c in batches(tuning_crops(told.bundle, told.tuning))]
    threads = ThreadPoolExecutor(len(trainees))
    pool = Pool(np.random.default_rng(seed))
    fresh = lines = 0
    said = start = time.monotonic()
    losses: list[Tensor] = []
    while (minutes := (time.monotonic() - begun) / 60) < told.minutes:
        drawn = feed.poll(wait=len(pool) == 0)
        fresh += len(drawn.codes) if drawn is not None else 0
        batch = pool.take(show(drawn, trainees) if drawn is not None else None)
        lines += len(batch[trainees[0].name]["codes"])
        share = (before + minutes) / told.total
        begun_steps = [threads.submit(t.train, batch[t.name], share) for t in trainees]
        losses = [step.result() for step in begun_steps]
        if time.monotonic() - said > 45:
            said = time.monotonic()
            seconds = said - start
            print(
                f"{minutes:.2f} min step {trainees[0].step} pool {len(pool)}",
                f"{fresh / seconds:.0f} fresh/s {lines / seconds:.0f} lines/s",
                f"loss {[round(float(v), 4) for v in losses]}",
                f"wrong % { {t.name: judge(t, held) for t in trainees} }",
                flush=True,
            )
            for trainee in trainees:
                trainee.save(told.out, before + minutes)
    feed.close()
    minutes = before + (time.monotonic() - begun) / 60
    report = {"minutes": minutes, "fresh": fresh, "lines": lines, "steps": trainees[0].step,
              "wrong": {t.name: judge(t, held) for t in trainees}}  # fmt: skip
    for trainee in trainees:
        trainee.save(told.out, minutes)
    (told.out / f"report-{seed}.json").write_text(json.dumps(report, indent=1))
    print(json.dumps(report), flush=True)


if __name__ == "__main__":
    main()
