"""``legibility worklist``: who is next, why, what to do and by when; and acts for a day's plan."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from typing import Any, Final

import numpy as np

from legibility.herd import handling as h
from legibility.herd.fade import ASSUMED_LOSS_A_YEAR, Basis, Fade
from legibility.herd.handling import LEAST_TRIES, Handling
from legibility.herd.planning import Act
from legibility.herd.priorities import Marks, Priorities, priorities
from legibility.pipeline.herd_fades import fades_from
from legibility.pipeline.herd_kept import herd_state
from legibility.pipeline.herd_state import EPOCH, HerdState, needs_marks
from legibility.pipeline.worklist_reasons import Score, Scores, score_words
from legibility.report.words import percent
from legibility.risk.explain import SAME_MARK, Explainer
from legibility.risk.kernel import load_kernel
from legibility.risk.misreading import Errors, channel
from legibility.settings import Settings
from legibility.store.columns import CLIPPED
from legibility.store.database import HerdDatabase
from legibility.store.photos import unnamed_photos
from legibility.store.tries import scan_tries

SHOWN: Final = 20
"""Choice: animals of a worklist unless told."""
ORDERS: Final = {
    "": "expected loss",
    "date": "by when",
    "taken": "probability of being taken for another",
    "lost": "probability that the mark is lost",
    "grade": "grade, worst first",
    "animal": "animal",
}
"""Orders of the worklist and what they are called."""
FAR_DAYS: Final = 36_525
"""Choice: what is a hundred years away gets no date."""
WARNING_IN_LINE: Final = (
    "Re-marking over or beside an old mark is hard to align and may be forbidden: ask the "
    "authority that keeps the registry first."
)
WARNING_MARK: Final = (
    "Ask the authority that keeps the registry before an animal is marked anew; the veterinarian "
    "decides."
)


@dataclass(frozen=True, slots=True)
class RivalShown:
    """Another animal that one may be taken for."""

    animal_id: str
    mark: str
    probability: float
    how: str


@dataclass(frozen=True, slots=True)
class WorkItem:
    """One animal of the worklist."""

    rank: int
    animal_id: str
    mark: str
    ear: str
    p_taken: float
    """Probability of being taken for another animal at the next handling."""
    p_lost: float
    """Probability that the mark is lost by then."""
    cost: float
    loss: float
    """Expected cost."""
    act: str
    last_date: str
    """By when; empty for no date."""
    overdue: bool
    reason: str
    rivals: tuple[RivalShown, ...]
    grade: float | None
    last_seen: str
    sightings: int
    has_chip: bool
    seen: bool
    """Whether the mark was ever seen usable or lost; else ``p_lost`` is a guess from its age."""
    not_seen: str
    """Day of the last photo that did not show the mark, where nothing settled that since; or
    empty."""
    score: Score
    """Parts of ``loss``."""
    score_words: str
    warning: str = ""
    before: str = ""
    """Why it comes before the animal of the next rank; empty for the last one of all."""


@dataclass(frozen=True, slots=True)
class Worklist:
    """The herd, most urgent first."""

    items: tuple[WorkItem, ...]
    animals: int
    """In the herd, those gone left out."""
    needing: int
    """For which something would help."""
    listed: int
    """The first of them: as many as the next handling days hold."""
    days: float
    """Handling days that the list is made for."""
    minutes: float
    """At the chute, of all these days."""
    acts: Mapping[str, int]
    today: str
    next_handling: str
    basis: tuple[str, ...]
    """What the figures rest on, sentences; assumptions say that they are."""

    def record(self) -> dict[str, Any]:
        """As JSON."""
        return asdict(self)


@dataclass(frozen=True)
class Ranking:
    """Every animal's priorities; items are made when asked."""

    state: HerdState
    handling: Handling
    found: Priorities
    order: np.ndarray[tuple[int], np.dtype[np.int64]]
    """Animals that are not gone, by expected loss."""
    cost: np.ndarray[tuple[int], np.dtype[np.float64]]
    by_age: Fade
    by_grade: Fade
    today: date
    basis: tuple[str, ...]

    @property
    def ahead(self) -> date:
        """Day of the next handling."""
        return self.today + timedelta(days=round(self.handling.days_to_next))

    def worklist(
        self, count: int = SHOWN, *, act: str = "", order: str = "", days: float | None = None
    ) -> Worklist:
        """The first animals that need something; each keeps its rank by expected loss.

        Parameters
        ----------
        count : int
            At most so many of those that the next handling days hold.
        days : float, optional
            Handling days, those of ``handling`` by default.
        act : str
            Only animals for which this is advised; all when empty.
        order : str
            One of ``ORDERS``.
        """
        needing = self.order[self.found.act[self.order] != h.NOTHING]
        ranks = {int(place): rank for rank, place in enumerate(needing, start=1)}
        days = self.handling.list_days if days is None else days
        listed = needing[: self._held(needing, days)]
        shown = listed[self.found.act[listed] == act] if act else listed
        if order:
            shown = shown[np.argsort(self._keys(order)[shown], kind="stable")]
        names, numbers = np.unique(self.found.act[self.order], return_counts=True)
        places = shown[:count].tolist()
        items = zip(places, self.items(places), strict=True)
        return Worklist(
            items=tuple(
                replace(item, rank=ranks[place], before=self._before(needing, ranks[place]))
                for place, item in items
            ),
            animals=len(self.order),
            needing=len(needing),
            listed=len(listed),
            days=days,
            minutes=days * self.handling.day_minutes,
            acts={str(name): int(n) for name, n in zip(names, numbers, strict=True)},
            today=self.today.isoformat(),
            next_handling=self.ahead.isoformat(),
            basis=self.basis,
        )

    @property
    def scores(self) -> Scores:
        """What the list is ranked by."""
        today = float((self.today - EPOCH).days)
        return Scores(self.state, self.found, self.cost, self.handling, today)

    def _held(self, needing: np.ndarray[Any, np.dtype[np.int64]], days: float) -> int:
        """How many of the first animals some handling days hold; one at least."""
        words, code = np.unique(self.found.act[needing], return_inverse=True)
        each = np.array([self.handling.acts[str(word)].minutes for word in words], np.float64)
        used = np.cumsum(each[code]) if len(needing) else np.zeros(0)
        held = int(np.searchsorted(used, days * self.handling.day_minutes + 1e-9, side="right"))
        return min(len(needing), max(1, held))

    def _before(self, needing: np.ndarray[Any, np.dtype[np.int64]], rank: int) -> str:
        if rank >= len(needing):
            return ""
        return self.scores.before(int(needing[rank - 1]), int(needing[rank]))

    def _keys(self, order: str) -> np.ndarray[Any, np.dtype[Any]]:
        keys: dict[str, np.ndarray[Any, np.dtype[Any]]] = {
            "date": np.nan_to_num(self.found.last_day, nan=np.inf),
            "taken": -self.found.p_taken,
            "lost": -self.found.p_lost,
            "grade": np.nan_to_num(self.state.grade, nan=np.inf),
            "animal": self.state.animal,
        }
        return keys[order]

    def items(self, animals: Sequence[int]) -> Iterator[WorkItem]:
        """Items of some animals, by their index, ranked in the order given."""
        explainers: dict[float, Explainer] = {}
        for rank, place in enumerate(animals, start=1):
            yield self._item(rank, int(place), explainers)

    def acts(self, *, animals: int, also: Collection[str], sedated: Collection[str]) -> list[Act]:
        """What could be done on a day, by expected loss; of each animal the advised act first.

        Parameters
        ----------
        animals : int
            Only so many are looked at.
        also : collection of str
            Animals that are looked at in any case.
        sedated : collection of str
            Animals that are sedated for another reason: each of their acts includes reading the
            mark and one sedation slot.
        """
        wanted = set(also) | set(sedated)
        chosen = [
            int(place)
            for rank, place in enumerate(self.order)
            if (rank < animals and self.found.loss[place] > 0)
            or str(self.state.animal[place]) in wanted
        ]
        out: list[Act] = []
        for place in chosen:
            name = str(self.state.animal[place])
            out += self._acts_of(place, name, is_sedated=name in sedated)
        return out

    def _acts_of(self, place: int, name: str, *, is_sedated: bool) -> Iterator[Act]:
        state, loss = self.state, float(self.found.loss[place])
        reading = self.handling.acts[h.SECOND_READING]
        # Nothing more is read from a lost mark, unless the animal lies there anyway.
        is_lost = not np.isnan(state.first_lost[place])
        in_doubt = not is_lost and not np.isnan(state.not_seen[place])
        possible = [] if is_lost else [h.PHOTOGRAPH]
        if is_sedated or not is_lost:
            possible.append(h.SECOND_READING)
        # Only what is known to be wrong is marked anew, not a mark that was not seen or looked at.
        if not state.has_chip[place] and not in_doubt:
            possible.append(h.TRANSPONDER)
        if self.found.anew[place]:
            possible.append(h.OTHER_EAR if state.ears_taken[place] < 2 else h.IN_LINE)
        advised = str(self.found.act[place])
        leaves = {what: self.handling.acts[what].leaves for what in possible}
        for what in sorted(possible, key=lambda each: (each != advised, leaves[each])):
            cost = self.handling.acts[what]
            if not is_sedated:
                yield Act(
                    name, what, loss * (1 - cost.leaves), cost.minutes, cost.hands,
                    cost.transponders, int(cost.sedation),
                )  # fmt: skip
            elif what == h.SECOND_READING:
                yield Act(name, what, loss * (1 - cost.leaves), cost.minutes, cost.hands, 0, 1)
            elif what != h.PHOTOGRAPH:
                yield Act(
                    name, f"{h.SECOND_READING}, {what}", loss * (1 - cost.leaves * reading.leaves),
                    cost.minutes + reading.minutes, max(cost.hands, reading.hands),
                    cost.transponders, 1,
                )  # fmt: skip

    def _item(self, rank: int, place: int, explainers: dict[float, Explainer]) -> WorkItem:
        state, found = self.state, self.found
        day = float(found.last_day[place])
        never = math.isnan(day) or day > (self.today - EPOCH).days + FAR_DAYS
        last = None if never else _date(day)
        act = str(found.act[place])
        grade = float(state.grade[place])
        seen = np.fmax(state.last_usable[place], state.first_lost[place])
        rivals = tuple(self._rivals(place, grade, explainers))
        score = self.scores.of(place)
        missed = float(state.not_seen[place])
        return WorkItem(
            rank=rank,
            animal_id=str(state.animal[place]),
            mark=str(state.mark[place]),
            ear=str(state.ear[place]),
            p_taken=float(found.p_taken[place]),
            p_lost=float(found.p_lost[place]),
            cost=float(self.cost[place]),
            loss=float(found.loss[place]),
            act=act,
            last_date="" if last is None else max(last, self.today).isoformat(),
            overdue=last is not None and last < self.today,
            reason=self._reason(place, rivals, last),
            rivals=rivals,
            grade=None if math.isnan(grade) else grade,
            last_seen="" if np.isnan(seen) else _date(float(seen)).isoformat(),
            sightings=int(state.sightings[place]),
            has_chip=bool(state.has_chip[place]),
            seen=bool(state.sightings[place]),
            not_seen="" if math.isnan(missed) else _date(missed).isoformat(),
            score=score,
            score_words=score_words(score, self.handling.lost_share),
            warning=warning_of(act),
        )

    def _rivals(
        self, place: int, grade: float, explainers: dict[float, Explainer]
    ) -> Iterator[RivalShown]:
        level = 2.0 if math.isnan(grade) else min(4.0, max(0.5, round(grade)))
        mark = str(self.state.mark[place])
        for other, chance in zip(
            self.state.rival[place], self.state.rival_probability[place], strict=True
        ):
            if other < 0:
                continue
            rival = str(self.state.mark[other])
            if rival == mark:
                how = SAME_MARK
            else:
                if level not in explainers:
                    explainers[level] = Explainer(channel(load_kernel().at(level), Errors()))
                how = explainers[level].words(mark, rival)
            yield RivalShown(str(self.state.animal[other]), rival, float(chance), how)

    def _reason(self, place: int, rivals: tuple[RivalShown, ...], last: date | None) -> str:
        """One sentence: what was seen, who it would be taken for, how long it will last."""
        state, found = self.state, self.found
        parts = []
        grade = float(state.grade[place])
        two_ears = state.ears_taken[place] > 1 and state.ear[place] in ("left", "right")
        if not state.mark[place]:
            parts.append("no mark is recorded")
        elif not np.isnan(state.first_lost[place]):
            where = f" in the {state.ear[place]} ear" if two_ears else ""
            lost = _date(float(state.first_lost[place]))
            parts.append(f"the mark{where} was seen lost on {lost}")
        elif state.sightings[place] == 0 and two_ears:
            parts.append(f"the mark in the {state.ear[place]} ear was never judged")
        elif state.sightings[place] == 0 and np.isnan(state.not_seen[place]):
            photos = int(state.photos[place])
            parts.append(
                f"none of {photos} photos could judge the mark" if photos else "never photographed"
            )
        elif state.sightings[place]:
            seen = _date(float(state.last_usable[place]))
            where = f"the mark in the {state.ear[place]} ear was " if two_ears else ""
            parts.append(f"{where}last seen usable on {seen}")
            if not math.isnan(grade):
                parts.append(f"grade {grade:.1f}")
        missed = float(state.not_seen[place])
        if not math.isnan(missed):
            parts.append(f"not seen on {_date(missed)}: {self._step(place)} before more is done")
        if state.contradicted[place]:
            parts.append("its newest reading named another animal")
        if rivals and rivals[0].probability >= self.handling.worth_naming:
            first = rivals[0]
            parts.append(f"{percent(first.probability)} of readings end at {first.animal_id}")
        if np.isnan(state.first_lost[place]) and state.mark[place]:
            chance = percent(float(found.p_lost[place]))
            guess = " (assumed from its age)" if self._guessed(place) else ""
            parts.append(f"lost by {self.ahead} with {chance}{guess}")
        if not state.has_chip[place]:
            parts.append("no transponder")
        text = ", ".join(parts)
        return text[0].upper() + text[1:] + "."

    def _guessed(self, place: int) -> bool:
        return bool(self.found.assumed[place]) and self.state.sightings[place] == 0

    def _step(self, place: int) -> str:
        """What comes before the next photo of a mark that was not seen."""
        done = int(self.state.not_seen_good[place])
        if done == CLIPPED:
            return "light the ear from behind and photograph it once more, or look by eye,"
        return f"{'clip' if done else 'clean and clip'} the ear and photograph it again"


def warning_of(act: str) -> str:
    """What has to be said with an act that marks the animal anew; empty for others."""
    if h.IN_LINE in act:
        return WARNING_IN_LINE
    return WARNING_MARK if h.OTHER_EAR in act else ""


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
    basis = _basis(state, by_age, by_grade, (*_unnamed(db), chip_words), here)
    return Ranking(state, handling, found, order, cost, by_age, by_grade, today, basis)


def _effects(state: HerdState, by_age: Fade) -> np.ndarray[Any, np.dtype[np.float64]]:
    if by_age.curve is None or not any(len(each) for each in by_age.curve.effects):
        return np.zeros(len(state))
    total = np.zeros(len(state))
    for place, effects in enumerate(by_age.curve.effects):
        if len(effects):
            code = state.classes[:, place]
            total += np.where(code >= 0, effects[code], 0.0)
    return total


def _costs(state: HerdState, handling: Handling) -> np.ndarray[Any, np.dtype[np.float64]]:
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


def _basis(
    state: HerdState,
    by_age: Fade,
    by_grade: Fade,
    also: Sequence[str],
    here: np.ndarray[Any, Any],
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


def _date(day: float) -> date:
    """A day as a date, within what dates can be."""
    return EPOCH + timedelta(days=min(max(round(day), -700_000), 2_900_000))
