from __future__ import annotations

import itertools
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.alphabet import CHARACTERS
from legibility.marks.check_characters import SCHEMES
from legibility.marks.rules import Form, Rules, allowed_pattern, layouts_of
from legibility.marks.space import iter_marks, sample_marks

SOCIETY = Rules(year_letters="bif", forms=(Form(("@{3,4}[1-9]#{0,3}{year}",)),))


def test_grammar_of_a_society() -> None:
    # Canadian Simmental Association: 3 or 4 letters, a number of 1 to 4 figures that does not begin
    # with 0, the year's letter (I, O, Q and V are none). The same grammar in Python's re:
    oracle = re.compile(r"[A-Z]{3,4}[1-9][0-9]{0,3}[A-HJ-NPR-UW-Z]")
    for mark in ("ABC1M", "ABCD1234Z", "AB1M", "ABC0M", "ABC12V", "ABC12I", "ABCDE1M", "ABC12345M"):
        assert (SOCIETY.problem(mark) == "") == bool(oracle.fullmatch(mark)), mark


def test_problems_name_place_and_what_is_allowed() -> None:
    assert "'0' at place 4; the rules allow 1-9" in SOCIETY.problem("ABC0M")
    assert "place 6 (year letter); the rules allow A-H/J-N/P-U" not in SOCIETY.problem("ABC12V")
    assert "(year letter); the rules allow A-H/J-N/P/R-U/W-Z" in SOCIETY.problem("ABC12V")
    assert "one row of 5 to 9 characters" in SOCIETY.problem("AB")
    assert "one row of 5 to 9 characters" in SOCIETY.problem("ABC/12M")


def test_ears_have_their_own_forms() -> None:
    # ADGA, tattoo policy: herd code right, year letter and serial number left.
    rules = Rules(
        year_letters="adga",
        forms=(Form(("@{2,4}",), ear="right"), Form(("{year}#{1,3}",), ear="left")),
    )
    assert rules.problem("KTHM", ear="right") == ""
    assert "in the left ear" in rules.problem("KTHM", ear="left")
    assert rules.problem("M12", ear="left") == rules.problem("M12") == ""
    assert "in the right ear" in rules.problem("M12", ear="right")
    assert rules.problem("M12", ear="both")


def test_year_letter_against_year_of_birth() -> None:
    # BIF: 2024 M, 2002 M; 2021 J.
    assert SOCIETY.problem("ABC12M", birth_year=2024) == ""
    assert SOCIETY.problem("ABC12M", birth_year=2002) == ""
    problem = SOCIETY.problem("ABC12M", birth_year=2021)
    assert problem.startswith("birth_year is 2021")
    assert "2024 or 2002 (bif); 2021 has 'J'" in problem
    assert SOCIETY.birth_years("ABC12M", latest=2026) == (2024, 2002)
    assert SOCIETY.birth_years("XX", latest=2026) == ()
    assert Rules().birth_years("ABC12M", latest=2026) == ()


def test_prefix_and_exclusion_without_forms() -> None:
    rules = Rules(prefix="IO", exclude="IO", longest_row=4)
    assert rules.problem("IO12") == rules.problem("IO/12") == ""
    assert "'O'" in rules.problem("IOO1")
    assert "begin with the herd's prefix 'IO'" in rules.problem("A1")


def test_check_characters_in_marks() -> None:
    # ISO/IEC 7064, MOD 37-2: G123489654321 has Y (python-stdnum).
    rules = Rules(forms=(Form(("*{7}", "*{6}{check}"), check="mod-37-2"),))
    assert rules.problem("G123489/654321Y") == ""
    assert "ends with 'X'; its check (mod-37-2) is 'Y'" in rules.problem("G123489/654321X")
    # MOD 97-10: 4354111611551114 has 31; only the figures count when the rules say so.
    rules = Rules(
        forms=(Form(("KT#{8}", "#{8}{check}"), check="mod-97-10", check_covers="digits"),)
    )
    assert rules.problem("KT43541116/1155111431") == ""
    assert rules.problem("KT43541116/1155111432") != ""
    (layout,) = layouts_of(rules)
    assert layout.check_wanted(("KT43541116", "1155111400")) == "31"


def test_a_mark_whose_check_no_die_has_is_not_issued() -> None:
    scheme = SCHEMES["mod-37-2"]
    rules = Rules(forms=(Form(("#{check}",), check="mod-37-2"),))
    digits = [d for d in "0123456789" if not scheme.finish(scheme.step(scheme.start, d, 0))]
    for digit in digits:
        assert "no check character that a die can press" in rules.problem(f"{digit}A")
    assert [mark[0] for mark in iter_marks(rules)] == [d for d in "0123456789" if d not in digits]


@pytest.mark.parametrize(
    "rules",
    [
        Rules(characters="AB1", longest_row=2),
        Rules(characters="AB1", prefix="K", shortest_row=2, longest_row=3, exclude="B"),
        Rules(characters="AB1", prefix="KKKK", longest_row=3),
        SOCIETY,
        Rules(forms=(Form(("A#{1,2}", "@"), ear="left"), Form(("#",), ear="right"))),
        Rules(forms=(Form(("#{check}",), check="damm"),)),
    ],
)
@pytest.mark.parametrize("ear", ["", "left", "right"])
@pytest.mark.parametrize("year", [0, 2024])
def test_the_quick_expression_matches_only_marks_without_a_problem(
    rules: Rules, ear: str, year: int
) -> None:
    pattern = allowed_pattern(rules, ear=ear, birth_year=year)
    texts = ["".join(t) for n in range(1, 5) for t in itertools.product("AB1K", repeat=n)]
    texts += [f"{a}/{b}" for a in texts[:84] for b in ("A", "1", "A1", "AB1")]
    texts += ["ABC12M", "ABC12N", "A12/Z", "7"]
    exact = not any(form.check for form in rules.forms)
    for text in texts:
        clean = rules.problem(text, ear=ear, birth_year=year) == ""
        if pattern.fullmatch(text):
            assert clean, text
        elif exact:
            assert not clean, text


@given(st.text(CHARACTERS + "/", min_size=1, max_size=12))
def test_any_well_formed_mark_gets_an_answer(mark: str) -> None:
    rows = mark.split("/")
    if len(rows) <= 2 and all(rows):
        for rules in (Rules(), SOCIETY):
            assert isinstance(rules.problem(mark, birth_year=2020), str)


def test_layouts_of_a_birth_year_have_its_letter_only() -> None:
    import numpy as np

    marks = sample_marks(SOCIETY, np.random.default_rng(1), 50, birth_year=2026)
    assert {mark[-1] for mark in marks} == {"P"}


@pytest.mark.parametrize(
    ("form", "words"),
    [
        (Form(("#{check}#",), check="damm"), "at the mark's end"),
        (Form(("#{check}", "#"), check="damm"), "at the mark's end"),
        (Form(("#",), check="damm"), "at the mark's end"),
        (Form(("@{check}",), check="damm"), "computed over 0123456789 only"),
        (Form(("*{check}",), check="damm", check_covers="digits"), "places of one kind"),
        (Form(("{year}",)), "other years in other registries"),
    ],
)
def test_forms_that_contradict_themselves(form: Form, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        layouts_of(Rules(forms=(form,)))


def test_no_check_character_in_use() -> None:
    rules = Rules(characters="AB", forms=(Form(("7{check}",), check="damm"),))
    with pytest.raises(ValueError, match="no check character of damm is in use"):
        layouts_of(rules)


def test_too_many_kinds_of_marks() -> None:
    form = Form(("A{1,12}", "B{1,12}"))
    with pytest.raises(ValueError, match="expected at most 1000"):
        layouts_of(Rules(forms=(form,) * 7))
