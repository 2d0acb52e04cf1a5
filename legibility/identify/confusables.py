"""Which characters of this reading may be others, and whom that makes plausible.

There is no list of pairs that look alike: the reading's own probabilities say it. Fixed lists miss
most pairs (Unicode UTS 39 has only 0/O and 1/I of them), and which pairs are hard depends on the
picture.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from legibility.alphabet import CHARACTERS, N_CHARACTERS, ROW_SEPARATOR
from legibility.containers import Confusable, Reading
from legibility.identify.animals import Registry
from legibility.identify.marktext import best_character, best_hypothesis

LEAST_PROBABILITY: Final = 0.005
"""Choice: alternatives below one half percent are not listed."""
ANIMALS_LISTED: Final = 20
"""Choice: most animals named for one exchange."""


def confusables(reading: Reading, registry: Registry | None) -> tuple[Confusable, ...]:
    """Alternatives of each cell of the most probable hypothesis, in reading order, best first.

    How marks are usually written counts, as in the text that people see.

    Parameters
    ----------
    reading : Reading
    registry : Registry, optional
        Animals whose mark is the reading with that one character exchanged are named.

    Returns
    -------
    tuple of Confusable
        ``row`` and ``cell`` count the hypothesis's rows and cells from 0.
    """
    hypothesis = best_hypothesis(reading)
    if hypothesis is None:
        return ()
    hypothesis = hypothesis.as_written()
    kept = [
        [(place, cell) for place, cell in enumerate(cells) if not cell.is_empty]
        for cells in hypothesis.rows
    ]
    letters = [[best_character(cell)[0] for _, cell in cells] for cells in kept]
    found = []
    for row, cells in enumerate(kept):
        for position, (place, cell) in enumerate(cells):
            character, probability = best_character(cell)
            chances = np.exp(cell.logp[:N_CHARACTERS])
            for index in np.argsort(-chances, kind="stable"):
                alternative = CHARACTERS[index]
                if chances[index] <= LEAST_PROBABILITY:
                    break
                if alternative == character:
                    continue
                exchanged = [list(row_letters) for row_letters in letters]
                exchanged[row][position] = alternative
                mark = ROW_SEPARATOR.join("".join(text) for text in exchanged if text)
                animals = registry.find(mark)[:ANIMALS_LISTED] if registry is not None else ()
                found.append(
                    Confusable(
                        row=row,
                        cell=place,
                        character=character,
                        probability=probability,
                        alternative=alternative,
                        alternative_probability=float(chances[index]),
                        animal_ids=tuple(registry.animal_id(a) for a in animals)
                        if registry
                        else (),
                    )
                )
    return tuple(found)
