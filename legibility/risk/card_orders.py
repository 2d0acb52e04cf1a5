"""How well each order of the dies explains a punched card.

Explanations of the card, given the mark that is meant:

* the dies stand in the right order, or two neighbours of a row were swapped;
* in that order each die is the right one, another one, or the right one upside down.

Order by order the places are independent, so all combinations are summed exactly:

``P(card, order) = P(order) * prod_i [(1 - w - t) L(i, right) + w mean_c L(i, c) + t L(i, turned)]``

with ``w`` and ``t`` the chance of a wrong and of a turned die and ``L`` the likelihoods that the
reader gives for each place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, index_of
from legibility.risk.card import SAME_EITHER_WAY, UNJUDGED, CardView, DieFinding
from legibility.settings import Settings

UNLIKELY: Final = 1e-4
"""Choice: least prior of a fault, so that settings of zero leave room for what is plain to see."""


@dataclass(frozen=True, slots=True)
class Explained:
    """One order of the dies in one view, summed over what each die may be."""

    view: CardView
    swapped: tuple[int, int] | None
    logp: float
    log_right: float
    """Part of it in which every die is the right one, upright."""
    options: tuple[tuple[NDArray[np.float64], float, str], ...]
    """For each place: (36,) log share of each character upright, log share of the die turned, and
    the character expected there."""


def neighbours(rows: tuple[str, ...]) -> list[tuple[int, int]]:
    """Pairs of neighbours whose swap shows, as (row, first place)."""
    return [
        (r, i) for r, row in enumerate(rows) for i in range(len(row) - 1) if row[i] != row[i + 1]
    ]


def explain(
    view: CardView, rows: tuple[str, ...], swapped: tuple[int, int] | None, settings: Settings
) -> Explained:
    """One order of the dies in one view; ``swapped``: row and first place of a swapped pair."""
    pairs = max(len(neighbours(rows)), 1)
    p_swap = max(settings.p_swap, UNLIKELY)
    order = math.log(p_swap) if swapped else math.log1p(-min(pairs * p_swap, 0.5))
    wrong, turned = max(settings.p_wrong_die, UNLIKELY), max(settings.p_turned_die, UNLIKELY)
    logp = log_right = view.logp + order
    options = []
    for r, row in enumerate(rows):
        expected = list(row)
        if swapped and swapped[0] == r:
            i = swapped[1]
            expected[i], expected[i + 1] = expected[i + 1], expected[i]
        for place, character in zip(view.rows[r], expected, strict=True):
            prior = np.full(N_CHARACTERS, wrong / (N_CHARACTERS - 1))
            prior[index_of(character)] = 1 - wrong - turned
            upright = np.log(prior) + place.upright
            # The same either way: upside down it looks as it does upright, whatever is read.
            ways = place.upright if character in SAME_EITHER_WAY else place.turned
            over = math.log(turned) + float(ways[index_of(character)])
            at_place = float(np.logaddexp(np.logaddexp.reduce(upright), over))
            logp += at_place
            log_right += float(upright[index_of(character)])
            options.append((upright - at_place, over - at_place, character))
    return Explained(view, swapped, logp, log_right, tuple(options))


def findings(rows: tuple[str, ...], best: Explained) -> tuple[DieFinding, ...]:
    """The likeliest die at each place, in reading order."""
    out = []
    flat = [(r, i) for r, row in enumerate(rows) for i in range(len(row))]
    for (r, i), (upright, over, expected) in zip(flat, best.options, strict=True):
        top = int(np.argmax(upright))
        is_turned = over > upright[top]
        found = expected if is_turned else CHARACTERS[top]
        out.append(
            DieFinding(
                row=r + 1,
                cell=i + 1,
                meant=rows[r][i],
                found=found,
                turned=is_turned,
                needles=UNJUDGED if is_turned else best.view.rows[r][i].needles[top],
                probability=math.exp(float(over if is_turned else upright[top])),
            )
        )
    return tuple(out)
