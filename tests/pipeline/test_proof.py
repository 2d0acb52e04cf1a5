"""What became of the needles of one die, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.pipeline.proof import _Dots, _state
from legibility.read.die_match import match_die
from legibility.risk.card import UNJUDGED

PATTERN = np.array(
    [(0.0, 0.0), (0.0, 0.33), (0.0, 0.66), (0.0, 1.0), (0.3, 1.0), (0.6, 1.0), (0.3, 0.5)]
)
TO_PHOTO = np.array([(90.0, 10.0), (-12.0, 95.0)])
"""Photo pixels for one height across and one down; the photo is turned a little."""


def dots(shown: list[int], inked: dict[int, float]) -> _Dots:
    """Dots of some needles; ``inked`` is what is seen at the places of others."""

    def ink(places: np.ndarray) -> np.ndarray:
        truth = PATTERN @ TO_PHOTO + 400.0
        nearest = [int(np.hypot(*(truth - place).T).argmin()) for place in places]
        assert np.allclose(places, truth[nearest], atol=2.0)
        return np.array([inked[k] for k in nearest])

    return _Dots(PATTERN[shown] + 3.0, PATTERN[shown] @ TO_PHOTO + 400.0, ink)


@pytest.mark.parametrize(("ink", "missing", "together"), [(0.05, 1, 0), (0.9, 0, 1), (0.45, 0, 1)])
def test_a_needle_is_missing_where_the_paper_at_its_place_is_bare(
    ink: float, missing: int, together: int
) -> None:
    own = dots([0, 1, 3, 4, 5, 6], {2: ink})
    state = _state(match_die(own.points, PATTERN), PATTERN, own)
    assert (state.judged, state.expected) == (True, 7)
    assert (state.missing, state.together, state.bent) == (missing, together, 0)
    assert state.faulty == (missing > 0)


def test_a_die_of_which_hardly_anything_is_found_is_not_judged() -> None:
    own = dots([0, 1, 3], {})
    assert _state(match_die(own.points, PATTERN), PATTERN, own) is UNJUDGED


def test_a_die_with_more_needles_than_its_pattern_is_not_judged_by_it() -> None:
    own = dots(list(range(7)), {})
    poorer = PATTERN[[0, 1, 3, 4, 5, 6]]
    assert _state(match_die(own.points, poorer), poorer, own) is UNJUDGED


def test_all_needles() -> None:
    own = dots(list(range(7)), {})
    state = _state(match_die(own.points, PATTERN), PATTERN, own)
    assert (state.expected, state.missing, state.bent, state.together) == (7, 0, 0, 0)
