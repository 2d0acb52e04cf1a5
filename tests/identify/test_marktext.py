from __future__ import annotations

import itertools

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, N_CLASSES
from legibility.identify.marktext import best_hypothesis, best_text, probable_marks
from legibility.settings import Settings
from tests.identify.reading_builder import cell, cell_of, random_cell, reading, sure


def test_text_of_rows_with_unread_and_empty_cells() -> None:
    seen = reading(
        [
            [cell({"A": 0.9}), cell({"B": 0.42, "P": 0.4}), cell({"": 0.9})],
            [cell({"1": 0.6, "7": 0.3})],
        ]
    )
    assert best_text(seen, Settings()) == "A?/1"
    assert best_text(seen, Settings(readable_probability=0.4)) == "AB/1"
    assert best_text(seen, Settings(readable_probability=0.95)) == "??/?"


def test_nothing_is_empty_text() -> None:
    assert best_text(reading(), Settings()) == ""
    assert best_text(reading([[]]), Settings()) == ""
    assert best_text(reading([[cell({"": 0.9})]]), Settings()) == ""
    assert best_hypothesis(reading()) is None


def test_the_first_hypothesis_with_characters_speaks() -> None:
    # The first is the one that people are shown, though another may have more weight by itself.
    seen = reading([[cell({"6": 0.9})]], [[cell({"9": 0.9})]], weights=[0.4, 0.5], no_mark=0.1)
    assert best_text(seen, Settings()) == "6"
    empty = reading([[]], [[cell({"9": 0.9})]], weights=[0.4, 0.5], no_mark=0.1)
    assert best_text(empty, Settings()) == "9"


def test_probable_marks_agree_with_enumeration() -> None:
    rng = np.random.default_rng(6)
    cells = [random_cell(rng, spread=3.0) for _ in range(2)]
    other = [random_cell(rng, spread=3.0)]
    seen = reading([cells], [other], weights=[0.5, 0.4], no_mark=0.1)
    found: dict[str, float] = {}
    for row, share in ((cells, 0.5 / 0.9), (other, 0.4 / 0.9)):
        for says in itertools.product(range(N_CLASSES), repeat=len(row)):
            mark = "".join(CHARACTERS[i] for i in says if i < 36)
            p = share * np.exp(sum(c.logp[i] for c, i in zip(row, says, strict=True)))
            found[mark] = found.get(mark, 0.0) + p
    found.pop("")
    wanted = sorted(found.items(), key=lambda item: -item[1])[:5]
    got = probable_marks(seen, count=5, exponent=1.0)
    assert [mark for mark, _ in got] == [mark for mark, _ in wanted]
    # Lower bounds: marks that lose a little to the beam.
    np.testing.assert_allclose(np.exp([p for _, p in got]), [p for _, p in wanted], rtol=5e-3)


def test_two_rows_and_certain_cells() -> None:
    certain = np.full(N_CLASSES, -np.inf)
    certain[0] = 0.0
    seen = reading([[cell_of(certain)], [cell_of(certain), cell_of(certain)]])
    ((mark, logp),) = probable_marks(seen, count=1, exponent=1.0)
    assert mark == "A/AA"
    assert logp == pytest.approx(0.0, abs=1e-9)
    assert probable_marks(sure("AB1"), count=1, exponent=1.0)[0][0] == "AB1"
