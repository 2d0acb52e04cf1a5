"""What counts as visible and as readable."""

from __future__ import annotations

import numpy as np

from legibility.evaluate.visibility import (
    character_readable,
    ink_direction,
    needles_apart,
    person_readable,
    sample,
)


def readable(**changes):
    n = 10
    values = {
        "visible": np.ones(n, bool),
        "cnr": np.full(n, 8.0),
        "inked": np.ones(n, bool),
        "covered": np.zeros(n, bool),
        "apart": 4,
        "height_px": 60.0,
    }
    return character_readable(**{**values, **changes})


def test_each_condition_is_needed():
    assert readable()
    assert not readable(height_px=10.0)
    assert not readable(apart=0)
    assert not readable(visible=np.arange(10) < 7)
    assert not readable(cnr=np.full(10, 3.0))
    assert not readable(covered=np.ones(10, bool))


def test_every_character_must_be_readable():
    assert person_readable((True, True))
    assert not person_readable((True, False))
    assert not person_readable(())


def test_needles_apart_counts_both_ways_and_forgives_covered_places():
    seen = np.array([[0.0, 0.0], [10.0, 0.0], [20.0, 0.0]])
    own = [(x, 0.0, 0, 0) for x in (0, 10, 20)]
    other = [(0, 0, 1, 0), (10, 0, 1, 0), (10, 10, 1, 0), (0, 10, 1, 1)]
    sites = np.array(own + other, dtype=np.float32)
    # it lacks (20, 0), and its (10, 10) is not seen; its (0, 10) is covered
    assert needles_apart(seen, sites, own=(0,), distance_px=3.0) == 2
    assert needles_apart(seen, sites, own=(), distance_px=3.0) == 0


def test_ink_direction_points_along_the_change():
    blank = np.full((8, 8, 3), 200, np.uint8)
    inked = blank.copy()
    inked[2:4, 2:4] = (140, 200, 120)
    density = np.zeros((8, 8), np.float32)
    density[2:4, 2:4] = 1
    np.testing.assert_allclose(ink_direction(inked, blank, density), [-0.6, 0.0, -0.8], atol=1e-9)
    np.testing.assert_allclose(np.linalg.norm(ink_direction(inked, blank, 0 * density)), 1.0)


def test_sampling_outside_is_nothing():
    image = np.arange(6, dtype=np.float32).reshape(2, 3)
    points = np.array([[2.0, 1.0], [5.0, 0.0], [-1.0, 0.0]])
    assert sample(image, points).tolist() == [5.0, 0.0, 0.0]
