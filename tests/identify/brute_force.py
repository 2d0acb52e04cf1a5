"""An independent and slow way to the likelihood: every event and every alignment, one by one."""

from __future__ import annotations

import itertools
import math

import numpy as np

from legibility.alphabet import CHARACTERS, N_CLASSES, NO_CHARACTER
from legibility.containers import Reading
from legibility.identify.emissions import Prices
from legibility.settings import Settings

TURNS = {"6": "9", "9": "6", "M": "W", "W": "M", "L": "7", "7": "L"}


def events(rows: tuple[str, ...], settings: Settings) -> list[tuple[float, tuple[str, ...]]]:
    """(odds, mark in the ear) of "nothing went wrong" and of every single event."""

    def odds(p: float) -> float:
        return p / (1 - p)

    found = [(1.0, rows)]
    for r, row in enumerate(rows):
        for i in range(len(row)):
            for c in CHARACTERS:
                if c != row[i]:
                    ear = row[:i] + c + row[i + 1 :]
                    found.append(
                        (odds(settings.p_wrong_die) / 35, (*rows[:r], ear, *rows[r + 1 :]))
                    )
            if row[i] in TURNS:
                ear = row[:i] + TURNS[row[i]] + row[i + 1 :]
                found.append((odds(settings.p_turned_die), (*rows[:r], ear, *rows[r + 1 :])))
        for i in range(len(row) - 1):
            if row[i] != row[i + 1]:
                ear = row[:i] + row[i + 1] + row[i] + row[i + 2 :]
                found.append((odds(settings.p_swap), (*rows[:r], ear, *rows[r + 1 :])))
    return found


def row_probability(row: str, ratios: np.ndarray, prices: Prices) -> float:
    """Sum over every choice of which characters got a cell and which cells those are."""
    cells = ratios.shape[0]
    total = 0.0
    for got in itertools.product([False, True], repeat=len(row)):
        kept = [c for c, g in zip(row, got, strict=True) if g]
        if len(kept) > cells:
            continue
        detection = math.prod((1 - prices.missed_cell) if g else prices.missed_cell for g in got)
        for places in itertools.combinations(range(cells), len(kept)):
            value = math.prod(
                ratios[place, CHARACTERS.index(c)] for place, c in zip(places, kept, strict=True)
            )
            empty = [place for place in range(cells) if place not in places]
            value *= math.prod(prices.extra_cell * ratios[place, NO_CHARACTER] for place in empty)
            # Empty cells between two detected characters may lie before or after each character
            # in between that got no cell: count the ways.
            ways = 1
            bounds = [-1, *places, cells]
            groups = []
            run = 0
            for g in got:
                if g:
                    groups.append(run)
                    run = 0
                else:
                    run += 1
            groups.append(run)
            for group, (low, high) in zip(groups, itertools.pairwise(bounds), strict=True):
                between = high - low - 1
                ways *= math.comb(between + group, group)
            total += detection * value * ways * (1 - prices.extra_cell) ** (len(row) + 1)
    return total


def photo_log_likelihood(
    reading: Reading,
    mark: str,
    settings: Settings,
    prices: Prices,
    layouts: np.ndarray | None = None,
) -> float:
    """Log-likelihood of a reading of at most two rows seen a hypothesis.

    ``layouts[n, k]``: of marks written in one row, that the first row of the ear ends after k of n
    characters, 0 for one row; None: they stand as they are written.
    """
    rows = tuple(mark.split("/"))
    outcomes = events(rows, settings)
    normaliser = sum(odds for odds, _ in outcomes)
    share = sum(math.exp(h.logp) for h in reading.hypotheses)
    total = 0.0
    for hypothesis in reading.hypotheses:
        seen = [
            np.exp(np.array([cell.logp for cell in cells]).reshape(len(cells), N_CLASSES))
            * N_CLASSES
            for cells in hypothesis.rows
        ]
        for odds, ear in outcomes:
            if layouts is None or len(ear) == 2:
                value = layout_probability(ear, seen, prices)
            else:
                (text,) = ear
                ways = layouts[len(text)]
                value = ways[0] * layout_probability(ear, seen, prices)
                for k in range(1, len(text)):
                    if ways[k] > 0:
                        broken = (text[:k], text[k:])
                        value += ways[k] * layout_probability(broken, seen, prices)
            total += math.exp(hypothesis.logp) / share * odds / normaliser * value
    return math.log(total)


def layout_probability(ear: tuple[str, ...], seen: list[np.ndarray], prices: Prices) -> float:
    """Of one or two rows seen, when these one or two rows stand in the ear."""
    nothing = [float(np.prod(cells[:, NO_CHARACTER])) for cells in seen]
    p = [[row_probability(row, cells, prices) for cells in seen] for row in ear]
    if len(ear) == 1 and len(seen) == 1:
        return (1 - prices.extra_row) * p[0][0]
    if len(ear) == 1:
        value = (1 - prices.extra_row) * prices.extra_row / 2
        return value * (p[0][0] * nothing[1] + p[0][1] * nothing[0])
    if len(seen) == 1:
        return prices.missed_row / 2 * (p[0][0] + p[1][0])
    straight = (1 - prices.crossed_rows) * p[0][0] * p[1][1]
    crossed = prices.crossed_rows * p[0][1] * p[1][0]
    return (1 - prices.missed_row) * (1 - prices.extra_row) * (straight + crossed)
