"""All sightings of all marks at once, for statistics: arrays and the newest per animal.

Half a million dataclasses take seconds to make; these are made for looking through everything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.store.database import HerdDatabase
from legibility.store.readings import SUMMARY_COLUMNS
from legibility.store.records import ReadingSummary


@dataclass(frozen=True, slots=True)
class Sightings:
    """One entry a photo of a known animal, by animal and day; the photo's newest reading counts."""

    animal_ids: tuple[str, ...]
    """Name of each animal, by the index used below."""
    animal: NDArray[np.int64]
    """(n,) index into ``animal_ids``."""
    day: NDArray[np.float64]
    """(n,) days since 1970-01-01; NaN where the time of the photo is not known."""
    grade: NDArray[np.float64]
    """(n,) 0..4; NaN where capture did not allow one."""
    needle_share: NDArray[np.float64]
    """(n,) needles inked of those expected; NaN where nothing was read."""
    misread_risk: NDArray[np.float64]
    """(n,) 0..1."""
    is_first: NDArray[np.bool_]
    """(n,) whether the first candidate is the animal that the photo is said to show."""
    was_read: NDArray[np.bool_]
    """(n,) whether the status is "read"."""
    is_retake: NDArray[np.bool_]
    """(n,) whether capture was too poor to judge the mark."""


def all_sightings(db: HerdDatabase) -> Sightings:
    """Every photo of a known animal that was read."""
    names = tuple(str(row[0]) for row in db.rows("SELECT animal_id FROM animals ORDER BY id"))
    keys = [int(row[0]) for row in db.rows("SELECT id FROM animals ORDER BY id")]
    sql = """
        SELECT p.animal, julianday(substr(p.taken_at, 1, 10)) - 2440587.5, r.grade,
               r.needles_inked / nullif(r.needles_expected, 0), r.misread_risk,
               r.first_animal = a.animal_id, r.status = 'read', r.status = 'retake'
        FROM photos AS p
        JOIN animals AS a ON a.id = p.animal
        JOIN readings AS r ON r.photo = p.id
        WHERE NOT EXISTS (SELECT 1 FROM readings AS n WHERE n.photo = r.photo AND n.id > r.id)
        ORDER BY p.animal, p.taken_at"""
    table = np.array(list(db.rows(sql)), dtype=np.float64).reshape(-1, 8)
    return Sightings(
        animal_ids=names,
        animal=np.searchsorted(np.array(keys, dtype=np.int64), table[:, 0].astype(np.int64)),
        day=table[:, 1],
        grade=table[:, 2],
        needle_share=table[:, 3],
        misread_risk=table[:, 4],
        is_first=table[:, 5] == 1,
        was_read=table[:, 6] == 1,
        is_retake=table[:, 7] == 1,
    )


def newest_per_animal(db: HerdDatabase) -> Iterator[ReadingSummary]:
    """The newest reading of the newest photo of each animal; animals without one are left out."""
    sql = f"""
        SELECT {SUMMARY_COLUMNS}
        FROM animals AS a
        JOIN photos AS p ON p.id = (
            SELECT q.id FROM photos AS q JOIN readings AS m ON m.photo = q.id
            WHERE q.animal = a.id ORDER BY q.taken_at DESC, q.id DESC LIMIT 1)
        JOIN readings AS r ON r.id = (SELECT max(n.id) FROM readings AS n WHERE n.photo = p.id)
        ORDER BY a.id"""
    for row in db.rows(sql):
        yield ReadingSummary(*row)
