"""The kernel's container and the shipped measurement."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import NO_CHARACTER, index_of
from legibility.errors import ModelError, SettingsError
from legibility.risk.blend import load_counts
from legibility.risk.kernel import (
    NAMED,
    Condition,
    Kernel,
    beta_interval,
    condition_of,
    grade_of,
    load_kernel,
    save_kernel,
)


@pytest.fixture(scope="module")
def kernel() -> Kernel:
    return load_kernel()


def test_rows_are_probabilities_at_every_condition(kernel: Kernel) -> None:
    for condition in (*NAMED, 3.3, Condition(0.7, 0.4, 0.3)):
        matrix = kernel.at(condition)
        assert matrix.shape == (36, 37)
        assert (matrix > 0).all()
        assert matrix.sum(axis=1) == pytest.approx(1.0)
    assert kernel.probabilities.sum(axis=2) == pytest.approx(1.0)
    assert len(kernel.labels) == len(kernel.conditions) == len(kernel.counts)


def test_a_condition_of_the_grid_is_what_was_counted(kernel: Kernel) -> None:
    for number in (0, len(kernel.counts) - 1):
        at = kernel.at(kernel.conditions[number])
        assert at == pytest.approx(kernel.probabilities[number], abs=1e-5)
        assert kernel.counts_at(kernel.conditions[number]) == pytest.approx(kernel.counts[number])


def test_dirichlet_mean_by_hand() -> None:
    counts, expected = np.zeros((1, 36, 37)), np.full((1, 36, 37), 1 / 37)
    counts[0, 0, 0], counts[0, 0, 1] = 90, 10
    one = np.array([1.0])
    kernel = Kernel(one, one, one, counts, expected, prior_strength=37.0)
    # (90 + 1) / (100 + 37), (10 + 1) / 137, (0 + 1) / 137; without counts the prior stays.
    assert kernel.at("new")[0, :3] == pytest.approx([91 / 137, 11 / 137, 1 / 137])
    assert kernel.at("new")[5] == pytest.approx(1 / 37)


def test_worse_conditions_are_read_worse(kernel: Kernel) -> None:
    right = [kernel.at(name).diagonal().mean() for name in NAMED]
    assert right == sorted(right, reverse=True)
    unread = [kernel.at(name)[:, NO_CHARACTER].mean() for name in NAMED]
    assert unread == sorted(unread)


def test_the_kernel_is_asymmetric(kernel: Kernel) -> None:
    matrix = kernel.at("new")
    zero, letter = index_of("0"), index_of("O")
    assert matrix[zero, letter] != pytest.approx(matrix[letter, zero], rel=0.2)


def test_intervals_hold_the_mean_and_narrow_with_counts() -> None:
    """Beta(10.5, 10.5) and Beta(2, 9), 95 %: scipy's ``beta.ppf``."""
    from scipy.stats import beta

    low, high = beta_interval(np.array([0.5, 2 / 11]), np.array([21.0, 11.0]))
    assert low == pytest.approx([beta.ppf(0.025, 10.5, 10.5), beta.ppf(0.025, 2, 9)])
    assert high == pytest.approx([beta.ppf(0.975, 10.5, 10.5), beta.ppf(0.975, 2, 9)])


def test_intervals_of_the_shipped_kernel(kernel: Kernel) -> None:
    for name in NAMED:
        low, high = beta_interval(kernel.at(name), kernel.sample_at(name)[:, None])
        matrix = kernel.at(name)
        assert (low <= high).all()
        likely = matrix > 0.05  # of rarer ones the median lies far below the mean
        assert (low <= matrix)[likely].all()
        assert (high >= matrix)[likely].all()
    assert (kernel.sample_at("new") > kernel.sample_at("lost")).all()


def test_grades_and_names() -> None:
    assert condition_of("new") == condition_of(4.0) == condition_of("4")
    assert condition_of(2.0) == NAMED["worn"]
    assert grade_of("Faint") == 1.0
    assert NAMED["worn"].needles > condition_of(1.5).needles > NAMED["faint"].needles
    for bad in ("nice", "5", "-1", "nan", Condition(1.2, 0.5, 0.5)):
        with pytest.raises(SettingsError):
            condition_of(bad)


def test_it_comes_back_from_its_file(kernel: Kernel, tmp_path: Path) -> None:
    save_kernel(kernel, tmp_path / "k.npz")
    again = load_kernel(tmp_path / "k.npz")
    assert again.at("worn") == pytest.approx(kernel.at("worn"), abs=1e-6)
    assert again.origin == kernel.origin


def test_files_that_are_no_kernel(kernel: Kernel, tmp_path: Path) -> None:
    (tmp_path / "a.npz").write_bytes(b"nothing")
    with pytest.raises(ModelError, match=r"a\.npz"):
        load_kernel(tmp_path / "a.npz")
    with pytest.raises(ModelError, match=r"b\.npz"):
        load_kernel(tmp_path / "b.npz")
    save_kernel(replace(kernel, counts=kernel.counts[:1]), tmp_path / "c.npz")
    with pytest.raises(ModelError, match="counts"):
        load_kernel(tmp_path / "c.npz")


def test_own_counts_blend_by_their_number(kernel: Kernel, tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("true,read,count\n8,B,30\n8,8,20\n8,?,0\n", encoding="utf-8")
    own = load_counts(tmp_path / "own.csv", worth=50)
    matrix = kernel.at("worn")
    eight, b = index_of("8"), index_of("B")
    blended = own.blend(matrix)
    assert blended[eight, b] == pytest.approx((50 * matrix[eight, b] + 30) / 100)
    assert blended[b] == pytest.approx(matrix[b])
    assert blended.sum(axis=1) == pytest.approx(1.0)
    assert own.effective_sample[eight] == 100
    assert own.effective_sample[b] == 50
    assert own.own_share == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("true,count\n8,1\n", "line 1: column 'read'"),
        ("true,read,count\n8,B,x\n", "line 2: count is 'x'"),
        ("true,read,count\n8,B,1\n88,B,1\n", "line 3: true is '88'"),
        ("true,read,count\n8,BB,1\n", "line 2: read is 'BB'"),
        ("true,read,count\n8,B,-1\n", "line 2: count is '-1'"),
        ("true,read,count\n", "no readings"),
        ("", "line 1"),
    ],
)
def test_counts_that_cannot_be_used(text: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=said):
        load_counts(tmp_path / "own.csv")
