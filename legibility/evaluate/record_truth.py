"""Photos of a herd's record whose animal a transponder names, as truth to calibrate on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from legibility import __version__
from legibility.containers import PhotoResult, Provenance
from legibility.errors import TableError
from legibility.evaluate.recalibrate import Recalibration, recalibrate
from legibility.evaluate.truth_table import KnownPhoto, TruthTable
from legibility.identify.animals import Registry
from legibility.identify.calibration import FinalCalibration
from legibility.networks import models_sha256
from legibility.pipeline.herd_confirmed import Confirmed, Confusions, confirmed_readings, confusions
from legibility.pipeline.herd_registry import registry_from
from legibility.settings import Settings
from legibility.store.database import HerdDatabase

OTHER_EAR: Final = "shows another mark of the animal than the newest one, by which it is looked for"
NO_FILE: Final = "its file changed or is gone, and it was last read by other models or settings"


@dataclass(frozen=True, slots=True)
class RecordTruth:
    """What a record has to calibrate on."""

    name: str
    registry: Registry
    photos: tuple[Confirmed, ...]
    """With a reading made as photos are read now, or with a file that can be read."""
    left_out: Mapping[str, int]

    @property
    def to_read(self) -> tuple[Path, ...]:
        """Files without such a reading, in the order of ``photos``."""
        return tuple(c.path for c in self.photos if c.result is None and c.path is not None)


def record_truth(db: HerdDatabase, *, settings: Settings) -> RecordTruth:
    """Confirmed photos of a record with the readings that were made as photos are read now.

    Raises
    ------
    RegistryError, StoreError
        If the record holds no mark or cannot be used.
    TableError
        If no photo was taken together with a transponder's scan.
    """
    registry = registry_from(db)
    marks = {animal.animal_id: animal.mark for animal in registry}
    made = Provenance(__version__, models_sha256(), settings.sha256)
    kept, left_out = [], Counter[str]()
    for photo in confirmed_readings(db, made=made):
        if photo.mark and marks.get(photo.animal_id) != photo.mark:
            left_out[OTHER_EAR] += 1
        elif photo.result is None and photo.path is None:
            left_out[NO_FILE] += 1
        else:
            kept.append(photo)
    if not kept:
        raise TableError(
            f"{db.path}: no photo of it can be used whose animal a transponder names; connect "
            "photos to scans by the manifest's column chip, or with: legibility herd import-scans "
            "--pair-within SECONDS"
        )
    return RecordTruth(str(db.path), registry, tuple(kept), dict(left_out))


def all_results(truth: RecordTruth, read: Iterable[PhotoResult]) -> tuple[PhotoResult, ...]:
    """Results of ``truth.photos``: those stored, and of ``truth.to_read`` those just read."""
    just_read = iter(read)
    return tuple(next(just_read) if c.result is None else c.result for c in truth.photos)


def kernel_data(truth: RecordTruth, results: Iterable[PhotoResult]) -> Confusions:
    """What was read where which character was."""
    pairs = zip(truth.photos, results, strict=True)
    return confusions((photo.mark, result.reading) for photo, result in pairs)


def recalibrate_on_record(
    truth: RecordTruth,
    results: Iterable[PhotoResult],
    *,
    settings: Settings,
    current: FinalCalibration,
) -> Recalibration:
    """As :func:`recalibrate`, on a record's photos; ``results`` are those of ``truth.photos``.

    Raises
    ------
    TableError
        If fewer than 50 photos can be used.
    """
    photos = tuple(
        KnownPhoto(c.path or Path(c.sha256), c.animal_id, line)
        for line, c in enumerate(truth.photos, start=1)
    )
    table = TruthTable(truth.name, photos)
    found = recalibrate(table, results, truth.registry, settings=settings, current=current)
    given = found.given + sum(truth.left_out.values())
    return replace(found, given=given, left_out={**truth.left_out, **found.left_out})
