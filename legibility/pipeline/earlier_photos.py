"""Photos that the record holds of an animal, held against today's."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import Final

from legibility.containers import Status, Witness
from legibility.store.database import open_herd
from legibility.store.photos import photos_of
from legibility.store.readings import newest_reading, whole_reading

MOST_EARLIER: Final = 2
"""Choice: newest read photos of an animal that are asked."""


def earlier_photos(
    herd: Path, animal_id: str, *, without: Collection[str] = ()
) -> tuple[Witness, ...]:
    """Photos that somebody gave to this animal before, newest first, as they were read.

    Parameters
    ----------
    herd : Path
    animal_id : str
    without : collection of str
        Digests of photos of today, or of which it is known that they are of another animal.

    Raises
    ------
    StoreError
        If the record cannot be read.
    """
    found: list[Witness] = []
    with open_herd(herd, read_only=True) as db:
        photos = sorted(photos_of(db, animal_id), key=lambda photo: photo.taken_at, reverse=True)
        for photo in photos:
            if photo.sha256 in without or len(found) == MOST_EARLIER:
                continue
            reading_id = newest_reading(db, photo.sha256)
            result = None if reading_id is None else whole_reading(db, reading_id)
            if result is None or result.status is Status.ERROR or not result.text:
                continue
            day = photo.taken_at[:10]
            found.append(
                Witness(
                    kind="earlier",
                    name=f"the photo of {day}" if day else "an earlier photo",
                    seen=result.reading,
                    text=result.text,
                    ear=photo.ear,
                    animals=(animal_id,),
                    what=photo.sha256,
                )
            )
    return tuple(found)
