"""Why an animal has its probability: reasons that sum to its log-odds.

The reasons are taken in one after the other, and each is worth what it changes: what was known
beforehand; then of each photo the number of its places, its characters from left to right, other
ways to see the picture, mistakes of application, and the caution of the final calibration; then
what people read; then the chance that the ears were taken for each other. So every row counts
against all registered animals and "not registered" at once: a first letter that all marks of a herd
share is worth nothing. What a row is worth depends on the rows before it, their sum does not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, N_CLASSES, NO_CHARACTER
from legibility.containers import (
    Candidate,
    CellReading,
    DecidingCell,
    Explanation,
    ExplanationRow,
    Hypothesis,
    Reading,
)
from legibility.errors import RegistryError
from legibility.evidence.contributions import align_mark
from legibility.identify.calibration import FinalCalibration
from legibility.identify.candidates import best_candidates, candidate
from legibility.identify.certainty import reading_certainty
from legibility.identify.channel import channel_odds, channel_outcomes
from legibility.identify.ears import ear_ratios, mark_likelihoods
from legibility.identify.emissions import Prices
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import build_mark_table
from legibility.identify.marktext import best_hypothesis
from legibility.identify.one_photo import Weighed
from legibility.identify.registry import Registry
from legibility.identify.sequence import repeated
from legibility.probability import percent
from legibility.settings import Settings

NOT_REGISTERED: Final = "not-registered"
"""How "not registered" is asked for."""
DECIDING: Final = 3
"""Choice: most places named that separate the first two candidates."""
LEAST_DECIDING: Final = 0.1
"""Choice: nats; a place that separates less is not named."""
LEAST_CHARACTER: Final = 1e-3
"""Choice: characters less likely than this at a place are left out of what a sure look may show."""
SMALLEST: Final = 1e-300
SMALLEST_ROW: Final = 1e-9
"""Nats; less is rounding."""
DISAGREEMENT_SENTENCE: Final = (
    "The photos speak against each other: faults that they share cannot explain that, so the later "
    "ones count for more than above."
)
_BLANK: Final = np.full(N_CLASSES, -math.log(N_CLASSES))


@dataclass(frozen=True, slots=True)
class CountedPhoto:
    """A photo that counts."""

    index: int
    """Its place among the photos given."""
    reading: Reading
    ear: str
    weight: float
    """Exponent with which it counts."""


@dataclass(frozen=True, slots=True)
class _Case:
    """What all reasons are weighed with."""

    registry: Registry
    prior: NDArray[np.float64]
    settings: Settings
    calibration: FinalCalibration

    def ratio(
        self, photo: CountedPhoto, reading: Reading, *, channel: bool, cautious: bool
    ) -> NDArray[np.float64]:
        """(n + 1,) evidence of a photo of which only ``reading`` is taken in."""
        settings = self.settings
        if not channel:
            settings = replace(settings, p_swap=0.0, p_wrong_die=0.0, p_turned_die=0.0)
        return ear_ratios(
            mark_likelihoods(reading, self.registry, settings=settings),
            reading,
            self.registry,
            ear=photo.ear,
            prior=self.prior,
            settings=self.settings,
            calibration=self.calibration,
            certainty=reading_certainty(photo.reading),
            cautious=cautious,
        ).either


def index_of(registry: Registry, animal: str) -> int:
    """Index of the outcome that is asked about.

    Raises
    ------
    RegistryError
        If no registered animal has this identifier.
    """
    if animal == NOT_REGISTERED:
        return len(registry)
    index = registry.index_of(animal)
    if index < 0:
        raise RegistryError(
            f"{registry.name}: holds no animal {animal[:80]!r} to explain; expected an animal_id "
            f"or {NOT_REGISTERED}"
        )
    return index


def explain(
    animal: str,
    photos: Sequence[CountedPhoto],
    weighed: Weighed,
    registry: Registry,
    *,
    text: str,
    settings: Settings,
    calibration: FinalCalibration,
) -> Explanation:
    """Why an animal has its probability.

    Parameters
    ----------
    animal : str
        Its identifier, or ``NOT_REGISTERED``.
    photos : sequence of CountedPhoto
        Those that count, with their weights.
    weighed : Weighed
        What all of it came to.
    registry : Registry
    text : str
        Mark as read.
    settings, calibration
        Those it was weighed with.

    Returns
    -------
    Explanation
        Its rows sum to its log-odds but for rounding.

    Raises
    ------
    RegistryError
        If no registered animal has this identifier.
    """
    index = index_of(registry, animal)
    case = _Case(registry, weighed.prior.logp, settings, calibration)
    score = weighed.prior.logp.copy()
    before = log_odds(score, index)
    rows = [ExplanationRow("prior", "known beforehand", before, _prior_sentence(weighed, index))]
    for photo in photos:
        states = _states(case, photo, index, text)
        for row, ratio in states:
            now = log_odds(score + photo.weight * ratio, index)
            rows.append(replace(row, log_odds=now - before, photo=photo.index))
            before = now
        score = score + photo.weight * states[-1][1]
    for one, ratios in sorted(
        zip(weighed.eyes.readings, weighed.eyes.ratios, strict=True), key=lambda k: -k[0].weight
    ):
        score = score + repeated(score, ratios.either, one.weight)
        now = log_odds(score, index)
        said = f"{one.reading.reader} reads {one.reading.text or 'nothing'}"
        sentence = f"{said}; it counts as a look of its own with a share of {one.weight:.2f}."
        what = f"read by {one.reading.reader}"
        rows.append(ExplanationRow("person", what, now - before, sentence))
        before = now
    final = np.log(np.maximum(weighed.probabilities, SMALLEST))
    stated = log_odds(final, index)
    if any(photo.ear for photo in photos) or (weighed.ear and weighed.eyes.readings):
        sentence = (
            "All photos and readings together: the ears are taken for each other "
            f"with {percent(settings.p_wrong_ear)}, once for the animal."
        )
        rows.append(ExplanationRow("ears", "left and right", stated - before, sentence))
    elif abs(stated - before) > SMALLEST_ROW:
        rows.append(
            ExplanationRow("weights", "disagreement", stated - before, DISAGREEMENT_SENTENCE)
        )
    first, second = best_candidates(
        weighed.probabilities,
        registry,
        count=2,
        text=text,
        prior=weighed.prior.logp,
        ear=weighed.ear,
    )
    told = candidate(index, weighed.probabilities, registry, text, case.prior, weighed.ear)
    return Explanation(
        animal_id=told.animal_id,
        mark=told.mark,
        probability=told.probability,
        log_odds=stated,
        rows=tuple(rows),
        first=first,
        second=second,
        deciding=_deciding(case, photos, weighed, first, second),
    )


def log_odds(score: NDArray[np.float64], index: int) -> float:
    """Log-odds of one outcome against all others, from unnormalised log-probabilities."""
    rest = np.delete(score, index)
    return float(score[index] - np.logaddexp.reduce(rest))


def _prior_sentence(weighed: Weighed, index: int) -> str:
    before = float(np.exp(weighed.prior.logp[index]))
    said = [statement.said for statement in weighed.prior.statements]
    because = f" from what was said ({'; '.join(said)})" if said else ""
    return f"Before the mark was looked at it had {percent(before)}{because}."


def _states(
    case: _Case, photo: CountedPhoto, index: int, text: str
) -> list[tuple[ExplanationRow, NDArray[np.float64]]]:
    """Reasons of one photo, and its evidence with each of them and those before taken in."""
    best = best_hypothesis(photo.reading)
    if best is None:
        return []
    mark = _mark_shown(case, photo, index)
    laid = _laid(best, mark)
    rows = [tuple(_with(cell, _BLANK) for cell in cells) for cells in best.rows]
    alone = replace(photo.reading, hypotheses=(replace(best, rows=tuple(rows)),))
    sizes = " + ".join(str(len(cells)) for cells in best.rows)
    on_record = f"the mark on record is {mark}" if mark else "no mark is on record"
    length = f"The photo shows {sizes} places; {on_record}."
    found = [
        (
            ExplanationRow("length", "number of places", 0.0, length),
            case.ratio(photo, alone, channel=False, cautious=False),
        )
    ]
    for r, cells in enumerate(best.rows):
        for c, cell in enumerate(cells):
            rows[r] = (*rows[r][:c], cell, *rows[r][c + 1 :])
            alone = replace(alone, hypotheses=(replace(best, rows=tuple(rows)),))
            what = f"row {r + 1}, place {c + 1}"
            row = ExplanationRow(
                "character", what, 0.0, _cell_sentence(cell, laid.get((r, c), -1)), row=r, cell=c
            )
            found.append((row, case.ratio(photo, alone, channel=False, cautious=False)))
    if len(photo.reading.hypotheses) > 1:
        other = len(photo.reading.hypotheses) - 1
        sentence = f"{other} other way{'s' * (other > 1)} round to see the picture, weighed too."
        found.append(
            (
                ExplanationRow("poses", "other ways round", 0.0, sentence),
                case.ratio(photo, photo.reading, channel=False, cautious=False),
            )
        )
    found.append(
        (
            ExplanationRow("application", "application", 0.0, _event(case, photo, mark)),
            case.ratio(photo, photo.reading, channel=True, cautious=False),
        )
    )
    no_mark = math.exp(min(0.0, photo.reading.logp_no_mark))
    caution = (
        "Something else may have gone wrong, and what was read may be no mark "
        f"({percent(no_mark)} by the photo); calibrated: {case.calibration.origin}."
    )
    found.append(
        (
            ExplanationRow("caution", "caution", 0.0, caution),
            case.ratio(photo, photo.reading, channel=True, cautious=True),
        )
    )
    return found


def _mark_shown(case: _Case, photo: CountedPhoto, index: int) -> str:
    """The mark that the photo should show; of two and an unknown ear the more likely one."""
    if index == len(case.registry):
        return ""
    right = case.registry.right_mark(index)
    if not right or photo.ear:
        return case.registry.shown_mark(index, photo.ear)
    marks = (case.registry.mark(index), right)
    table = build_mark_table(marks)
    said = registry_log_likelihood(
        photo.reading, table, settings=case.settings, layouts=case.registry.layouts
    )
    return marks[int(np.argmax(said))]


def _laid(best: Hypothesis, mark: str) -> Mapping[tuple[int, int], int]:
    """Class that a mark has at each place of a hypothesis; nothing without a mark."""
    if not mark:
        return {}
    prices = Prices()
    rows = [np.array([cell.logp for cell in cells]).reshape(-1, N_CLASSES) for cells in best.rows]
    floored = [np.maximum(row, -30.0) for row in rows]
    classes = align_mark(floored, mark, extra=prices.extra_cell, missed=prices.missed_cell)
    return {(r, c): int(k) for r, row in enumerate(classes) for c, k in enumerate(row)}


def _with(cell: CellReading, logp: NDArray[np.float64]) -> CellReading:
    return replace(cell, logp=np.asarray(logp, dtype=np.float64))


def _chance(cell: CellReading, character: int) -> str:
    return percent(math.exp(min(0.0, float(cell.logp[character]))))


def _cell_sentence(cell: CellReading, character: int) -> str:
    best = int(np.argmax(cell.logp[:N_CHARACTERS]))
    read = f"Read as {CHARACTERS[best]} ({_chance(cell, best)})"
    if character < 0:
        return f"{read}; held against marks like the registry's own and any other."
    if character == NO_CHARACTER:
        return f"{read}; the record has no character here ({_chance(cell, NO_CHARACTER)})."
    if character == best:
        return f"{read}, as on record."
    return f"{read}; on record is {CHARACTERS[character]} ({_chance(cell, character)})."


def _event(case: _Case, photo: CountedPhoto, mark: str) -> str:
    if not mark:
        return "Mistakes made when the mark was pressed; for all animals alike."
    outcomes = channel_outcomes(mark, odds=channel_odds(case.settings))
    plain = replace(case.settings, p_swap=0.0, p_wrong_die=0.0, p_turned_die=0.0)
    marks = tuple(outcomes)
    said = registry_log_likelihood(
        photo.reading, build_mark_table(marks), settings=plain, layouts=case.registry.layouts
    )
    said = said + np.log(np.array([outcomes[one] for one in marks]))
    share = np.exp(said - np.logaddexp.reduce(said))
    own = marks.index(mark)
    rest = np.where(np.arange(len(marks)) == own, 0.0, share)
    likely = marks[int(np.argmax(rest))]
    if share[own] >= 0.5:
        chance = percent(float(share[own]))
        return f"Most likely the ear carries {mark} as recorded ({chance} of that animal)."
    return (
        f"If it is this animal, its ear most likely carries {likely} in place of {mark} "
        f"({percent(float(rest.max()))}): a die swapped, wrong or turned."
    )


def _deciding(
    case: _Case,
    photos: Sequence[CountedPhoto],
    weighed: Weighed,
    first: Candidate,
    second: Candidate,
) -> tuple[DecidingCell, ...]:
    """Places that separate the first two candidates, and what a sure look at them is worth."""
    a, b = (_index(case.registry, one) for one in (first, second))
    found = []
    for photo in photos:
        best = best_hypothesis(photo.reading)
        if best is None or not photo.weight:
            continue
        full = case.ratio(photo, photo.reading, channel=True, cautious=False)
        laid = [_laid(best, _mark_shown(case, photo, index)) for index in (a, b)]
        for r, cells in enumerate(best.rows):
            for c in range(len(cells)):
                blank = case.ratio(
                    photo, exchanged(photo.reading, r, c, _BLANK), channel=True, cautious=False
                )
                worth = photo.weight * float(full[a] - full[b] - blank[a] + blank[b])
                if abs(worth) < LEAST_DECIDING:
                    continue
                one, other = (_written(way.get((r, c), NO_CHARACTER)) for way in laid)
                found.append((DecidingCell(photo.index, r, c, one, other, worth, 0.0, 0.0), photo))
    found.sort(key=lambda item: -abs(item[0].log_odds))
    return tuple(_valued(case, cell, photo, weighed) for cell, photo in found[:DECIDING])


def _index(registry: Registry, one: Candidate) -> int:
    return len(registry) if one.animal_id is None else registry.index_of(one.animal_id)


def _written(character: int) -> str:
    return CHARACTERS[character] if character < N_CHARACTERS else ""


def exchanged(reading: Reading, row: int, cell: int, logp: NDArray[np.float64]) -> Reading:
    """A reading with other log-probabilities at one place of its most probable hypothesis."""
    best = best_hypothesis(reading)
    hypotheses = []
    for hypothesis in reading.hypotheses:
        if hypothesis is best:
            cells = list(hypothesis.rows[row])
            cells[cell] = _with(cells[cell], logp)
            rows = (*hypothesis.rows[:row], tuple(cells), *hypothesis.rows[row + 1 :])
            hypothesis = replace(hypothesis, rows=rows)
        hypotheses.append(hypothesis)
    return replace(reading, hypotheses=tuple(hypotheses))


def sure_look(
    case_registry: Registry,
    photo: CountedPhoto,
    row: int,
    cell: int,
    probabilities: NDArray[np.float64],
    *,
    settings: Settings,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What seeing one place for sure may show, and what it would make of the probabilities.

    A photo's likelihood is linear in the likelihoods of one place, so it is the sum over the
    characters that the place may hold; Bayes' rule gives the rest. Their mean over what may be
    seen is the probabilities as they are.

    Returns
    -------
    seen : (k,) float64
        Probability of each character, the unlikely ones left out; sums to one.
    after : (k, n + 1) float64
        Probabilities of all outcomes when it is seen.
    """
    best = best_hypothesis(photo.reading)
    if best is None:
        return np.ones(1), probabilities[None, :]
    logp = best.rows[row][cell].logp
    parts = []
    for character in np.flatnonzero(np.exp(logp) >= LEAST_CHARACTER):
        only = np.full(N_CLASSES, -np.inf)
        only[character] = logp[character]
        said = mark_likelihoods(
            exchanged(photo.reading, row, cell, only), case_registry, settings=settings
        )
        parts.append(said.of_ear(case_registry, photo.ear))
    values = np.array(parts)
    share = np.exp(values - np.logaddexp.reduce(values, axis=0))
    joint = share * probabilities
    seen = joint.sum(axis=1)
    return seen / seen.sum(), joint / np.maximum(seen, SMALLEST)[:, None]


def _valued(case: _Case, cell: DecidingCell, photo: CountedPhoto, weighed: Weighed) -> DecidingCell:
    seen, after = sure_look(
        case.registry, photo, cell.row, cell.cell, weighed.probabilities, settings=case.settings
    )
    best = after.max(axis=1)
    settles = float(seen[best >= case.settings.identified_probability].sum())
    return replace(cell, expected=float(seen @ best), settles=settles)
