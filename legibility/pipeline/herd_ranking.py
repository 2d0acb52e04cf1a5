"""Every animal of a record by the loss to be expected: the ground of worklist and plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from legibility.herd.fade import ASSUMED_LOSS_A_YEAR, Basis, Fade
from legibility.herd.handling import LEAST_TRIES, Handling
from legibility.herd.histories import Ints
from legibility.herd.intervals import Floats
from legibility.herd.priorities import Marks, Priorities, priorities
from legibility.pipeline.herd_fades import fades_from
from legibility.pipeline.herd_kept import herd_state
from legibility.pipeline.herd_state import EPOCH, HerdState, needs_marks
from legibility.probability import percent
from legibility.settings import Settings
from legibility.store.database import HerdDatabase
from legibility.store.photos import undated_photos, unnamed_photos
from legibility.store.tries import scan_tries


@dataclass(frozen=True, slots=True)
class Ranking:
    """Every animal's priorities."""

    state: HerdState
    handling: Handling
    found: Priorities
    order: Ints
    """Animals that are not gone, by expected loss."""
    cost: Floats
    by_age: Fade
    today: date
    basis: tuple[str, ...]
    """What the figures rest on, sentences; assumptions say that they are."""

    @property
    def ahead(self) -> date:
        """Day of the next handling."""
        return self.today + timedelta(days=round(self.handling.days_to_next))


def rank_herd(
    db: HerdDatabase,
    *,
    handling: Handling | None = None,
    settings: Settings | None = None,
    today: date | None = None,
    keep: bool = True,
) -> Ranking:
    """Rank all animals that are still in the herd by the loss to be expected.

    Parameters
    ----------
    today : date, optional
        The present day by default.
    keep : bool
        Use and write the file beside the record that spares looking through everything again.

    Raises
    ------
    StoreError
        If the record cannot be used or holds no marks.
    """
    handling = handling or Handling()
    today = today or date.today()
    state = herd_state(db, usable_grade=handling.usable_grade, settings=settings, keep=keep)
    needs_marks(state, str(db.path))
    by_age, by_grade = fades_from(str(state.curves))
    handling, chip_words = _measured_chips(db, handling)
    cost = _costs(state, handling)
    found = priorities(
        Marks(
            applied=state.applied,
            last_usable=state.last_usable,
            first_lost=state.first_lost,
            not_seen=state.not_seen,
            doubt=state.doubt,
            grade=state.grade,
            sightings=state.sightings,
            risk=state.risk,
            risk_lost=state.risk_lost,
            reading_risk=state.reading_risk,
            contradicted=state.contradicted,
            has_chip=state.has_chip,
            ears_taken=state.ears_taken,
            cost=cost,
            effect=_effects(state, by_age),
        ),
        by_age=by_age,
        by_grade=by_grade,
        handling=handling,
        today=float((today - EPOCH).days),
    )
    here = np.flatnonzero(~state.gone)
    order = here[np.argsort(-found.loss[here], kind="stable")]
    basis = _basis(state, by_age, by_grade, (*_unnamed(db), *_undated(db), chip_words), here)
    return Ranking(state, handling, found, order, cost, by_age, today, basis)


def _effects(state: HerdState, by_age: Fade) -> Floats:
    total = np.zeros(len(state))
    for place, effects in enumerate(() if by_age.curve is None else by_age.curve.effects):
        if len(effects):
            code = state.classes[:, place]
            total += np.where(code >= 0, effects[code], 0.0)
    return total


def _costs(state: HerdState, handling: Handling) -> Floats:
    words, inverse = np.unique(state.status, return_inverse=True)
    return np.array([handling.cost_of(str(word)) for word in words], dtype=np.float64)[inverse]


def _measured_chips(db: HerdDatabase, handling: Handling) -> tuple[Handling, str]:
    """The record's own share of transponders that do not answer, where enough were tried."""
    found = scan_tries(db)
    if found.animals < LEAST_TRIES:
        share = percent(handling.p_chip_fails)
        return handling, f"That {share} of transponders do not answer is an assumption."
    # One failure more than seen in two animals more: never a certainty (rule of succession).
    share_failed = (found.animals_failed + 1) / (found.animals + 2)
    words = (
        f"Transponders: of {found.animals_failed} of {found.animals} animals tried in this record "
        "none answered on the last day."
    )
    return replace(handling, p_chip_fails=share_failed), words


def _unnamed(db: HerdDatabase) -> tuple[str, ...]:
    """That photos of no known animal say nothing of any mark: what they show is only a reading."""
    count = unnamed_photos(db)
    if not count:
        return ()
    return (
        f"Photos that nobody gave an animal: {count}. They judge no mark; say in a manifest "
        "(animal_id or chip) whom they show, and import them again.",
    )


def _undated(db: HerdDatabase) -> tuple[str, ...]:
    """That photos of no known day say nothing of a mark's state at any time."""
    count = undated_photos(db)
    if not count:
        return ()
    return (
        f"Photos of an animal without a day: {count}. They judge no mark, whatever was read on "
        "them; say the day in a manifest (taken_at), and import them again.",
    )


def _basis(
    state: HerdState,
    by_age: Fade,
    by_grade: Fade,
    also: Sequence[str],
    here: Ints,
) -> tuple[str, ...]:
    words = [f"Loss by age. {by_age.words}"]
    if by_grade.basis is not Basis.ASSUMPTION:
        words.append(f"Loss by grade. {by_grade.words}")
    elif by_age.basis is Basis.ASSUMPTION:
        words.append(
            "The loss by grade is an assumption too, not a measurement: of marks of grade 0 to 1, "
            "1 to 2, 2 to 3 and 3 to 4 within a year "
            + ", ".join(f"{100 * value:.0f} %" for value in ASSUMED_LOSS_A_YEAR.values())
            + "."
        )
    known = state.sightings[here] > 0
    if not known.any():
        words.insert(
            0,
            f"No mark of these {len(here)} animals was ever judged. The list is ranked by what is "
            "known: value, risk of near twins and age of the mark. How age counts is an "
            "assumption, so that no animal is given a date.",
        )
    elif not known.all():
        words.insert(
            0,
            f"Of {len(here)} animals {int((~known).sum())} have a mark that was never judged; "
            "they are ranked by value, risk of near twins and age of the mark.",
        )
    births = int((state.from_birth[here] & ~np.isnan(state.applied[here])).sum())
    if births:
        words.append(
            f"Of {births} animals the day of application is not recorded; their marks are taken to "
            "be as old as the animal."
        )
    if state.unplaced:
        words.append(
            f"Looks that belong to no mark of the record: {int(state.unplaced)}. No mark is "
            "recorded in that ear on that day, or no ear was said and the animal has marks in both."
        )
    words += also
    words.append("Costs, and what each act leaves of the loss, are choices (see --costs).")
    return tuple(words)
