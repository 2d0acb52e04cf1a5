"""Registries for the tests of risk, and the answer from trying all pairs."""

from __future__ import annotations

import numpy as np

from legibility.alphabet import CHARACTERS, NO_CHARACTER, index_of, split_mark
from legibility.risk.marks import MarkSet
from legibility.risk.misreading import Channel, pair_probability, views


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
            if not views(a.structure, b.structure, ch):
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


def cut(mark: str, at: int) -> str:
    """A mark broken at a place, 0 for one row."""
    characters = mark.replace("/", "")
    return f"{characters[:at]}/{characters[at:]}" if at else characters


def in_rows(pressed: str, read: str, ch: Channel) -> float:
    """p(these characters in these rows | dies pressed in these rows), every way listed."""
    rows, seen = split_mark(pressed), split_mark(read)
    total = 0.0
    weight = 1.0 if len(rows) == 1 else 1.0 - 2 * ch.errors.missed_row - ch.errors.crossed_rows
    if len(rows) == len(seen):
        total += weight * np.prod([plain(a, b, ch) for a, b in zip(rows, seen, strict=True)])
        for number, row in enumerate(rows):
            if len(row) < 2:
                continue
            others = [plain(rows[i], seen[i], ch) for i in range(len(rows)) if i != number]
            for kept, lost in ((row[1:], row[0]), (row[:-1], row[-1])):
                gone = ch.matrix[index_of(lost), NO_CHARACTER]
                total += weight * gone * plain(kept, seen[number], ch) * np.prod(others)
    if len(rows) == 2 and len(seen) == 1:
        total += ch.errors.missed_row * sum(plain(row, seen[0], ch) for row in rows)
    if len(rows) == 2 and len(seen) == 2:
        crossed = [plain(a, b, ch) for a, b in zip(rows, reversed(seen), strict=True)]
        total += ch.errors.crossed_rows * np.prod(crossed)
    return float(total)


def plain(row: str, seen: str, ch: Channel) -> float:
    if len(row) != len(seen):
        return 0.0
    pairs = zip(row, seen, strict=True)
    return float(np.prod([ch.matrix[index_of(a), index_of(b)] for a, b in pairs]))


def layouts(mark: str) -> list[int]:
    """Places at which a mark may be broken; 0 for one row."""
    return [mark.index("/")] if "/" in mark else list(range(len(mark)))


def as_pressed(pressed: str, read: str, ch: Channel, rows_known: bool) -> float:
    """The sum over all readings of these characters, in these rows where both say them."""
    in_every_row = [cut(read, at) for at in range(len(read.replace("/", "")))]
    wanted = [read] if rows_known and "/" in read else in_every_row
    return sum(in_rows(pressed, seen, ch) for seen in wanted)
