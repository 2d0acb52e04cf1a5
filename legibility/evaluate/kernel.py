"""Measure the confusion kernel: the project's own reader on marks of known needle condition.

``python -m legibility.evaluate.kernel --strips N --seed S --jobs J`` renders N rows at each
condition of a grid with the shipped simulator and dies that no network was trained on, cuts them
out where they are known to lie, reads them with the network and the needle model, pooled and
calibrated as in every reading, and writes ``legibility/models/kernel.npz``. It is run again
whenever the networks are replaced.

Rows are given, skin is clean and photos are sharp: what is measured is the mark's condition, not
the search for rows nor the photo. A character that got no place counts as "no character"; a row of
which less than half is read is no reading and is counted apart.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, N_CLASSES, NO_CHARACTER, index_of
from legibility.containers import ColorImage, RowStrip
from legibility.in_order import mapped, told
from legibility.pipeline.cells import Readers, pooled, row_opinions
from legibility.read.network import view_strips
from legibility.read.reading_model import ReadingModel, load_reading_model
from legibility.risk.kernel import DEFAULT_PATH, LEAST, Condition, Kernel, save_kernel
from legibility.simulate import render, sample_scene
from legibility.simulate.geometry import Pose
from legibility.workers import ending

NEEDLES: Final = (0.6, 0.8, 1.0)
CONTRAST: Final = (0.25, 0.5, 1.0)
BLEED: Final = (0.1, 0.5)
"""Choice: the grid spans the simulator's wear levels; three, three and two values an axis."""

CHARACTERS_A_ROW: Final = 8
"""Choice: as many as a strip holds at the reader's scale."""
STRIP_SHAPE: Final = (48, 384)
CHARACTER_PX: Final = 31.0
"""As ``locate.rectify`` cuts strips."""
OVERSAMPLING: Final = 2
"""Choice: rows are rendered twice as large and scaled down, as strips of photos are."""
TILT_DEG: Final = 2.0
"""Choice: deviation of a row's direction in its strip."""
LEAST_READ: Final = 0.5
"""Choice: a row of which a smaller share was read is not read at all."""
NEAR: Final = 0.45
"""Choice: a place belongs to the character whose centre is nearer than so many heights."""


@dataclass(frozen=True, slots=True)
class TrueRow:
    """A rendered row and what it shows."""

    pixels: ColorImage
    """(48, 384, 3)."""
    text: str
    centres_px: NDArray[np.float64]
    """(n, 2) x, y of the characters in the strip."""


def render_row(text: str, condition: Condition, rng: np.random.Generator) -> TrueRow:
    """A row of characters on clean skin at a stated condition, with dies held out of training."""
    scene = sample_scene(
        rng,
        mark=text,
        split="held_out",
        hair=0.0,
        behind=False,
        mirrored=False,
        rotation_deg=0.0,
        sharp=True,
        clean=True,
    )
    height, width = (OVERSAMPLING * side for side in STRIP_SHAPE)
    height_mm = scene.dies.height_mm * scene.dies.growth[1]
    pose = Pose(
        width_px=width,
        height_px=height,
        centre_px=((width - 1) / 2, (height - 1) / 2),
        px_per_mm=OVERSAMPLING * CHARACTER_PX / height_mm,
        rotation_deg=float(rng.normal(0.0, TILT_DEG)),
        mirrored=False,
    )
    wear = replace(
        scene.wear,
        fading=1.0 - condition.contrast,
        lost=1.0 - condition.needles,
        bleed=condition.bleed,
        smudge=0.0,
    )
    rendering = render(replace(scene, pose=pose, wear=wear))
    centres = [np.asarray(c.quad).mean(axis=0) for row in rendering.truth.rows for c in row]
    small = cv2.resize(rendering.pixels, STRIP_SHAPE[::-1], interpolation=cv2.INTER_AREA)
    return TrueRow(
        pixels=np.asarray(small, dtype=np.uint8),
        text=text,
        centres_px=(np.array(centres) + 0.5) / OVERSAMPLING - 0.5,
    )


def read_row(row: TrueRow, model: ReadingModel) -> NDArray[np.float64]:
    """(n, 37) probabilities the reader gives at each true character of a row."""
    (view,) = view_strips([row.pixels])
    strip = RowStrip(
        pixels=row.pixels,
        not_seen=np.zeros(STRIP_SHAPE, dtype=bool),
        to_photo=np.eye(3),
        score=0.0,
        spots=(),
    )
    opinions = row_opinions(strip, view, readers=Readers(second=False))
    probability = np.exp(pooled(opinions, model))
    found = np.zeros((len(row.text), N_CLASSES))
    found[:, NO_CHARACTER] = 1.0
    nearest = np.full(len(row.text), NEAR)
    for box, cell in zip(opinions.boxes, probability, strict=True):
        gaps = np.hypot(*(row.centres_px - [box.x_center, box.y_center]).T) / box.height_px
        place = int(np.argmin(gaps))
        if gaps[place] < nearest[place]:
            nearest[place], found[place] = gaps[place], cell
    return found


def count_row(
    number: int, *, conditions: Sequence[Condition], seed: int
) -> tuple[int, NDArray[np.int64], NDArray[np.float64]]:
    """Condition, true characters and probabilities of one row of the series."""
    which = number % len(conditions)
    rng = np.random.default_rng([seed, number])
    text = "".join(CHARACTERS[i] for i in _balanced(number // len(conditions), seed))
    row = render_row(text, conditions[which], rng)
    return which, np.array([index_of(c) for c in text]), read_row(row, _model())


def measure_kernel(
    *,
    strips: int,
    seed: int,
    jobs: int = 1,
    needles: Sequence[float] = NEEDLES,
    contrast: Sequence[float] = CONTRAST,
    bleed: Sequence[float] = BLEED,
    say: Callable[[str], None] = lambda text: None,
) -> Kernel:
    """Kernel from ``strips`` rows at each condition of the grid.

    Returns
    -------
    Kernel
        A character is shown ``strips * 8 / 36`` times at each condition, give or take one; it is
        counted where its row was read.
    """
    empty = Kernel(
        needles=np.array(needles, dtype=np.float64),
        contrast=np.array(contrast, dtype=np.float64),
        bleed=np.array(bleed, dtype=np.float64),
        counts=np.zeros((0, N_CHARACTERS, N_CLASSES)),
        expected=np.zeros((0, N_CHARACTERS, N_CLASSES)),
    )
    conditions = empty.conditions
    counts = np.zeros((len(conditions), N_CHARACTERS, N_CLASSES))
    total = np.zeros_like(counts)
    work = partial(count_row, conditions=conditions, seed=seed)
    number = strips * len(conditions)
    unread_rows = np.zeros(len(conditions))
    rows = mapped(work, range(number), jobs=jobs, chunk=8)
    for which, truth, found in told(rows, number, "rows", every=500, say=say):
        if (found.argmax(axis=1) != NO_CHARACTER).mean() < LEAST_READ:
            unread_rows[which] += 1
            continue
        np.add.at(counts[which], (truth, found.argmax(axis=1)), 1.0)
        np.add.at(total[which], truth, found)
    seen = counts.sum(axis=2, keepdims=True)
    # A character never shown at a condition: the mean over the others that were.
    # A character of which no row was read at a condition: as at all conditions together.
    pooled_mean = total.sum(axis=0) / np.maximum(seen.sum(axis=0), 1.0)
    expected = np.where(seen > 0, total / np.maximum(seen, 1.0), pooled_mean)
    expected = np.maximum(expected, LEAST)
    expected /= expected.sum(axis=2, keepdims=True)
    return replace(
        empty,
        counts=counts,
        expected=expected,
        row_unread=unread_rows / max(strips, 1),
        origin=(
            f"{strips} rows of {CHARACTERS_A_ROW} at each of {len(conditions)} conditions, "
            "held-out dies, network and needle model; "
            f"python -m legibility.evaluate.kernel --strips {strips} --seed {seed}"
        ),
    )


def _balanced(block: int, seed: int) -> NDArray[np.int64]:
    """Characters of one row: all 36 in turn, in a new order each time round."""
    start = block * CHARACTERS_A_ROW
    places = range(start, start + CHARACTERS_A_ROW)
    orders = {
        turn: np.random.default_rng([seed, 1_000_003, turn]).permutation(N_CHARACTERS)
        for turn in {place // N_CHARACTERS for place in places}
    }
    return np.array([orders[place // N_CHARACTERS][place % N_CHARACTERS] for place in places])


@lru_cache(maxsize=1)
def _model() -> ReadingModel:
    return load_reading_model()


def kernel_lines(kernel: Kernel) -> list[str]:
    """What was measured, one line a condition: characters read right, not read, worst confusion."""
    lines = []
    for label, counts, unread in zip(kernel.labels, kernel.counts, kernel.row_unread, strict=True):
        seen = max(counts.sum(), 1.0)
        wrong = counts[:, :N_CHARACTERS].copy()
        np.fill_diagonal(wrong, 0.0)
        true, read = np.unravel_index(int(wrong.argmax()), wrong.shape)
        right = math.fsum(counts.diagonal()) / seen
        lines.append(
            f"{label}: rows unread {unread:.0%}, {seen:.0f} characters, right {right:.1%}, "
            f"not read {counts[:, NO_CHARACTER].sum() / seen:.1%}, worst {CHARACTERS[true]} as "
            f"{CHARACTERS[read]} {wrong.max():.0f} of {counts[true].sum():.0f}"
        )
    return lines


@ending()
def main(arguments: Sequence[str] | None = None) -> None:
    """Measure the kernel and write it."""
    parser = argparse.ArgumentParser(prog="python -m legibility.evaluate.kernel")
    parser.add_argument("--strips", type=int, default=270, help="rows at each condition")
    parser.add_argument("--seed", type=int, default=30)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=DEFAULT_PATH)
    options = parser.parse_args(arguments)
    kernel = measure_kernel(strips=options.strips, seed=options.seed, jobs=options.jobs, say=print)
    save_kernel(kernel, options.out)
    print(*kernel_lines(kernel), sep="\n")


if __name__ == "__main__":
    main()
