"""Characters laid over cells, against trying every way."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from legibility.alphabet import N_CLASSES, NO_CHARACTER, index_of
from legibility.evidence.contributions import align_mark, align_row, character_parts
from legibility.probability import normalise_log

EXTRA, MISSED = 0.02, 0.03


def cells(text: str, *, sure: float = 6.0) -> np.ndarray:
    logp = np.zeros((len(text), N_CLASSES))
    for row, character in enumerate(text):
        logp[row, NO_CHARACTER if character == "_" else index_of(character)] = sure
    return normalise_log(logp)


def best_by_trying(logp: np.ndarray, characters: list[int]) -> float:
    value = logp + math.log(N_CLASSES)
    best = -math.inf
    for count in range(min(len(logp), len(characters)) + 1):
        for used in combinations(range(len(logp)), count):
            for pressed in combinations(range(len(characters)), count):
                total = (len(characters) - count) * math.log(MISSED)
                total += sum(
                    math.log1p(-MISSED) + value[c, characters[p]]
                    for c, p in zip(used, pressed, strict=True)
                )
                total += sum(
                    math.log(EXTRA) + value[c, NO_CHARACTER]
                    for c in range(len(logp))
                    if c not in used
                )
                best = max(best, total)
    return best


@pytest.mark.parametrize("seed", range(12))
def test_alignment_is_the_best_of_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    logp = normalise_log(rng.normal(0, 3, (int(rng.integers(1, 5)), N_CLASSES)))
    characters = rng.integers(0, 36, int(rng.integers(1, 5))).tolist()
    score, classes = align_row(logp, characters, extra=EXTRA, missed=MISSED)
    assert score == pytest.approx(best_by_trying(logp, characters))
    kept = [c for c in classes if c != NO_CHARACTER]
    assert len(classes) == len(logp)
    assert len(kept) <= len(characters)


def test_a_missing_and_an_added_character() -> None:
    classes = align_mark([cells("A_12")], "A12", extra=EXTRA, missed=MISSED)
    assert classes == ((index_of("A"), NO_CHARACTER, index_of("1"), index_of("2")),)
    classes = align_mark([cells("A2")], "A12", extra=EXTRA, missed=MISSED)
    assert classes == ((index_of("A"), index_of("2")),)


def test_rows_of_a_mark_find_their_places() -> None:
    seen = [cells("AB"), cells("123")]
    laid = align_mark(seen, "AB/124", extra=EXTRA, missed=MISSED)
    assert laid[0] == (index_of("A"), index_of("B"))
    assert laid[1] == (index_of("1"), index_of("2"), index_of("4"))
    one = align_mark(seen, "123", extra=EXTRA, missed=MISSED)
    assert one == ((NO_CHARACTER, NO_CHARACTER), tuple(index_of(c) for c in "123"))


def test_parts_are_differences_of_log_probabilities() -> None:
    row = cells("AB8")
    parts = character_parts(
        [{"pooled": row, "needles": 0.5 * row}],
        ("AB8", "AB3"),
        readers=("pooled", "needles"),
        extra=EXTRA,
        missed=MISSED,
    )
    assert [(p.first, p.second) for p in parts] == [("A", "A"), ("B", "B"), ("8", "3")]
    assert parts[0].differences["pooled"] == 0.0
    assert parts[2].differences["pooled"] == pytest.approx(6.0)
    assert parts[2].differences["needles"] == pytest.approx(3.0)
