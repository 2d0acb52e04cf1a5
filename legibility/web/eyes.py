"""What a person's eyes read from a photo at the chute, put into the herd's record."""

from __future__ import annotations

from pathlib import Path

from legibility.pipeline.herd_record import record_reading
from legibility.store.database import open_herd
from legibility.store.records import HumanReading
from legibility.web.uploads import Upload


def keep_eyes(herd: Path, upload: Upload, *, text: str, at: str, blind: bool, reader: str) -> None:
    """Record a reading by eye; ``blind`` when nobody had been shown the answer.

    Raises
    ------
    StoreError
        If the record cannot be written, or the photo is not in it yet.
    """
    reading = HumanReading(
        reader=reader or "chute",
        read_at=at,
        text=text,
        ear=upload.ear,
        photo_sha256=upload.sha256,
        blind=blind,
        note="at the chute",
    )
    with open_herd(herd) as db:
        record_reading(db, reading)
