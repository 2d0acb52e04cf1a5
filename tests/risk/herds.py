"""Registries for the tests of risk, and the answer from trying all pairs."""

from __future__ import annotations

import numpy as np

from legibility.alphabet import CHARACTERS
from legibility.risk.marks import MarkSet
from legibility.risk.misreading import Channel, pair_probability, readings


def random_marks(
    count: int,
    *,
    seed: int,
    characters: str = CHARACTERS,
    lengths: tuple[int, ...] = (3, 4, 5),
    two_rows: float = 0.3,
) -> list[str]:
    """Marks of several lengths, some in two rows."""
    rng = np.random.default_rng(seed)
    marks = []
    for _ in range(count):
        length = int(rng.choice(lengths))
        text = "".join(characters[i] for i in rng.integers(0, len(characters), length))
        if length > 1 and rng.random() < two_rows:
            cut = int(rng.integers(1, length))
            text = f"{text[:cut]}/{text[cut:]}"
        marks.append(text)
    return marks


def all_pairs(
    records: MarkSet, marks: MarkSet, ch: Channel, least: float
) -> dict[tuple[int, int], float]:
    """Pairs of at least ``least``, from the formula for every pair there is."""
    found = {}
    for a in records.groups:
        for b in marks.groups:
            if b.structure not in readings(a.structure, ch.errors):
                continue
            step = max(1, 200_000 // len(b.ids))
            for start in range(0, len(a.ids), step):
                rows = np.arange(start, min(start + step, len(a.ids)))
                x, y = np.repeat(rows, len(b.ids)), np.tile(np.arange(len(b.ids)), len(rows))
                p = pair_probability(a.codes[x], a.structure, b.codes[y], b.structure, ch)
                kept = p >= least
                if a.structure == b.structure:
                    kept &= (a.codes[x] != b.codes[y]).any(axis=1)
                ids = zip(a.ids[x[kept]].tolist(), b.ids[y[kept]].tolist(), strict=True)
                found.update(zip(ids, p[kept].tolist(), strict=True))
    return found
