"""What is known of an animal beforehand, as a prior over the registry.

    p(a) = (1 - p(not registered)) w(a) / sum w,    w(a) = product of what each statement weighs

A statement about the animal (alive, sex, year of birth) weighs 1 for an animal that fits it,
``p_record_wrong`` for one that does not, ``p_not_recorded`` for one whose record does not tell. The
list of those present is a statement about all animals together: the animals on it share
``1 - p_not_present``, all others the rest, whatever their number. Nobody is ruled out: records and
lists have mistakes, and the mark in the ear may show it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Known, PriorStatement
from legibility.identify.animals import Registry
from legibility.identify.calibration import log_prior
from legibility.settings import Settings

DEAD: Final = frozenset({"dead", "died", "deceased", "culled", "slaughtered"})
"""Choice: words in the column ``status`` that say an animal is not alive."""
MALE: Final = frozenset(
    {"m", "male", "bull", "ram", "buck", "boar", "stallion", "steer", "ox", "wether"}
)
FEMALE: Final = frozenset({"f", "female", "cow", "heifer", "ewe", "doe", "sow", "mare", "nanny"})
"""Common practice, no source: words of the column ``sex``. Other words are as if not recorded."""
NAMED: Final = 5
"""Choice: most identifiers named in one sentence."""


@dataclass(frozen=True, slots=True)
class AnimalPrior:
    """Prior over a registry, and what it rests on."""

    logp: NDArray[np.float64]
    """(n + 1,) log-probabilities, last "not registered"."""
    statements: tuple[PriorStatement, ...] = ()
    notices: tuple[str, ...] = ()


def animal_prior(registry: Registry, known: Known, *, settings: Settings) -> AnimalPrior:
    """Prior over the animals of a registry.

    Parameters
    ----------
    registry : Registry
    known : Known
        ``ear`` is no matter of the prior: see :mod:`legibility.identify.ears`.
    settings : Settings
        ``not_registered_prior``, ``p_not_present``, ``p_record_wrong``, ``p_not_recorded``.

    Returns
    -------
    AnimalPrior
        Without any statement all animals alike.
    """
    even = log_prior(len(registry), not_registered=settings.not_registered_prior)
    weights = np.ones(len(registry))
    statements, notices = [], []
    for said, fits, tells in _about_the_animal(registry, known):
        weights *= np.where(
            tells, np.where(fits, 1.0, settings.p_record_wrong), settings.p_not_recorded
        )
        statements.append(
            PriorStatement(
                said,
                int(np.count_nonzero(fits & tells)),
                int(np.count_nonzero(~tells)),
                settings.p_record_wrong,
            )
        )
    if known.present:
        here, missing = _listed(registry, known.present)
        name = known.present_name or "the list"
        said = f"present by {name} ({len(known.present)} listed)"
        count = int(np.count_nonzero(here))
        statements.insert(0, PriorStatement(said, count, 0, settings.p_not_present))
        if missing:
            more = f" and {len(missing) - NAMED} more" if len(missing) > NAMED else ""
            notices.append(f"{', '.join(missing[:NAMED])}{more} of {name} are not in the registry")
        if 0 < count < len(registry):
            inside = weights[here].sum()
            outside = weights[~here].sum()
            weights[here] *= (1.0 - settings.p_not_present) / inside
            weights[~here] *= settings.p_not_present / outside
    if not statements or not len(registry):
        return AnimalPrior(even, tuple(statements), tuple(notices))
    if not any(statement.fitting for statement in statements):
        notices.append("no registered animal fits what was said; look at the list and the record")
    with np.errstate(divide="ignore"):
        logp = np.log(weights) - np.log(weights.sum()) + np.log1p(-settings.not_registered_prior)
    return AnimalPrior(np.append(logp, even[-1]), tuple(statements), tuple(notices))


def _about_the_animal(
    registry: Registry, known: Known
) -> list[tuple[str, NDArray[np.bool_], NDArray[np.bool_]]]:
    """Of each statement its words, (n,) who fits it, and (n,) whose record tells."""
    found = []
    count = len(registry)
    every = np.ones(count, dtype=bool)
    if known.alive:
        dead = _words(registry, "status", DEAD)
        found.append(("alive", ~dead, every))
    if known.sex:
        male, female = _words(registry, "sex", MALE), _words(registry, "sex", FEMALE)
        fits = {"male": male, "female": female}[known.sex]
        found.append((known.sex, fits, male | female))
    first, last = known.born
    if first or last:
        years = registry.birth_years
        fits = (years >= (first or 0)) & (years <= (last or np.iinfo(np.int16).max))
        said = f"born {first or 'any year'} to {last or 'any year'}"
        found.append((f"born {first}" if first == last else said, fits, years > 0))
    return found


def _words(registry: Registry, field: str, wanted: frozenset[str]) -> NDArray[np.bool_]:
    """(n,) animals whose entry is one of these words."""
    column = registry.columns.get(field)
    if column is None:
        return np.zeros(len(registry), dtype=bool)
    texts, entry = column.distinct()
    is_one = np.array([text.strip().lower() in wanted for text in texts], dtype=bool)
    return np.asarray(is_one[entry], dtype=bool)


def _listed(registry: Registry, present: tuple[str, ...]) -> tuple[NDArray[np.bool_], list[str]]:
    here = np.zeros(len(registry), dtype=bool)
    missing = []
    for animal_id in dict.fromkeys(present):
        index = registry.index_of(animal_id)
        if index < 0:
            missing.append(animal_id)
        else:
            here[index] = True
    return here, missing
