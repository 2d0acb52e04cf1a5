"""New marks that are hardly ever read as one another or as a registered one.

Two marks *conflict* when either is read as the other with at least the stated probability, or when
they have the same characters. A mark without a break may come to stand in any rows, registered or
new, so the layout counts in which that probability is largest (``misreading.in_any_layout``). The
marks that the rules allow and that conflict with no registered one are *free*; of these a set
without conflicts is taken greedily, in an order that the seed decides, so that every mark left out
conflicts with one that was taken.

How many could be taken is bracketed: at least ``sum 1 / (1 + conflicts)`` (Caro 1979, Wei 1981:
every graph has so large a set without conflicts; with the mean number of conflicts this is Turán's
bound and the same argument as Gilbert's), at most what coding theory allows (``risk.bounds``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, ROW_SEPARATOR, index_of
from legibility.marks.rules import Layout, Rules, layouts_of
from legibility.marks.space import count_marks, iter_marks, sample_marks
from legibility.risk.bounds import code_bounds
from legibility.risk.marks import MarkSet, mark_set
from legibility.risk.misreading import Channel, in_any_layout
from legibility.risk.pairs import Finder, Pairs, find_pairs

EXHAUSTIVE: Final = 30_000
"""Choice: spaces up to this size are looked through whole, so that counts are exact."""
BATCH: Final = 4_000
"""Choice: marks drawn at a time from larger spaces; also the sample behind estimates."""
IDLE_ROUNDS: Final = 3
"""Choice: a search ends when so many batches in a row gave no further mark."""
MOST_ROUNDS: Final = 60
RIVAL_REACH: Final = 1e-3
"""Choice: rivals less probable than this share of the bound are not looked for."""
Z95: Final = 1.959964
"""Standard normal quantile of a two-sided 95 % interval."""


@dataclass(frozen=True, slots=True)
class NewMark:
    """One proposed mark and the mark that it is most easily confused with."""

    mark: str
    worst_rival: str
    """Registered or proposed; empty when none reaches ``RIVAL_REACH`` of the bound."""
    probability: float
    """Of reading one of the two as the other, the worse way round, in the layout in which it is
    largest, or a little more; 0 without a rival."""
    registered: bool
    """The rival is registered."""
    needles: int
    too_many_needles: bool


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number of marks, exact or with a 95 % interval."""

    value: float
    low: float
    high: float
    exact: bool


@dataclass(frozen=True, slots=True)
class Space:
    """How many marks there are."""

    allowed: int
    """By the rules."""
    free: Estimate
    """... that conflict with no registered mark and are not registered themselves."""
    together: Estimate
    """... so many of them conflict with no other one for sure (Caro-Wei or Turán)."""
    mean_conflicts: float
    """Other free marks that a free mark conflicts with."""
    gilbert_varshamov: int
    """Marks that exist for sure by coding theory, registered ones not looked at."""
    distance_sure: int
    """Marks that differ in so many places never conflict; 0: there is no such number."""
    at_most: int
    """No more marks without conflicts exist."""
    at_most_by: str
    """Why: Hamming and Singleton bound at ``distance_needed``, or a count of groups of marks that
    all conflict with each other, of which one mark each can be taken."""
    distance_needed: int
    """Marks that differ in fewer places always conflict."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """New marks, and how many more there are."""

    marks: tuple[NewMark, ...]
    space: Space
    complete: bool
    """The search looked through the whole space: no further mark can be added to these."""


def propose(
    rules: Rules,
    registered: Sequence[str],
    ch: Channel,
    *,
    count: int,
    bound: float,
    seed: int,
    needles: Callable[[str], int],
    needles_max: int,
    first: Sequence[str] = (),
) -> Proposal:
    """New marks under a bound of confusion; fewer than ``count`` when the search finds no more.

    Parameters
    ----------
    rules : Rules
    registered : sequence of str
        Marks that count, dead animals' among them.
    ch : Channel
        ``misreading.channel(kernel.at(condition))``.
    count : int
        Marks wanted.
    bound : float
        No pair is confused with this probability or more.
    seed : int
        Of the order in which marks are tried.
    needles : function
        Needles of a mark.
    needles_max : int
        Marks with more are tried last and flagged.
    first : sequence of str
        Marks that the rules allow and that are tried before any other, in their order. A mark with
        the characters of a registered one is never proposed, whatever its rows.

    Raises
    ------
    ValueError
        If the rules allow no mark.
    """
    allowed = count_marks(rules)
    if allowed == 0:
        raise ValueError("the rules allow no mark")
    ch = in_any_layout(ch)
    rng = np.random.default_rng(seed)
    taken: list[str] = []
    whole = allowed <= EXHAUSTIVE
    space: Space | None = None
    fixed = Fixed(sorted(set(registered)), ch, bound)
    characters = {_characters(mark) for mark in registered}
    idle = rounds = 0
    if first:
        free = fixed.free([m for m in dict.fromkeys(first) if _characters(m) not in characters])
        order = sorted(range(len(free)), key=lambda k: needles(free[k]) > needles_max)
        taken += _greedy(free, order, *conflicts(free, ch, bound), set(free), count)
    while True:
        batch = _batch(rules, rng, whole, allowed)
        fresh = sorted(mark for mark in set(batch) if _characters(mark) not in characters)
        free = fixed.free(fresh)
        one, other = conflicts(free, ch, bound)
        if space is None:
            share = (len(free), len(set(batch)))
            space = _space(rules, ch, bound, allowed, share, one, other, whole=whole)
        order = [int(k) for k in rng.permutation(len(free))]
        order.sort(key=lambda k: needles(free[k]) > needles_max)
        # Of the earlier batches only what was taken can conflict.
        open_ = set(Fixed(sorted(taken), ch, bound).free(free)) if taken else set(free)
        own = {_characters(mark) for mark in taken}
        open_ = {mark for mark in open_ if _characters(mark) not in own}
        found = _greedy(free, order, one, other, open_, count - len(taken))
        taken += found
        rounds += 1
        idle = 0 if found else idle + 1
        if len(taken) >= count or whole or idle >= IDLE_ROUNDS or rounds >= MOST_ROUNDS:
            break
    marks = _with_rivals(taken, registered, ch, bound, needles, needles_max)
    return Proposal(marks, space, complete=whole and len(taken) < count)


def _characters(mark: str) -> str:
    """What a mark says, its rows aside."""
    return mark.replace(ROW_SEPARATOR, "")


class Fixed:
    """Marks that cannot be changed, prepared once to compare others with."""

    def __init__(self, marks: Sequence[str], ch: Channel, bound: float) -> None:
        self._set = mark_set(list(marks))
        self._finder = Finder(self._set) if len(marks) else None
        self._ch, self._bound = in_any_layout(ch), bound
        self._characters = set(map(_characters, marks))

    def free(self, marks: Sequence[str]) -> list[str]:
        """Those of some marks that conflict with none of the fixed ones, in their order."""
        if self._finder is None or not marks:
            return list(marks)
        others = mark_set(list(marks))
        out = np.zeros(len(others), dtype=bool)
        for group in others.groups:
            out[self._finder.pairs(group, self._ch, least=self._bound).record] = True
        out[find_pairs(self._set, others, self._ch, least=self._bound).read] = True
        return [
            mark
            for mark, number in zip(marks, others.of_given, strict=True)
            if not out[number] and _characters(mark) not in self._characters
        ]


def conflicts(
    marks: Sequence[str], ch: Channel, bound: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of different marks that conflict, as indices into ``marks``, each pair once."""
    if not marks:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    group = mark_set(list(marks))
    place = np.zeros(len(group), dtype=np.int64)
    place[group.of_given] = np.arange(len(marks))
    pairs = find_pairs(group, group, in_any_layout(ch), least=bound)
    same = _same_characters(marks)
    a = np.concatenate([place[pairs.record], same[:, 0]])
    b = np.concatenate([place[pairs.read], same[:, 1]])
    low, high = np.minimum(a, b), np.maximum(a, b)
    keys = np.unique(low * len(marks) + high)
    return keys // len(marks), keys % len(marks)


def _same_characters(marks: Sequence[str]) -> NDArray[np.int64]:
    """(p, 2) pairs of marks that differ in their rows alone."""
    by_characters: dict[str, list[int]] = {}
    for at, mark in enumerate(marks):
        by_characters.setdefault(_characters(mark), []).append(at)
    pairs = [pair for group in by_characters.values() for pair in combinations(group, 2)]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def caro_wei(n: int, first: NDArray[np.int64], second: NDArray[np.int64]) -> float:
    """Size of a set without conflicts that exists for sure among n marks, ``sum 1/(1 + d)``."""
    degrees = np.bincount(np.concatenate([first, second]), minlength=n)
    return float((1.0 / (1.0 + degrees)).sum())


def clique_cover(n: int, first: NDArray[np.int64], second: NDArray[np.int64]) -> int:
    """Number of groups into which n marks are put so that all of a group conflict with each other.

    Greedy: each mark joins the largest group of which it conflicts with all. No set without
    conflicts has more marks than there are groups.
    """
    beside: list[set[int]] = [set() for _ in range(n)]
    for a, b in zip(first.tolist(), second.tolist(), strict=True):
        beside[a].add(b)
        beside[b].add(a)
    group_of: dict[int, int] = {}
    sizes: list[int] = []
    for mark in range(n):
        touched: dict[int, int] = {}
        for other in beside[mark]:
            if other in group_of:
                touched[group_of[other]] = touched.get(group_of[other], 0) + 1
        whole = [group for group, count in touched.items() if count == sizes[group]]
        if whole:
            group = max(whole, key=lambda g: (sizes[g], -g))
            sizes[group] += 1
        else:
            group = len(sizes)
            sizes.append(1)
        group_of[mark] = group
    return len(sizes)


def safe_distance(ch: Channel, layout: Layout, bound: float) -> int:
    """Places in which two marks of a layout must differ to be safe for sure; 0 if none is enough.

    The worst confusion at any place to the power of the distance, swaps of neighbours besides.
    """
    places = [[index_of(c) for c in place.allowed] for place in layout.places]
    worst = 0.0
    for allowed in places:
        part = ch.upper[np.ix_(allowed, allowed)].copy()
        np.fill_diagonal(part, 0.0)
        worst = max(worst, float(part.max()))
    top = max(1.0, float(np.diag(ch.upper[:, :N_CHARACTERS]).max())) ** len(places)
    # The rows in the other order make another mark of the same characters, however far it is.
    crossed = ch.errors.crossed_rows * max(len(places) - 1, 0) * top
    for distance in range(1, len(places) + 1):
        swap = ch.swap_odds * (len(places) - 1) * worst ** max(distance - 2, 0)
        if top * (worst**distance + swap) + crossed < bound:
            return distance
    return 0


def needed_distance(ch: Channel, layout: Layout, bound: float) -> int:
    """2 when any two marks of a layout that differ in one place conflict, else 1."""
    k = ch.matrix[:, :N_CHARACTERS]
    right = float(np.diag(k).min()) ** (len(layout.places) - 1)
    odds = 1 + ch.swap_odds * len(layout.places) + float(ch.odds.max()) * len(layout.places)
    least = math.inf
    for place in layout.places:
        allowed = [index_of(c) for c in place.allowed]
        if len(allowed) < 2:
            continue
        part = k[np.ix_(allowed, allowed)].copy()
        part = np.maximum(part, part.T)
        np.fill_diagonal(part, np.inf)
        least = min(least, float(part.min()))
    return 2 if least * right / odds >= bound and math.isfinite(least) else 1


def _batch(rules: Rules, rng: np.random.Generator, whole: bool, allowed: int) -> list[str]:
    if whole:
        return list(iter_marks(rules))
    return sample_marks(rules, rng, min(BATCH, allowed), distinct=True)


def _greedy(
    marks: Sequence[str],
    order: Iterable[int],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    open_: set[str],
    count: int,
) -> list[str]:
    """Marks in order, each unless it conflicts with one taken before."""
    beside: dict[int, list[int]] = {}
    for a, b in zip(first.tolist(), second.tolist(), strict=True):
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    out: list[str] = []
    shut: set[int] = set()
    for k in order:
        if len(out) >= count:
            break
        if k in shut or marks[k] not in open_:
            continue
        out.append(marks[k])
        shut.update(beside.get(k, ()))
    return out


def wilson(hits: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927, doi:10.1080/01621459.1927.10502953)."""
    if n == 0:
        return 0.0, 1.0
    share, z2 = hits / n, Z95**2
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = Z95 / (1 + z2 / n) * math.sqrt(share * (1 - share) / n + z2 / (4 * n * n))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def _space(
    rules: Rules,
    ch: Channel,
    bound: float,
    allowed: int,
    share: tuple[int, int],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    *,
    whole: bool,
) -> Space:
    n_free, n_seen = share
    low, high = wilson(n_free, n_seen)
    found = Estimate(
        value=float(n_free) if whole else min(allowed * n_free / max(n_seen, 1), allowed * high),
        low=float(n_free) if whole else allowed * low,
        high=float(n_free) if whole else min(allowed * high, allowed),
        exact=whole,
    )
    if whole:
        safe = caro_wei(n_free, first, second)
        mean = 2 * len(first) / max(n_free, 1)
        together = Estimate(safe, safe, safe, exact=True)
    else:
        together, mean = turan(found, len(first), n_free)
    layouts = layouts_of(rules)
    lower, sure, upper, needed = 0, 0, 0, 2
    for layout in layouts:
        sizes = [len(place.allowed) for place in layout.places]
        at, least = safe_distance(ch, layout, bound), needed_distance(ch, layout, bound)
        if at and layout.scheme is None:
            number = code_bounds(sizes, at).at_least
            if number > lower:
                lower, sure = number, at
        if layout.scheme is not None:
            sizes = sizes[: -layout.scheme.length] or [1]
            least = 1
        upper += code_bounds(sizes, min(least, len(sizes))).at_most
        needed = min(needed, least)
    upper, why = min(upper, allowed), "Hamming, Singleton"
    if whole and (groups := clique_cover(n_free, first, second)) < upper:
        upper, why = groups, "groups of marks all confused with each other"
    return Space(allowed, found, together, mean, lower, sure, upper, why, needed)


def turan(free: Estimate, pairs: int, sampled: int) -> tuple[Estimate, float]:
    """Marks that exist without conflicts for sure, and mean conflicts, from a random sample.

    A share of conflicting pairs in the sample estimates the one in the whole; its interval is
    that of a Poisson count (two standard deviations of the square root).
    """
    trials = max(sampled * (sampled - 1) / 2, 1.0)

    def conflicts_of(count: float) -> float:
        return count / trials * max(free.value - 1, 0.0)

    def size(number: float, count: float) -> float:
        return number / (1 + conflicts_of(count))

    few, many = max(math.sqrt(pairs) - 1, 0.0) ** 2, (math.sqrt(pairs + 0.75) + 1) ** 2
    estimate = Estimate(
        size(free.value, pairs), size(free.low, many), size(free.high, few), exact=False
    )
    return estimate, conflicts_of(pairs)


def _with_rivals(
    taken: Sequence[str],
    registered: Sequence[str],
    ch: Channel,
    bound: float,
    needles: Callable[[str], int],
    needles_max: int,
) -> tuple[NewMark, ...]:
    """Proposed marks with the worst rival of each."""
    if not taken:
        return ()
    everyone = mark_set([*taken, *sorted(set(registered))])
    own = mark_set(list(taken))
    texts = everyone.texts(np.arange(len(everyone)))
    own_texts = own.texts(np.arange(len(own)))
    least = bound * RIVAL_REACH
    best: dict[str, tuple[float, str]] = {}
    there = find_pairs(own, everyone, ch, least=least)
    back = find_pairs(everyone, own, ch, least=least)
    _keep_worst(best, there, own_texts, texts)
    _keep_worst(best, _turned_round(back), own_texts, texts)
    mine = set(taken)
    out = []
    for mark in taken:
        probability, rival = best.get(mark, (0.0, ""))
        number = needles(mark)
        out.append(
            NewMark(
                mark=mark,
                worst_rival=rival,
                probability=probability,
                registered=bool(rival) and rival not in mine,
                needles=number,
                too_many_needles=number > needles_max,
            )
        )
    return tuple(out)


def _turned_round(pairs: Pairs) -> Pairs:
    return Pairs(pairs.read, pairs.record, pairs.probability)


def _keep_worst(
    best: dict[str, tuple[float, str]], pairs: Pairs, own: Sequence[str], others: Sequence[str]
) -> None:
    for a, b, p in zip(
        pairs.record.tolist(), pairs.read.tolist(), pairs.probability.tolist(), strict=True
    ):
        found = best.get(own[a], (0.0, ""))
        # Ties go to the first rival in the order of marks: deterministic.
        if p > found[0] or (p == found[0] and others[b] < found[1]):
            best[own[a]] = (p, others[b])


def sampled_capacity(
    marks: Sequence[str], ch: Channel, *, bound: float, number: float
) -> tuple[float, float]:
    """How many of ``number`` marks exist without conflicts for sure, and mean conflicts of one.

    Parameters
    ----------
    marks : sequence of str
        A random sample of different marks, or all of them.
    ch : Channel
    bound : float
    number : float
        Marks that the sample stands for.
    """
    first, _ = conflicts(list(marks), ch, bound)
    whole = Estimate(number, number, number, exact=len(marks) >= number)
    estimate, mean = turan(whole, len(first), len(marks))
    return estimate.value, mean


__all__ = [
    "Estimate",
    "Fixed",
    "MarkSet",
    "NewMark",
    "Proposal",
    "Space",
    "caro_wei",
    "clique_cover",
    "conflicts",
    "needed_distance",
    "propose",
    "safe_distance",
    "sampled_capacity",
    "turan",
    "wilson",
]
