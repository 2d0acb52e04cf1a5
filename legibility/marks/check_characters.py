"""Check characters: ISO 7064, Damm and Verhoeff, as automata that read a mark from left to right.

An automaton has few states, so that all marks with a right check character can be counted and
averaged over without listing them. For a fixed character each step maps the states one to one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

DIGITS: Final = "0123456789"
LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
ALPHANUMERIC: Final = DIGITS + LETTERS

_DAMM: Final = (
    "0317598642",
    "7092154863",
    "4206871359",
    "1750983426",
    "6123045978",
    "3674209581",
    "5869720134",
    "8945362017",
    "9438617205",
    "2581436790",
)
"""Damm 2004, Total anti-symmetrische Quasigruppen (doctoral thesis, Marburg), order 10."""
_DIHEDRAL: Final = (
    "0123456789",
    "1234067895",
    "2340178956",
    "3401289567",
    "4012395678",
    "5987604321",
    "6598710432",
    "7659821043",
    "8765932104",
    "9876543210",
)
"""Group of the regular pentagon (Verhoeff 1969, Error detecting decimal codes)."""
_PERMUTATION: Final = "1576283094"
"""Verhoeff's permutation; a digit n places from the right goes through it n times."""


@dataclass(frozen=True, slots=True)
class CheckScheme:
    """A way to compute check characters."""

    name: str
    covered: str
    """Characters it can be computed over."""
    written: str
    """Check characters that a die set can press."""
    length: int
    """Number of check characters, 1 or 2."""
    states: int
    """States are 0 to ``states - 1``."""
    start: int
    step: Callable[[int, str, int], int]
    """State after a character; the last argument says how many covered ones come after it."""
    finish: Callable[[int], str]
    """Check characters of a state; empty where the scheme asks for one that no die has (``*``)."""
    source: str
    period: int = 1
    """Steps are the same again when so many more characters come after."""


def check_characters(scheme: CheckScheme, text: str, covers: str = "") -> str:
    """Check characters of a text.

    Parameters
    ----------
    scheme : CheckScheme
    text : str
    covers : str
        The characters of the text that count; empty: all.

    Returns
    -------
    str
        Empty when the scheme asks for a sign that no die has; such a text is not issued.

    Raises
    ------
    ValueError
        If a character is not covered by the scheme.

    Examples
    --------
    >>> check_characters(SCHEMES["mod-37-2"], "G123489654321")
    'Y'
    """
    steps, ends = _tables(scheme)
    if covers:
        text = "".join(character for character in text if character in covers)
    state = scheme.start
    for after, character in zip(range(len(text) - 1, -1, -1), text, strict=True):
        if character not in steps:
            raise ValueError(f"{scheme.name} is computed over {scheme.covered}, not {character!r}")
        state = steps[character][after % scheme.period][state]
    return ends[state]


@lru_cache(maxsize=32)
def _tables(scheme: CheckScheme) -> tuple[dict[str, list[list[int]]], list[str]]:
    """State after each character, by how many come after it and by the state before; the ends."""
    states = range(scheme.states)
    steps = {
        c: [[scheme.step(state, c, after) for state in states] for after in range(scheme.period)]
        for c in scheme.covered
    }
    return steps, [scheme.finish(state) for state in states]


def _pure(name: str, modulus: int, radix: int, covered: str, length: int) -> CheckScheme:
    """ISO 7064 pure system: the characters' weighted sum is 1 modulo ``modulus``."""
    signs = (covered + {11: "X", 37: "*"}.get(modulus, "")) if length == 1 else covered

    def step(state: int, character: str, _: int) -> int:
        return (state + covered.index(character)) * radix % modulus

    def finish(state: int) -> str:
        if length == 1:
            return signs[(1 - state) % modulus].replace("*", "")
        # As in MOD 97-10, where the standard writes 02 to 98: the largest remainder is kept.
        value = modulus + 1 - state * radix % modulus
        return signs[value // radix] + signs[value % radix]

    written = signs.replace("*", "")
    source = f"ISO/IEC 7064:2003, pure system MOD {modulus}-{radix}"
    return CheckScheme(name, covered, written, length, modulus, 0, step, finish, source)


def _pure_97() -> CheckScheme:
    """MOD 97-10 with letters as two figures (A = 10), as ISO 13616 and ISO 17442 apply it."""

    def step(state: int, character: str, _: int) -> int:
        value = ALPHANUMERIC.index(character)
        return (state * (10 if value < 10 else 100) + value) % 97

    def finish(state: int) -> str:
        return f"{98 - state * 100 % 97:02d}"

    source = "ISO/IEC 7064:2003, pure system MOD 97-10; letters as in ISO 17442"
    return CheckScheme("mod-97-10", ALPHANUMERIC, DIGITS, 2, 97, 0, step, finish, source)


def _hybrid(name: str, modulus: int, covered: str) -> CheckScheme:
    """ISO 7064 hybrid system MOD modulus + 1, modulus."""

    def step(state: int, character: str, _: int) -> int:
        if not state:  # No text leads here; kept apart, so that each step stays one to one.
            return 0
        total = (state + covered.index(character)) % modulus
        return (total or modulus) * 2 % (modulus + 1)

    def finish(state: int) -> str:
        return covered[(1 - state) % modulus]

    source = f"ISO/IEC 7064:2003, hybrid system MOD {modulus + 1},{modulus}"
    return CheckScheme(name, covered, covered, 1, modulus + 1, modulus, step, finish, source)


def _damm() -> CheckScheme:
    def step(state: int, character: str, _: int) -> int:
        return int(_DAMM[state][int(character)])

    source = "Damm 2004, Total anti-symmetrische Quasigruppen"
    return CheckScheme("damm", DIGITS, DIGITS, 1, 10, 0, step, str, source)


def _verhoeff() -> CheckScheme:
    powers = [DIGITS]
    for _ in range(7):
        powers.append("".join(_PERMUTATION[int(digit)] for digit in powers[-1]))

    def step(state: int, character: str, after: int) -> int:
        return int(_DIHEDRAL[int(powers[(after + 1) % 8][int(character)])][state])

    def finish(state: int) -> str:
        return next(digit for digit in DIGITS if _DIHEDRAL[int(digit)][state] == "0")

    source = "Verhoeff 1969, Error detecting decimal codes"
    return CheckScheme("verhoeff", DIGITS, DIGITS, 1, 10, 0, step, finish, source, period=8)


_ALL: Final = (
    _pure("mod-11-2", 11, 2, DIGITS, 1),
    _pure("mod-37-2", 37, 2, ALPHANUMERIC, 1),
    _pure_97(),
    _pure("mod-661-26", 661, 26, LETTERS, 2),
    _pure("mod-1271-36", 1271, 36, ALPHANUMERIC, 2),
    _hybrid("mod-11-10", 10, DIGITS),
    _hybrid("mod-27-26", 26, LETTERS),
    _hybrid("mod-37-36", 36, ALPHANUMERIC),
    _damm(),
    _verhoeff(),
)
SCHEMES: Final = {scheme.name: scheme for scheme in _ALL}
"""Every scheme by the name that rules use."""
