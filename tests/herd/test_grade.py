from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.alphabet import N_CLASSES, NO_CHARACTER, index_of
from legibility.containers import (
    CaptureCheck,
    CellReading,
    Flag,
    Hypothesis,
    NeedleEvidence,
    Reading,
)
from legibility.herd.grade import grade

GOOD = CaptureCheck(Flag.NONE, {}, True)
POOR = CaptureCheck(Flag.BLURRED, {}, False)


def cell(
    *,
    contrast: float = 0.6,
    inked: float = 12.0,
    separation: float = math.nan,
    seen: float = 1.0,
    chance: float = 0.995,
    character: str = "A",
) -> CellReading:
    weights = np.full(N_CLASSES, (1 - chance) / (N_CLASSES - 1))
    weights[index_of(character) if character else NO_CHARACTER] = chance
    return CellReading(
        np.log(weights), np.zeros((4, 2)), NeedleEvidence(12, inked), contrast, seen, separation
    )


def mark(*cells: CellReading, no_mark: float = 0.01) -> Reading:
    return Reading(
        (Hypothesis(float(np.log(1 - no_mark)), (cells,), 0.0, False),), float(np.log(no_mark))
    )


def test_as_new() -> None:
    got = grade(mark(cell(), cell(separation=0.7)), GOOD)
    assert got is not None
    assert got.overall == 4.0
    assert set(got.parameters) == {
        "ink_contrast",
        "needles_present",
        "separation",
        "evenness",
        "certainty",
    }
    assert "as new" in got.reason


# Cell contrast of ISO/IEC 29158 (from memory): 30, 25, 20, 15 % are grades 4, 3, 2, 1.
@pytest.mark.parametrize(("contrast", "value"), [(0.30, 4), (0.25, 3), (0.20, 2), (0.15, 1)])
def test_contrast_limits(contrast: float, value: float) -> None:
    got = grade(mark(cell(contrast=contrast), cell(contrast=contrast)), GOOD)
    assert got is not None
    assert got.parameters["ink_contrast"] == value
    assert got.parameters["evenness"] == 4.0


@pytest.mark.parametrize(
    ("worst", "limiting"),
    [
        (cell(contrast=0.22), "ink contrast"),
        (cell(inked=5.0), "needles present"),
        (cell(separation=0.1), "separation"),
        (cell(chance=0.6), "certainty"),
    ],
)
def test_the_worst_parameter_is_the_grade_and_the_reason(worst: CellReading, limiting: str) -> None:
    got = grade(mark(cell(), worst, cell()), GOOD)
    assert got is not None
    assert got.overall == min(got.parameters.values())
    assert got.reason.startswith(limiting)
    assert "character 2 of 3" in got.reason


def test_evenness_limits() -> None:
    got = grade(mark(cell(contrast=0.9), cell(contrast=0.9), cell(contrast=0.315)), GOOD)
    assert got is not None
    assert got.overall == got.parameters["evenness"] == 2.5
    assert got.reason.startswith("evenness")


def test_unmeasured_parameters_are_left_out() -> None:
    got = grade(mark(cell()), GOOD)
    assert got is not None
    assert "separation" not in got.parameters


def test_no_grade_where_the_photo_does_not_allow_one() -> None:
    assert grade(mark(cell()), POOR) is None
    assert grade(Reading((), -0.01), GOOD) is None
    assert grade(mark(cell(), no_mark=0.8), GOOD) is None
    assert grade(mark(cell(seen=0.2), cell(seen=0.3), cell()), GOOD) is None
    assert grade(mark(cell(character="")), GOOD) is None


def test_cells_not_seen_do_not_lower_the_grade() -> None:
    got = grade(mark(cell(), cell(), cell(seen=0.2, inked=0.0, chance=0.1)), GOOD)
    assert got is not None
    assert got.overall == 4.0


@given(st.floats(0, 1), st.floats(0, 12), st.floats(0.03, 0.999), st.floats(0.05, 0.3))
def test_a_worse_mark_never_gets_a_better_grade(
    contrast: float, inked: float, chance: float, less: float
) -> None:
    rest = (cell(contrast=1.0), cell(contrast=1.0))
    better = grade(mark(*rest, cell(contrast=contrast, inked=inked, chance=chance)), GOOD)
    worse_cell = cell(
        contrast=contrast * (1 - less), inked=inked * (1 - less), chance=chance * (1 - less)
    )
    worse = grade(mark(*rest, worse_cell), GOOD)
    if better is not None and worse is not None:
        assert worse.overall <= better.overall
        assert 0 <= worse.overall <= 4
