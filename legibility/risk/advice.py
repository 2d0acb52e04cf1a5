"""What would make room for more marks: characters to leave out, a check character; code bounds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, index_of
from legibility.marks.check_characters import (
    DIGITS,
    LETTERS,
    SCHEMES,
    CheckScheme,
    check_characters,
)
from legibility.marks.rules import Rules, layouts_of
from legibility.marks.space import count_marks, iter_marks, sample_marks
from legibility.risk.alphabet_choice import leave_out
from legibility.risk.bounds import code_bounds
from legibility.risk.capacity import sampled_capacity
from legibility.risk.conflicts import characters_of
from legibility.risk.kernel import Matrix
from legibility.risk.misreading import Channel

BUDGET: Final = 8
"""Choice: most characters that leaving out is worked out for."""
SAMPLE: Final = 6_000
"""Choice: marks drawn to estimate how many exist; so many and fewer are all looked at."""
PLENTY: Final = 10.0
"""Choice: with so many times the marks asked for there is no need of a check character."""
GAIN: Final = 1.1
"""Choice: a gain in marks below a tenth is within the error of the sample and no reason."""
DISTANCES: Final = 4
"""Choice: largest number of places that the table of code bounds goes to."""


@dataclass(frozen=True, slots=True)
class AlphabetStep:
    """The herd without some characters."""

    left_out: str
    marks: float
    """How many marks exist without conflicts for sure (Turán), registered ones not looked at."""
    confused_with: str = ""
    """What the last of them is most confused with, and how often, see ``LeftOut``."""
    probability: float = 0.0


@dataclass(frozen=True, slots=True)
class CheckAdvice:
    """Whether a check character is worth its needles."""

    scheme: str
    """Empty: the rules have one already."""
    without: float
    """Marks without conflicts that exist for sure without it."""
    with_check: float
    needles_without: float
    """Mean needles of a mark."""
    needles_with: float
    worth: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Advice:
    """On a herd's rules."""

    alphabet: tuple[AlphabetStep, ...]
    """Leaving out no character, one, two, ..."""
    check: CheckAdvice
    codes: tuple[tuple[int, int, int, int], ...]
    """Of the commonest kind of mark: distance, Gilbert-Varshamov, Hamming, Singleton bound."""

    @property
    def advised_out(self) -> str:
        """Characters to leave out: the shortest list that gives nearly the most marks."""
        most = max(step.marks for step in self.alphabet)
        return next(step.left_out for step in self.alphabet if step.marks * GAIN >= most)

    def summary(self) -> dict[str, Any]:
        """Everything, for the table."""
        return {
            "alphabet": [asdict(step) for step in self.alphabet],
            "advised_out": self.advised_out,
            "check": asdict(self.check),
            "codes": [list(row) for row in self.codes],
        }


def advice_on(
    rules: Rules,
    matrix: Matrix,
    ch: Channel,
    *,
    bound: float,
    count: int,
    needles: Callable[[str], int],
    needles_max: int,
    seed: int,
) -> Advice:
    """What would make room for more marks than the rules have.

    Parameters
    ----------
    rules : Rules
    matrix : ndarray, (36, 37)
        Confusion kernel at the condition.
    ch : Channel
        ``misreading.channel(matrix)``.
    bound, count, needles, needles_max
        As of ``assign.propose``.
    seed : int
        Of the marks that are drawn.
    """
    sample, number = _sample(rules, seed)
    without, _ = sampled_capacity(sample, ch, bound=bound, number=number)
    mean = _mean(needles, sample)
    if any(layout.scheme is not None for layout in layouts_of(rules)):
        words = "the rules have a check character already"
        check = CheckAdvice("", without, without, mean, mean, False, words)
    else:
        scheme = _scheme_for(sample)
        checked = [mark + check_characters(scheme, characters_of(mark)) for mark in sample]
        gained, _ = sampled_capacity(checked, ch, bound=bound, number=number)
        longer = _mean(needles, checked)
        no = ""
        if longer > needles_max:
            no = f"not worth it: {longer:.0f} needles on average, the pliers hold {needles_max}"
        elif gained <= without * GAIN:
            no = "not worth it: it makes no room for more marks"
        elif without >= PLENTY * count:
            no = f"not needed: {int(without):,} safe marks exist without it, {count} are asked for"
        words = no or f"worth it: room for {gained:.0f} marks instead of {without:.0f}"
        check = CheckAdvice(scheme.name, without, gained, mean, longer, not no, words)
    fewer = _with_fewer_characters(rules, matrix, ch, bound, seed)
    return Advice((AlphabetStep("", without), *fewer), check, _codes(rules))


def _sample(rules: Rules, seed: int) -> tuple[list[str], int]:
    number = count_marks(rules)
    if number <= SAMPLE:
        return list(iter_marks(rules)), number
    return sample_marks(rules, np.random.default_rng(seed), SAMPLE, distinct=True), number


def _mean(needles: Callable[[str], int], marks: Sequence[str]) -> float:
    return float(np.mean([needles(mark) for mark in marks]))


def _scheme_for(marks: Sequence[str]) -> CheckScheme:
    """The scheme of one check character whose signs are of the kinds that the marks have."""
    used = set(characters_of("".join(marks)))
    if used <= set(DIGITS):
        return SCHEMES["damm"]
    return SCHEMES["mod-27-26" if used <= set(LETTERS) else "mod-37-36"]


def _with_fewer_characters(
    rules: Rules, matrix: Matrix, ch: Channel, bound: float, seed: int
) -> Iterator[AlphabetStep]:
    """Leaving out one character, two, ...: how many marks remain."""
    out = ""
    for step in leave_out(
        matrix, characters=rules.in_use, budget=BUDGET, together=_places_shared(rules)
    ):
        out += step.character
        try:
            sample, number = _sample(replace(rules, exclude=rules.exclude + out), seed)
        except ValueError:
            # A form or prefix needs this character.
            return
        if not number:
            return
        marks, _ = sampled_capacity(sample, ch, bound=bound, number=number)
        yield AlphabetStep(out, marks, step.confused_with, step.probability)


def _places_shared(rules: Rules) -> NDArray[np.float64]:
    """(36, 36) share of places at which both of two characters are allowed, over all layouts."""
    shared = np.zeros((N_CHARACTERS, N_CHARACTERS))
    places = [place for layout in layouts_of(rules) for place in layout.places]
    for place in places:
        allowed = [index_of(c) for c in place.allowed]
        shared[np.ix_(allowed, allowed)] += 1.0
    return shared / max(len(places), 1)


def _codes(rules: Rules) -> tuple[tuple[int, int, int, int], ...]:
    """Bounds for the kind of mark of which there are most."""
    sizes = max(
        ([len(place.allowed) for place in layout.places] for layout in layouts_of(rules)),
        key=lambda places: float(np.prod(np.array(places, dtype=float))),
    )
    rows = [code_bounds(sizes, distance) for distance in range(1, min(len(sizes), DISTANCES) + 1)]
    return tuple((row.distance, row.at_least, row.hamming, row.singleton) for row in rows)
