"""Where a case comes from: a case of the herd's record, or photos and claims as they are given."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from legibility.errors import EvidenceError, PhotoError, StoreError
from legibility.pipeline.case_files import (
    KEY,
    REGISTRY,
    RULES,
    Case,
    CaseItem,
    registry_file,
    settings_files,
)
from legibility.pipeline.custody import chain_head, entries_naming
from legibility.settings import Settings
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.decisions import find_case
from legibility.store.photo_folder import FileState, file_state, folder_of
from legibility.store.photos import find_photo, photos_of
from legibility.store.records import CaseRow, PhotoRow

if TYPE_CHECKING:
    from legibility.identify.animals import Registry

OTHER_MARK: Final = "another mark in the registry"
"""Kind of case in which one of the two marks is in no registry."""
LONGEST_SUFFIX: Final = 6


@dataclass(frozen=True, slots=True)
class Asked:
    """What the person who asks may say of a case."""

    claims: tuple[str, ...] = ()
    question: str = ""
    authority: str = ""
    by: str = ""
    different_ears: bool = False
    rules: Path | None = None
    key: Path | None = None
    """Key of blind readings."""
    sheets: tuple[Path, ...] = ()


def case_from_photos(
    paths: Sequence[Path],
    asked: Asked,
    *,
    registry: Path | None,
    columns: Mapping[str, str] | None = None,
    settings: Settings,
) -> tuple[Case, dict[str, bytes]]:
    """A case of photos and two claims, and its files.

    Raises
    ------
    EvidenceError
        If there are not two claims.
    PhotoError, RegistryError, SettingsError
        If a file cannot be used.
    """
    from legibility.identify.registry import load_registry
    from legibility.identify.rules import load_rules

    claims = _two(asked.claims, "give --claim twice")
    rules = load_rules(asked.rules) if asked.rules else None
    known = load_registry(registry, rules=rules, columns=columns) if registry else None
    now = _now()
    taken = _taken_in(paths, settings, at=now, by=asked.by)
    return _case(asked, claims, taken, known, settings, now=now)


def case_from_herd(
    herd: Path, number: int, paths: Sequence[Path], asked: Asked, *, settings: Settings
) -> tuple[Case, dict[str, bytes]]:
    """A case of the herd's record, and its files.

    Parameters
    ----------
    paths : sequence of Path
        Photos to use instead of those of the case; each must be in the record.

    Raises
    ------
    EvidenceError
        If the case names no two animals or marks and no claims are given, it has no photo, or a
        photo was changed since intake.
    StoreError, PhotoError
        If the record or a photo cannot be used.
    """
    from legibility.identify.rules import load_rules
    from legibility.pipeline.herd_registry import registry_from

    rules = load_rules(asked.rules) if asked.rules else None
    now = _now()
    with open_herd(herd, read_only=True) as db:
        row = find_case(db, number)
        claims = _two(
            asked.claims or claims_of_case(row), f"case {number} names no two: give --claim"
        )
        plain = row.kind == OTHER_MARK and not asked.claims
        known = None if plain else registry_from(db, rules=rules)
        photos = _photos_given(db, paths) if paths else _photos_of(db, row)
        if not photos:
            raise EvidenceError(
                f"case {number}: the record holds no photo for it; name photos after the number"
            )
        taken = [_from_record(db, herd, photo) for photo in photos]
        chain = _chain(db)
    return _case(
        asked,
        claims,
        taken,
        known,
        settings,
        now=now,
        number=number,
        summary=row.summary,
        chain=chain,
    )


def case_from_record(
    herd: Path, digests: Sequence[str], asked: Asked, *, settings: Settings
) -> tuple[Case, dict[str, bytes]]:
    """A case of two claims and photos of the record, by their SHA-256, and its files.

    Raises
    ------
    EvidenceError, StoreError, PhotoError
        As :func:`case_from_herd`.
    """
    from legibility.identify.rules import load_rules
    from legibility.pipeline.herd_registry import registry_from

    claims = _two(asked.claims, "name both")
    rules = load_rules(asked.rules) if asked.rules else None
    now = _now()
    with open_herd(herd, read_only=True) as db:
        known = registry_from(db, rules=rules)
        photos = [_photo_named(db, digest) for digest in dict.fromkeys(digests)]
        if not photos:
            raise EvidenceError("no photo was chosen; choose at least one")
        taken = [_from_record(db, herd, photo) for photo in photos]
        chain = _chain(db)
    return _case(asked, claims, taken, known, settings, now=now, chain=chain)


def photo_files(herd: Path, digests: Sequence[str]) -> list[tuple[PhotoRow, Path]]:
    """Photos of the record by their SHA-256, and where their bytes as taken in are.

    Raises
    ------
    EvidenceError
        If one was changed since intake, or is gone.
    StoreError
        If one is not in the record.
    """
    with open_herd(herd, read_only=True) as db:
        photos = [_photo_named(db, digest) for digest in dict.fromkeys(digests)]
    return [(photo, _unchanged(herd, photo)[1]) for photo in photos]


def _photo_named(db: HerdDatabase, digest: str) -> PhotoRow:
    photo = find_photo(db, digest)
    if photo is None:
        raise StoreError(f"photo {digest[:12]}... is not in this record")
    return photo


def _chain(db: HerdDatabase) -> dict[str, Any]:
    head = chain_head(db)
    return {"entries": head.entries, "sha256": head.head, "at": head.at, "herd": head.herd}


def _case(
    asked: Asked,
    claims: tuple[str, str],
    taken: Sequence[tuple[CaseItem, bytes]],
    registry: Registry | None,
    settings: Settings,
    *,
    now: str,
    number: int = 0,
    summary: str = "",
    chain: Mapping[str, Any] | None = None,
) -> tuple[Case, dict[str, bytes]]:
    _, files = settings_files(settings)
    items = []
    for place, (item, data) in enumerate(taken, start=1):
        suffix = Path(item.name).suffix.lower()
        known = suffix[1:].isalnum() and suffix.isascii() and len(suffix) <= LONGEST_SUFFIX
        name = f"originals/{place:02d}{suffix if known else ''}"
        files[name] = data
        items.append(replace(item, file=name))
    if registry is not None:
        files[REGISTRY] = registry_file(registry)
    if asked.rules is not None:
        files[RULES] = _bytes(asked.rules)
    if bool(asked.key) != bool(asked.sheets):
        raise EvidenceError("blind readings need both their key and their sheets")
    sheets = []
    for place, sheet in enumerate(asked.sheets, start=1):
        sheets.append(f"inputs/sheet-{place:02d}{sheet.suffix.lower() or '.csv'}")
        files[sheets[-1]] = _bytes(sheet)
    if asked.key is not None:
        files[KEY] = _bytes(asked.key)
    question = asked.question or (
        f"Do the photos speak for {claims[0]} or for {claims[1]}, and how strongly?"
    )
    case = Case(
        question=question,
        claims=claims,
        items=tuple(items),
        made_at=now,
        made_by=asked.by,
        authority=asked.authority,
        number=number,
        summary=summary,
        chain=chain,
        different_ears=asked.different_ears,
        sheets=tuple(sheets),
    )
    return case, files


def _taken_in(
    paths: Sequence[Path], settings: Settings, *, at: str, by: str
) -> list[tuple[CaseItem, bytes]]:
    taken: dict[str, tuple[CaseItem, bytes]] = {}
    for path in paths:
        data = _photo_bytes(path, settings)
        digest = hashlib.sha256(data).hexdigest()
        item = CaseItem("", path.name, digest, len(data), at, by, note="taken in with this dossier")
        taken.setdefault(digest, (item, data))
    return list(taken.values())


def _from_record(db: HerdDatabase, herd: Path, photo: PhotoRow) -> tuple[CaseItem, bytes]:
    """A photo of the record as it was at intake, or a refusal."""
    state, path = _unchanged(herd, photo)
    name = Path(photo.path).name
    changed = Path(photo.path).exists() and state is not FileState.AS_IMPORTED
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise EvidenceError(f"{path}: changed while it was read; try again")
    entries = entries_naming(db, [photo.sha256])
    note = "unchanged since intake"
    if changed:
        note = "the file was changed since intake; the unchanged copy of the record was used"
    elif state is FileState.ONLY_THE_COPY:
        note = "the copy of the record was used; the file is gone"
    item = CaseItem(
        "",
        name,
        photo.sha256,
        len(data),
        photo.imported_at,
        entries[0].who if entries else "",
        tuple(
            {"entry": e.seq, "at": e.at, "who": e.who, "what": e.what, "sha256": e.hash}
            for e in entries
        ),
        note,
    )
    return item, data


def _unchanged(herd: Path, photo: PhotoRow) -> tuple[FileState, Path]:
    """Where a photo's bytes as taken in are, or a refusal."""
    state, path = file_state(photo, herd=herd)
    if state is FileState.CHANGED:
        raise EvidenceError(
            f"{photo.path}: the photo was changed since intake (sha256 {photo.sha256} then), and "
            f"no copy is in {folder_of(herd)}; put the original back"
        )
    if state is FileState.MISSING:
        raise EvidenceError(f"{photo.path}: the photo is not there; put the original back")
    return state, path


def claims_of_case(case: CaseRow) -> tuple[str, ...]:
    """The two animals or marks that a case is between, as far as it names two."""
    detail = case.detail
    found = detail.get("animals") or [
        detail.get(name)
        for name in ("animal_by_transponder", "animal_by_mark", "animal_by_list", "before", "now")
    ]
    return tuple(str(name) for name in found if name)


def _photos_of(db: HerdDatabase, case: CaseRow) -> list[PhotoRow]:
    digest = case.detail.get("photo_sha256")
    if digest:
        photo = find_photo(db, str(digest))
        return [] if photo is None else [photo]
    animals = case.detail.get("animals") or [case.detail.get("animal")]
    found = {p.sha256: p for name in animals if name for p in photos_of(db, str(name))}
    return list(found.values())


def _photos_given(db: HerdDatabase, paths: Sequence[Path]) -> list[PhotoRow]:
    found: dict[str, PhotoRow] = {}
    for path in paths:
        digest = hashlib.sha256(_bytes(path)).hexdigest()
        photo = find_photo(db, digest)
        if photo is None:
            raise EvidenceError(
                f"{path}: is not in the record, or was changed since it was taken in; import it "
                "first with legibility herd import-photos"
            )
        found[digest] = photo
    return list(found.values())


def _two(claims: Sequence[str], otherwise: str) -> tuple[str, str]:
    if len(claims) != 2:
        raise EvidenceError(f"a dossier weighs two claims, not {len(claims)}: {otherwise}")
    return claims[0], claims[1]


def _photo_bytes(path: Path, settings: Settings) -> bytes:
    from legibility.photo.load import load_photo

    photo = load_photo(path, settings=settings)
    data = _bytes(path)
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise PhotoError(f"{photo.name}: changed while it was read; try again")
    return data


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        name = os.fspath(path)
        raise EvidenceError(f"{name}: cannot be read: {error.strerror or error}") from error


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
