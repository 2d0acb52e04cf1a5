from __future__ import annotations

import numpy as np
import pytest

from legibility.identify.marktable import build_mark_table
from legibility.simulate.registries import simulated_registry


@pytest.mark.parametrize("mark", ["F042", "BX/F042", "1234567", "A7", "QZ/1"])
@pytest.mark.parametrize("animals", [2, 20, 130])
def test_all_marks_differ_and_one_is_the_animal(mark: str, animals: int) -> None:
    for seed in range(5):
        herd = simulated_registry(np.random.default_rng(seed), mark, animals=animals)
        assert herd is not None
        texts = herd.marks.tolist()
        assert len(set(texts)) == len(texts) == animals
        assert texts[herd.own] == mark.encode()
        # Every one can be registered.
        assert len(build_mark_table(herd.marks)) == animals


def test_near_twins_stand_in_most_herds() -> None:
    # A quarter of the marks are twins of another one; 400 animals hold many pairs one apart.
    herd = simulated_registry(np.random.default_rng(3), "BX/F042", animals=400)
    assert herd is not None
    texts = [mark.decode() for mark in herd.marks]
    known = set(texts)
    having = sum(
        any(text[:i] + c + text[i + 1 :] in known for i in range(len(text)) for c in "38BDG0")
        for text in texts
    )
    assert having >= 100


def test_short_marks_have_no_large_herd() -> None:
    # Letter and digit: 260 marks, of which half may be used, in at most four ways of building.
    for animals, possible in ((100, True), (2000, False)):
        found = simulated_registry(np.random.default_rng(1), "A7", animals=animals)
        assert (found is not None) == possible


def test_the_seed_settles_it() -> None:
    first, again = (
        simulated_registry(np.random.default_rng(8), "K317", animals=50) for _ in range(2)
    )
    assert first is not None
    assert again is not None
    assert first.marks.tolist() == again.marks.tolist()
    assert first.own == again.own
