"""Confusions counted on photos that a transponder confirms, by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import NO_CHARACTER, index_of
from legibility.containers import PhotoResult
from legibility.errors import SettingsError, StoreError
from legibility.pipeline.herd_confirmed import (
    ANOTHER_LENGTH,
    ANOTHER_MARK,
    NO_MARK,
    TOO_LITTLE,
    confirmed_readings,
    confusions,
    own_counts,
)
from legibility.risk.blend import WORTH, load_counts
from legibility.risk.kernel import load_kernel
from legibility.store.animals import put_chips
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.importing import RegistryRow, Source, import_photo, import_registry
from legibility.store.marks import put_mark, retire_mark
from legibility.store.records import AnimalRow, ChipRow, MarkRow, PhotoRow, ScanRow
from tests.example_results import PROVENANCE, ambiguous_result
from tests.identify.reading_builder import cell, reading
from tests.store.herds import digest

CHIP = "276000312312345"


def shown(*rows: str) -> PhotoResult:
    """A result that reads rows as they are written; ``?`` for a place without a character."""
    cells = [[cell({c.replace("?", ""): 0.9}) for c in row] for row in rows]
    return replace(ambiguous_result(), reading=reading(cells))


def test_counts_by_hand() -> None:
    seen = [
        ("AB/12", shown("AB", "17")),
        ("AB12", shown("A?12")),
        ("AB12", shown("AB1")),
        ("AB12", shown("A???")),
        ("AB12", shown("XYZ2")),
        ("", shown("AB12")),
        ("AB12", None),
    ]
    found = confusions((mark, None if result is None else result.reading) for mark, result in seen)
    assert (found.given, found.photos, found.characters, found.right) == (7, 2, 8, 6)
    assert found.counts[index_of("2"), index_of("7")] == 1
    assert found.counts[index_of("B"), NO_CHARACTER] == 1
    assert found.counts[index_of("A"), index_of("A")] == 2
    assert found.left_out == {ANOTHER_LENGTH: 1, TOO_LITTLE: 2, ANOTHER_MARK: 1, NO_MARK: 1}


@pytest.fixture
def herd(tmp_path: Path) -> HerdDatabase:
    db = create_herd(tmp_path / "herd.db")
    rows = [
        RegistryRow(AnimalRow("goat 1"), MarkRow("goat 1", "AB12", ear="left"), CHIP),
        RegistryRow(AnimalRow("goat 2"), MarkRow("goat 2", "AB13", ear="left")),
    ]
    import_registry(db, rows, source=Source("r", "0" * 64))
    return db


def add(db: HerdDatabase, name: str, result: PhotoResult, **said: str) -> None:
    photo = PhotoRow(digest(name), name, **{"ear": "left", "taken_at": "2024-05-01", **said})
    scan = ScanRow(CHIP, f"2024-05-01T10:00:{len(name):02d}")
    import_photo(db, photo, result=replace(result, sha256=photo.sha256), scan=scan)


def test_the_record_and_its_file_of_counts_blend_alike(herd: HerdDatabase) -> None:
    add(herd, "a", shown("AB12"))
    add(herd, "bb", shown("A812"))
    own = own_counts(herd.path)
    assert own.readings == 8
    assert own.counts[index_of("B"), index_of("8")] == 1
    found = confusions((c.mark, c.result.reading) for c in confirmed_readings(herd) if c.result)
    path = herd.path.with_name("counts.csv")
    path.write_text(found.csv(), newline="")
    np.testing.assert_array_equal(load_counts(path).counts, own.counts)
    # (50 k + 1) / (50 + 2) by the formula of the Dirichlet posterior's mean.
    matrix = load_kernel().at("worn")
    k = matrix[index_of("B"), index_of("8")]
    blended = own.blend(matrix)[index_of("B"), index_of("8")]
    assert blended == pytest.approx((WORTH * k + 1) / (WORTH + 2))
    herd.close()


def test_the_mark_is_the_one_of_that_ear_and_day(herd: HerdDatabase) -> None:
    with herd.transaction():
        (old,) = (m for m in herd.rows("SELECT id FROM marks WHERE text = 'AB12'"))
        retire_mark(herd, int(old[0]), on="2024-03-01")
        put_mark(herd, MarkRow("goat 1", "AB77", ear="left", applied_on="2024-03-01"))
        put_mark(herd, MarkRow("goat 1", "Z9", ear="right", applied_on="2024-04-01"))
    add(herd, "a", shown("AB77"))
    add(herd, "bb", shown("AB12"), taken_at="2023-05-01")
    add(herd, "ccc", shown("Z9"), ear="right")
    add(herd, "dddd", shown("Z9"), ear="right", taken_at="2024-03-15")
    add(herd, "eeeee", shown("Z9"), ear="")
    assert [c.mark for c in confirmed_readings(herd)] == ["AB77", "AB12", "Z9", "", ""]
    herd.close()


def test_a_photo_that_a_person_gave_to_another_animal_confirms_nothing(herd: HerdDatabase) -> None:
    add(herd, "a", shown("AB12"), animal_id="goat 2", claimed_by="person")
    with herd.transaction():
        put_chips(herd, [ChipRow("goat 2", "276000312312346")])
    with pytest.raises(StoreError, match="no readings confirmed by a transponder"):
        own_counts(herd.path)
    herd.close()


def test_only_readings_of_the_way_that_is_asked_for(herd: HerdDatabase) -> None:
    add(herd, "a", shown("AB12"))
    (mine,) = confirmed_readings(herd, made=PROVENANCE)
    assert mine.result is not None
    (other,) = confirmed_readings(herd, made=replace(PROVENANCE, model_sha256="other"))
    assert (other.result, other.path) == (None, None)
    herd.close()


def test_what_is_no_record_is_taken_for_a_file_of_counts(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read as counts"):
        own_counts(tmp_path / "gone.csv")
