"""Rare views that are left out are those that add next to nothing, whatever is read."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.misreading import NEGLIGIBLE, RARE, Errors, channel, pair_probability, views
from legibility.risk.rare_views import enough_without
from tests.risk.herds import random_marks


@pytest.mark.parametrize("condition", ["new", "worn", "lost"])
@pytest.mark.parametrize("swap", [0.002, 0.3])
@pytest.mark.parametrize("two_rows", [0.0, 1.0])
def test_no_pair_loses_more_than_is_negligible(
    condition: str, swap: float, two_rows: float
) -> None:
    ch = channel(load_kernel().at(condition), Errors(swap=swap))
    drawn = random_marks(60, seed=5, lengths=(5, 6), two_rows=two_rows)
    alike = [mark.translate(str.maketrans("BD8O0I1Z2", "8OB0D1I2Z")) for mark in drawn]
    swapped = [mark[1] + mark[0] + mark[2:] for mark in drawn if "/" not in mark[:2]]
    marks = [*drawn, *alike, *swapped]
    spared = 0
    for record in mark_set(marks).groups:
        for read in mark_set(marks).groups:
            ways = views(record.structure, read.structure, ch)
            n = len(record.ids), len(read.ids)
            x, y = np.repeat(np.arange(n[0]), n[1]), np.tile(np.arange(n[1]), n[0])
            pairs = record.codes[x], record.structure, read.codes[y], read.structure
            limits = enough_without(record.codes, record.structure, read.structure, ch)
            assert set(limits) <= {view for view in ways if view.weight < RARE}
            whole = pair_probability(*pairs, ch)
            odds = np.zeros(len(x))
            usual = pair_probability(
                *pairs, ch, odds=odds, enough={v: np.zeros(len(x), "f4") for v in limits}
            )
            there = {view: one[x] for view, one in limits.items()}
            spared += sum(int((usual >= one).sum()) for one in there.values())
            less = whole - pair_probability(*pairs, ch, enough=there)
            assert np.abs(less).max(initial=0.0) <= len(ways) * NEGLIGIBLE
    assert spared > 20
