"""Dies and how a mark is laid out from them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS
from legibility.simulate.press import die_needles, mark_size_mm, press, source_names
from legibility.simulate.scene import sample_dies

DIES = replace(
    sample_dies(np.random.default_rng(1), source=source_names(split="train")[0]),
    offset=0.0, tilt_deg=0.0, bow=0.0, pitch=1.0, growth=(1.0, 1.0), height_mm=8.0, needles=12,
)  # fmt: skip


def test_both_splits_have_sources_and_share_none() -> None:
    train, held_out = source_names(split="train"), source_names(split="held_out")
    assert len(train) >= 30
    assert held_out
    assert not set(train) & set(held_out)


def test_every_character_has_a_die_of_sensible_size() -> None:
    for character in CHARACTERS:
        needles = die_needles(DIES, character)
        assert 4 <= len(needles) <= 20
        assert np.ptp(needles[:, 0]) <= DIES.pitch
        assert np.ptp(needles[:, 1]) <= 1.15


def test_the_same_die_twice_is_the_same() -> None:
    first, second = press("AA", DIES)
    np.testing.assert_allclose(
        first.needles_mm - first.quad_mm[0], second.needles_mm - second.quad_mm[0], atol=1e-9
    )


def test_pitch_height_and_growth() -> None:
    one, two, three = press("HHH", DIES)
    assert (two.quad_mm - one.quad_mm)[0, 0] == pytest.approx(8.0)
    assert (three.quad_mm - two.quad_mm)[0, 0] == pytest.approx(8.0)
    grown = press("HHH", replace(DIES, growth=(1.5, 1.2)))
    assert (grown[1].quad_mm - grown[0].quad_mm)[0, 0] == pytest.approx(12.0)
    height = mark_size_mm(press("HHH", DIES))[1]
    assert mark_size_mm(grown)[1] == pytest.approx(1.2 * height)


def test_two_rows_stand_over_each_other() -> None:
    pressed = press("AB/123", DIES)
    assert [(c.row, c.cell, c.character) for c in pressed] == [
        (0, 0, "A"), (0, 1, "B"), (1, 0, "1"), (1, 1, "2"), (1, 2, "3"),
    ]  # fmt: skip
    upper = max(c.quad_mm[:, 1].max() for c in pressed if c.row == 0)
    lower = min(c.quad_mm[:, 1].min() for c in pressed if c.row == 1)
    assert upper < lower


def test_needles_lie_in_their_boxes() -> None:
    for character in press("AB/123", DIES):
        low, high = character.quad_mm.min(axis=0), character.quad_mm.max(axis=0)
        inside = ((character.needles_mm > low) & (character.needles_mm < high)).all(axis=1)
        assert inside.all()


def test_an_empty_mark_and_a_wrong_one() -> None:
    assert press("", DIES) == ()
    with pytest.raises(ValueError, match="no character of a mark"):
        press("a", DIES)
