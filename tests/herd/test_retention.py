"""Arithmetic of the retention report against published figures and statsmodels."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from legibility.evidence.agreement import exact_share
from legibility.herd.retention import (
    mcnemar,
    rule_of_three,
    time_per_success,
    usable_share,
    zero_limit,
)
from legibility.report.retention import share


def test_zero_failures() -> None:
    # Hanley & Lippman-Hand 1983: 0 of 14 and 0 of 300.
    assert rule_of_three(14) == pytest.approx(0.2143, abs=5e-5)
    assert zero_limit(14) == pytest.approx(0.1926, abs=5e-5)
    assert rule_of_three(300) == pytest.approx(0.01)
    assert zero_limit(300) == pytest.approx(0.00994, abs=5e-6)
    assert rule_of_three(0) == zero_limit(0) == 1.0


def test_a_thousand_animals_over_four_years_without_a_failure() -> None:
    """Common practice, no source: compatible with a true share of failures of up to 0.3 %."""
    assert rule_of_three(1000) == pytest.approx(0.003)
    assert zero_limit(1000) == pytest.approx(0.003, rel=0.004)
    # Followed for four years each, the limit a year is a quarter of that.
    assert zero_limit(4000) == pytest.approx(0.003 / 4, rel=0.004)


def test_391_of_4_000_000_is_not_ten_times_less() -> None:
    """Common practice, no source: 391 events in 4,000,000 are 0.0098 %."""
    found = exact_share(391, 4_000_000)
    assert 100 * found.value == pytest.approx(0.0098, abs=5e-5)
    assert found.low < 0.000098 < found.high
    assert found.low > 0.0000098
    record = {"count": 391, "total": 4_000_000, "low": found.low, "high": found.high}
    assert share(record) == "391 of 4,000,000 (0.0098 %, 95 % interval 0.0088 to 0.011 %)"


@pytest.mark.parametrize(
    ("present", "readable", "product"),
    [
        (0.930, 0.776, 0.722),
        (0.742, 0.854, 0.634),
        (0.987, 0.720, 0.711),
        (0.926, 0.801, 0.742),
    ],
)
def test_pigs_for_sale_in_new_south_wales(present: float, readable: float, product: float) -> None:
    """J. Anim. Sci., technical note "Evaluation of the official identification system for pigs for
    sale in New South Wales", 4,655 pigs: "63 to 74 %" of body tattoos could be read in all."""
    assert usable_share(present, readable) == pytest.approx(product, abs=6e-4)


def test_shares_outside_their_range() -> None:
    with pytest.raises(ValueError, match="expected 0 to 1"):
        usable_share(1.2, 0.5)


@pytest.mark.parametrize(("only_first", "only_second"), [(3, 12), (10, 10), (0, 6), (25, 4)])
def test_mcnemar_against_statsmodels(only_first: int, only_second: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from statsmodels.stats.contingency_tables import mcnemar as oracle
        from statsmodels.stats.proportion import proportion_confint
    table = np.array([[40, only_first], [only_second, 7]])
    found = mcnemar("a", "b", both=40, only_first=only_first, only_second=only_second, neither=7)
    assert found.p_value == pytest.approx(oracle(table, exact=True).pvalue)
    low, high = proportion_confint(only_first, only_first + only_second, method="beta")
    assert (found.low, found.high) == pytest.approx((low, high))
    assert found.n == 47 + only_first + only_second


def test_nothing_is_called_better_without_an_interval_that_says_so() -> None:
    near = mcnemar("eye", "chip", both=40, only_first=3, only_second=7, neither=1)
    assert near.verdict == "the data do not show which identifies more often"
    far = mcnemar("eye", "chip", both=40, only_first=2, only_second=20, neither=1)
    assert far.verdict == "chip identified more often"
    assert (
        "nothing of a difference"
        in mcnemar("eye", "chip", both=9, only_first=0, only_second=0, neither=0).verdict
    )


def test_time_of_failed_tries_counts() -> None:
    found = time_per_success([10.0, 20.0, 60.0], [True, True, False])
    assert found.seconds == pytest.approx(45.0)
    assert found.low <= 45.0 <= found.high
    assert math.isnan(time_per_success([5.0], [False]).seconds)
    assert math.isnan(time_per_success([5.0], [True]).low)
