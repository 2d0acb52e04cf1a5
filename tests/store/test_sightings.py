"""All sightings at once, against the rows one by one."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from legibility.store.database import create_herd
from legibility.store.importing import Source, import_photo, import_registry
from legibility.store.readings import latest_summaries
from legibility.store.records import PhotoRow
from legibility.store.sightings import all_sightings, newest_per_animal
from tests.example_results import ambiguous_result, retake_result
from tests.store.herds import digest, registry_rows


def test_arrays_and_newest_rows(tmp_path: Path) -> None:
    with create_herd(tmp_path / "herd.db") as db:
        empty = all_sightings(db)
        assert (empty.animal_ids, empty.day.size) == ((), 0)
        import_registry(db, registry_rows(0, 3), source=Source("r", "0" * 64))
        read = replace(
            ambiguous_result(),
            identification=replace(
                ambiguous_result().identification,
                candidates=(
                    replace(ambiguous_result().identification.candidates[0], animal_id="animal 2"),
                ),
            ),
        )
        for name, animal, at, result in (
            ("a", "animal 2", "2024-05-02T10:00:00", read),
            ("b", "animal 2", "1970-01-02", retake_result()),
            ("c", "animal 0", "", read),
            ("d", "", "2024-05-02", read),
        ):
            row = PhotoRow(digest(name), name, taken_at=at, animal_id=animal, ear="left")
            import_photo(db, row, result=replace(result, sha256=row.sha256))
        again = replace(read, sha256=digest("c"), grade=None)
        import_photo(db, PhotoRow(digest("c"), "c"), result=again, registry_sha256="other")
        found = all_sightings(db)
        newest = list(newest_per_animal(db))
        summaries = list(latest_summaries(db))
    assert [found.animal_ids[i] for i in found.animal] == ["animal 0", "animal 2", "animal 2"]
    assert math.isnan(found.day[0])
    # 2024-05-02 is 19845 days after 1970-01-01 (date --date=2024-05-02 +%s, divided by 86400).
    np.testing.assert_array_equal(found.day[1:], [1, 19845])
    np.testing.assert_array_equal(found.grade, [np.nan, np.nan, 2.4])
    np.testing.assert_array_equal(found.is_first, [False, False, True])
    np.testing.assert_array_equal(found.was_read, [True, False, True])
    np.testing.assert_array_equal(found.is_retake, [False, True, False])
    np.testing.assert_allclose(found.needle_share, [10.6 / 12, np.nan, 10.6 / 12])
    assert [s.animal_id for s in newest] == ["animal 0", "animal 2"]
    assert [s.photo_sha256 for s in newest] == [digest("c"), digest("a")]
    assert all(s in summaries for s in newest)
