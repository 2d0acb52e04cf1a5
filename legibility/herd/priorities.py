"""Whom to re-identify first: what is expected to go wrong at the next handling, and what to do.

For an animal whose mark was last seen usable some time ago::

    P(lost)   = the fade curve, from that sighting to the next handling
    P(taken)  = (1 - P(lost)) P(taken | mark as it is) + P(lost) P(taken | lost mark)
    loss      = cost * (P(taken) + lost_share * P(lost))

A mark that could not be seen on photos since then is lost with the probability that these photos
leave (see ``refusals``), and is photographed again before anything else. A curve that is an
assumption ranks, but sets no date and advises no better mark.

``P(taken | mark as it is)`` is the larger of what the confusion kernel says of such a mark among
these marks, and what the newest reading said of itself. With a transponder all of it counts only
where the transponder does not answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.herd.fade import Basis, Fade
from legibility.herd.handling import (
    IN_LINE,
    NOTHING,
    OTHER_EAR,
    PHOTOGRAPH,
    SECOND_READING,
    TRANSPONDER,
    Handling,
)
from legibility.herd.histories import DAYS_A_YEAR, grade_codes
from legibility.herd.intervals import Floats
from legibility.herd.refusals import PRIOR_LOST

AGE_UNKNOWN_YEARS: Final = 2.0
"""Choice: age of a mark of which neither application nor birth is known, at its first sighting."""
RISK_WORTH_A_MARK: Final = 0.05
"""Choice: above this probability of being taken for another a better mark, or a transponder, is
advised and not only another look."""
RISK_OF_ONE_MARK: Final = 0.25
"""Choice: from this probability of being taken for another on, two marks are as good as one."""

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Marks:
    """What is known of each animal's mark; days since 1970-01-01, NaN where nothing is known."""

    applied: Floats
    last_usable: Floats
    first_lost: Floats
    not_seen: Floats
    doubt: Floats
    """Weight of the photos since ``last_usable`` on which it was not seen."""
    grade: Floats
    sightings: NDArray[np.int64]
    risk: Floats
    risk_lost: Floats
    reading_risk: Floats
    contradicted: Flags
    has_chip: Flags
    ears_taken: NDArray[np.int64]
    cost: Floats
    effect: Floats
    """Effect of the mark's classes on the curve by age."""


@dataclass(frozen=True, slots=True)
class Priorities:
    """One entry an animal."""

    p_lost: Floats
    """Probability that the mark is lost at the next handling."""
    p_taken: Floats
    """... that the animal is taken for another one then."""
    loss: Floats
    """Expected cost."""
    last_day: Floats
    """Day on which ``p_lost`` reaches its limit; infinite for never and where the curve is an
    assumption, in the past when overdue."""
    assumed: Flags
    """Whether ``p_lost`` rests on a curve that nobody measured."""
    anew: Flags
    """Whether there is reason to mark the animal anew: its mark was seen lost, will be lost by a
    measured curve, or is the mark of another animal, too."""
    spared: Floats
    """Share of mistakes that a transponder does not spare, 0..1."""
    act: NDArray[np.str_]


def priorities(
    marks: Marks, *, by_age: Fade, by_grade: Fade, handling: Handling, today: float
) -> Priorities:
    """What to expect and what to do.

    Parameters
    ----------
    by_age : Fade
        Years from application to loss.
    by_grade : Fade
        Years from a sighting to loss, by the class of the grade seen (property "grade").
    today : float
        Day from which the next handling is counted.
    """
    ahead = today + handling.days_to_next
    lost = ~np.isnan(marks.first_lost)
    risen, until, assumed = _fading(marks, by_age, by_grade, handling, today=today, ahead=ahead)
    assumed &= ~lost
    missed = ~lost & ~np.isnan(marks.not_seen)
    p_lost = np.where(lost, 1.0, np.where(missed, _doubted(risen, marks.doubt), risen))
    last_day = np.where(lost, marks.first_lost, np.where(assumed | missed, np.inf, until))
    stated = np.where(np.isnan(marks.reading_risk), 0.0, marks.reading_risk)
    as_is = np.maximum(marks.risk, stated)
    spared = np.where(marks.has_chip, handling.p_chip_fails, 1.0)
    p_taken = spared * ((1 - p_lost) * as_is + p_lost * marks.risk_lost)
    loss = marks.cost * (p_taken + handling.lost_share * spared * p_lost)
    # Whatever falls due before the handling after the next one has to be done at the next one.
    due = last_day < ahead + handling.days_to_next
    # A doubtful reading is a reason to read again; only the marks themselves ask for more.
    by_marks = spared * ((1 - p_lost) * marks.risk + p_lost * marks.risk_lost)
    better = due | (by_marks >= RISK_WORTH_A_MARK)
    look = missed | (~lost & ((marks.sightings == 0) | marks.contradicted))
    anew = (due | (marks.risk >= RISK_OF_ONE_MARK)) & ~look
    act = np.select(
        [
            missed | (~lost & (marks.sightings == 0)),
            ~lost & marks.contradicted,
            better & ~marks.has_chip,
            better & (marks.ears_taken < 2),
            better,
            assumed & (p_lost >= handling.lost_limit),
            p_taken >= handling.worth_naming,
        ],
        [PHOTOGRAPH, SECOND_READING, TRANSPONDER, OTHER_EAR, IN_LINE, PHOTOGRAPH, SECOND_READING],
        default=NOTHING,
    )
    return Priorities(
        p_lost, p_taken, loss, last_day, assumed, anew, spared, np.asarray(act, dtype=np.str_)
    )


def _doubted(p_faded: Floats, doubt: Floats) -> Floats:
    """Probability of loss by the curve, and after photos on which the mark was not seen."""
    before = np.clip(p_faded, PRIOR_LOST, 1 - 1e-9)
    return np.asarray(1.0 / (1.0 + (1.0 - before) / before * np.exp(-doubt)), np.float64)


def _fading(
    marks: Marks,
    by_age: Fade,
    by_grade: Fade,
    handling: Handling,
    *,
    today: float,
    ahead: float,
) -> tuple[Floats, Floats, Flags]:
    """Probability of loss by the next handling, the day on which the limit is reached, and whether
    the curve used is an assumption.

    Counted from the last sighting of the usable mark: nobody has looked since. The curve by grade
    says more of a mark that was graded; a measured curve goes before an assumed one.
    """
    seen = ~np.isnan(marks.last_usable)
    begin = np.where(
        np.isnan(marks.applied),
        np.where(seen, marks.last_usable, today) - AGE_UNKNOWN_YEARS * DAYS_A_YEAR,
        marks.applied,
    )
    since = np.where(seen, np.maximum(marks.last_usable, begin), begin)
    age_seen, age_ahead = (since - begin) / DAYS_A_YEAR, (ahead - begin) / DAYS_A_YEAR
    limit = handling.lost_limit
    p_age = by_age.lost_between(age_seen, age_ahead, effect=marks.effect)
    until_age = since + DAYS_A_YEAR * by_age.years_until(age_seen, limit, effect=marks.effect)
    assumed = Basis.ASSUMPTION
    use_grade = seen & ~np.isnan(marks.grade)
    if by_grade.basis is assumed and by_age.basis is not assumed:
        use_grade = np.zeros(len(seen), dtype=np.bool_)
    classes = grade_codes(marks.grade)
    effect = np.array([by_grade.effect({"grade": name}) for name in classes.kinds])[classes.code]
    p_grade = by_grade.lost_between(0.0, (ahead - since) / DAYS_A_YEAR, effect=effect)
    until_grade = since + DAYS_A_YEAR * by_grade.years_until(0.0, limit, effect=effect)
    return (
        np.where(use_grade, p_grade, p_age),
        np.where(use_grade, until_grade, until_age),
        np.where(use_grade, by_grade.basis is assumed, by_age.basis is assumed),
    )
