"""Photos into the record: stored one by one, skipped when read before, gone on with."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from legibility import __version__
from legibility.batch import herd_photos
from legibility.batch.herd_photos import HerdReader, ImportedPhoto, open_photo_import
from legibility.containers import PhotoResult, Provenance
from legibility.errors import PhotoError, RegistryError
from legibility.networks import models_sha256
from legibility.pipeline.herd_cases import find_cases
from legibility.pipeline.run import final_calibration
from legibility.settings import Settings
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.importing import Source, import_registry
from legibility.store.pairs import confirmed_csv, confirmed_files, confirmed_photos
from legibility.store.photo_folder import digest_of, folder_of
from legibility.store.photos import all_photos
from legibility.store.readings import latest_summaries
from tests.example_results import ambiguous_result
from tests.store.herds import registry_rows

SETTINGS = Settings(second_reader=False)
NUMBER = "276000312312345"


@pytest.fixture
def db(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[HerdDatabase]:
    _, calibration = final_calibration(Settings())

    def read(path: Path, *, registry: object, settings: Settings) -> PhotoResult:
        data = path.read_bytes()
        if data == b"bad":
            raise PhotoError(f"{path}: no picture")
        return replace(
            ambiguous_result(str(path)),
            sha256=hashlib.sha256(data).hexdigest(),
            provenance=Provenance(__version__, models_sha256(), settings.sha256, calibration),
        )

    monkeypatch.setattr("legibility.pipeline.read", read)
    with create_herd(tmp_path / "herd.db") as made:
        rows = registry_rows(0, 3)
        rows[0] = replace(rows[0], chip=NUMBER)
        import_registry(made, rows, source=Source("r.csv", "0" * 64))
        yield made


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    folder = tmp_path / "photos"
    folder.mkdir()
    for name in ("a", "b", "c"):
        (folder / f"{name}.jpg").write_bytes(name.encode())
    return folder


def imported(
    db: HerdDatabase, photos: Path, settings: Settings = SETTINGS, **others: object
) -> tuple[list[ImportedPhoto], int]:
    with open_photo_import(db, [photos], settings=settings, jobs=1, **others) as found:  # type: ignore[arg-type]
        return list(found.stream), found.n_skipped


def test_photos_are_read_once(db: HerdDatabase, photos: Path) -> None:
    done, skipped = imported(db, photos)
    assert ([photo.state for photo in done], skipped) == (["new"] * 3, 0)
    assert [summary.text for summary in latest_summaries(db)] == ["AB3/47?"] * 3
    assert imported(db, photos) == ([], 3)
    # Under another name the same bytes are the same photo.
    (photos / "a.jpg").rename(photos / "z.jpg")
    assert imported(db, photos) == ([], 3)
    assert {Path(photo.path).name for photo in all_photos(db)} == {"b.jpg", "c.jpg", "z.jpg"}


def test_other_settings_or_another_registry_make_another_reading(
    db: HerdDatabase, photos: Path
) -> None:
    imported(db, photos)
    done, _ = imported(db, photos, Settings(second_reader=False, p_swap=0.01))
    assert [photo.state for photo in done] == ["changed"] * 3
    import_registry(db, registry_rows(7, 1), source=Source("s.csv", "1" * 64))
    assert len(imported(db, photos)[0]) == 3
    assert db.count("readings") == 9
    assert db.count("photos") == 3


def test_an_interrupted_import_keeps_what_was_done(db: HerdDatabase, photos: Path) -> None:
    with open_photo_import(db, [photos], settings=SETTINGS, jobs=1) as found:
        next(found.stream)
    assert db.count("readings") == 1
    done, skipped = imported(db, photos)
    assert (len(done), skipped) == (2, 1)


def test_a_bad_photo_stops_no_other(db: HerdDatabase, photos: Path) -> None:
    (photos / "b.jpg").write_bytes(b"bad")
    done, _ = imported(db, photos)
    assert [photo.state for photo in done] == ["new", "error", "new"]
    assert "no picture" in done[1].result.reasons[0]
    assert db.count("photos") == 2


def test_copies_and_what_the_manifest_says(db: HerdDatabase, photos: Path, tmp_path: Path) -> None:
    manifest = photos / "manifest.csv"
    manifest.write_text(
        "file,animal_id,ear,taken_at,chip\n"
        f"a.jpg,animal 0,left,2024-05-01 10:00:00,{NUMBER}\n"
        f"b.jpg,animal 1,left,2024-05-01 10:05:00,{NUMBER}\n"
    )
    imported(db, photos, manifest=manifest, copy=True)
    rows = {Path(photo.path).name: photo for photo in all_photos(db)}
    assert (rows["a.jpg"].animal_id, rows["a.jpg"].ear) == ("animal 0", "left")
    assert rows["c.jpg"].animal_id == ""
    copy = folder_of(db.path) / rows["a.jpg"].stored
    assert digest_of(copy) == rows["a.jpg"].sha256
    # b.jpg was given to another animal than that of its transponder: no confirmation but a case.
    (confirmed,) = confirmed_photos(db)
    assert (Path(confirmed.path).name, confirmed.animal_id, confirmed.mark) == (
        "a.jpg",
        "animal 0",
        "A00000",
    )
    assert list(confirmed_files(db)) == [(photos / "a.jpg", confirmed)]
    assert confirmed_csv(db) == (
        "photo,animal_id,mark,ear,chip,taken_at\r\n"
        f"{photos / 'a.jpg'},animal 0,A00000,left,{NUMBER},2024-05-01T10:00:00\r\n",
        1,
    )
    (photos / "a.jpg").unlink()
    assert list(confirmed_files(db)) == [(copy, confirmed)]
    assert {case.kind for case in find_cases(db).open} == {
        "transponder against list",
        "transponder against mark",
    }


def test_a_manifest_that_comes_later_fills_in(db: HerdDatabase, photos: Path) -> None:
    imported(db, photos)
    manifest = photos / "manifest.csv"
    manifest.write_text("file,animal_id\na.jpg,animal 2\n")
    assert imported(db, photos, manifest=manifest) == ([], 3)
    assert [p.animal_id for p in all_photos(db)] == ["animal 2", "", ""]


def test_a_registry_changed_meanwhile_ends_the_import(db: HerdDatabase, photos: Path) -> None:
    herd_photos._registry.cache_clear()
    reader = HerdReader(db.path, "another digest", SETTINGS)
    with pytest.raises(RegistryError, match="changed meanwhile"):
        reader(photos / "a.jpg")


def test_without_photos(db: HerdDatabase, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(PhotoError, match="no photo found"):
        imported(db, tmp_path / "empty")
