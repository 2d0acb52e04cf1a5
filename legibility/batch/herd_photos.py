"""Reads folders of photos into the herd's record, photo by photo, and goes on where it stopped."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from legibility import __version__
from legibility.batch.executors import open_workers
from legibility.batch.finding import photos_in
from legibility.batch.ordered import failed_result, run
from legibility.containers import PhotoResult, Provenance, Status
from legibility.errors import RegistryError, StoreError
from legibility.photo.load import printable_name
from legibility.pipeline.herd_cases import open_cases
from legibility.pipeline.herd_manifest import Manifest, photo_row, read_manifest
from legibility.pipeline.herd_registry import SeenLayouts, layouts_of_herd, registry_from
from legibility.settings import Settings
from legibility.store.animals import all_animals
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.importing import import_photo
from legibility.store.photo_folder import digest_of, folder_of, keep_copy
from legibility.store.readings import read_already
from legibility.store.records import ScanRow

if TYPE_CHECKING:
    from legibility.identify.registry import Registry


@dataclass(frozen=True, slots=True)
class HerdReader:
    """Reads a photo against the animals of a record; pickles to a few bytes."""

    herd: Path
    registry_sha256: str
    settings: Settings
    seen: SeenLayouts = ()
    """Layouts in the ear when the import began: every photo of it is read alike."""

    def __call__(self, path: Path) -> PhotoResult:
        """Read one photo; raises what ``pipeline.read`` raises.

        Raises
        ------
        RegistryError
            If the animals of the record were changed since the import began.
        """
        from legibility.pipeline import read

        registry = _registry(self.herd, self.seen)
        if registry.digest != self.registry_sha256:
            raise RegistryError(f"{self.herd}: marks were changed meanwhile; import again")
        return read(path, registry=registry, settings=self.settings)


@dataclass(frozen=True, slots=True)
class ImportedPhoto:
    """What became of one photo."""

    path: Path
    result: PhotoResult
    state: str
    """``new``, ``changed``, ``same`` or, with the reason in ``result.reasons``, ``error``."""


@dataclass(frozen=True, slots=True)
class PhotoImport:
    """A stream of photos that are stored as they come."""

    n_photos: int
    n_skipped: int
    """Photos that were read in exactly this way before."""
    notices: tuple[str, ...]
    stream: Iterator[ImportedPhoto]


@contextmanager
def open_photo_import(
    db: HerdDatabase,
    photos: Iterable[str | os.PathLike[str]],
    *,
    settings: Settings,
    manifest: Path | None = None,
    copy: bool = False,
    jobs: int = 0,
    who: str = "",
    hex_order: str = "",
    allow_test: bool = False,
) -> Iterator[PhotoImport]:
    """Read photos against the record's own animals and store each as soon as it is read.

    Each photo is one transaction, so that an interrupted import keeps what was done, and the next
    one goes on behind it: photos are told by their bytes, not by their names.

    Parameters
    ----------
    manifest : Path, optional
        See :func:`legibility.pipeline.herd_manifest.read_manifest`.
    copy : bool
        Also keep a copy of each photo beside the record, under its digest.

    Raises
    ------
    PhotoError
        If there is no photo at all.
    RowsError, RegistryError, StoreError
        If the manifest cannot be used, the record has no marks, or it cannot be written.
    """
    found = photos_in(photos)
    said = Manifest()
    if manifest is not None:
        known = [animal.animal_id for animal in all_animals(db)]
        said = read_manifest(manifest, animals=known, hex_order=hex_order, allow_test=allow_test)
    seen = tuple(layouts_of_herd(db).items())
    registry = registry_from(db, seen=seen)
    reader = HerdReader(db.path, registry.digest, settings, seen)
    _registry.cache_clear()
    store = _Store(db, said, registry.digest, copy=copy, who=who)
    waiting = [path for path in found if not store.is_done(path, settings)]
    with open_workers(n_photos=len(waiting), jobs=jobs) as workers:
        results = run(
            waiting,
            workers.executor,
            reader=reader,
            reopen=workers.reopen,
            look_ahead=workers.look_ahead,
        )
        stream = (store.keep(path, result) for path, result in zip(waiting, results, strict=True))
        basis = f"where the list writes no row break: {registry.layouts.basis}"
        notices = (*said.notices, basis)
        yield PhotoImport(len(waiting), len(found) - len(waiting), notices, stream)


class _Store:
    """Takes results one by one into the record."""

    def __init__(
        self, db: HerdDatabase, said: Manifest, registry_sha256: str, *, copy: bool, who: str
    ) -> None:
        self._db = db
        self._said = said
        self._registry_sha256 = registry_sha256
        self._copy = copy
        self._who = who
        self._done: frozenset[str] | None = None

    def is_done(self, path: Path, settings: Settings) -> bool:
        """Whether a photo holds this very reading; then only what is said of it is filled in."""
        if self._done is None:
            from legibility.networks import models_sha256
            from legibility.pipeline.run import final_calibration

            _, calibration = final_calibration(settings)
            wanted = Provenance(__version__, models_sha256(), settings.sha256, calibration)
            self._done = read_already(
                self._db, provenance=wanted, registry_sha256=self._registry_sha256
            )
        try:
            sha256 = digest_of(path) if self._done else ""
        except OSError:
            return False
        if sha256 not in self._done:
            return False
        self._put(path, sha256, None)
        return True

    def keep(self, path: Path, result: PhotoResult) -> ImportedPhoto:
        """Store one result; a photo that could not be used is only reported."""
        if result.status is Status.ERROR:
            return ImportedPhoto(path, result, "error")
        try:
            return ImportedPhoto(path, result, self._put(path, result.sha256, result))
        except UnicodeEncodeError:
            reason = f"{printable_name(path)}: its name is no valid text; rename the file"
        except OSError as error:
            reason = f"{printable_name(path)}: {error.strerror or error}"
        return ImportedPhoto(path, failed_result(path, reason), "error")

    def _put(self, path: Path, sha256: str, result: PhotoResult | None) -> str:
        said = self._said.of(path)
        stored = ""
        if self._copy:
            stored = keep_copy(folder_of(self._db.path), path, sha256=sha256)
        photo = photo_row(path, said, sha256=sha256, size_bytes=path.stat().st_size, stored=stored)
        return import_photo(
            self._db,
            photo,
            result=result,
            registry_sha256=self._registry_sha256,
            scan=said.scan,
            who=self._who,
            then=partial(open_cases, photos=[sha256], animals=_scanned(said.scan), who=self._who),
        )


def _scanned(scan: ScanRow | None) -> tuple[str, ...]:
    return (scan.animal_id,) if scan is not None and scan.animal_id else ()


@lru_cache(maxsize=1)
def _registry(herd: Path, seen: SeenLayouts) -> Registry:
    try:
        with open_herd(herd, read_only=True) as db:
            return registry_from(db, seen=seen)
    except StoreError as error:
        raise RegistryError(str(error)) from error
