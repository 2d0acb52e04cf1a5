"""From a reading to an identification: candidates, the set, and what the tool advises."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import ROW_SEPARATOR, UNREAD
from legibility.containers import Candidate, Confusable, Decision, Identification, Reading
from legibility.identify.allowed_marks import probable_allowed_marks
from legibility.identify.animals import Registry
from legibility.identify.calibration import FinalCalibration
from legibility.identify.candidates import best_candidates, calibrated, log_likelihoods
from legibility.identify.conformal import candidate_set
from legibility.identify.confusables import confusables
from legibility.identify.marktext import best_text, probable_marks
from legibility.marks.rules import Rules
from legibility.settings import Settings

NO_MARK_PROBABILITY: Final = 0.5
"""Choice: a picture that is more likely to show no readable mark is called unreadable."""
LARGEST_SET: Final = 30
"""Choice: when more animals than this fit the photo, it has not been read."""

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

    Returns
    -------
    Identification
        Without candidates when nothing was read: the decision is never a guess.
    """
    settings = settings or Settings()
    calibration = calibration or FinalCalibration()
    failed = Decision.UNREADABLE if capture_good_enough else Decision.RETAKE
    text = best_text(reading, settings)
    no_mark = float(np.exp(min(0.0, reading.logp_no_mark)))
    if not text or no_mark >= NO_MARK_PROBABILITY:
        return replace(
            _NOTHING, decision=failed, reason="nothing on the picture can be read as a mark"
        )
    has_character = bool(text.strip(UNREAD + ROW_SEPARATOR))
    exchange = confusables(reading, registry)
    if registry is None or not len(registry):
        if not has_character:
            return replace(_NOTHING, decision=failed, reason="no character can be read")
        return _without_registry(reading, rules, settings, calibration, failed, exchange)

    values = log_likelihoods(reading, registry, settings=settings)
    probabilities = calibrated(values, reading, settings=settings, calibration=calibration)
    scorer = calibration.scored_with
    ranking = calibrated(values, reading, settings=settings, calibration=scorer) if scorer else None
    return conclude(
        probabilities,
        registry,
        text=text,
        settings=settings,
        calibration=calibration,
        failed=failed,
        exchange=exchange,
        ranking=ranking,
    )


def conclude(
    probabilities: NDArray[np.float64],
    registry: Registry,
    *,
    text: str,
    settings: Settings,
    calibration: FinalCalibration,
    failed: Decision,
    exchange: tuple[Confusable, ...] = (),
    ranking: NDArray[np.float64] | None = None,
) -> Identification:
    """Candidates, set and decision from the probabilities of the animals.

    Parameters
    ----------
    probabilities : (n + 1,) float64
        Of one photo, or of several together; last "not registered".
    registry : Registry
    text : str
        Mark as read.
    failed : Decision
        What is decided when too many animals fit.
    exchange : tuple of Confusable
    ranking : (n + 1,) float64, optional
        Probabilities by ``calibration.scored_with``.
    """
    has_character = bool(text.strip(UNREAD + ROW_SEPARATOR))
    candidates = best_candidates(
        probabilities, registry, count=max(1, settings.candidates_listed), text=text
    )
    chosen = candidate_set(
        probabilities,
        coverage=settings.candidate_coverage,
        calibration=calibration,
        ranking=ranking,
    )
    first = candidates[0]
    settled = first.probability >= settings.identified_probability
    if not settled and (not has_character or chosen.members.size > LARGEST_SET):
        why = f"{chosen.members.size} candidates fit what can be read"
        return replace(_NOTHING, decision=failed, reason=why, confusables=exchange)
    members = tuple(
        None if index == len(registry) else registry.animal_id(int(index))
        for index in chosen.members
    )
    decision, why = _decision(first, settled, members, failed)
    return Identification(
        candidates=candidates[: settings.candidates_listed],
        candidate_set=members,
        decision=decision,
        misread_risk=max(0.0, 1.0 - first.probability),
        confusables=exchange,
        reason=why,
        set_basis=chosen.basis,
    )


def _decision(
    first: Candidate, settled: bool, members: tuple[str | None, ...], failed: Decision
) -> tuple[Decision, str]:
    percent = f"{100 * first.probability:.1f} %"
    if settled and first.animal_id is not None:
        return Decision.IDENTIFIED, f"the first candidate has {percent}"
    if settled:
        return Decision.UNREGISTERED, f"the mark fits no registered animal ({percent})"
    if failed is Decision.RETAKE:
        return Decision.RETAKE, "the photo is not good enough to settle it"
    return Decision.AMBIGUOUS, f"{len(members)} candidates fit; the first has {percent}"


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
        marks = probable_marks(reading, count=count, exponent=exponent)
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
