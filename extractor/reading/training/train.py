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
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, Queue
from threading import Event, Thread
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn

from extractor.reading.own import HEIGHTS
from extractor.reading.training.charset import CLASSES, fold
from extractor.reading.training.feed import PIXELS, Batch, Feed, batches
from extractor.reading.training.net import PLANS, Net
from extractor.reading.training.sheets import Crop, scattered, stream
from extractor.reading.training.stock import Stock

_DECAY = 0.03
_ALIGN = 0.3  # weight of the target that says where each character stands
_EMA = 0.999
_USES = 4  # a batch is used at most so often, each time altered otherwise
_POOL = 1200  # batches kept for another use
_WORST, _HARD = 0.02, 0.12  # of a batch's lines by loss: the share that nobody can read, the hard
_SAID = 60.0  # s between two reports


def alter(
    pictures: Tensor, middles: Tensor, rng: torch.Generator, coins: torch.Generator
) -> tuple[Tensor, Tensor]:
    """Alter uint8 (n, h, w, 3) at random; give (n, 3, h, w) in -1 to 1, and moved middles.

    ``rng`` lives where the pictures do, ``coins`` on the processor.

    Shift and scale by fractions of a px, a coarser picture, blur, colours exchanged, inverted,
    stretched, noise.
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
    coarse = nn.functional.interpolate(
        x, scale_factor=0.5 + 0.05 * int(torch.randint(9, (), generator=coins)), mode="bilinear"
    )
    coarse = nn.functional.interpolate(coarse, (h, w), mode="bilinear", align_corners=False)
    x = torch.where((rand(n) < 0.12)[:, None, None, None], coarse, x)
    soft = nn.functional.avg_pool2d(x, 3, 1, 1, count_include_pad=False)
    share = torch.where(rand(n) < 0.15, 0.8 * rand(n), 0.0)
    x = torch.lerp(x, soft, share[:, None, None, None])
    order = torch.argsort(rand(n, 3), dim=1)
    x = torch.where(
        (rand(n) < 0.5)[:, None, None, None], x[torch.arange(n, device=place)[:, None], order], x
    )
    gain = torch.where(rand(n) < 0.3, -1.0, 1.0) * (0.65 + 0.55 * rand(n))
    x = x * gain[:, None, None, None] + 0.3 * (rand(n, 3, 1, 1) - 0.5)
    noise = 0.08 * rand(n).square()
    x = x + noise[:, None, None, None] * torch.randn(x.shape, device=place, generator=rng)
    return x.clamp(-1.05, 1.05), middles


def losses_of(
    scores: Tensor, codes: Tensor, lengths: Tensor, middles: Tensor, height: int
) -> tuple[Tensor, Tensor]:
    """CTC of each line, and cross entropy where the generator knows what stands at a step.

    A character's middle says the character; half-way between two middles, and clear of the text,
    it says blank: characters are neither doubled nor dropped. The texts' ``lengths`` lie on the
    processor, so that nothing waits for the GPU.
    """
    n, steps, _ = scores.shape
    logs = scores.float().log_softmax(2)
    whole = torch.full((n,), steps, dtype=torch.long)
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
    return ctc / ((codes > 0).sum(1) + 2), align


def spell(scores: Tensor) -> list[str]:
    """Read the best path of each line."""
    texts = []
    for best in scores.argmax(2).cpu().numpy():
        kept = best[np.r_[True, best[1:] != best[:-1]]]
        texts.append("".join(CLASSES[k - 1] for k in kept if k))
    return texts


# What a net is shown of a batch, on its own GPU: pictures, codes and middles; lengths of the texts.
Shown = dict[str, Tensor]


class Trainee:
    """A net in training with its average, optimiser and checkpoint."""

    def __init__(self, name: str, place: torch.device, seed: int) -> None:
        torch.manual_seed(7)
        self.name, self.plan, self.place = name, PLANS[name], place
        self._rng = torch.Generator(place).manual_seed(seed)
        self._coins = torch.Generator().manual_seed(seed)
        self.net = Net(self.plan).to(place).to(memory_format=torch.channels_last)
        self.mean = copy.deepcopy(self.net).eval()
        self.step = 0
        self.beside = torch.cuda.Stream(place) if place.type == "cuda" else None
        self._hard: dict[int, list[dict[str, Tensor]]] = {}
        kernels = [p for p in self.net.parameters() if p.ndim > 1]
        others = [p for p in self.net.parameters() if p.ndim <= 1]
        self.optimiser = torch.optim.AdamW(
            [{"params": kernels, "weight_decay": _DECAY}, {"params": others, "weight_decay": 0.0}],
            lr=self.plan.rate, betas=(0.9, 0.99), fused=place.type == "cuda",
        )  # fmt: skip

    def train(self, batch: Shown, share: float) -> tuple[Tensor, Tensor]:
        """Take one step; ``share`` of the whole training is done. Give the mean and all losses."""
        rate = (
            self.plan.rate
            * min(1.0, (self.step + 1) / 600)
            * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * min(1.0, share))))
        )
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        x, middles = alter(batch["pictures"], batch["middles"], self._rng, self._coins)
        self.net.train()
        with torch.autocast(x.device.type, torch.bfloat16, enabled=x.is_cuda):
            scores = self.net(x.to(memory_format=torch.channels_last))
        ctc, align = losses_of(
            scores, batch["codes"], batch["lengths"], middles, self.plan.height
        )  # fmt: skip
        loss = ctc.mean() + _ALIGN * align
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
        return loss.detach(), ctc.detach()

    def hard_of(self, batch: Shown, ctc: Tensor) -> Shown | None:
        """Set the hard lines of a batch aside; give a batch of them once there are enough."""
        n, width = len(ctc), batch["pictures"].shape[2]
        order = ctc.argsort(descending=True)[int(_WORST * n) : math.ceil(_HARD * n)]
        kept = self._hard.setdefault(width, [])
        kept.append({key: batch[key][order] for key in ("pictures", "codes", "middles")})
        if sum(len(part["codes"]) for part in kept) < n:
            return None
        hard = {key: torch.cat([part[key] for part in kept])[:n] for key in kept[0]}
        kept.clear()
        return {**hard, "lengths": (hard["codes"] > 0).sum(1).cpu()}

    def save(self, folder: Path, minutes: float) -> None:
        """Write the checkpoint: kernels and squared moments as half floats, no first moments."""
        moments = self.optimiser.state_dict()["state"]
        squares = {at: kept["exp_avg_sq"].to(torch.bfloat16) for at, kept in moments.items()}
        torch.save(
            {"net": _halved(self.net), "mean": _halved(self.mean), "step": self.step,
             "squares": squares, "minutes": minutes},
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
        told = self.optimiser.state_dict()
        told["state"] = {
            at: {"step": torch.tensor(float(saved["step"])), "exp_avg": torch.zeros_like(square),
                 "exp_avg_sq": square}
            for at, square in saved["squares"].items()
        }  # fmt: skip
        self.optimiser.load_state_dict(told)
        self.step = saved["step"]


def _halved(net: nn.Module) -> dict[str, Tensor]:
    return {k: v.half() if v.ndim > 1 else v for k, v in net.state_dict().items()}


def minutes_trained(folder: Path) -> float:
    """Give the minutes that the checkpoints of ``folder`` were trained, 0 if there are none."""
    paths = [folder / f"{name}.pt" for name in PLANS]
    saved = [torch.load(p, map_location="cpu", weights_only=True) for p in paths if p.exists()]
    return max((float(state["minutes"]) for state in saved), default=0.0)


def show(batch: Batch, trainee: Trainee) -> Shown:
    """Copy a batch to a trainee's GPU, beside what runs there."""
    place = trainee.place
    pictures = batch.low if trainee.plan.height == HEIGHTS[0] else batch.high
    arrays = {"pictures": pictures, "codes": batch.codes, "middles": batch.middles}
    lengths = torch.from_numpy((batch.codes > 0).sum(1))
    shown = {key: torch.from_numpy(array) for key, array in arrays.items()}
    if trainee.beside is not None:
        with torch.cuda.stream(trainee.beside):
            shown = {key: tensor.to(place) for key, tensor in shown.items()}
        trainee.beside.synchronize()
        for tensor in shown.values():
            tensor.record_stream(torch.cuda.default_stream(place))
    return {**shown, "lengths": lengths}


def judge(trainee: Trainee, held: list[tuple[Shown, list[Crop]]]) -> dict[str, float]:
    """Give the share of lines not read exactly, by cut, on the tuning crops."""
    wrong: dict[str, list[bool]] = {}
    for batch, crops in held:
        x = batch["pictures"].permute(0, 3, 1, 2).float().sub(127).div(127)
        with torch.no_grad(), torch.autocast(x.device.type, torch.bfloat16, enabled=x.is_cuda):
            scores = trainee.mean(x.to(memory_format=torch.channels_last)).float()
        for crop, text in zip(crops, spell(scores), strict=True):
            wrong.setdefault(crop.cut, []).append(text != fold(crop.text))
    return {cut: round(100 * float(np.mean(flags)), 3) for cut, flags in sorted(wrong.items())}


class Pool:
    """Batches kept on a GPU for another use."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._kept: list[Shown] = []
        self._uses: list[int] = []

    def __len__(self) -> int:
        return len(self._kept)

    def add(self, batch: Shown, uses: int) -> None:
        """Keep a batch to be taken ``uses`` times; the oldest goes where there are too many."""
        if len(self._kept) == _POOL:
            del self._kept[0], self._uses[0]
        self._kept.append(batch)
        self._uses.append(uses)

    def take(self) -> Shown:
        """Give one of the batches kept."""
        at = int(self._rng.integers(len(self._kept)))
        batch = self._kept[at]
        self._uses[at] -= 1
        if self._uses[at] == 0:
            del self._kept[at], self._uses[at]
        return batch


@dataclass(frozen=True, slots=True)
class Course:
    """When a run ends and what it began with: minutes, and the folder of its checkpoints."""

    out: Path
    begun: float
    minutes: float
    before: float
    total: float

    @property
    def now(self) -> float:
        """Minutes of this run."""
        return (time.monotonic() - self.begun) / 60


def attend(
    trainee: Trainee, fresh: Queue[Shown], held: list[tuple[Shown, list[Crop]]], course: Course
) -> dict[str, Any]:
    """Train one net until its course ends; give a report."""
    pool = Pool(np.random.default_rng(trainee.step + 1))
    drawn = lines = hards = 0
    said = time.monotonic()
    while (minutes := course.now) < course.minutes:
        try:
            batch = fresh.get(block=len(pool) == 0, timeout=120)
            new = True
        except Empty:
            batch, new = pool.take(), False
        loss, ctc = trainee.train(batch, (course.before + minutes) / course.total)
        lines += len(ctc)
        if new:
            drawn += len(ctc)
            pool.add(batch, _USES - 1)
            hard = trainee.hard_of(batch, ctc)
            if hard is not None:
                hards += 1
                pool.add(hard, 2)
        if time.monotonic() - said > _SAID:
            said = time.monotonic()
            print(
                f"{trainee.name} {minutes:.2f} min step {trainee.step} pool {len(pool)}",
                f"hard batches {hards} drawn {drawn} lines {lines} loss {float(loss):.4f}",
                f"wrong % {judge(trainee, held)}",
                flush=True,
            )
            trainee.save(course.out, course.before + minutes)
    trainee.save(course.out, course.before + course.now)
    return {"steps": trainee.step, "drawn": drawn, "lines": lines, "wrong": judge(trainee, held)}


def carry(feed: Feed, trainees: list[Trainee], queues: list[Queue[Shown]], end: Event) -> None:
    """Hand every batch that is drawn to every trainee that is not behind."""
    while not end.is_set():
        drawn = feed.poll(wait=True)
        assert drawn is not None
        for trainee, queue in zip(trainees, queues, strict=True):
            if not queue.full():
                queue.put(show(drawn, trainee))


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
    torch.backends.cudnn.benchmark = True  # twelve widths, met again and again
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
    tuning = list(batches(tuning_crops(told.bundle, told.tuning)))
    queues: list[Queue[Shown]] = [Queue(4) for _ in trainees]
    end = Event()
    carrier = Thread(target=carry, args=(feed, trainees, queues, end))
    carrier.start()
    course = Course(told.out, begun, told.minutes, before, told.total)
    with ThreadPoolExecutor(len(trainees)) as threads:
        asks = [
            threads.submit(
                attend, trainee, queue, [(show(b, trainee), c) for b, c in tuning], course
            )
            for trainee, queue in zip(trainees, queues, strict=True)
        ]
        try:
            reports = [ask.result() for ask in asks]
        finally:
            end.set()
            carrier.join()
            feed.close()
    told_by = {trainee.name: each for trainee, each in zip(trainees, reports, strict=True)}
    report = {"minutes": before + course.now, **told_by}
    (told.out / f"report-{seed}.json").write_text(json.dumps(report, indent=1))
    print(json.dumps(report), flush=True)


if __name__ == "__main__":
    main()
