"""Photos whose animal a transponder names, as data for calibration and for the confusion kernel.

Their identity owes nothing to the mark, so that what was read of them can be judged by it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, N_CLASSES, NO_CHARACTER, split_mark
from legibility.containers import PhotoResult, Provenance, Reading
from legibility.errors import StoreError
from legibility.risk.blend import WORTH, OwnCounts, load_counts
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.pairs import confirmed_files
from legibility.store.readings import newest_reading, whole_reading

LEAST_READ: Final = 0.5
"""As in ``evaluate.kernel``: a row of which less is read counts as not read at all."""
LEAST_ALIKE: Final = 0.5
"""Choice: a reading that shares fewer of its characters with the record's mark is of another mark
(a wrong application, or the other ear was photographed), and says nothing of the reader."""
SQLITE_MAGIC: Final = b"SQLite format 3\0"
"""Begin of a database file. https://www.sqlite.org/fileformat.html section 1.3"""

ANOTHER_LENGTH: Final = "another number of characters was read than the mark has"
ANOTHER_MARK: Final = "less than half of what was read is of the record's mark"
TOO_LITTLE: Final = "less than half of the mark was read"
NO_MARK: Final = "no mark of that ear and day is recorded"


@dataclass(frozen=True, slots=True)
class Confirmed:
    """One confirmed photo."""

    sha256: str
    animal_id: str
    mark: str
    """Empty when the record does not say which mark it shows."""
    path: Path | None
    """Where its bytes are; None when they changed or are gone."""
    result: PhotoResult | None
    """The stored reading that was asked for; None when there is none."""


@dataclass(frozen=True, slots=True)
class Confusions:
    """A herd's own confusions: what was read where which character was."""

    counts: NDArray[np.float64]
    """(36, 37) readings: row the character of the record's mark, column what was read."""
    photos: int
    """Photos that were counted."""
    given: int
    left_out: Mapping[str, int]
    """Why photos were not counted, and how many."""

    @property
    def characters(self) -> int:
        """Characters that were counted."""
        return int(self.counts.sum())

    @property
    def right(self) -> int:
        """... that were read right."""
        return int(self.counts.diagonal().sum())

    def csv(self) -> str:
        """Columns ``true``, ``read`` (empty: not read), ``count``, as ``--counts`` takes them."""
        lines = ["true,read,count"]
        for true, read in np.argwhere(self.counts > 0):
            shown = "" if read == NO_CHARACTER else CHARACTERS[read]
            lines.append(f"{CHARACTERS[true]},{shown},{int(self.counts[true, read])}")
        return "\r\n".join(lines) + "\r\n"


def confirmed_readings(
    db: HerdDatabase, *, made: Provenance | None = None
) -> tuple[Confirmed, ...]:
    """Confirmed photos with their stored readings.

    Parameters
    ----------
    made : Provenance, optional
        Only readings by this version with these models and settings; the newest of each photo
        otherwise.
    """
    found = []
    for path, photo in confirmed_files(db):
        key = newest_reading(db, photo.sha256, made=made)
        result = None if key is None else whole_reading(db, key)
        found.append(Confirmed(photo.sha256, photo.animal_id, photo.mark, path, result))
    return tuple(found)


def confusions(photos: Iterable[tuple[str, Reading | None]]) -> Confusions:
    """Count what was read of marks that are known.

    Parameters
    ----------
    photos : iterable of (str, Reading or None)
        Mark that the record says is shown, and what was read.
    """
    counts = np.zeros((N_CHARACTERS, N_CLASSES))
    left_out: Counter[str] = Counter()
    given = used = 0
    for mark, reading in photos:
        given += 1
        found = _cells(mark, reading)
        if isinstance(found, str):
            left_out[found] += 1
            continue
        used += 1
        np.add.at(counts, found, 1.0)
    return Confusions(counts, used, given, dict(left_out))


def own_counts(path: Path, *, worth: float = WORTH) -> OwnCounts:
    """A herd's own verified readings, from its record or from a CSV file.

    Of a record, the newest readings of its transponder-confirmed photos are counted.

    Raises
    ------
    SettingsError, StoreError
        If the file cannot be used, or the record holds no such readings.
    """
    if not _is_record(path):
        return load_counts(path, worth=worth)
    with open_herd(path) as db:
        found = confusions((c.mark, _reading(c.result)) for c in confirmed_readings(db))
    if not found.photos:
        why = "; ".join(f"{count}: {reason}" for reason, count in found.left_out.items())
        raise StoreError(
            f"{path}: holds no readings confirmed by a transponder that can be counted"
            f"{f' ({why})' if why else ''}; see legibility herd import-scans --pair-within"
        )
    return OwnCounts(found.counts, worth)


def _reading(result: PhotoResult | None) -> Reading | None:
    return None if result is None else result.reading


def _is_record(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(SQLITE_MAGIC)) == SQLITE_MAGIC
    except OSError:
        return False


def _cells(mark: str, reading: Reading | None) -> tuple[NDArray[np.int64], NDArray[np.int64]] | str:
    """Characters of the mark and classes read, place by place; or why it is not counted."""
    if not mark:
        return NO_MARK
    if reading is None or not reading.hypotheses:
        return TOO_LITTLE
    rows = [row for row in reading.hypotheses[0].rows if row]
    wanted = [row for row in split_mark(mark) if row]
    if [len(row) for row in rows] != [len(row) for row in wanted]:
        return ANOTHER_LENGTH
    true = np.array([CHARACTERS.index(c) for row in wanted for c in row], dtype=np.int64)
    read = np.array([int(np.argmax(cell.logp)) for row in rows for cell in row], dtype=np.int64)
    is_read = read != NO_CHARACTER
    if is_read.mean() < LEAST_READ:
        return TOO_LITTLE
    if (true == read)[is_read].mean() < LEAST_ALIKE:
        return ANOTHER_MARK
    return true, read
