"""What the reader makes of fresh, undisturbed dies: how far unknown shapes alone mislead it.

``python -m legibility.evaluate.clean_dies --marks 200 --seed 7`` draws five dies of one set as dark
dots on plain skin, for the glyph sources of each split: those the networks learned from, those the
calibration was fitted on, and the evaluation's, whose needles are placed by rules of their own.
What is lost here no better photo brings back.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import ColorImage
from legibility.dies.placing import draw_placing, place_needles
from legibility.dies.strokes import GlyphSource, load_sources
from legibility.evaluate.metrics import MERGED
from legibility.evaluate.placement import die_set
from legibility.evaluate.scene import evaluation_sources
from legibility.intervals import Rate, rate
from legibility.read.network import StripView, view_strips

DIES: Final = 5
"""Choice: dies in a row."""
HEIGHT_PX: Final = 31.0
"""The height the locator brings characters to."""
SUPERSAMPLING: Final = 4
"""Choice: pixels drawn for each pixel of the strip, on either side."""
BLUR_PX: Final = 1.0
NOISE: Final = 3.0
"""Choice: those of a sharp photo in daylight."""
SKIN: Final = (200.0, 160.0, 145.0)
INK: Final = (1.76, 0.72, 1.28)
"""Choice: pink skin, sRGB, and absorbance of fresh green ink, by eye."""
NEAR_PX: Final = 10.0
"""Choice: a place belongs to the die whose middle is nearer than this."""

DieSet = Sequence[NDArray[np.float32] | NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Tally:
    """Characters and whole rows read right, O and 0 as well as I and 1 taken as one."""

    characters: Rate
    rows: Rate
    worst: tuple[tuple[str, int], ...]
    """Most frequent confusions, "true read"."""
    right: NDArray[np.bool_]
    """(marks, DIES), so that two networks can be compared strip by strip."""

    def __str__(self) -> str:
        worst = ", ".join(f"{pair} {count}" for pair, count in self.worst)
        return f"characters {_words(self.characters)}, rows {_words(self.rows)}; {worst}"


def trained_set(source: GlyphSource, rng: np.random.Generator) -> DieSet:
    """A set as the simulator makes them, 8 to 16 needles."""
    placing, needles = draw_placing(rng), int(rng.integers(8, 17))
    return [
        place_needles(strokes, placing, needles=needles, jitter=0.0, rng=rng)
        for strokes in source.strokes
    ]


def evaluation_dies(rng: np.random.Generator) -> DieSet:
    """A set of the evaluation, of any of its sources."""
    sources = evaluation_sources()
    return die_set(sources[int(rng.integers(len(sources)))], rng=rng)


def clean_strip(dies: DieSet, row: NDArray[np.int64], rng: np.random.Generator) -> ColorImage:
    """Dies of a row as fresh dots on plain skin, (48, 384, 3) uint8 RGB."""
    scale = SUPERSAMPLING
    ink = np.zeros((48 * scale, 384 * scale), np.float32)
    radius = HEIGHT_PX * rng.uniform(0.045, 0.07) * scale
    for middle, die in zip(middles(), row, strict=True):
        points = np.asarray(dies[die], dtype=np.float64)
        points = points - (points.max(axis=0) + points.min(axis=0)) / 2
        for x, y in points:
            centre = ((middle + x * HEIGHT_PX) * scale, (23.5 + y * HEIGHT_PX) * scale)
            at = (round(centre[0] * 16), round(centre[1] * 16))
            cv2.circle(ink, at, round(radius * 16), (1.0,), -1, cv2.LINE_AA, 4)
    ink = cv2.GaussianBlur(ink, (0, 0), BLUR_PX * scale)
    ink = cv2.resize(ink, (384, 48), interpolation=cv2.INTER_AREA)
    pixels = np.array(SKIN) * np.exp(-ink[..., None] * np.array(INK))
    noisy = pixels + rng.normal(0, NOISE, pixels.shape)
    return np.asarray(np.clip(noisy, 0, 255), dtype=np.uint8)


def middles() -> NDArray[np.float64]:
    """Columns of the strip at which the dies stand."""
    return np.asarray(191.5 + (np.arange(DIES) - (DIES - 1) / 2) * 0.9 * HEIGHT_PX)


def tally(
    make: Callable[[np.random.Generator], DieSet],
    *,
    marks: int,
    seed: int,
    draw: Callable[[DieSet, NDArray[np.int64], np.random.Generator], ColorImage] = clean_strip,
) -> Tally:
    """Read ``marks`` rows of dies that ``make`` makes, drawn by ``draw``."""
    rng = np.random.default_rng(seed)
    rows = [rng.integers(N_CHARACTERS, size=DIES) for _ in range(marks)]
    strips = [draw(make(rng), row, rng) for row in rows]
    right, confused = [], dict[str, int]()
    for view, row in zip(view_strips(strips), rows, strict=True):
        true = "".join(CHARACTERS[k] for k in row)
        said = "".join(_said(view, middle) for middle in middles())
        same = [a.translate(MERGED) == b.translate(MERGED) for a, b in zip(true, said, strict=True)]
        right.append(same)
        for a, b, good in zip(true, said, same, strict=True):
            if not good:
                confused[f"{a} {b}"] = confused.get(f"{a} {b}", 0) + 1
    hits = np.array(right)
    worst = sorted(confused.items(), key=lambda item: (-item[1], item[0]))[:6]
    return Tally(
        characters=rate(int(hits.sum()), hits.size),
        rows=rate(int(hits.all(axis=1).sum()), len(hits)),
        worst=tuple(worst),
        right=hits,
    )


def _said(view: StripView, middle: float) -> str:
    place = min(view.places, key=lambda p: abs(p.box.x_center - middle), default=None)
    if place is None or abs(place.box.x_center - middle) > NEAR_PX:
        return " "
    return CHARACTERS[int(np.argmax(place.logp))]


def _drawn(
    sources: Sequence[GlyphSource], make: Callable[[GlyphSource, np.random.Generator], DieSet]
) -> Callable[[np.random.Generator], DieSet]:
    return lambda rng: make(sources[int(rng.integers(len(sources)))], rng)


def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--marks", type=int, default=200)
    parser.add_argument("--seed", type=int, default=7)
    given = parser.parse_args()
    sets = {
        "learned from": _drawn(load_sources(split="train"), trained_set),
        "held out": _drawn(load_sources(split="held_out"), trained_set),
        "evaluation": evaluation_dies,
    }
    for name, make in sets.items():
        print(f"{name}: {tally(make, marks=given.marks, seed=given.seed)}")


def _words(found: Rate) -> str:
    return f"{found.value:.1%} of {found.total} ({found.low:.1%} to {found.high:.1%})"


if __name__ == "__main__":
    main()
