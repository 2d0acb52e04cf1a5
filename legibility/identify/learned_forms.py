"""The forms that a registry's own marks show."""

from __future__ import annotations

from typing import Final

import numpy as np

from legibility.identify.animals import EARS, Registry
from legibility.marks.learned import LearnedRules, Odd, learned_rules

_KEPT: Final = 4
"""Choice: registries whose forms are kept; a command asks for one, a server for a few."""
_LEARNED: Final[dict[str, LearnedRules]] = {}
"""By the digest of what the registry says."""


def forms_of(registry: Registry) -> LearnedRules:
    """Rules learned from all marks of a registry, both ears'; learned once and kept.

    ``exceptions`` are numbered by animal, those of right ears with a mark of their own from
    ``len(registry)`` on.
    """
    found = _LEARNED.get(registry.digest)
    if found is None:
        found = _learn(registry)
        while len(_LEARNED) >= _KEPT:
            _LEARNED.pop(next(iter(_LEARNED)))
        _LEARNED[registry.digest] = found
    return found


def animal_of(registry: Registry, odd: Odd) -> int:
    """Index of the animal that carries an exception."""
    if odd.index < len(registry) or registry.right is None:
        return odd.index
    return int(registry.right.animals[odd.index - len(registry)])


def _learn(registry: Registry) -> LearnedRules:
    marks = [registry.mark(index) for index in range(len(registry))]
    ears = [EARS[code] for code in registry.ears().tolist()]
    years = registry.birth_years.tolist()
    if registry.right is not None:
        owners = registry.right.animals
        marks += [registry.right.table.mark_text(place) for place in range(owners.size)]
        ears += ["right"] * owners.size
        years += registry.birth_years[np.asarray(owners)].tolist()
    return learned_rules(marks, ears=ears, birth_years=years)
