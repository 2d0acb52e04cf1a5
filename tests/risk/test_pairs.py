"""The pairs found are all pairs there are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from legibility.alphabet import CHARACTERS
from legibility.risk.join import TargetSet, join
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.misreading import Errors, channel
from legibility.risk.pairs import find_pairs
from tests.risk.herds import all_pairs, random_marks


def check(marks: list[str], condition: str, least: float, errors: Errors | None = None) -> int:
    herd = mark_set(marks)
    ch = channel(load_kernel().at(condition), errors)
    found = find_pairs(herd, herd, ch, least=least)
    as_dict = {
        (int(a), int(b)): float(p)
        for a, b, p in zip(found.record, found.read, found.probability, strict=True)
    }
    assert len(as_dict) == len(found)
    assert as_dict == pytest.approx(all_pairs(herd, herd, ch, least), rel=1e-12)
    same_record = np.diff(found.record) == 0
    assert (np.diff(found.record) >= 0).all()
    assert (np.diff(found.probability)[same_record] <= 1e-9).all()
    return len(found)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    seed=st.integers(0, 10_000),
    condition=st.sampled_from(["new", "mild", "worn", "faint"]),
    characters=st.sampled_from([CHARACTERS, "BD8O0Q69", "ILT17"]),
    least=st.sampled_from([1e-4, 3e-3]),
    swap=st.sampled_from([0.0, 0.002, 0.3]),
)
def test_all_pairs_of_a_random_registry(
    seed: int, condition: str, characters: str, least: float, swap: float
) -> None:
    marks = random_marks(100, seed=seed, characters=characters, lengths=(1, 2, 3, 5))
    check(marks, condition, least, Errors(swap=swap))


@pytest.mark.parametrize("count", [500, pytest.param(3000, marks=pytest.mark.long)])
@pytest.mark.parametrize(
    ("characters", "lengths"), [("BD8O0Q69MW", (4, 5)), (CHARACTERS, (3, 6)), ("0123456789", (6,))]
)
def test_all_pairs_of_a_herd(characters: str, lengths: tuple[int, ...], count: int) -> None:
    marks = random_marks(count, seed=5, characters=characters, lengths=lengths, two_rows=0.1)
    assert check(marks, "worn", 1e-4) > 0


def test_both_ways_to_join_agree_with_trying_all() -> None:
    rng = np.random.default_rng(8)
    cost = -np.log(load_kernel().at("mild")[:, :36])
    for alphabet, count in ((36, 400), (4, 900)):
        codes = np.unique(rng.integers(0, alphabet, (count, 5)).astype(np.uint8), axis=0)
        budget = np.full(len(codes), 6.0)
        total = cost[codes[:, None, :], codes[None, :, :]].sum(axis=2)
        wanted = {(int(a), int(b)) for a, b in zip(*np.nonzero(total <= 6.0), strict=True)}
        blocks = list(join(codes, budget, TargetSet(codes), cost))
        found = {
            (int(a), int(b)) for left, right in blocks for a, b in zip(left, right, strict=True)
        }
        assert wanted <= found
        assert all(total[a, b] <= 6.0 + 1e-3 for a, b in found)


def test_new_marks_against_a_registry() -> None:
    herd, new = mark_set(["K417", "B223", "AB/12"]), mark_set(["K411", "8223", "ZZZZ"])
    ch = channel(load_kernel().at("worn"))
    found = find_pairs(new, herd, ch)
    expected = all_pairs(new, herd, ch, 1e-4)
    assert {(int(a), int(b)) for a, b in zip(found.record, found.read, strict=True)} == set(
        expected
    )
    assert ("8223", "B223") in set(
        zip(new.texts(found.record), herd.texts(found.read), strict=True)
    )


def test_marks_come_back_as_written() -> None:
    marks = ["K417", "AB/123", "K417", "7", "A/B"]
    herd = mark_set(marks)
    assert herd.texts(herd.of_given) == marks
    assert len(herd) == 4
    assert herd.carriers[herd.of_given].tolist() == [2, 1, 2, 1, 1]


@pytest.mark.parametrize("mark", ["", "a1", "A//B", "/A", "A/", "A-1", "A/B/C"])
def test_what_is_no_mark(mark: str) -> None:
    with pytest.raises(ValueError, match="mark"):
        mark_set(["K417", mark])
