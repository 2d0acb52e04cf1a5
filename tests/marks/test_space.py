from __future__ import annotations

import itertools
from collections import Counter

import numpy as np
import pytest
from scipy import stats

from legibility.marks.rules import Form, Rules
from legibility.marks.space import count_marks, iter_marks, sample_marks

SMALL = [
    Rules(characters="AB1", shortest_row=1, longest_row=2),
    Rules(characters="AB1", prefix="K", exclude="B", longest_row=3, max_rows=1),
    # Forms that overlap: "A1" and "AB" are each allowed by two.
    Rules(characters="AB1", forms=(Form(("@{1,2}*",)), Form(("A*",)), Form(("*", "1")))),
    Rules(characters="AB1KY", forms=(Form(("[AB1]{1,2}{check}",), check="mod-37-2"),)),
    Rules(
        characters="ABK12Y",
        forms=(Form(("[AB]", "[12]{check}"), check="mod-37-36"), Form(("*", "*{2}"))),
    ),
    Rules(
        characters="AB12X",
        forms=(Form(("@[12]{2}{check}",), check="mod-11-2", check_covers="digits"),),
    ),
    Rules(characters="AB0123456789", forms=(Form(("[12]{2}{check}",), check="verhoeff"),)),
    Rules(characters="ABMN", year_letters="bif", forms=(Form(("[AB]{year}",), ear="left"),)),
]


def brute_force(rules: Rules) -> set[str]:
    """Every well-formed mark of up to 4 characters, asked one by one."""
    used = sorted(set(rules.in_use) | set(rules.prefix) | set("ABK12XYMN"))
    texts = ["".join(t) for n in range(1, 5) for t in itertools.product(used, repeat=n)]
    marks = texts + [f"{text[:k]}/{text[k:]}" for text in texts for k in range(1, len(text))]
    return {mark for mark in marks if rules.problem(mark) == ""}


@pytest.mark.parametrize("rules", SMALL)
def test_counts_are_those_of_brute_force(rules: Rules) -> None:
    marks = list(iter_marks(rules))
    if rules.year_letters:
        marks = [mark for mark in marks if mark[1] in "ABMN"]
    assert len(set(marks)) == len(marks)
    assert set(marks) == {m for m in brute_force(rules) if not rules.year_letters or m[1] in "ABMN"}
    assert count_marks(rules) == len(list(iter_marks(rules)))


def test_counts_of_large_rules() -> None:
    # Arithmetic: all texts of 1 to 8 characters, alone or over another.
    rows = sum(36**n for n in range(1, 9))
    assert count_marks(Rules()) == rows + rows**2
    # A check character adds no marks: as many as texts before it (ISO 7064 MOD 37,36 has one for
    # each); MOD 37-2 loses those whose check is "*".
    for name in ("mod-37-36", "mod-1271-36"):
        form = Form(("*{3}{check}",), check=name)
        assert count_marks(Rules(forms=(form,))) == 36**3
    with_star = count_marks(Rules(forms=(Form(("*{3}{check}",), check="mod-37-2"),)))
    assert 36**3 * 35 / 37 < with_star < 36**3
    # Canadian Simmental Association: letters, number without leading 0, 22 year letters.
    rules = Rules(year_letters="bif", forms=(Form(("@{3,4}[1-9]#{0,3}{year}",)),))
    assert count_marks(rules) == (26**3 + 26**4) * 9999 * 22
    assert count_marks(rules, birth_year=2026) == (26**3 + 26**4) * 9999


def test_ears() -> None:
    rules = Rules(forms=(Form(("#",), ear="left"), Form(("@",), ear="right"), Form(("##",))))
    assert count_marks(rules, ear="left") == 110
    assert count_marks(rules, ear="right") == 126
    assert count_marks(rules) == 136
    assert set(sample_marks(rules, np.random.default_rng(1), 300, ear="left")) <= {
        str(n) for n in range(10)
    } | {f"{n:02d}" for n in range(100)}


def test_samples_are_uniform() -> None:
    rules = SMALL[2]
    marks = list(iter_marks(rules))
    drawn = Counter(sample_marks(rules, np.random.default_rng(7), 200 * len(marks)))
    assert set(drawn) == set(marks)
    # Pearson's chi-squared test (scipy); fixed seed.
    assert stats.chisquare([drawn[mark] for mark in marks]).pvalue > 0.001


def test_distinct_samples() -> None:
    rules, rng = SMALL[0], np.random.default_rng(3)
    total = count_marks(rules)
    assert sorted(sample_marks(rules, rng, total, distinct=True)) == sorted(iter_marks(rules))
    some = sample_marks(Rules(), rng, 200, distinct=True)
    assert len(set(some)) == 200
    assert [Rules().problem(mark) for mark in some] == [""] * 200
    with pytest.raises(ValueError, match=f"allow {total} marks"):
        sample_marks(rules, rng, total + 1, distinct=True)


def test_no_mark_at_all() -> None:
    rules = Rules(forms=(Form(("#",), ear="left"),))
    assert count_marks(rules, ear="right") == 0
    assert list(iter_marks(rules, ear="right")) == []
    assert sample_marks(rules, np.random.default_rng(1), 0, ear="right") == []
    with pytest.raises(ValueError, match="allow 0 marks"):
        sample_marks(rules, np.random.default_rng(1), 1, ear="right")
