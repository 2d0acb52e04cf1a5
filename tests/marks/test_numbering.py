"""Which marks come next: the herd's numbers go on, with this year's letter."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.marks.check_characters import SCHEMES, check_characters
from legibility.marks.learned import learned_rules
from legibility.marks.numbering import coming_marks
from legibility.marks.year_letters import PROFILES


def coming(marks: list[str], years: list[int] | None = None) -> tuple[str, ...]:
    learned = learned_rules(marks, birth_years=years)
    found = coming_marks(learned, marks, birth_years=years or (), year=2026, most=3)
    assert found.in_turn
    return found.marks


@pytest.mark.parametrize(
    ("marks", "wanted"),
    [
        ([f"HD{n:03d}" for n in range(1, 80)], ("HD080", "HD081", "HD082")),
        ([f"hd {n}" for n in range(1, 99)], ("HD99", "HD100", "HD101")),
        ([f"HD/{n:03d}" for n in range(1, 80)], ("HD/080", "HD/081", "HD/082")),
        ([f"{n}" for n in range(1, 99)], ("99", "100", "101")),
    ],
)
def test_numbers_go_on(marks: list[str], wanted: tuple[str, ...]) -> None:
    assert coming(marks) == wanted


def test_numbers_that_begin_anew_each_year_do_so_again() -> None:
    # International letters: 2025 N, 2026 P (Beef Improvement Federation, Guidelines wiki).
    years = [2015 + n // 40 for n in range(400)]
    letter = PROFILES["bif"].letter
    marks = [f"TCE{n % 40 + 1}{letter(year)}" for n, year in enumerate(years)]
    assert coming(marks, years) == ("TCE1P", "TCE2P", "TCE3P")
    assert coming([*marks, "TCE1P"], [*years, 2026]) == ("TCE2P", "TCE3P", "TCE4P")


def test_numbers_that_go_through_the_years_go_on() -> None:
    years = [2015 + n // 40 for n in range(400)]
    letter = PROFILES["bif"].letter
    marks = [f"TCE{n + 1}{letter(year)}" for n, year in enumerate(years)]
    assert coming(marks, years) == ("TCE401P", "TCE402P", "TCE403P")


def test_check_characters_are_those_of_the_new_number() -> None:
    def whole(n: int) -> str:
        return f"{n:03d}" + check_characters(SCHEMES["damm"], f"{n:03d}")

    assert coming([whole(n) for n in range(100, 130)]) == tuple(map(whole, (130, 131, 132)))


def test_letters_of_the_latest_animals_go_on() -> None:
    marks = [f"{c}{n}" for c in "ABCDEFGH" for n in range(1, 51)]
    years = [2014 + "ABCDEFGH".index(mark[0]) for mark in marks]
    assert {mark[0] for mark in coming(marks, years)} <= {"G", "H"}


def test_numbers_not_in_turn_are_drawn_with_the_herds_own_letters() -> None:
    rng = np.random.default_rng(2)
    marks = [f"{a}{n}" for a, n in zip("BK" * 40, rng.integers(10_000, 99_999, 80), strict=True)]
    found = coming_marks(learned_rules(marks), marks, year=2026, most=20)
    assert not found.in_turn
    assert len(found.marks) == 20
    assert {mark[0] for mark in found.marks} == {"B", "K"}


def test_numbers_that_rise_with_the_years_go_on_though_most_animals_have_left() -> None:
    rng = np.random.default_rng(4)
    numbers = np.sort(rng.choice(np.arange(100, 1700), 200, replace=False))
    years = [2014 + int(n - 100) * 11 // 1600 for n in numbers]
    marks = [f"HD{n}" for n in numbers]
    last = int(numbers[-1])
    assert coming(marks, years) == tuple(f"HD{last + k}" for k in (1, 2, 3))
    # In no order of birth such numbers mean something else.
    shuffled = [int(year) for year in rng.permutation(years)]
    found = coming_marks(learned_rules(marks), marks, birth_years=shuffled, year=2026, most=3)
    assert not found.in_turn


def test_marks_that_the_list_writes_without_the_prefix_are_not_gone_on_with() -> None:
    rng = np.random.default_rng(5)
    numbers = rng.choice(np.arange(1000, 9999), 200, replace=False)
    marks = [f"HD{n}" if k % 6 else f"{n}" for k, n in enumerate(numbers)]
    found = coming_marks(learned_rules(marks), marks, year=2026, most=30)
    assert len(found.marks) == 30
    assert all(mark.startswith("HD") for mark in found.marks)
