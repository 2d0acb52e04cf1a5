"""Agreement against published worked examples and two general libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint

from legibility.evidence.agreement import (
    agreement_table,
    alpha_limits,
    cohen_kappa,
    exact_share,
    krippendorff_alpha,
    label_numbers,
)

# Cohen 1960, 200 diagnoses by two readers: kappa .492; weighted values with statsmodels.
COHEN = np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]])

_ = None
# Krippendorff, "Computing Krippendorff's alpha-reliability": 4 observers, 12 units.
FOUR_OBSERVERS = [
    [1, 2, 3, 3, 2, 1, 4, 1, 2, _, _, _],
    [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, _, 3],
    [_, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, _],
    [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, _],
]
# Well-known example of 3 coders and 15 units.
THREE_CODERS = [
    [_, _, _, _, _, 3, 4, 1, 2, 1, 1, 3, 3, _, 3],
    [1, _, 2, 1, 3, 3, 4, 3, _, _, _, _, _, _, _],
    [_, _, 2, 1, 3, 4, 4, _, 2, 1, 1, 3, 3, _, 4],
]


def test_kappa_worked_example() -> None:
    kappa = cohen_kappa(COHEN)
    assert (kappa.observed, kappa.expected) == (pytest.approx(0.70), pytest.approx(0.41))
    assert kappa.value == pytest.approx(0.4915, abs=5e-5)
    # Cohen's own approximate standard error; ours is the later one of Fleiss, Cohen & Everitt.
    simple = np.sqrt(kappa.observed * (1 - kappa.observed) / kappa.n) / (1 - kappa.expected)
    assert simple == pytest.approx(0.0549, abs=5e-5)
    assert kappa.low < kappa.value < kappa.high
    assert cohen_kappa(COHEN, weights="linear").value == pytest.approx(0.4737, abs=5e-5)
    assert cohen_kappa(COHEN, weights="quadratic").value == pytest.approx(0.4545, abs=5e-5)


@pytest.mark.parametrize(
    ("ours", "theirs"), [("none", None), ("linear", "linear"), ("quadratic", "fc")]
)
@pytest.mark.parametrize("seed", range(4))
def test_kappa_agrees_with_statsmodels(ours: str, theirs: str | None, seed: int) -> None:
    table = np.random.default_rng(seed).integers(0, 30, (4, 4)) + 20 * np.eye(4, dtype=int)
    expected = cohens_kappa(table, wt=theirs)
    found = cohen_kappa(table, weights=ours)
    assert found.value == pytest.approx(expected.kappa, abs=1e-9)
    assert found.standard_error == pytest.approx(expected.std_kappa, abs=1e-9)


@given(st.lists(st.tuples(st.sampled_from("ABC"), st.sampled_from("ABC")), min_size=5, max_size=60))
def test_kappa_of_labels_agrees_with_scikit_learn(pairs: list[tuple[str, str]]) -> None:
    first, second = zip(*pairs, strict=True)
    found = cohen_kappa(agreement_table(first, second, categories="ABC"), weights="linear").value
    if np.isnan(found):
        assert len({*first, *second}) == 1
        return
    expected = cohen_kappa_score(first, second, labels=list("ABC"), weights="linear")
    assert found == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("level", "value"),
    [("nominal", 0.743), ("ordinal", 0.815), ("interval", 0.849), ("ratio", 0.797)],
)
def test_alpha_of_four_observers(level: str, value: float) -> None:
    assert krippendorff_alpha(FOUR_OBSERVERS, level=level) == pytest.approx(value, abs=5e-4)


@pytest.mark.parametrize(("level", "value"), [("nominal", 0.691), ("interval", 0.811)])
def test_alpha_of_three_coders(level: str, value: float) -> None:
    assert krippendorff_alpha(THREE_CODERS, level=level) == pytest.approx(value, abs=5e-4)


def test_alpha_of_labels_does_not_depend_on_their_names() -> None:
    named = [["Z" if v == 1 else None if v is None else str(v) for v in r] for r in FOUR_OBSERVERS]
    assert krippendorff_alpha(label_numbers(named)) == pytest.approx(0.743, abs=5e-4)


def test_alpha_of_many_different_marks() -> None:
    """Two readers, 3,000 ears with a mark each, one read wrongly: by the formula, by hand."""
    first = [float(number) for number in range(3000)]
    second = [1.0, *first[1:]]
    # Observed: 2 of 6,000 pairable values differ. Chance: all but equal pairs, of which label 0 has
    # 1 value, label 1 has 3 and all others 2.
    by_chance = (6000**2 - (1 + 9 + 2998 * 4)) / 5999
    assert krippendorff_alpha([first, second]) == pytest.approx(1 - 2 / by_chance, abs=1e-12)


def test_limits_of_alpha_hold_it_and_narrow_with_more_units() -> None:
    low, high = alpha_limits(FOUR_OBSERVERS)
    assert low < 0.743 < high
    more = [[*row] * 16 for row in FOUR_OBSERVERS]
    narrow_low, narrow_high = alpha_limits(more)
    assert narrow_low < 0.743 < narrow_high
    # Sixteen times the units: a quarter of the width, but for chance.
    assert narrow_high - narrow_low == pytest.approx((high - low) / 4, rel=0.5)
    assert np.isnan(alpha_limits([[1, None], [None, 2]])).all()
    assert np.isnan(alpha_limits([])).all()


def test_alpha_without_pairs_says_nothing() -> None:
    assert np.isnan(krippendorff_alpha([[1, None], [None, 2]]))
    assert np.isnan(krippendorff_alpha([[1, 1], [1, 1]]))
    assert np.isnan(krippendorff_alpha([]))


# Newcombe 1998, Stat. Med. 17:857-872, Table I, exact intervals.
@pytest.mark.parametrize(
    ("count", "total", "low", "high"),
    [
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
        (10, 10, 0.6915, 1.0),
    ],
)
def test_exact_intervals(count: int, total: int, low: float, high: float) -> None:
    share = exact_share(count, total)
    assert (share.low, share.high) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))
    assert (share.low, share.high) == pytest.approx(
        proportion_confint(count, total, method="beta"), nan_ok=True
    ) or count in (0, total)


@pytest.mark.parametrize(
    "call",
    [
        lambda: exact_share(3, 2),
        lambda: cohen_kappa([[1, 2, 3]]),
        lambda: cohen_kappa([[0, 0], [0, 0]]),
        lambda: krippendorff_alpha([[1], [1, 2]]),
        lambda: agreement_table("AB", "A"),
        lambda: agreement_table("AB", "AX", categories="AB"),
    ],
)
def test_what_cannot_be_counted_is_refused(call: object) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=r"expected|none of|no counts"):
        call()
