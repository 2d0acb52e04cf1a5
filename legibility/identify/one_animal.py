"""Whether all that was seen of one visit is of one animal.

Pieces of evidence k (photos, people's readings, scans) say L_k(a) of the animals a. Under "one
animal" the visit has the likelihood

    one = sum_a p(a) prod_k L_k(a)

and under "two animals", for a split of the pieces into sides S and S',

    two(S) = sum_{a != b} p(a) p(b | a) prod_{k in S} L_k(a) prod_{k in S'} L_k(b)

With ``p_mixed_near_twin`` the other animal is one whose mark differs from the first's in one
character (marks that look alike are what lets a person take two animals for one), else any. How
many pieces are the other animal's, from one to half of them, is alike beforehand, and so are the
splits of one such number. A piece may be mistaken with a probability of its own and then says
nothing: L = (1 - m) L + m. A photo that went wrong shows no animal's mark, so it is as likely as
"not registered" makes it: chance seldom spells a registered mark.

Up to ``MOST_PIECES`` pieces all splits are summed, exactly. With more, those with one or two pieces
apart, those that part the pieces at one moment in time, and for each pair of leading animals the
split that gives every piece to the one it speaks for: no split left out has for such a pair a
larger likelihood than that one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR
from legibility.identify.animals import Registry
from legibility.probability import log_sum_exp

MOST_PIECES: Final = 8
"""Choice: 127 splits; a visit seldom has more photos."""
LEADING: Final = 12
"""Choice: animals of each piece whose near-twins are looked up, and that pair up in long visits."""

Sides = tuple[tuple[int, ...], tuple[int, ...]]
"""Indices of the pieces; the second side has no more than the first."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of evidence of a visit."""

    straight: NDArray[np.float64]
    """(n + 1,) log-likelihood of the animals, last "not registered", up to a constant that makes
    its average over the prior one; each mark in the ear it is recorded for."""
    swapped: NDArray[np.float64]
    """(n + 1,) where the animal's ears were taken for each other; the same array: no matter."""
    mistaken: float = 0.0
    """Probability beforehand that it says nothing of the animal, 0..1."""


@dataclass(frozen=True, slots=True)
class OneAnimal:
    """Probabilities that something is wrong with a visit as a whole."""

    not_one: float
    """The pieces are of two animals, 0..1."""
    wrong_ear: float
    """Of one animal whose ears were taken for each other."""
    mistaken: tuple[float, ...]
    """For each piece: of one animal, and the piece says nothing of it."""
    sides: Sides | None
    """The most probable split; None with fewer than two pieces."""


def weigh_one_animal(
    pieces: Sequence[Piece],
    log_prior: NDArray[np.float64],
    registry: Registry,
    *,
    p_not_one: float,
    p_near_twin: float,
    p_wrong_ear: float,
) -> OneAnimal:
    """How probable it is that all pieces are of one animal.

    Parameters
    ----------
    pieces : sequence of Piece
        In the order of time.
    log_prior : (n + 1,) float64
    registry : Registry
        For the near-twins.
    p_not_one, p_near_twin, p_wrong_ear : float, 0..1
        ``Settings.p_not_one_animal``, ``p_mixed_near_twin`` and ``p_wrong_ear``.
    """
    straight = [_with_mistake(piece.straight, piece.mistaken) for piece in pieces]
    swapped = [_with_mistake(piece.swapped, piece.mistaken) for piece in pieces]
    by_ear = any(piece.straight is not piece.swapped for piece in pieces)
    if not by_ear:
        p_wrong_ear = 0.0
    everything = tuple(range(len(pieces)))
    sums = _Sums(straight, swapped, log_prior, p_wrong_ear)
    one = sums.of(everything)
    wrong_ear = 0.0
    if by_ear and p_wrong_ear > 0:
        wrong_ear = float(np.exp(np.log(p_wrong_ear) + sums.total(swapped, everything) - one))
    mistaken = tuple(
        0.0
        if not piece.mistaken
        else piece.mistaken * float(np.exp(sums.without(index, everything) - one))
        for index, piece in enumerate(pieces)
    )
    if len(pieces) < 2 or p_not_one <= 0:
        return OneAnimal(0.0, wrong_ear, mistaken, None)
    twins = near_twin_pairs(registry, _leading([*straight], log_prior))
    found = []
    for sides, log_share in splits(len(pieces), pieces=straight, log_prior=log_prior):
        found.append((sides, log_share + sums.two(sides, twins, p_near_twin)))
    two = float(log_sum_exp([value for _, value in found])[0])
    with np.errstate(divide="ignore"):
        odds = np.log(p_not_one) - np.log1p(-p_not_one) + two - one
    not_one = float(1.0 / (1.0 + np.exp(-np.clip(odds, -700.0, 700.0))))
    best = max(found, key=lambda item: item[1])[0]
    return OneAnimal(
        not_one=not_one,
        wrong_ear=(1.0 - not_one) * wrong_ear,
        mistaken=tuple((1.0 - not_one) * value for value in mistaken),
        sides=best,
    )


def splits(
    count: int,
    *,
    pieces: Sequence[NDArray[np.float64]] = (),
    log_prior: NDArray[np.float64] | None = None,
) -> list[tuple[Sides, float]]:
    """Ways to part the pieces in two and their log-probabilities beforehand.

    Examples
    --------
    >>> [(sides, round(float(np.exp(share)), 3)) for sides, share in splits(3)]
    [(((1, 2), (0,)), 0.333), (((0, 2), (1,)), 0.333), (((0, 1), (2,)), 0.333)]
    """
    sizes = range(1, count // 2 + 1)
    if count <= MOST_PIECES:
        chosen = {frozenset(side) for size in sizes for side in combinations(range(count), size)}
    else:
        chosen = {frozenset(side) for size in (1, 2) for side in combinations(range(count), size)}
        chosen |= {frozenset(range(end)) for end in range(1, count)}
        chosen |= set(_best_for_pairs(pieces, log_prior))
    every = frozenset(range(count))
    smaller = {min(side, every - side, key=lambda s: (len(s), min(s))) for side in chosen}
    alike = Counter(len(side) for side in smaller)
    found = []
    for side in sorted(smaller, key=lambda s: (len(s), sorted(s))):
        rest = tuple(sorted(every - side))
        share = -float(np.log(len(alike) * alike[len(side)]))
        found.append(((rest, tuple(sorted(side))), share))
    return found


def near_twin_pairs(
    registry: Registry, animals: Iterable[int]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Animals and their near-twins: (m,) firsts, (m,) others, (m,) log p(other | first).

    A near-twin's mark differs in one character at one place. An animal without one is not named.
    """
    firsts: list[int] = []
    others: list[int] = []
    shares: list[float] = []
    for animal in animals:
        twins = sorted({k for mark in _one_off(registry.mark(animal)) for k in registry.find(mark)})
        twins = [other for other in twins if other != animal]
        firsts += [animal] * len(twins)
        others += twins
        shares += [-float(np.log(max(1, len(twins))))] * len(twins)
    return np.array(firsts, int), np.array(others, int), np.array(shares, float)


@dataclass(frozen=True, slots=True)
class _Sums:
    """Log-likelihoods of groups of pieces."""

    straight: Sequence[NDArray[np.float64]]
    swapped: Sequence[NDArray[np.float64]]
    log_prior: NDArray[np.float64]
    p_wrong_ear: float

    def total(self, said: Sequence[NDArray[np.float64]], group: Sequence[int]) -> float:
        return float(log_sum_exp(self.log_prior + _together(said, group, self.log_prior))[0])

    def vector(self, group: Sequence[int]) -> NDArray[np.float64]:
        """(n + 1,) of a group, the ears being right or taken for each other."""
        straight = _together(self.straight, group, self.log_prior)
        if not self.p_wrong_ear:
            return straight
        swapped = _together(self.swapped, group, self.log_prior)
        right, wrong = np.log1p(-self.p_wrong_ear), np.log(self.p_wrong_ear)
        return np.asarray(np.logaddexp(right + straight, wrong + swapped))

    def of(self, group: Sequence[int]) -> float:
        return float(log_sum_exp(self.log_prior + self.vector(group))[0])

    def without(self, index: int, group: Sequence[int]) -> float:
        return self.of([k for k in group if k != index])

    def two(
        self,
        sides: Sides,
        twins: tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]],
        p_near_twin: float,
    ) -> float:
        first, other = (self.vector(side) for side in sides)
        both = self.log_prior + first
        total = log_sum_exp(both)[0] + log_sum_exp(self.log_prior + other)[0]
        # Two animals that are not registered may well differ; a registered one is one animal.
        same = log_sum_exp((both + self.log_prior + other)[:-1])[0]
        any_other = float(total + np.log1p(-np.exp(min(0.0, same - total)) + 1e-300))
        firsts, others, shares = twins
        if not firsts.size:
            return any_other
        near = log_sum_exp(both[firsts] + shares + other[others])[0]
        # The animals without a near-twin, or too unlikely to be looked up, are mixed up with any.
        alone = np.ones(both.size, dtype=bool)
        alone[firsts] = False
        rest = log_sum_exp(both[alone])[0] + log_sum_exp(self.log_prior + other)[0]
        near = np.logaddexp(near, rest)
        with np.errstate(divide="ignore"):
            shared = np.log1p(-p_near_twin), np.log(p_near_twin)
        return float(np.logaddexp(shared[0] + any_other, shared[1] + near))


def _together(
    said: Sequence[NDArray[np.float64]], group: Sequence[int], log_prior: NDArray[np.float64]
) -> NDArray[np.float64]:
    total = np.zeros(log_prior.size)
    for index in group:
        total = total + said[index]
    return total


def _with_mistake(values: NDArray[np.float64], mistaken: float) -> NDArray[np.float64]:
    if not mistaken:
        return values
    return np.asarray(np.logaddexp(np.log1p(-mistaken) + values, np.log(mistaken)))


def _leading(
    pieces: Sequence[NDArray[np.float64]], log_prior: NDArray[np.float64]
) -> tuple[int, ...]:
    """Animals that some piece speaks for most."""
    found: set[int] = set()
    for values in pieces:
        logp = (log_prior + values)[:-1]
        count = min(LEADING, logp.size)
        found |= {int(k) for k in np.argpartition(-logp, count - 1)[:count]} if count else set()
    return tuple(sorted(found))


def _best_for_pairs(
    pieces: Sequence[NDArray[np.float64]], log_prior: NDArray[np.float64] | None
) -> list[frozenset[int]]:
    """For each pair of leading animals the pieces that speak more for the second one."""
    if log_prior is None or not pieces:
        return []
    said = np.array(pieces)
    found = []
    for one, other in combinations((*_leading(pieces, log_prior), log_prior.size - 1), 2):
        side = frozenset(int(k) for k in np.flatnonzero(said[:, other] > said[:, one]))
        if 0 < len(side) < len(pieces):
            found.append(side)
    return found


def _one_off(mark: str) -> Iterable[str]:
    """All marks that differ in one character."""
    for place, character in enumerate(mark):
        if character == ROW_SEPARATOR:
            continue
        for other in CHARACTERS:
            if other != character:
                yield mark[:place] + other + mark[place + 1 :]
