"""From a reading to an identification: candidates, the set, and what the tool advises."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import ROW_SEPARATOR, UNREAD
from legibility.containers import (
    Candidate,
    Confusable,
    Decision,
    Given,
    Identification,
    PlaceDiffers,
    Reading,
)
from legibility.identify.allowed_marks import probable_allowed_marks
from legibility.identify.animals import Registry
from legibility.identify.calibration import FinalCalibration
from legibility.identify.candidates import best_candidates
from legibility.identify.conformal import candidate_set
from legibility.identify.confusables import confusables
from legibility.identify.contradiction import (
    differing_places,
    same_characters,
)
from legibility.identify.marktext import best_text, probable_marks
from legibility.identify.one_photo import Weighed, weigh
from legibility.marks.rules import Rules
from legibility.reasons import describe_differences
from legibility.settings import Settings

NO_MARK_PROBABILITY: Final = 0.5
"""Choice: a picture that is more likely to show no readable mark is called unreadable."""
LARGEST_SET: Final = 30
"""Choice: when more animals than this fit the photo, it has not been read."""
SAYS_SOMETHING: Final = 3.0
"""Choice: an animal so many times as probable as the least probable one is one of which the photo
says something."""

_NOTHING: Final = Identification(
    candidates=(),
    candidate_set=(),
    decision=Decision.UNREADABLE,
    misread_risk=1.0,
    confusables=(),
)


def identify(
    reading: Reading,
    registry: Registry | None,
    *,
    rules: Rules | None = None,
    settings: Settings | None = None,
    calibration: FinalCalibration | None = None,
    capture_good_enough: bool = True,
    given: Given | None = None,
) -> Identification:
    """Who the photo shows.

    Parameters
    ----------
    reading : Reading
    registry : Registry or None
        None: the candidates are the most probable marks, each with ``animal_id`` None; a mark read
        with ``settings.identified_probability`` is "unregistered", another one "ambiguous".
    rules : Rules, optional
        Without a registry: only marks that they allow are candidates. A registry has them already.
    settings : Settings, optional
    calibration : FinalCalibration, optional
        Default: :class:`FinalCalibration` as it is before fitting.
    capture_good_enough : bool
        False: the photo has a flag that prevents reading; what is not settled is then "retake".
    given : Given, optional
        What is known of the animal, and what people read; weighed against a registry only.

    Returns
    -------
    Identification
        Without candidates when nothing was read: the decision is never a guess.
    """
    settings = settings or Settings()
    calibration = calibration or FinalCalibration()
    given = given or Given()
    failed = Decision.UNREADABLE if capture_good_enough else Decision.RETAKE
    text = best_text(reading, settings)
    silent = not text or says_no_mark(reading)
    known = registry is not None and len(registry) > 0
    if silent and not (known and given.readings):
        return replace(
            _NOTHING, decision=failed, reason="nothing on the picture can be read as a mark"
        )
    exchange = () if silent else confusables(reading, registry)
    if registry is None or not known:
        if not has_character(text):
            return replace(_NOTHING, decision=failed, reason="no character can be read")
        return _without_registry(reading, rules, settings, calibration, failed, exchange)
    weighed = weigh(
        None if silent else reading,
        registry,
        given=given,
        settings=settings,
        calibration=calibration,
    )
    return conclude(
        weighed,
        registry,
        text="" if silent else text,
        settings=settings,
        calibration=calibration,
        failed=failed,
        exchange=exchange,
        reading=None if silent else reading,
    )


def says_no_mark(reading: Reading) -> bool:
    """Whether a picture is more likely to show no readable mark than one."""
    return float(np.exp(min(0.0, reading.logp_no_mark))) >= NO_MARK_PROBABILITY


def has_character(text: str) -> bool:
    """Whether any place of a mark was read."""
    return bool(text.strip(UNREAD + ROW_SEPARATOR))


def conclude(
    weighed: Weighed,
    registry: Registry,
    *,
    text: str,
    settings: Settings,
    calibration: FinalCalibration,
    failed: Decision,
    exchange: tuple[Confusable, ...] = (),
    reading: Reading | None = None,
) -> Identification:
    """Candidates, set and decision from the probabilities of the animals.

    Parameters
    ----------
    weighed : Weighed
        Of one photo, or of several together.
    registry : Registry
    text : str
        Mark as read in photos; empty when they show none.
    failed : Decision
        What is decided when too many animals fit.
    exchange : tuple of Confusable
    reading : Reading, optional
        The photo that counts most, to hold the first candidate against.
    """
    said = [one.reading.text for one in weighed.eyes.readings]
    probabilities = weighed.probabilities
    listed = settings.candidates_listed
    candidates = best_candidates(
        probabilities,
        registry,
        count=max(1, listed),
        text=text or (said[0] if said else ""),
        prior=weighed.prior.logp,
        ear=weighed.ear,
        outcomes=weighed.outcomes,
    )
    chosen = candidate_set(
        probabilities,
        coverage=settings.candidate_coverage,
        calibration=calibration,
        ranking=weighed.ranking,
        animals=len(registry),
    )
    beside = Identification(
        candidates=(),
        candidate_set=(),
        decision=failed,
        misread_risk=1.0,
        confusables=exchange,
        layouts=registry.layouts.basis,
        not_registered_prior=float(np.exp(weighed.prior.logp[-1])),
        prior=weighed.prior.statements,
        prior_notices=weighed.prior.notices,
        by_eye=weighed.eyes.readings,
        photo_alone=best_candidates(
            weighed.alone,
            registry,
            count=max(1, listed),
            text=text,
            prior=weighed.prior.logp,
            ear=weighed.ear,
        )
        if said and text
        else (),
    )
    first = candidates[0]
    settled = first.probability >= settings.identified_probability
    legible = has_character(text) or any(has_character(one) for one in said)
    if not settled and (not legible or chosen.members.size > LARGEST_SET):
        why = f"{chosen.members.size} candidates fit what can be read"
        return replace(beside, reason=why)
    outcomes = weighed.outcomes
    places = chosen.members
    if first.animal_id is None and not settled:
        places = np.concatenate([places, _if_registered(probabilities, places, settings)])
    members = tuple(
        None
        if index == probabilities.size - 1
        else registry.animal_id(int(index if outcomes is None else outcomes[index]))
        for index in places
    )
    decision, why = _decision(first, settled, members, failed)
    differs: tuple[PlaceDiffers, ...] = ()
    alike: tuple[str, ...] = ()
    if first.animal_id is None:
        alike = same_characters(text, registry) if UNREAD not in text else ()
        why = "; ".join((*alike, why))
    elif reading is not None:
        differs = differing_places(reading, first.mark, prefix=settings.herd_prefix.upper())
    if differs:
        decision = Decision.AMBIGUOUS if decision is Decision.IDENTIFIED else decision
        why = f"{describe_differences(text, differs)}; {why}"
    basis = chosen.basis
    if settings.herd_prefix:
        basis += f", with and without the herd's prefix {settings.herd_prefix.upper()}"
    if said or weighed.prior.statements:
        basis += ", by the photo alone; as good as what was said beside it"
    return replace(
        beside,
        candidates=candidates[:listed],
        candidate_set=members,
        decision=decision,
        misread_risk=max(0.0, 1.0 - first.probability),
        reason=why,
        set_basis=basis,
        differs=differs,
        same_characters=alike,
    )


def _if_registered(
    probabilities: NDArray[np.float64], already: NDArray[np.int64], settings: Settings
) -> NDArray[np.int64]:
    """Animals that hold the truth with the wanted coverage if it is registered after all.

    They are those whose mark a wrong or swapped die may have made into what was read. Animals that
    the photo says nothing of are left out, and there are no more than ``LARGEST_SET`` in all.
    """
    animals = probabilities[:-1]
    order = np.argsort(-animals, kind="stable")[: LARGEST_SET + 1]
    said = animals[order] - float(animals.min(initial=0.0))
    said = said[animals[order] > SAYS_SOMETHING * float(animals.min(initial=0.0))]
    before = np.cumsum(said) - said
    wanted = order[: said.size][before < settings.candidate_coverage * float(said.sum())]
    new = wanted[~np.isin(wanted, already)]
    return np.asarray(new[: max(0, LARGEST_SET - already.size)], dtype=np.int64)


def _decision(
    first: Candidate, settled: bool, members: tuple[str | None, ...], failed: Decision
) -> tuple[Decision, str]:
    percent = _percent(first.probability)
    if settled and first.animal_id is not None:
        return Decision.IDENTIFIED, f"the first candidate has {percent}"
    if settled:
        return Decision.UNREGISTERED, f"the mark fits no registered animal ({percent})"
    if failed is Decision.RETAKE:
        return Decision.RETAKE, "the photo is not good enough to settle it"
    fit = (
        "1 candidate fits; it" if len(members) == 1 else f"{len(members)} candidates fit; the first"
    )
    return Decision.AMBIGUOUS, f"{fit} has {percent}"


def _percent(probability: float) -> str:
    """Never 100 %, which no photo can show."""
    text = f"{100 * probability:.1f} %"
    return "more than 99.9 %" if text == "100.0 %" else text


def _without_registry(
    reading: Reading,
    rules: Rules | None,
    settings: Settings,
    calibration: FinalCalibration,
    failed: Decision,
    exchange: tuple[Confusable, ...],
) -> Identification:
    count = max(1, settings.candidates_listed)
    exponent = calibration.exponent
    if rules is None:
        usual = replace(reading, hypotheses=tuple(h.weighed() for h in reading.hypotheses))
        marks = probable_marks(usual, count=count, exponent=exponent)
    else:
        marks = probable_allowed_marks(reading, rules, count=count, exponent=exponent)
    said = 1.0 - calibration.floor
    said *= 1.0 - float(np.exp(min(0.0, reading.logp_no_mark)))
    candidates = tuple(Candidate(None, mark, said * float(np.exp(logp))) for mark, logp in marks)
    if not candidates:
        why = "no mark that the rules allow fits" if rules else "no character can be read"
        return replace(_NOTHING, decision=failed, reason=why, confusables=exchange)
    settled = candidates[0].probability >= settings.identified_probability
    if settled:
        decision, why = Decision.UNREGISTERED, "the mark is read; no registry was given"
    elif failed is Decision.RETAKE:
        decision, why = failed, "the photo is not good enough to settle it"
    else:
        decision, why = Decision.AMBIGUOUS, "the mark is read in part; no registry was given"
    return replace(
        _NOTHING,
        candidates=candidates[: settings.candidates_listed],
        candidate_set=(None,),
        decision=decision,
        misread_risk=max(0.0, 1.0 - candidates[0].probability),
        confusables=exchange,
        reason=why,
        set_basis="no registry",
    )
