"""A whole registry's risk of confusion, on one machine or on a cluster."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.batch.executors import InlineExecutor, open_workers
from legibility.errors import SettingsError
from legibility.identify.marktable import BASE
from legibility.identify.registry import Registry, load_registry
from legibility.identify.rules import Rules, load_rules
from legibility.misreadings import AnimalRisk, HerdRisk, Rival, WatchedPair
from legibility.risk.ages import load_age_model
from legibility.risk.blend import OwnCounts
from legibility.risk.explain import SAME_MARK, Explainer
from legibility.risk.kernel import (
    Kernel,
    Matrix,
    beta_interval,
    condition_words,
    grade_of,
    load_kernel,
)
from legibility.risk.marks import MarkSet, mark_set
from legibility.risk.misreading import Allowed, Channel, Errors, channel
from legibility.risk.pairs import LEAST, Finder
from legibility.risk.risk import (
    TOP,
    Part,
    PartRisk,
    RegistryRisk,
    part_risk,
    parts_of,
    registry_risk,
)
from legibility.settings import Settings

CONDITION: Final = "worn"
"""Choice: without anything else known, marks are looked at as they are after some years."""
GRADE_STEP: Final = 0.5
"""Choice: grades of an age model are rounded to halves; between them risk changes little."""
MARKS_FOR_A_POOL: Final = 50_000
"""Measured: below this a pool of processes takes longer to start than it saves."""
PAIRS_WATCHED: Final = 20
"""Choice: pairs to watch that the totals list; they fit a screen."""
LIMITS: Final = (0.01, 0.05, 0.2, 0.5)
"""Choice: risks above which animals are counted."""


@dataclass(frozen=True, slots=True)
class _Work:
    """Everything a process needs to do a part."""

    digest: str
    marks: MarkSet
    matrices: tuple[Matrix, ...]
    errors: Errors
    allowed: Allowed
    least: float

    def __call__(self, part: Part) -> PartRisk:
        if self.digest not in _FINDERS:
            _FINDERS.clear()
            _FINDERS[self.digest] = Finder(self.marks)
        return part_risk(
            part,
            self.marks,
            _FINDERS[self.digest],
            channel(self.matrices[part.level], self.errors),
            allowed=self.allowed,
            least=self.least,
        )


_FINDERS: Final[dict[str, Finder]] = {}
"""The last registry's finder, kept by each process for its next part."""


@dataclass(frozen=True)
class RegistryReport:
    """Risk of a registry, animal by animal when asked."""

    registry: Registry
    marks: MarkSet
    grades: tuple[float, ...]
    """The conditions looked at."""
    levels: NDArray[np.int64]
    """(animals,) which of them."""
    channels: tuple[Channel, ...]
    arrays: RegistryRisk
    least: float
    condition: str
    kernel: Kernel
    matrices: tuple[Matrix, ...]
    own: OwnCounts | None = None
    _explainers: dict[int, Explainer] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.registry)

    def animals(self) -> Iterator[AnimalRisk]:
        """Every animal, in the registry's order."""
        return (self.animal(index) for index in range(len(self)))

    def worst(self, count: int) -> list[AnimalRisk]:
        """The animals with the highest risk, worst first."""
        risk = self.arrays.risk
        return [self.animal(int(i)) for i in np.argsort(-risk, kind="stable")[:count]]

    def animal(self, index: int) -> AnimalRisk:
        """One animal with its rivals."""
        arrays = self.arrays
        return AnimalRisk(
            animal_id=self.registry.animal_id(index),
            mark=self.registry.mark(index),
            grade=self.grades[int(self.levels[index])],
            right=float(arrays.right[index]),
            risk=float(arrays.risk[index]),
            unregistered=float(arrays.unregistered[index]),
            unread=float(arrays.unread[index]),
            rivals=tuple(self._rivals(index)),
        )

    def commonest(self) -> tuple[float, Matrix, Matrix, Matrix]:
        """Grade that most animals are looked at in; the kernel there, with its 95 % interval."""
        level = int(np.bincount(self.levels).argmax())
        grade, matrix = self.grades[level], self.matrices[level]
        own = self.own
        sample = self.kernel.sample_at(grade) if own is None else own.effective_sample
        return grade, matrix, *beta_interval(matrix, sample[:, None])

    def totals(self, *, pairs: int = PAIRS_WATCHED) -> HerdRisk:
        """The herd in figures, with the pairs of animals to watch most."""
        arrays, animals = self.arrays, len(self)
        carriers = self.marks.carriers
        return HerdRisk(
            animals=animals,
            marks=len(self.marks),
            shared_marks=int(carriers[carriers > 1].sum()),
            pairs=arrays.found,
            least=self.least,
            mean_right=float(arrays.right.mean()),
            mean_risk=float(arrays.risk.mean()),
            mean_unregistered=float(arrays.unregistered.mean()),
            mean_unread=float(arrays.unread.mean()),
            above={f"{100 * limit:.0f} %": int((arrays.risk >= limit).sum()) for limit in LIMITS},
            condition=self.condition,
            kernel=self._kernel_words(),
            row_unread=self._row_unread(),
            pairs_to_watch=tuple(self._watched(pairs)),
            notices=self.registry.notices,
        )

    def _rivals(self, index: int) -> Iterator[Rival]:
        arrays, mark = self.arrays, self.registry.mark(index)
        found: list[Rival] = []
        if arrays.same_mark[index] > 0:
            twins = [i for i in self._carriers(int(self.marks.of_given[index])) if i != index]
            share = float(arrays.same_mark[index]) / len(twins)
            for twin in twins[:TOP]:
                found.append(Rival(self.registry.animal_id(twin), mark, share, SAME_MARK))
        record = int(arrays.record_of[index])
        for at in range(int(arrays.start[record]), int(arrays.start[record + 1])):
            animals = self._carriers(int(arrays.read[at]))
            share = float(arrays.probability[at]) / len(animals)
            other = self.registry.mark(animals[0])
            words = self._explainer(int(self.levels[index])).words(mark, other)
            for animal in animals[:TOP]:
                found.append(Rival(self.registry.animal_id(animal), other, share, words))
        found.sort(key=lambda rival: -rival.probability)
        return iter(found[:TOP])

    def _explainer(self, level: int) -> Explainer:
        if level not in self._explainers:
            self._explainers[level] = Explainer(self.channels[level])
        return self._explainers[level]

    @cached_property
    def _by_mark(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        order = np.argsort(self.marks.of_given, kind="stable")
        return order, np.concatenate([[0], np.cumsum(self.marks.carriers)])

    def _carriers(self, mark: int) -> list[int]:
        order, start = self._by_mark
        return [int(i) for i in order[start[mark] : start[mark + 1]]]

    def _watched(self, count: int) -> Iterator[WatchedPair]:
        """Pairs of animals by how likely one is taken for the other, both ways together."""
        arrays, animals = self.arrays, len(self)
        if not len(arrays.probability):
            return
        # Among the 2 n likeliest single ways are n pairs; a pair as likely as those, both ways
        # together, has a way at least half as likely.
        nth = min(2 * count, len(arrays.probability))
        limit = np.partition(arrays.probability, -nth)[-nth] / 2
        likely = np.flatnonzero(arrays.probability >= limit)
        first_animal = np.full(len(arrays.start) - 1, -1, dtype=np.int64)
        first_animal[arrays.record_of[::-1]] = np.arange(animals)[::-1]
        owner = first_animal[np.searchsorted(arrays.start, likely, side="right") - 1]
        order, start = self._by_mark
        other = order[start[arrays.read[likely]]]
        keys = np.unique(np.minimum(owner, other) * animals + np.maximum(owner, other))
        low, high = np.divmod(keys, animals)
        there = arrays.of_pairs(arrays.record_of[low], self.marks.of_given[high])
        back = arrays.of_pairs(arrays.record_of[high], self.marks.of_given[low])
        for at in np.argsort(-(there + back), kind="stable")[:count]:
            a, b, one, two = int(low[at]), int(high[at]), float(there[at]), float(back[at])
            if two > one:
                a, b, one, two = b, a, two, one
            yield WatchedPair(
                self.registry.animal_id(a),
                self.registry.mark(a),
                self.registry.animal_id(b),
                self.registry.mark(b),
                one,
                two,
                self._explainer(int(self.levels[a])).words(
                    self.registry.mark(a), self.registry.mark(b)
                ),
            )

    def _row_unread(self) -> float:
        share = [self.kernel.row_unread_at(grade) for grade in self.grades]
        return float(np.mean(np.array(share)[self.levels]))

    def _kernel_words(self) -> str:
        if self.own is None:
            return self.kernel.origin
        known = int((self.own.counts.sum(axis=1) > 0).sum())
        return (
            f"{self.kernel.origin}; with {self.own.readings} own readings of {known} characters, "
            f"which weigh {self.own.own_share:.0%} there; effective sample "
            f"{self.own.effective_sample.min():.0f} to {self.own.effective_sample.max():.0f} a "
            "character"
        )


def registry_report(
    path: Path,
    *,
    rules: Path | None = None,
    condition: str = "",
    age_model: Path | None = None,
    year: int = 0,
    counts: Path | None = None,
    settings: Settings | None = None,
    least: float = LEAST,
    jobs: int = 0,
    scheduler: str = "",
) -> RegistryReport:
    """Risk of every animal of a registry file.

    Parameters
    ----------
    path : Path
        Registry as CSV.
    rules : Path, optional
        Herd's rules as TOML: marks must keep them, and a reading that does not is seen to be wrong.
    condition : str
        "new", "mild", "worn", "faint", "lost" or a grade 4..0; "worn" when empty.
    age_model : Path, optional
        Grade by age; animals without a birth year are looked at in ``condition``.
    year : int
        Year in which ages are taken; the present one when 0.
    counts : Path, optional
        Own verified readings, blended with the kernel: a CSV file, or a herd's record, of which
        the transponder-confirmed photos are counted.
    settings : Settings, optional
        Its ``p_swap``, ``p_wrong_die`` and ``p_turned_die`` are used.
    least : float
        Smallest probability of a pair.
    jobs : int
        Processes; 0 for one a core.
    scheduler : str
        Address of a Dask scheduler; empty for this machine.

    Raises
    ------
    RegistryError, SettingsError, MissingExtraError, LegibilityError
        If a file cannot be used, Dask is not installed, or no scheduler answers.
    """
    known_rules = load_rules(rules) if rules is not None else None
    return report_on(
        load_registry(path, rules=known_rules),
        rules=known_rules,
        condition=condition,
        age_model=age_model,
        year=year,
        counts=counts,
        settings=settings,
        least=least,
        jobs=jobs,
        scheduler=scheduler,
    )


def report_on(
    registry: Registry,
    *,
    rules: Rules | None = None,
    condition: str = "",
    age_model: Path | None = None,
    year: int = 0,
    counts: Path | None = None,
    settings: Settings | None = None,
    least: float = LEAST,
    jobs: int = 0,
    scheduler: str = "",
) -> RegistryReport:
    """:func:`registry_report` of a registry that is loaded already, such as that of a record.

    Raises
    ------
    SettingsError, MissingExtraError, LegibilityError
        As :func:`registry_report`.
    """
    if not 0.0 < least < 1.0:
        raise SettingsError(f"least is {least}; expected a probability between 0 and 1")
    kernel, own = load_kernel(), _own(counts)
    grades, levels, words = _conditions(registry, condition, age_model, year)
    matrices = tuple(kernel.at(grade) for grade in grades)
    if own is not None:
        matrices = tuple(own.blend(matrix) for matrix in matrices)
    settings = settings or Settings()
    errors = Errors(settings.p_swap, settings.p_wrong_die, settings.p_turned_die)
    marks = mark_set(_mark_bytes(registry))
    work = _Work(registry.digest, marks, matrices, errors, _allowed(rules), least)
    wanted = [np.unique(marks.of_given[levels == level]) for level in range(len(grades))]
    parts = list(parts_of(marks, wanted))
    few = len(marks) < MARKS_FOR_A_POOL and not scheduler
    with open_workers(
        n_photos=1 if few else len(parts), jobs=1 if few else jobs, scheduler=scheduler
    ) as workers:
        executor = InlineExecutor() if few else workers.executor
        # Every part carries the registry; a worker keeps what it has prepared for the next one.
        done = list(executor.map(work, parts))
    return RegistryReport(
        registry=registry,
        marks=marks,
        grades=grades,
        levels=levels,
        channels=tuple(channel(matrix, errors) for matrix in matrices),
        arrays=registry_risk(marks, levels, done),
        least=least,
        condition=words,
        kernel=kernel,
        matrices=matrices,
        own=own,
    )


def _own(counts: Path | None) -> OwnCounts | None:
    if counts is None:
        return None
    from legibility.pipeline.herd_confirmed import own_counts

    return own_counts(counts)


def _conditions(
    registry: Registry, condition: str, age_model: Path | None, year: int
) -> tuple[tuple[float, ...], NDArray[np.int64], str]:
    """Grades looked at, which of them each animal has, and that in words."""
    base = grade_of(condition or CONDITION)
    if age_model is None:
        levels = np.zeros(len(registry), dtype=np.int64)
        return (base,), levels, f"all marks {condition_words(condition or CONDITION)}"
    model = load_age_model(age_model)
    year = year or datetime.datetime.now(tz=datetime.UTC).year
    born = registry.birth_years.astype(np.int64)
    expected = model.grade(np.maximum(year - born, 0))
    rounded = np.round(expected / GRADE_STEP) * GRADE_STEP
    own = np.where(born > 0, rounded, base)
    grades, levels = np.unique(own, return_inverse=True)
    missing = int((born == 0).sum())
    return (
        tuple(float(grade) for grade in grades),
        levels.astype(np.int64),
        f"by age in {year} from {age_model.name}, grades {grades.min():.1f} to "
        f"{grades.max():.1f} of 4"
        + (f"; {missing} without a birth year at grade {base:.1f}" if missing else ""),
    )


def _allowed(rules: Rules | None) -> Allowed:
    if rules is None:
        return Allowed()
    return Allowed(rules.characters, rules.shortest_row, rules.longest_row, rules.max_rows)


def _mark_bytes(registry: Registry) -> NDArray[np.bytes_]:
    """(animals,) marks as written."""
    table = registry.table
    rows = np.zeros((len(table.row_keys) + 1, 12), dtype=np.uint8)
    letters = np.frombuffer(b"\0" + CHARACTERS.encode(), dtype=np.uint8)
    rest, length = table.row_keys.copy(), table.characters.astype(np.int64)
    for back in range(1, rows.shape[1] + 1):
        has = np.flatnonzero(length >= back)
        rows[has, length[has] - back] = letters[(rest[has] % np.uint64(BASE)).astype(np.int64)]
        rest //= np.uint64(BASE)
    text = rows[:-1].view("S12").ravel()
    first = text[table.first_row]
    if not (table.second_row >= 0).any():
        return np.asarray(first, dtype=np.bytes_)
    second = rows.view("S12").ravel()[table.second_row]
    slash = np.where(table.second_row >= 0, b"/", b"").astype("S1")
    return np.asarray(np.char.add(np.char.add(first, slash), second), dtype=np.bytes_)
