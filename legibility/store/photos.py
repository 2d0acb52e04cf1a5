"""Photos, known by the digest of their bytes; where they lie may change."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from legibility.store.animals import optional_animal_key
from legibility.store.corrections import corrected_fields
from legibility.store.database import HerdDatabase, Value
from legibility.store.records import PhotoRow

_SELECT = """SELECT p.sha256, p.path, p.stored, p.size_bytes, p.stage, p.taken_at, p.ear,
                    ifnull(a.animal_id, ''), p.claimed_by, p.scan, p.event, p.imported_at, p.id
             FROM photos AS p LEFT JOIN animals AS a ON a.id = p.animal"""


def all_photos(db: HerdDatabase) -> Iterator[PhotoRow]:
    """All photos in the order of import."""
    for row in db.rows(f"{_SELECT} ORDER BY p.id"):
        yield PhotoRow(*row)


def newest_photos(
    db: HerdDatabase, *, unnamed: bool = False, skip: int = 0, count: int = 100
) -> tuple[PhotoRow, ...]:
    """Photos by import, the newest first; or only those that nobody gave to an animal."""
    where = "WHERE p.animal IS NULL" if unnamed else ""
    rows = db.rows(f"{_SELECT} {where} ORDER BY p.id DESC LIMIT ? OFFSET ?", (count, skip))
    return tuple(PhotoRow(*row) for row in rows)


def photos_of(db: HerdDatabase, animal_id: str) -> tuple[PhotoRow, ...]:
    """Photos said to show an animal, by time."""
    rows = db.rows(f"{_SELECT} WHERE a.animal_id = ? ORDER BY p.taken_at, p.id", (animal_id,))
    return tuple(PhotoRow(*row) for row in rows)


def unnamed_photos(db: HerdDatabase) -> int:
    """How many photos nobody gave an animal, and no transponder did."""
    row = db.first("SELECT count(*) FROM photos WHERE animal IS NULL")
    return int(row[0]) if row else 0


def undated_photos(db: HerdDatabase) -> int:
    """How many photos of an animal nobody knows the day of."""
    row = db.first("SELECT count(*) FROM photos WHERE animal IS NOT NULL AND taken_at = ''")
    return int(row[0]) if row else 0


def find_photo(db: HerdDatabase, sha256: str) -> PhotoRow | None:
    """One photo by its digest, or None."""
    row = db.first(f"{_SELECT} WHERE p.sha256 = ?", (sha256,))
    return None if row is None else PhotoRow(*row)


def photos_beginning(db: HerdDatabase, digits: str) -> tuple[str, ...]:
    """Digests that begin with some hexadecimal digits; at most two."""
    sql = "SELECT sha256 FROM photos WHERE substr(sha256, 1, ?) = ? ORDER BY id LIMIT 2"
    return tuple(str(row[0]) for row in db.rows(sql, (len(digits), digits)))


def photo_at(db: HerdDatabase, path: str) -> PhotoRow | None:
    """The photo that was last seen at a path, or None."""
    row = db.first(f"{_SELECT} WHERE p.path = ? ORDER BY p.id DESC", (path,))
    return None if row is None else PhotoRow(*row)


def put_photo(db: HerdDatabase, photo: PhotoRow) -> str:
    """Add a photo, or fill in what was not known of it; gives ``new``, ``changed`` or ``same``.

    The same bytes are the same photo. Its path is brought up to date when the file is no longer
    where it was; what was said of it before is never overwritten, and what a person took away is
    not filled in again.
    """
    known = find_photo(db, photo.sha256)
    values: dict[str, Value] = {
        "stored": photo.stored,
        "size_bytes": photo.size_bytes,
        "stage": photo.stage,
        "taken_at": photo.taken_at,
        "ear": photo.ear,
        "animal": optional_animal_key(db, photo.animal_id),
        "claimed_by": photo.claimed_by,
        "scan": photo.scan_id,
        "event": photo.event_id,
    }
    if known is None:
        row = {"sha256": photo.sha256, "path": photo.path, "imported_at": photo.imported_at}
        db.insert("photos", {**row, **values})
        return "new"
    before = {
        "stored": known.stored,
        "size_bytes": known.size_bytes,
        "stage": known.stage,
        "taken_at": known.taken_at,
        "ear": known.ear,
        "animal": known.animal_id,
        "claimed_by": known.claimed_by,
        "scan": known.scan_id,
        "event": known.event_id,
    }
    filled = {name: value for name, value in values.items() if value and not before[name]}
    if known.animal_id or known.claimed_by:
        filled.pop("claimed_by", None)
        filled.pop("animal", None)
    for name in corrected_fields(db, photo.sha256) if filled else ():
        filled.pop(name, None)
    if photo.path != known.path and not Path(known.path).exists():
        filled["path"] = photo.path
    if not filled:
        return "same"
    db.update("photos", filled, key="sha256", value=photo.sha256)
    return "changed"
