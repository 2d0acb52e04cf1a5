"""Training of one network on freshly rendered batches, anew or from a checkpoint."""

from __future__ import annotations

import argparse
import copy
import json
import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from legibility.dies.strokes import load_sources
from legibility.train.appearance import Batch, mixed, narrowed, render
from legibility.train.atlas import LAYER_PX, Atlas, build_atlas
from legibility.train.bending import draw_scar, pulled, tilted
from legibility.train.layouts import LayoutBank, build_bank
from legibility.train.losses import SEEN, pose_views, reader_loss, spotter_loss
from legibility.train.networks import Spotter, StripReader, normalise
from legibility.train.placement import Sampler, place_rows
from legibility.train.sheets import Sheets, build_sheets
from legibility.train.team import ALONE, Team, join_team
from legibility.train.tissue import render_tissue

SPOTTER_SIGMA = 4.0
READER_SIGMA = 2.0
"""Choice: surroundings of the normalisation, in 8-pixel blocks."""
POSE_SHARE = 0.6
"""Choice: flipped views shown for each upright strip; as many of each pose as keeps the cost of a
step below twice that of upright strips alone."""
READER_ROOM_PX = 288
"""Choice: columns about a strip's middle that the reader is trained on. It is run on a row and some
room at its ends (``RowStrip.room_px``, 96 to 384), so that is where its view must end."""
AVERAGE_DECAY = 0.99
"""Choice: decay of the moving average of the weights that is exported, per update."""
AVERAGE_EVERY = 4
"""Choice: steps between updates of the average."""
AGREE_EVERY = 8
"""Choice: steps between looks at the clock; also how far the card may lag behind."""


@dataclass(frozen=True, slots=True)
class Plan:
    """One run of training."""

    network: str
    """"spotter" or "reader"."""
    minutes: float
    batch: int
    seed: int
    rate_start: float = 2e-3
    rate_end: float = 2e-3
    max_steps: int = 10**9
    variants: int = 24


@dataclass(frozen=True, slots=True)
class Scenery:
    """Layers of both scene models."""

    atlas: Atlas
    sheets: Sheets


@torch.no_grad()
def _follow(average: nn.Module, network: nn.Module, *, updates: int) -> None:
    """Move the averaged network towards the trained one; starts as a plain mean."""
    decay = min(AVERAGE_DECAY, (1.0 + updates) / (10.0 + updates))
    kept = [*average.parameters(), *(b for b in average.buffers() if b.is_floating_point())]
    fresh = [*network.parameters(), *(b for b in network.buffers() if b.is_floating_point())]
    torch._foreach_lerp_(kept, fresh, 1 - decay)


def build_network(name: str) -> nn.Module:
    """An untrained network by name."""
    return {"spotter": Spotter, "reader": StripReader}[name]()


def render_batch(
    name: str, sampler: Sampler, scenery: Scenery, bank: LayoutBank, batch: int
) -> Batch:
    """Crops of 256 x 256 for the spotter, strips of 48 x 384 for the reader.

    Strips come by turns from two scene models (``appearance`` and ``tissue``).
    """
    atlas = scenery.atlas
    if name == "spotter":
        canvas = (256, 256)
        placement = place_rows(
            sampler, bank, batch=batch, height_px=(11.0, 80.0), canvas=canvas, strip=False
        )
        return render(
            sampler, atlas, placement, canvas=canvas, reach=10, edge_chance=0.4, page_chance=0.06
        )
    canvas = (48, 384)
    placement = place_rows(
        sampler, bank, batch=batch, height_px=(23.0, 39.0), canvas=canvas, strip=True
    )
    placement = tilted(sampler, placement, canvas)
    half = batch // 2
    plain = render(
        sampler,
        atlas,
        placement.part(slice(0, half)),
        canvas=canvas,
        reach=6,
        edge_chance=0.1,
        page_chance=0.01,
    )
    other = placement.part(slice(half, batch))
    scar = draw_scar(sampler, other)
    other = pulled(sampler, other, scar, (canvas[0] - 1) / 2)
    lit = render_tissue(sampler, scenery.sheets, atlas, other, scar, canvas=canvas)
    # Flipped views are shown of the first strips of a batch: both models take part in them.
    order = torch.randperm(batch, generator=sampler.generator, device=sampler.device)
    return mixed((plain, lit), order)


def loss_of(name: str, network: nn.Module, batch: Batch) -> tuple[Tensor, dict[str, Tensor]]:
    """Forward pass and loss of either network."""
    sigma = SPOTTER_SIGMA if name == "spotter" else READER_SIGMA
    inputs = normalise(batch.pixels, sigma=sigma)
    views = None
    if name == "reader":
        edge = (inputs.shape[3] - READER_ROOM_PX) // 2
        inputs = inputs[..., edge : edge + READER_ROOM_PX]
        batch = narrowed(batch, READER_ROOM_PX)
        views = pose_views(inputs, POSE_SHARE)
        inputs = views.pixels
    use_bfloat = inputs.device.type == "cuda"
    with torch.autocast(inputs.device.type, dtype=torch.bfloat16, enabled=use_bfloat):
        output = network(inputs.contiguous(memory_format=torch.channels_last))
    if views is None:
        return spotter_loss(output.float(), batch)
    columns, ink = output
    return reader_loss(columns.float()[:, :, 0], ink.float(), views, batch)


def read_photographs(path: Path | None, device: torch.device) -> Tensor:
    """Background pictures from an ``.npz`` with ``pictures`` (n, LAYER_PX, LAYER_PX, 3) uint8."""
    if path is None:
        return torch.zeros(0, 3, LAYER_PX, LAYER_PX, device=device)
    pictures = np.load(path)["pictures"]
    return torch.from_numpy(pictures).to(device).permute(0, 3, 1, 2).float() / 255


@torch.no_grad()
def assess(
    name: str,
    network: nn.Module,
    sampler: Sampler,
    scenery: Scenery,
    bank: LayoutBank,
    *,
    batches: int,
    batch: int,
) -> dict[str, float]:
    """Figures on freshly rendered batches, with the bank's glyph sources."""
    network.eval()
    hits = np.zeros(4)
    totals = np.zeros(4)
    losses: dict[str, list[float]] = {}
    for _ in range(batches):
        rendered = render_batch(name, sampler, scenery, bank, batch)
        _, parts = loss_of(name, network, rendered)
        for key, value in parts.items():
            losses.setdefault(key, []).append(float(value))
        if name == "reader":
            placement = rendered.placement
            columns = network(normalise(rendered.pixels, sigma=READER_SIGMA))[0][:, :, 0].float()
            x = ((placement.centre[..., 0] + 0.5) / 4 - 0.5).round().long().clamp(0, 95)
            number = torch.arange(batch, device=x.device)[:, None]
            guess = columns[number, :36, x].argmax(dim=-1)
            asked = placement.exists & placement.main_row
            level = torch.bucketize(
                rendered.visibility.contiguous(), torch.tensor([0.6, 2.0, 5.0], device=x.device)
            )
            for k in range(4):
                chosen = asked & (level == k)
                hits[k] += float(((guess == placement.character) & chosen).sum())
                totals[k] += float(chosen.sum())
    network.train()
    figures = {key: float(np.mean(values)) for key, values in losses.items()}
    if name == "reader":
        for k, label in enumerate(("lost", "faint", "fair", "good")):
            figures[f"accuracy_{label}"] = hits[k] / max(totals[k], 1)
    return figures


def train(
    plan: Plan,
    *,
    out: Path,
    resume: Path | None,
    photographs: Path | None,
    device: torch.device,
    say: Callable[[str], None],
    team: Team = ALONE,
) -> dict[str, float]:
    """Train; write ``<network>.pt`` (averaged weights) and ``<network>.json`` (log) to ``out``.

    Each process of a team renders batches of ``plan.batch`` with a seed of its own; the first
    one assesses, says and writes.
    """
    seed = plan.seed + 1000 * team.rank
    generator = torch.Generator(device=device)
    generator.manual_seed(seed)
    sampler = Sampler(generator, device)
    jobs = team.share_of_cores()
    bank = build_bank(
        load_sources(split="train"), variants=plan.variants, seed=seed, device=device, jobs=jobs
    )
    held_out = build_bank(
        load_sources(split="held_out"), variants=8, seed=1, device=device, jobs=jobs
    )
    layouts = bank.needles.reshape(-1, *bank.needles.shape[3:])
    present = bank.present.reshape(-1, bank.present.shape[3])
    atlas = build_atlas(
        layouts, present, read_photographs(photographs, device), generator=generator, device=device
    )
    scenery = Scenery(atlas, build_sheets(sampler))
    network = build_network(plan.network).to(device, memory_format=torch.channels_last)
    if resume is not None:
        network.load_state_dict(torch.load(resume, map_location=device, weights_only=True))
    team.share(network)
    average = copy.deepcopy(network)
    # The compiled form shares its weights with the plain one.
    fast = torch.compile(network) if device.type == "cuda" else network
    optimiser = torch.optim.AdamW(
        network.parameters(), lr=plan.rate_start, weight_decay=0.01, fused=device.type == "cuda"
    )
    network.train()
    started = time.monotonic()
    step = 0
    log: list[dict[str, float]] = []
    next_word = 20.0
    seen_a_step = plan.batch * team.size
    while True:
        if step % AGREE_EVERY == 0 or step >= plan.max_steps:
            if device.type == "cuda":
                torch.cuda.synchronize()
            elapsed = team.agree(time.monotonic() - started, device)
            done = max(elapsed / (plan.minutes * 60), step / plan.max_steps)
        if done >= 1:
            break
        cosine = 0.5 * (1 + math.cos(math.pi * done))
        rate = plan.rate_end + (plan.rate_start - plan.rate_end) * cosine
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1.0, (step + 1) / 200)
        batch = render_batch(plan.network, sampler, scenery, bank, plan.batch)
        loss, _ = loss_of(plan.network, fast, batch)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        team.average_gradients(network)
        nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        step += 1
        if step % AVERAGE_EVERY == 0:
            _follow(average, network, updates=step // AVERAGE_EVERY)
        if team.rank == 0 and elapsed > next_word:
            next_word += 45.0
            figures = assess(
                plan.network,
                average,
                sampler,
                scenery,
                held_out,
                batches=2,
                batch=min(plan.batch, 256),
            )
            figures |= {
                "step": step,
                "seconds": round(elapsed),
                "rate": rate,
                "seen": step * seen_a_step,
            }
            log.append(figures)
            say(" ".join(f"{k}={v:.4g}" for k, v in figures.items()))
            _write(average, plan, team, log, out)
    if team.rank > 0:
        return {}
    figures = assess(
        plan.network,
        average,
        sampler,
        scenery,
        held_out,
        batches=8,
        batch=min(plan.batch, 256),
    )
    figures |= {
        "step": step,
        "seconds": round(time.monotonic() - started),
        "seen": step * seen_a_step,
    }
    log.append(figures)
    say(" ".join(f"{k}={v:.4g}" for k, v in figures.items()))
    _write(average, plan, team, log, out)
    return figures


def _write(
    average: nn.Module, plan: Plan, team: Team, log: list[dict[str, float]], out: Path
) -> None:
    """Weights and log so far, so that a run that is cut off leaves its last figures' weights."""
    out.mkdir(parents=True, exist_ok=True)
    partial = out / f"{plan.network}.pt.part"
    torch.save(average.state_dict(), partial)
    partial.replace(out / f"{plan.network}.pt")
    facts = {"plan": asdict(plan), "cards": team.size, "seen_threshold": SEEN, "log": log}
    (out / f"{plan.network}.json").write_text(json.dumps(facts, indent=1))


def main() -> None:
    """``python -m legibility.train.loop``: ``legibility train`` without the package's cli.

    ``torchrun --nproc-per-node N -m legibility.train.loop ...`` trains on N cards together.
    """
    parser = argparse.ArgumentParser()
    parser.add_argument("network", choices=["spotter", "reader"])
    parser.add_argument("--minutes", type=float, required=True)
    parser.add_argument("--batch", type=int, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate-start", type=float, default=2e-3)
    parser.add_argument("--rate-end", type=float, default=2e-3)
    parser.add_argument("--max-steps", type=int, default=10**9)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--photographs", type=Path)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    given = parser.parse_args()
    plan = Plan(
        network=given.network,
        minutes=given.minutes,
        batch=given.batch,
        seed=given.seed,
        rate_start=given.rate_start,
        rate_end=given.rate_end,
        max_steps=given.max_steps,
    )
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    team, device = join_team(torch.device(given.device))
    train(
        plan,
        out=given.out,
        resume=given.resume,
        photographs=given.photographs,
        device=device,
        say=lambda line: print(line, flush=True),
        team=team,
    )
    team.part()


if __name__ == "__main__":
    main()
