from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import damm, verhoeff
from stdnum.iso7064 import mod_11_2, mod_11_10, mod_37_2, mod_37_36, mod_97_10

from legibility.marks.check_characters import (
    ALPHANUMERIC,
    DIGITS,
    LETTERS,
    SCHEMES,
    check_characters,
)

# Oracle: python-stdnum, an independent implementation.
ORACLES = {
    "mod-11-2": mod_11_2.calc_check_digit,
    "mod-37-2": mod_37_2.calc_check_digit,
    "mod-97-10": mod_97_10.calc_check_digits,
    "mod-11-10": mod_11_10.calc_check_digit,
    "mod-27-26": lambda text: mod_37_36.calc_check_digit(text, LETTERS),
    "mod-37-36": mod_37_36.calc_check_digit,
    "damm": damm.calc_check_digit,
    "verhoeff": verhoeff.calc_check_digit,
}
PURE = {"mod-661-26": (661, 26, LETTERS), "mod-1271-36": (1271, 36, ALPHANUMERIC)}


@pytest.mark.parametrize(
    ("name", "text", "check"),
    [
        # Worked values of ISO 7064, Damm and Verhoeff as python-stdnum's documentation has them.
        ("mod-11-2", "0794", "0"),
        ("mod-37-2", "G123489654321", "Y"),
        ("mod-37-36", "A12425GABC1234002", "M"),
        ("mod-97-10", "4354111611551114", "31"),
        ("mod-11-10", "79462", "3"),
        ("damm", "572", "4"),
        ("verhoeff", "236", "3"),
        ("verhoeff", "12345", "1"),
    ],
)
def test_worked_values(name: str, text: str, check: str) -> None:
    assert check_characters(SCHEMES[name], text) == check


@pytest.mark.parametrize("name", ORACLES)
@given(data=st.data())
def test_agrees_with_another_implementation(name: str, data: st.DataObject) -> None:
    scheme = SCHEMES[name]
    text = data.draw(st.text(scheme.covered, min_size=1, max_size=16))
    assert check_characters(scheme, text) == ORACLES[name](text).replace("*", "")


@pytest.mark.parametrize("name", PURE)
@given(data=st.data())
def test_two_character_systems_keep_their_definition(name: str, data: st.DataObject) -> None:
    # ISO/IEC 7064: the sum of characters weighted by powers of the radix is 1 modulo the modulus.
    modulus, radix, alphabet = PURE[name]
    text = data.draw(st.text(alphabet, min_size=1, max_size=12))
    whole = text + check_characters(SCHEMES[name], text)
    total = sum(alphabet.index(c) * radix**n for n, c in enumerate(reversed(whole)))
    assert total % modulus == 1


def test_every_scheme_has_an_outside_check() -> None:
    assert set(ORACLES) | set(PURE) == set(SCHEMES)


@pytest.mark.parametrize("name", SCHEMES)
def test_steps_map_states_one_to_one(name: str) -> None:
    scheme = SCHEMES[name]
    for after in range(8):
        for character in scheme.covered:
            reached = {scheme.step(state, character, after) for state in range(scheme.states)}
            assert reached == set(range(scheme.states))


# ISO/IEC 7064 promises both for its pure systems (and single errors for the hybrid ones);
# Damm 2004 and Verhoeff 1969 for theirs.
@pytest.mark.parametrize(
    "name", [n for n in SCHEMES if n not in ("mod-11-10", "mod-27-26", "mod-37-36")]
)
def test_single_errors_and_swapped_neighbours_change_the_check(name: str) -> None:
    scheme = SCHEMES[name]
    # Over letters and digits together MOD 97-10 is no longer ISO's system of figures.
    alphabet = DIGITS if name == "mod-97-10" else scheme.covered
    rng = np.random.default_rng(1)
    for _ in range(200):
        text = [alphabet[k] for k in rng.integers(len(alphabet), size=6)]
        place, other = int(rng.integers(5)), alphabet[int(rng.integers(len(alphabet)))]
        wrong = [*text[:place], other, *text[place + 1 :]]
        swapped = [*text[:place], text[place + 1], text[place], *text[place + 2 :]]
        for changed in (wrong, swapped):
            before, after = (check_characters(scheme, "".join(t)) for t in (text, changed))
            assert (before == after) == (changed == text)


def test_a_sign_no_die_has_is_no_check_character() -> None:
    # MOD 37-2 of "A12425GABC1234002" + remainder 36 would be "*"; found by search, stdnum agrees.
    text = next(str(n) for n in range(100) if mod_37_2.calc_check_digit(str(n)) == "*")
    assert check_characters(SCHEMES["mod-37-2"], text) == ""


def test_uncovered_characters_are_refused() -> None:
    with pytest.raises(ValueError, match="damm is computed over 0123456789, not 'A'"):
        check_characters(SCHEMES["damm"], "1A")
