"""Train both nets at once, or one, on lines drawn beside the GPUs, by trainers that are processes.

    python -m extractor.reading.training.train BUNDLE.zip OUT --minutes 9.8 --total 19.6

The first net has one trainer; the second, which takes far longer, has one on each further GPU: they
take batches of their own and share gradients. With ``--only NET`` all trainers train that net. A
later run with the same OUT goes on from its checkpoints (one a net, at most 16 MiB) until
``--total`` minutes are trained. Seeds are fixed; how many lines are drawn, and how often each is
used, depends on the machine.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from queue import Queue
from threading import Event, Thread
from typing import Any

import numpy as np
import torch
from torch import Tensor, distributed, nn
from torch.multiprocessing.spawn import spawn

from extractor.reading.own import HEIGHTS, WIDTHS
from extractor.reading.training.charset import CLASSES, fold
from extractor.reading.training.feed import PIXELS, Batch, Feed, batches, size_of
from extractor.reading.training.net import PLANS, Net
from extractor.reading.training.sheets import LONGEST, Crop, scattered, stream
from extractor.reading.training.stock import Stock

_DECAY = 0.03
_ALIGN = 0.3  # weight of the target that says where each character stands
_EMA = 0.999
_STEEPEST = 2.0  # longest gradient that is followed as it is
_WARM = 1000  # steps until the highest rate is reached
_POOL = 2000  # batches kept for further uses, each time altered otherwise
_WORST, _HARD = 0.02, 0.12  # of a batch's lines by loss: the share that nobody can read, the hard
_SAID = 1.0  # minutes between two reports
_MEET = "trainers.meet"  # the file by which the trainers of a net find each other
_TOGETHER = 16  # steps after which the trainers of a net agree on the time


@dataclass(frozen=True, slots=True)
class Seat:
    """One trainer's place: its net, and its number among the ``size`` trainers of that net."""

    name: str
    rank: int
    size: int

    @property
    def leads(self) -> bool:
        """Whether it judges and saves for all trainers of its net."""
        return self.rank == 0


def seats(trainers: int, only: str | None = None) -> list[Seat]:
    """Give the first net one trainer and the second net the others, or all to ``only`` one."""
    if only is not None:
        return [Seat(only, rank, trainers) for rank in range(trainers)]
    first, second = PLANS
    others = trainers - 1
    return [Seat(first, 0, 1), *(Seat(second, rank, others) for rank in range(others))]


def alter(pictures: Tensor, middles: Tensor) -> tuple[Tensor, Tensor]:
    """Alter uint8 (n, h, w, 3) at random; give (n, 3, h, w) in -1 to 1, and moved middles.

    Shift and scale by fractions of a px, a coarser picture, blur, colours exchanged, inverted,
    stretched, noise.
    """
    n, h, w, _ = pictures.shape
    place = pictures.device

    def rand(*shape: int) -> Tensor:
        return torch.rand(*shape, device=place)

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
    some = torch.argsort(rand(n))[: math.ceil(0.12 * n)]
    for share, part in zip((0.5, 0.6, 0.7, 0.8, 0.9), some.chunk(5), strict=False):
        coarse = nn.functional.interpolate(x[part], scale_factor=share, mode="bilinear")
        x[part] = nn.functional.interpolate(coarse, (h, w), mode="bilinear", align_corners=False)
    soft = nn.functional.avg_pool2d(x, 3, 1, 1, count_include_pad=False)
    softened = torch.where(rand(n) < 0.15, 0.8 * rand(n), 0.0)
    x = torch.lerp(x, soft, softened[:, None, None, None])
    order = torch.argsort(rand(n, 3), dim=1)
    x = torch.where(
        (rand(n) < 0.5)[:, None, None, None], x[torch.arange(n, device=place)[:, None], order], x
    )
    gain = torch.where(rand(n) < 0.3, -1.0, 1.0) * (0.65 + 0.55 * rand(n))
    x = x * gain[:, None, None, None] + 0.3 * (rand(n, 3, 1, 1) - 0.5)
    noise = 0.08 * rand(n).square()
    x = x + noise[:, None, None, None] * torch.randn_like(x)
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
    whole = torch.full((n,), steps, dtype=torch.long)
    ctc = nn.functional.ctc_loss(
        logs.transpose(0, 1), codes.long(), whole, lengths, reduction="none", zero_infinity=True
    )
    return ctc / (real.sum(1) + 2), align


def spell(scores: Tensor) -> list[str]:
    """Read the best path of each line."""
    texts = []
    for best in scores.argmax(2).cpu().numpy():
        kept = best[np.r_[True, best[1:] != best[:-1]]]
        texts.append("".join(CLASSES[k - 1] for k in kept if k))
    return texts


# What a net is shown of a batch, on its own GPU: pictures, codes and middles; lengths of the texts.
Shown = dict[str, Tensor]


class _Sight(nn.Module):  # type: ignore[misc, unused-ignore]
    """Alters pictures and lets a net see them, on a GPU in products of bfloat16."""

    def __init__(self, net: Net) -> None:
        super().__init__()
        self.net = net

    def forward(self, pictures: Tensor, middles: Tensor) -> tuple[Tensor, Tensor]:
        """Give the scores, and where the characters' middles are now."""
        x, moved = alter(pictures, middles)
        with torch.autocast(
            x.device.type, torch.bfloat16, enabled=x.is_cuda, cache_enabled=False
        ):  # fmt: skip
            scores = self.net(x.to(memory_format=torch.channels_last))
        return scores, moved


def _laid_together(net: nn.Module) -> Tensor:
    """Lay the gradients of a net into one tensor, to be shared, measured and cleared at once."""
    weights = list(net.parameters())
    together = torch.zeros(sum(w.numel() for w in weights), device=weights[0].device)
    for weight, part in zip(weights, together.split([w.numel() for w in weights]), strict=True):
        weight.grad = part.as_strided(weight.shape, weight.stride())
    return together


def _floats(net: nn.Module) -> list[Tensor]:
    return [value for value in net.state_dict().values() if value.is_floating_point()]


class Trainee:
    """A net in training with its average, optimiser and checkpoint."""

    def __init__(self, seat: Seat, place: torch.device, seed: int, pixels: int = PIXELS) -> None:
        torch.manual_seed(7)
        self.seat, self.plan, self.place = seat, PLANS[seat.name], place
        self.rate = self.plan.rate * math.sqrt(seat.size)  # by a step's lines, as common for Adam
        self.net = Net(self.plan).to(place).to(memory_format=torch.channels_last)
        self.mean = copy.deepcopy(self.net).eval()
        torch.manual_seed(seed)
        self._sights = dict(self._made_ready(pixels))
        self.beside = torch.cuda.Stream(place) if place.type == "cuda" else None
        self._gradients = _laid_together(self.net)
        self._values = _floats(self.mean), _floats(self.net)
        self.step = 0
        self._hard: dict[int, list[dict[str, Tensor]]] = {}
        kernels = [p for p in self.net.parameters() if p.ndim > 1]
        others = [p for p in self.net.parameters() if p.ndim <= 1]
        self.optimiser = torch.optim.AdamW(
            [{"params": kernels, "weight_decay": _DECAY}, {"params": others, "weight_decay": 0.0}],
            lr=self.rate, betas=(0.9, 0.99), fused=place.type == "cuda",
        )  # fmt: skip

    def train(self, batch: Shown, share: float) -> tuple[Tensor, Tensor]:
        """Take one step; ``share`` of the whole training is done. Give the mean and all losses."""
        rate = (
            self.rate
            * min(1.0, (self.step + 1) / _WARM)
            * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * min(1.0, share))))
        )
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        pictures = batch["pictures"]
        scores, middles = self._sights[pictures.shape[2]](pictures, batch["middles"])
        ctc, align = losses_of(
            scores, batch["codes"], batch["lengths"], middles.detach(), self.plan.height
        )  # fmt: skip
        loss = ctc.mean() + _ALIGN * align
        self._gradients.zero_()
        loss.backward()
        if self.seat.size > 1:
            distributed.all_reduce(self._gradients)
            self._gradients /= self.seat.size
        self._gradients *= (_STEEPEST / self._gradients.norm()).clamp(max=1.0)
        self.optimiser.step()
        self.step += 1
        keep = min(_EMA, (self.step + 1) / (self.step + 10))
        with torch.no_grad():
            torch._foreach_lerp_(*self._values, 1 - keep)
        return loss.detach(), ctc.detach()

    def _made_ready(self, pixels: int) -> Iterator[tuple[int, nn.Module]]:
        """Yield what sees a batch by the width of its pictures; on a GPU a graph for each."""
        for width in WIDTHS:
            n, wide = size_of(width, pixels), width * self.plan.height // HEIGHTS[0]
            sight = _Sight(self.net).train()
            if self.place.type == "cuda":
                blank = torch.zeros(
                    (n, self.plan.height, wide, 3), dtype=torch.uint8, device=self.place
                )  # fmt: skip
                middles = torch.zeros((n, LONGEST), device=self.place)
                sight = torch.cuda.make_graphed_callables(sight, (blank, middles))
            yield wide, sight

    def agree(self, minutes: float) -> float:
        """Give the minutes of the trainer that leads."""
        if self.seat.size == 1:
            return minutes
        told = torch.tensor([minutes], dtype=torch.float64, device=self.place)
        distributed.broadcast(told, 0)
        return float(told)

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
        path = folder / f"{self.seat.name}.pt"
        torch.save(
            {"net": _halved(self.net), "mean": _halved(self.mean), "step": self.step,
             "squares": squares, "minutes": minutes},
            path.with_suffix(".new"),
        )  # fmt: skip
        path.with_suffix(".new").replace(path)

    def load(self, folder: Path) -> None:
        """Go on from a checkpoint, if there is one."""
        path = folder / f"{self.seat.name}.pt"
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


def minutes_trained(folder: Path, only: str | None = None) -> float:
    """Give the minutes that the checkpoints of ``folder`` were trained, 0 if there are none."""
    paths = [folder / f"{name}.pt" for name in PLANS if only in (None, name)]
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


@dataclass(frozen=True, slots=True)
class Course:
    """When a run ends and what it began with: minutes, and the folder of its checkpoints.

    ``begun`` is in s since the epoch: trainers are processes of their own.
    """

    out: Path
    begun: float
    minutes: float
    before: float
    total: float

    @property
    def now(self) -> float:
        """Minutes of this run."""
        return (time.time() - self.begun) / 60


def attend(
    trainee: Trainee, drawn: Queue[Shown], held: list[tuple[Shown, list[Crop]]], course: Course
) -> dict[str, Any]:
    """Train one net until its course ends; give a report.

    A batch that is drawn is used at once; where none is, one that was drawn before is used again.
    """
    pool: deque[Shown] = deque(maxlen=_POOL)
    rng = np.random.default_rng([trainee.step, trainee.seat.rank])
    fresh = lines = 0
    minutes, said = 0.0, course.now
    losses: dict[str, list[Tensor]] = {"new": [], "again": []}
    while True:
        if trainee.step % _TOGETHER == 0:
            minutes = trainee.agree(course.now)
            if minutes >= course.minutes:
                break
        new = not pool or not drawn.empty()
        batch = drawn.get(timeout=120) if new else pool[int(rng.integers(len(pool)))]
        loss, ctc = trainee.train(batch, (course.before + minutes) / course.total)
        lines += len(ctc)
        losses["new" if new else "again"].append(loss)
        if new:
            fresh += len(ctc)
            pool.append(batch)
            hard = trainee.hard_of(batch, ctc)
            if hard is not None:
                pool.append(hard)
        if course.now < said + _SAID:
            continue
        said = course.now
        means = {k: round(float(torch.stack(v).mean()), 4) for k, v in losses.items() if v}
        losses = {"new": [], "again": []}
        if trainee.seat.leads:
            print(
                f"{trainee.seat.name} {minutes:.2f} min step {trainee.step} pool {len(pool)}",
                f"drawn {fresh} lines {lines} loss {means} wrong % {judge(trainee, held)}",
                flush=True,
            )
            trainee.save(course.out, course.before + minutes)
    minutes += course.before
    report = {"minutes": minutes, "steps": trainee.step, "drawn": fresh, "lines": lines}
    if not trainee.seat.leads:
        return report
    trainee.save(course.out, minutes)
    return {**report, "wrong": judge(trainee, held)}


def carry(feed: Feed, trainee: Trainee, drawn: Queue[Shown], end: Event) -> None:
    """Hand on what is drawn, beside the training."""
    while not end.is_set():
        batch = None if drawn.full() else feed.poll(wait=False)
        if batch is None:
            time.sleep(0.002)
        else:
            drawn.put(show(batch, trainee))


def tuning_crops(bundle: Path, count: int) -> list[Crop]:
    """Draw the crops by which runs are compared."""
    found = stream(Stock(bundle, "tune"), scattered, np.random.default_rng(11))
    return [next(found) for _ in range(count)]


def _train(number: int, told: argparse.Namespace, before: float, begun: float) -> None:
    """Be one trainer, the ``number``-th of all."""
    seat = seats(told.trainers, told.only)[number]
    gpus = torch.cuda.device_count()
    place = torch.device(f"cuda:{number % gpus}" if gpus else "cpu")
    if gpus:
        torch.cuda.set_device(place)
    torch.set_num_threads(1)
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.benchmark = True  # twelve widths, met again and again
    run = 1 + round(10 * before)
    seed = 100 * run + number
    drawers = max(1, told.processes // told.trainers)
    feed = Feed(told.bundle, "train", seed, drawers, told.pixels)
    try:
        trainee = Trainee(seat, place, seed, told.pixels)
        trainee.load(told.out)
        if seat.size > 1:
            distributed.init_process_group(
                "nccl" if told.trainers <= gpus else "gloo", rank=seat.rank, world_size=seat.size,
                init_method=f"file://{(told.out / _MEET).resolve()}",
            )  # fmt: skip
        crops = tuning_crops(told.bundle, told.tuning) if seat.leads else []
        held = [(show(batch, trainee), shown) for batch, shown in batches(crops)]
        drawn: Queue[Shown] = Queue(4)
        end = Event()
        carrier = Thread(target=carry, args=(feed, trainee, drawn, end))
        carrier.start()
        try:
            course = Course(told.out, begun, told.minutes, before, told.total)
            report = attend(trainee, drawn, held, course)
        finally:
            end.set()
            carrier.join()
        if seat.size > 1:
            distributed.destroy_process_group()
    finally:
        feed.close()
    (told.out / f"report-{run}-{number}.json").write_text(json.dumps(report, indent=1))
    print(seat.name, seat.rank, json.dumps(report), flush=True)


def main() -> None:
    """Train for the minutes asked."""
    gpus, cores = torch.cuda.device_count(), os.cpu_count() or 2
    asked = argparse.ArgumentParser()
    asked.add_argument("bundle", type=Path)
    asked.add_argument("out", type=Path)
    asked.add_argument("--minutes", type=float, default=9.8)
    asked.add_argument("--total", type=float, default=19.6)
    asked.add_argument("--only", choices=list(PLANS))
    asked.add_argument("--trainers", type=int, help="one a GPU, and one a net at least")
    asked.add_argument("--processes", type=int, help="that draw; all cores but four a trainer")
    asked.add_argument("--tuning", type=int, default=6000)
    asked.add_argument("--pixels", type=int, default=PIXELS)
    told = asked.parse_args()
    told.trainers = told.trainers or max(gpus, 1 if told.only else len(PLANS))
    told.processes = told.processes or max(2, cores - 4 * told.trainers)
    told.out.mkdir(parents=True, exist_ok=True)
    (told.out / _MEET).unlink(missing_ok=True)
    before = minutes_trained(told.out, told.only)
    spawn(_train, (told, before, time.time()), nprocs=told.trainers)


if __name__ == "__main__":
    main()
