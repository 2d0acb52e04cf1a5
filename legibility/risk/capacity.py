"""How many marks without conflicts there are, of those that the rules allow.

Bracketed: at least ``sum 1 / (1 + conflicts)`` (Caro 1979, Wei 1981: every graph has so large a set
without conflicts; with the mean number of conflicts this is Turán's bound and the same argument as
Gilbert's), at most what coding theory allows (``risk.bounds``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, index_of
from legibility.intervals import wilson
from legibility.marks.rules import Layout, Rules, layouts_of
from legibility.risk.bounds import code_bounds
from legibility.risk.conflicts import conflicts
from legibility.risk.misreading import Channel


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


def space_of(
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
    """How many marks there are, from those that were looked at.

    Parameters
    ----------
    rules : Rules
    ch : Channel
    bound : float
    allowed : int
        Marks that the rules allow.
    share : (int, int)
        How many were free, of how many looked at.
    first, second : ndarray of int, (p,)
        Pairs of free ones that conflict.
    whole : bool
        All that are allowed were looked at; else a random sample of them.
    """
    n_free, n_seen = share
    if whole:
        found = Estimate(n_free, n_free, n_free, exact=True)
        safe = caro_wei(n_free, first, second)
        mean = 2 * len(first) / max(n_free, 1)
        together = Estimate(safe, safe, safe, exact=True)
    else:
        low, high = wilson(n_free, n_seen)
        found = Estimate(allowed * n_free / n_seen, allowed * low, allowed * high, exact=False)
        together, mean = turan(found, len(first), n_free)
    lower, sure, upper, needed = 0, 0, 0, 2
    for layout in layouts_of(rules):
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
