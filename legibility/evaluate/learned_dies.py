"""Does it help to know the herd's dies? Simulated ears read with and without them.

``python -m legibility.evaluate.learned_dies --photos N --seed S --jobs J [--fit]``. Rows are cut
out where the truth says, so that only the reading of characters is compared. Dies are of held-out
glyph sources: the weights are fitted on half of the sources, figures are from the other half. What
is known of a die is its needles as a card shows them: with an error of ``CARD_ERROR``.

Both readings are of the same photos, so they are compared in pairs: characters that the dies mended
and that they spoilt, the difference with a bootstrap interval over herds (whose photos share their
dies), and a sign test over photos.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, index_of
from legibility.containers import LogLikelihood
from legibility.in_order import mapped
from legibility.intervals import wilson
from legibility.locate.rows import row_through
from legibility.pipeline.cells import Readers, needle_model, pooled, row_opinions
from legibility.pipeline.reading import reading_model
from legibility.pipeline.seen_rows import Picture, view_rows
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
from legibility.read.needles import NeedleModel
from legibility.report.writing import write_text
from legibility.simulate import SceneSpec, render, sample_scene
from legibility.simulate.press import DieSpec, die_needles, source_names
from legibility.workers import ending

CARD_ERROR: Final = 0.01
"""Measured on simulated cards: error of a needle's place, heights, paper and perspective."""
WEARS: Final = ("mild", "worn", "worn", "faint")
KNOWN_SHARES: Final = (1.0, 1.0, 0.5)
"""Choice: two herds of three have taught all dies, the third half of them."""
HERD_PHOTOS: Final = len(WEARS)
"""Choice: photos of ears of one herd, marked with one set of dies."""
WIDTH_PX: Final = 1000
DRAWS: Final = 4000
"""Choice: bootstrap samples."""


@dataclass(frozen=True, slots=True)
class ReadRow:
    """One row of an ear, read without the dies, and what they say."""

    logp: LogLikelihood
    loglik: NDArray[np.float64]
    known: str
    truth: NDArray[np.int64]
    wear: str
    photo: int


def read_rows(photos: int, *, seed: int, half: int, jobs: int = 1) -> Iterator[ReadRow]:
    """Rows of simulated ears whose dies are known; ``half`` 0 or 1 of the held-out sources.

    Parameters
    ----------
    photos : int
    seed : int
        A herd's photos depend on it, ``half`` and the herd's number alone.
    half : int
    jobs : int
        Processes.
    """
    herds = range(-(-photos // HERD_PHOTOS))
    work = partial(_herd_rows, photos=photos, seed=seed, half=half)
    for rows in mapped(work, herds, jobs=jobs):
        yield from rows


def _herd_rows(herd: int, *, photos: int, seed: int, half: int) -> list[ReadRow]:
    rng = np.random.default_rng([seed, half, herd])
    source = str(rng.choice(np.array(source_names(split="held_out")[half::2])))
    first = herd * HERD_PHOTOS
    specs: list[SceneSpec] = []
    for k in range(first, min(first + HERD_PHOTOS, photos)):
        wear = WEARS[k % len(WEARS)]
        spec = sample_scene(
            rng, source=source, wear=wear, mark_share=0.5, hair=0.1, width_px=WIDTH_PX
        )
        specs.append(replace(spec, dies=specs[0].dies) if specs else spec)
    dies = taught(specs[0].dies, rng, share=KNOWN_SHARES[herd % len(KNOWN_SHARES)])
    model = herd_model(dies, needle_model())
    return [
        row
        for k, spec in enumerate(specs, first)
        for row in _photo_rows(spec, dies, model, photo=k, wear=WEARS[k % len(WEARS)])
    ]


def _photo_rows(
    spec: SceneSpec, dies: LearnedDies, model: NeedleModel, *, photo: int, wear: str
) -> Iterator[ReadRow]:
    rendered = render(spec)
    for row in rendered.truth.rows:
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
        (seen,) = view_rows(Picture(rendered.pixels), (laid,))
        said = row_opinions(seen.strip, seen.view, readers=Readers(second=False))
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
            photo=photo,
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
    """Characters read right and log-loss without and with the dies, in all and by wear."""
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
        photo = np.concatenate([np.full(len(row.truth), row.photo) for row in chosen])
        was, now = (x[:, :N_CHARACTERS].argmax(axis=1) == truth for x in (before, after))
        line["paired"] = paired(was, now, photo)
        out.append(line)
    return out


def paired(
    before: NDArray[np.bool_], after: NDArray[np.bool_], photo: NDArray[np.int64]
) -> dict[str, object]:
    """The same characters read twice.

    Parameters
    ----------
    before, after : (n,) bool
        Read right without and with the dies.
    photo : (n,) int
        The photo of each.

    Returns
    -------
    dict
        Characters mended and spoilt; the difference of the shares read right with a 95 % interval
        (percentiles of a bootstrap over herds); photos with more and with fewer characters right,
        and the two-sided probability of so uneven a split by chance (exact sign test).
    """
    gain = after.astype(np.int64) - before.astype(np.int64)
    herds, of_herd = np.unique(photo // HERD_PHOTOS, return_inverse=True)
    gains = np.bincount(of_herd, weights=gain, minlength=len(herds))
    sizes = np.bincount(of_herd, minlength=len(herds))
    picks = np.random.default_rng(0).integers(len(herds), size=(DRAWS, len(herds)))
    drawn = gains[picks].sum(axis=1) / sizes[picks].sum(axis=1)
    low, high = np.quantile(drawn, (0.025, 0.975))
    of_photo = np.bincount(np.unique(photo, return_inverse=True)[1], weights=gain)
    better, worse = int((of_photo > 0).sum()), int((of_photo < 0).sum())
    return {
        "mended": int((gain > 0).sum()),
        "spoilt": int((gain < 0).sum()),
        "difference": round(float(gain.mean()), 4),
        "interval": [round(float(low), 4), round(float(high), 4)],
        "photos_better": better,
        "photos_worse": worse,
        "sign_test": float(f"{sign_test(better, worse):.3g}"),
    }


def sign_test(better: int, worse: int) -> float:
    """Two-sided probability of so uneven a split if either were as likely (exact binomial)."""
    n, few = better + worse, min(better, worse)
    tail = sum(math.comb(n, k) for k in range(few + 1))
    return min(1.0, 2.0 * tail / float(2**n))


@ending()
def main(arguments: Sequence[str] | None = None) -> None:
    """Print a line of JSON for all photos and for each wear."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--fit", action="store_true", help="fit the weights again and keep them")
    given = parser.parse_args(arguments)
    if given.fit:
        rows = list(read_rows(given.photos, seed=given.seed, half=0, jobs=given.jobs))
        weights = fit_die_weights(
            [features(row.logp, row.loglik, row.known) for row in rows],
            [row.truth for row in rows],
        )
        origin = f"{sum(len(r.truth) for r in rows)} characters, seed {given.seed}"
        text = json.dumps({**asdict(weights), "origin": origin}, indent=2, sort_keys=True) + "\n"
        write_text(DEFAULT_PATH, text)
        print(text, end="")
    rows = list(read_rows(given.photos, seed=given.seed, half=1, jobs=given.jobs))
    for line in figures(rows, load_die_weights()):
        print(json.dumps(line))


if __name__ == "__main__":
    main()
