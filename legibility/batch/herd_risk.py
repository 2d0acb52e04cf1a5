"""A whole registry's risk of confusion, on one machine or on a cluster."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.batch.executors import open_workers
from legibility.batch.risk_report import RegistryReport, written_marks
from legibility.errors import SettingsError
from legibility.identify.registry import Registry, load_registry
from legibility.identify.rules import Rules, load_rules
from legibility.in_order import in_order
from legibility.marks.rules import of_marks
from legibility.risk.ages import load_age_model
from legibility.risk.blend import OwnCounts
from legibility.risk.classes import Classes
from legibility.risk.kernel import Matrix, condition_words, grade_of, load_kernel
from legibility.risk.marks import MarkSet, mark_set
from legibility.risk.misreading import Allowed, Errors, channel
from legibility.risk.pairs import LEAST
from legibility.risk.risk import Part, PartRisk, part_risk, parts_of, registry_risk
from legibility.settings import Settings

CONDITION: Final = "worn"
"""Choice: without anything else known, marks are looked at as they are after some years."""
GRADE_STEP: Final = 0.5
"""Choice: grades of an age model are rounded to halves; between them risk changes little."""
MARKS_FOR_A_POOL: Final = 50_000
"""Measured: below this a pool of processes takes longer to start than it saves."""


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
        if self.digest not in _CLASSES:
            _CLASSES.clear()
            _CLASSES[self.digest] = Classes(self.marks)
        return part_risk(
            part,
            self.marks,
            _CLASSES[self.digest],
            channel(self.matrices[part.level], self.errors, self.allowed),
            allowed=self.allowed,
            least=self.least,
        )


_CLASSES: Final[dict[str, Classes]] = {}
"""The last registry's classes, kept by each process for its next part."""


def registry_report(
    path: Path,
    *,
    columns: Mapping[str, str] | None = None,
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
        Registry, see :func:`legibility.load_registry`.
    columns : mapping, optional
        What a person said of its columns.
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
        load_registry(path, rules=known_rules, columns=columns),
        rules=of_marks(known_rules),
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
    errors = Errors.of(settings)
    marks = mark_set(written_marks(registry))
    allowed, classes = _allowed(rules), Classes(marks)
    work = _Work(registry.digest, marks, matrices, errors, allowed, least)
    wanted = [np.unique(marks.of_given[levels == level]) for level in range(len(grades))]
    parts = list(parts_of(marks, wanted))
    few = len(marks) < MARKS_FOR_A_POOL and not scheduler
    with open_workers(
        n_photos=1 if few else len(parts), jobs=1 if few else jobs, scheduler=scheduler
    ) as workers:
        # Every part carries the registry; a worker keeps what it has prepared for the next one.
        done = list(in_order(workers.executor, work, parts, look_ahead=workers.look_ahead))
    return RegistryReport(
        registry=registry,
        classes=classes,
        grades=grades,
        levels=levels,
        channels=tuple(channel(matrix, errors, allowed) for matrix in matrices),
        arrays=registry_risk(classes, levels, done),
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
