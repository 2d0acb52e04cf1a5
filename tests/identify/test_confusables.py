from __future__ import annotations

import numpy as np
import pytest

from legibility.alphabet import index_of
from legibility.containers import Animal
from legibility.identify.animals import registry_of
from legibility.identify.confusables import confusables
from tests.identify.reading_builder import cell, reading

HERD = registry_of([Animal("a", "8B1"), Animal("b", "BB1"), Animal("c", "8B7"), Animal("d", "8D1")])

# Pairs at the top of Simpson, Mousikou, Montoya & Defior 2013, Behav. Res. Methods 45:431-439.
ALIKE = ["OQ", "CG", "MW", "PR", "CO", "UV", "EF", "BD", "MN", "VW"]


def test_alternatives_and_whom_they_make_plausible() -> None:
    seen = reading(
        [
            [
                cell({"8": 0.8, "B": 0.17}),
                cell({"": 0.95}),
                cell({"B": 0.9, "D": 0.08}),
                cell({"1": 0.95, "7": 0.02, "I": 0.004}),
            ]
        ]
    )
    got = confusables(seen, HERD)
    assert [(c.cell, c.character, c.alternative, c.animal_ids) for c in got] == [
        (0, "8", "B", ("b",)),
        (2, "B", "D", ("d",)),
        (3, "1", "7", ("c",)),
    ]
    # As in the text that people see: how marks are usually written counts.
    first = np.exp(seen.hypotheses[0].as_written().rows[0][0].logp)
    assert got[0].probability == pytest.approx(first[index_of("8")])
    assert got[0].alternative_probability == pytest.approx(first[index_of("B")])
    assert 0.5 < got[0].probability < 0.8
    assert confusables(seen, None)[0].animal_ids == ()


@pytest.mark.parametrize("pair", ALIKE)
def test_pairs_come_from_the_reading_alone(pair: str) -> None:
    doubtful = confusables(reading([[cell({pair[0]: 0.7, pair[1]: 0.25})]]), HERD)
    assert (pair[0], pair[1]) in {(c.character, c.alternative) for c in doubtful}
    certain = confusables(reading([[cell({pair[0]: 0.999})]]), HERD)
    assert certain == ()


def test_second_row_and_no_row() -> None:
    herd = registry_of([Animal("x", "A/1"), Animal("y", "A/7")])
    seen = reading([[cell({"A": 0.99})], [cell({"1": 0.7, "7": 0.28})]])
    (only,) = confusables(seen, herd)
    assert (only.row, only.cell, only.animal_ids) == (1, 0, ("y",))
    assert confusables(reading(), herd) == ()
