"""Does it help to know the herd's dies? Simulated ears read with and without them.

``python -m legibility.evaluate.learned_dies --photos N --seed S [--fit]``. Rows are cut out where
the truth says, so that only the reading of characters is compared. Dies are of held-out glyph
sources: the weights are fitted on half of the sources, figures are from the other half. What is
known of a die is its needles as a card shows them: with an error of ``CARD_ERROR``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, index_of
from legibility.containers import LogLikelihood
from legibility.evaluate.intervals import wilson
from legibility.locate.rows import row_through
from legibility.pipeline.cells import Readers, needle_model, pooled, row_opinions
from legibility.pipeline.reading import reading_model
from legibility.pipeline.sighting import Picture, view_rows
from legibility.read.herd_dies import (
    DEFAULT_PATH,
    DieWeights,
    features,
    fit_die_weights,
    herd_model,
    load_die_weights,
    weigh,
)
from legibility.read.learned_dies import LearnedDies, merge
from legibility.report.writing import write_text
from legibility.simulate import render, sample_scene
from legibility.simulate.press import DieSpec, die_needles, source_names

CARD_ERROR: Final = 0.01
"""Measured on simulated cards: error of a needle's place, heights, paper and perspective."""
WEARS: Final = ("mild", "worn", "worn", "faint")
KNOWN_SHARES: Final = (1.0, 1.0, 0.5)
"""Choice: two herds of three have taught all dies, the third half of them."""


@dataclass(frozen=True, slots=True)
class ReadRow:
    """One row of an ear, read without the dies, and what they say."""

    logp: LogLikelihood
    loglik: NDArray[np.float64]
    known: str
    truth: NDArray[np.int64]
    wear: str


def read_rows(photos: int, *, seed: int, half: int) -> Iterator[ReadRow]:
    """Rows of simulated ears whose dies are known; ``half`` 0 or 1 of the held-out sources."""
    sources = source_names(split="held_out")[half::2]
    for k in range(photos):
        rng = np.random.default_rng([seed, half, k])
        wear = WEARS[k % len(WEARS)]
        spec = sample_scene(
            rng, source=str(rng.choice(np.array(sources))), wear=wear, mark_share=0.5, hair=0.1
        )
        photo = render(spec)
        dies = taught(spec.dies, rng, share=KNOWN_SHARES[k % len(KNOWN_SHARES)])
        model = herd_model(dies, needle_model())
        for row in photo.truth.rows:
            quads = np.array([c.quad for c in row])
            up = (quads[:, 0] + quads[:, 1] - quads[:, 2] - quads[:, 3]).mean(axis=0)
            middles = quads.mean(axis=1)
            laid = row_through(
                [(float(x), float(y)) for x, y in middles],
                [float(np.hypot(*(q[0] - q[3]))) / 1.1 for q in quads],
                angle_deg=float(np.degrees(np.arctan2(-up[0], -up[1]))),
                mirrored=spec.pose.mirrored,
                score=1.0,
            )
            (seen,) = view_rows(Picture(photo.pixels), (laid,))
            said = row_opinions(seen.strip, seen.view, readers=Readers(second=False), timeout_s=1.0)
            logp = pooled(said, reading_model())
            kept = np.array([p.presence >= 0.5 for p in seen.view.places], dtype=bool)
            if kept.sum() != len(row):
                continue
            scores = model.score(seen.view.ink, said.boxes, not_seen=seen.strip.not_seen)
            yield ReadRow(
                logp=logp[kept],
                loglik=scores.loglik[kept],
                known=dies.characters,
                truth=np.array([index_of(c.character) for c in row], dtype=np.int64),
                wear=wear,
            )


def taught(spec: DieSpec, rng: np.random.Generator, *, share: float) -> LearnedDies:
    """Dies of a set as cards teach them."""
    known = [c for c in CHARACTERS if rng.random() < share]
    seen = []
    for character in known:
        needles = die_needles(spec, character)
        seen.append((character, needles + rng.normal(0.0, CARD_ERROR, needles.shape)))
    return merge(LearnedDies(), seen)


def figures(rows: list[ReadRow], weights: DieWeights) -> list[dict[str, object]]:
    """Characters read right and log-loss without and with the dies, by wear and in all."""
    out: list[dict[str, object]] = []
    for wear in ("all", *dict.fromkeys(WEARS)):
        chosen = [row for row in rows if wear in ("all", row.wear)]
        if not chosen:
            continue
        truth = np.concatenate([row.truth for row in chosen])
        before = np.concatenate([row.logp for row in chosen])
        after = np.concatenate([weigh(r.logp, r.loglik, r.known, weights) for r in chosen])
        line: dict[str, object] = {"wear": wear, "characters": len(truth)}
        for name, logp in (("without", before), ("with", after)):
            right = int((logp[:, :N_CHARACTERS].argmax(axis=1) == truth).sum())
            low, high = wilson(right, len(truth))
            line[name] = {
                "right": round(right / len(truth), 4),
                "interval": [round(low, 4), round(high, 4)],
                "log_loss": round(-float(logp[np.arange(len(truth)), truth].mean()), 4),
            }
        out.append(line)
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fit", action="store_true", help="fit the weights again and keep them")
    given = parser.parse_args()
    if given.fit:
        rows = list(read_rows(given.photos, seed=given.seed, half=0))
        weights = fit_die_weights(
            [features(row.logp, row.loglik, row.known) for row in rows],
            [row.truth for row in rows],
        )
        origin = f"{sum(len(r.truth) for r in rows)} characters, seed {given.seed}"
        text = json.dumps({**asdict(weights), "origin": origin}, indent=2, sort_keys=True) + "\n"
        write_text(DEFAULT_PATH, text)
        print(text, end="")
    rows = list(read_rows(given.photos, seed=given.seed, half=1))
    for line in figures(rows, load_die_weights()):
        print(json.dumps(line))


if __name__ == "__main__":
    main()
