"""A process that writes to a record until it is killed, and says what it has committed.

``python -m tests.store.writer HERD.db NAME``: one line a commit, after the commit. Each round does
one import of a registry, records one look, stores one photo with its reading, corrects its stage,
stores a batch of readings, and imports a reader's log.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import count
from pathlib import Path

from legibility.store.corrections import add_corrections
from legibility.store.database import open_herd
from legibility.store.events import append_event
from legibility.store.human_readings import add_human_reading
from legibility.store.importing import (
    Source,
    import_photo,
    import_readings,
    import_registry,
    import_scans,
)
from legibility.store.records import CorrectionRow, HumanReading, PhotoRow, ScanRow
from tests.example_results import ambiguous_result
from tests.store.herds import NUMBER, digest, registry_rows

ROWS = 40
"""Animals of one import."""
BATCH = 5
"""Readings of one batch."""
SCANS = 20
"""Lines of one log."""
KINDS = 5
"""Commits of one round: import, look, photo, batch, log."""


def main(path: Path, name: str) -> None:
    with open_herd(path) as db:
        print("open", flush=True)
        for number in count():
            rows = [
                replace(
                    row,
                    animal=replace(row.animal, animal_id=f"{name}-{number}-{i}"),
                    mark=replace(row.mark, animal_id=f"{name}-{number}-{i}"),
                )
                for i, row in enumerate(registry_rows(0, ROWS))
            ]
            key = f"{name}-{number}"
            import_registry(db, rows, source=Source(key, digest(key)))
            print("import", key, flush=True)
            with db.transaction():
                add_human_reading(db, HumanReading(key, "2024", "A1", animal_id=f"{key}-0"))
                append_event(db, what="record reading", who=key)
            print("look", key, flush=True)
            result = replace(ambiguous_result(), sha256=digest(key))
            import_photo(db, PhotoRow(result.sha256, f"/{key}.jpg"), result=result)
            print("photo", key, flush=True)
            change = CorrectionRow("photo", result.sha256, "stage", "", "cleaned")
            with db.transaction():
                add_corrections(db, [change], what="correct photo", who=key, reason="test")
            print("correction", key, flush=True)
            batch = [
                replace(result, sha256=digest(f"{key}-{i}"), photo=f"/{key}-{i}.jpg")
                for i in range(BATCH)
            ]
            import_readings(db, [(PhotoRow(each.sha256, each.photo), each) for each in batch])
            print("batch", key, flush=True)
            scans = [ScanRow(NUMBER, f"2024-05-01T10:00:{i:02d}", reader=key) for i in range(SCANS)]
            import_scans(db, scans, source=Source(f"{key}.log", digest(f"{key}.log")))
            print("log", key, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
