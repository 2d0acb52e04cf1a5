"""The state of the herd, kept in a file beside the record and brought up to date.

Looking through half a million readings takes seconds, so that what was taken from the record, and
what was made of it, is kept in ``herd.db.derived.npz``. It is no part of the record and may be
deleted at any time.

No answer is ever older than the record. What is kept carries the identity of the record, its last
entry, and the number of the last change of any animal. With the same numbers it is used as it is.
When the record went on from there, the rows of the animals that changed are taken anew, photos
that nobody gave an animal and open cases are looked at anew, and all figures are made anew from the
columns, but for risks and curves that cannot have changed: the
result is the same as without the file. A record that did not go on from there (a copy of an older
day was put back) is looked through from the beginning.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Final

import numpy as np

from legibility import __version__
from legibility.herd.intervals import Spans
from legibility.pipeline.herd_state import HerdState, computed
from legibility.risk.kernel import DEFAULT_PATH
from legibility.settings import Settings
from legibility.store.columns import (
    AnimalColumns,
    HerdColumns,
    LookColumns,
    MarkColumns,
    herd_columns,
    replaced,
    touched_at,
    touched_since,
    with_open_questions,
)
from legibility.store.database import HerdDatabase
from legibility.store.events import GENESIS, event_hash_at, last_event

LAYOUT: Final = "2"
"""Choice: counts the changes of what is kept; a file of another one is made anew."""
_ARRAYS: Final = tuple(item.name for item in fields(HerdState) if item.name[:3] != "by_")
_COLUMNS: Final = {"animals": AnimalColumns, "marks": MarkColumns, "looks": LookColumns}


@dataclass(frozen=True, slots=True)
class _Moment:
    """When a record was looked through."""

    herd: str
    """Identity of the record."""
    way: str
    """Version, settings and limits that the figures depend on."""
    entries: int
    """Entries of the chain of events."""
    head: str
    """Hash of the last one."""
    touched: int
    """Number of the last change of an animal."""


def herd_state(
    db: HerdDatabase, *, usable_grade: float, settings: Settings | None = None, keep: bool = True
) -> HerdState:
    """State of the herd.

    Parameters
    ----------
    usable_grade : float
        A mark of a lower grade counts as lost.
    keep : bool
        Use and write the file beside the record.
    """
    settings = settings or Settings()
    path = Path(f"{db.path}.derived.npz")
    with db.snapshot():
        now = _moment(db, usable_grade, settings)
        kept = _Kept.load(path, now) if keep else None
        if kept is not None and (kept.moment.herd != now.herd or not _goes_on(db, kept.moment)):
            kept = None
        same_way = kept is not None and kept.moment.way == now.way
        if kept is not None and kept.moment == now:
            return kept.state()
        if kept is None:
            columns = herd_columns(db)
        else:
            changed = touched_since(db, kept.moment.touched)
            columns = replaced(kept.columns(), herd_columns(db, animals=changed), changed)
        complete = with_open_questions(db, columns)
    before = kept.state() if kept is not None and same_way else None
    state = computed(complete, usable_grade=usable_grade, settings=settings, before=before)
    if keep:
        _save(path, now, columns, state)
    return state


def _moment(db: HerdDatabase, usable_grade: float, settings: Settings) -> _Moment:
    last = last_event(db)
    named = db.first("SELECT value FROM herd_info WHERE name = 'herd_uuid'")
    kernel = hashlib.sha256(DEFAULT_PATH.read_bytes()).hexdigest()
    way = (LAYOUT, __version__, str(db.version), f"{usable_grade:g}", settings.sha256, kernel)
    return _Moment(
        "" if named is None else str(named[0]),
        "|".join(way),
        0 if last is None else last.seq,
        GENESIS if last is None else last.hash,
        touched_at(db),
    )


def _goes_on(db: HerdDatabase, then: _Moment) -> bool:
    """Whether the record of now is that of then with nothing taken away."""
    return event_hash_at(db, then.entries) == then.head and touched_at(db) >= then.touched


@dataclass(frozen=True, slots=True)
class _Kept:
    """What the file beside the record holds."""

    moment: _Moment
    arrays: Mapping[str, Any]

    @classmethod
    def load(cls, path: Path, now: _Moment) -> _Kept | None:
        """The file, or None where there is none that can be used.

        The columns are left out where nothing changed: then only the state is needed.
        """
        try:
            with np.load(path, allow_pickle=False) as data:
                herd, way, entries, head, touched = map(str, data["moment"])
                moment = _Moment(herd, way, int(entries), head, int(touched))
                if moment.way.partition("|")[0] != LAYOUT:
                    return None
                names = [name for name in data.files if not (moment == now and "." in name)]
                return cls(moment, {name: _wide(data[name]) for name in names})
        except (OSError, KeyError, ValueError, EOFError, zipfile.BadZipFile):
            return None

    def columns(self) -> HerdColumns:
        """What was taken from the record."""
        return HerdColumns(
            **{
                name: kind(**{f.name: self.arrays[f"{name}.{f.name}"] for f in fields(kind)})
                for name, kind in _COLUMNS.items()
            }
        )

    def state(self) -> HerdState:
        """What was made of it."""
        found: dict[str, Any] = {name: self.arrays[name] for name in _ARRAYS}
        for name in ("by_age", "by_grade"):
            rows, names = self.arrays[f"{name}_rows"], self.arrays[f"{name}_names"]
            levels = [self.arrays[f"{name}_levels{place}"] for place in range(len(names))]
            found[name] = Spans(
                rows[:, 0],
                rows[:, 1],
                rows[:, 2],
                tuple(map(str, names)),
                self.arrays[f"{name}_classes"],
                tuple(tuple(map(str, each)) for each in levels),
            )
        return HerdState(**found)


def _save(path: Path, now: _Moment, columns: HerdColumns, state: HerdState) -> None:
    """Keep the state; a medium that cannot be written only costs the time of doing it again."""
    arrays: dict[str, Any] = {name: getattr(state, name) for name in _ARRAYS}
    for name in ("by_age", "by_grade"):
        data: Spans = getattr(state, name)
        arrays |= {
            f"{name}_rows": np.column_stack([data.left, data.right, data.count]),
            f"{name}_classes": data.classes,
            f"{name}_names": np.array(data.names, dtype=np.str_),
        }
        for place, levels in enumerate(data.levels):
            arrays[f"{name}_levels{place}"] = np.array(levels, dtype=np.str_)
    for name, kind in _COLUMNS.items():
        part = getattr(columns, name)
        arrays |= {f"{name}.{f.name}": getattr(part, f.name) for f in fields(kind)}
    arrays = {name: _smaller(array) for name, array in arrays.items()}
    moment = [str(getattr(now, item.name)) for item in fields(_Moment)]
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(dir=path.absolute().parent, prefix=".tmp-derived-")
        with os.fdopen(handle, "wb") as file:
            np.savez(file, allow_pickle=False, moment=np.array(moment), **arrays)
        os.replace(temporary, path)
    except OSError:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)


def _smaller(array: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Whole numbers in as few bytes as hold them: writing the file is a third of a short call."""
    if array.dtype != np.int64 or not array.size:
        return array
    low, high = int(array.min()), int(array.max())
    for kind in (np.int8, np.int16, np.int32):
        if np.iinfo(kind).min <= low and high <= np.iinfo(kind).max:
            return array.astype(kind)
    return array


def _wide(array: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    return array.astype(np.int64) if array.dtype.kind == "i" else array
