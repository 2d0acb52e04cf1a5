"""Reading sets for people: marks cut out of photos, under codes, without the registry's answer."""

from __future__ import annotations

import csv
import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from legibility.containers import Photo
from legibility.enhance.pictures import DECODED
from legibility.errors import EvidenceError, RegistryError
from legibility.evidence.blind import (
    Key,
    KeyPhoto,
    Step,
    draw_key,
    key_text,
    load_key,
    text_sha256,
)
from legibility.evidence.blind_score import BlindScore, score_sheets
from legibility.evidence.reliability import reliability_record
from legibility.evidence.sheets import (
    FilledSheet,
    load_sheet,
    sheet_csv,
    sheet_json,
    unanswered,
)
from legibility.marks.open_readings import clean_reading
from legibility.photo.load import load_photo
from legibility.pipeline.run import read_photo
from legibility.report.blind_page import sheet_page
from legibility.report.mark_crop import CUT_OUT, upright_mark, whole_photo
from legibility.report.page import jpeg_bytes, jpeg_data_address
from legibility.report.steps import custody_comment
from legibility.report.writing import write_text
from legibility.settings import Settings

REPEATS: Final = 0.25
"""Choice: share of the marks shown twice to each reader."""
NO_MARK: Final = 0.5
"""Choice: where no mark is more probable than one, the whole photo is shown."""
IN_KEY: Final = "in the key of this set"
"""Where a sheet's picture has its original named: readers must not see which two are one mark."""
QUALITY: Final = 92
"""Choice: of the JPEG pictures on a sheet, above what shows blocks about dots."""


def make_blind(
    paths: Sequence[Path],
    *,
    folder: Path,
    key_file: Path,
    readers: Sequence[str],
    repeats: float = REPEATS,
    seed: int | None = None,
    claims: Sequence[str] = (),
    after: Sequence[Path] = (),
    first_key: Path | None = None,
    settings: Settings | None = None,
) -> tuple[Key, tuple[Path, ...]]:
    """Write one sheet a reader into ``folder`` and the key to a place apart.

    Parameters
    ----------
    readers : sequence of str
        Names; files are called after them.
    claims, after, first_key
        For sheets that show claims: the claims, the filled-in first sheets of the same readers,
        and the first set's key.

    Returns
    -------
    key : Key
    files : tuple of Path
        What a reader may see.

    Raises
    ------
    EvidenceError
        If the key would lie among the sheets, or claims would be shown before the first readings.
    PhotoError
        If a file cannot be used as a photo.
    """
    settings = settings or Settings(second_reader=False)
    if folder.resolve() in (key_file.resolve().parent, *key_file.resolve().parents):
        raise EvidenceError(
            f"{key_file}: the key would lie in the readers' folder {folder}; keep it apart"
        )
    if key_file.exists():
        raise EvidenceError(f"{key_file}: is there already; a key is never overwritten")
    photos: dict[str, Photo] = {}
    for path in paths:
        photo = load_photo(path, settings=settings)
        photos.setdefault(photo.sha256, photo)
    named = [KeyPhoto(photo.name, photo.sha256) for photo in photos.values()]
    before = _before(named, readers, after, first_key) if after or first_key else ()
    pictures, known = [], []
    for photo in photos.values():
        data, steps = _picture(photo, settings)
        pictures.append(jpeg_data_address(data))
        digest = hashlib.sha256(data).hexdigest()
        known.append(KeyPhoto(photo.name, photo.sha256, digest, steps))
    key = draw_key(
        known, readers, repeats=repeats, at=_now(), seed=seed, claims=claims, before=before
    )
    text = key_text(key)
    files = []
    for sheet in key.sheets:
        name = _file_name(sheet.reader)
        page = sheet_page(
            sheet=sheet.sheet,
            pictures=[(item.item, pictures[item.photo]) for item in sheet.items],
            claims=key.claims,
            key_sha256=text_sha256(text),
        )
        files += [folder / f"{name}{suffix}" for suffix in (".html", ".csv", ".json")]
        write_text(files[-3], page)
        write_text(files[-2], sheet_csv(sheet, claims=bool(claims)))
        write_text(files[-1], sheet_json(sheet, claims=bool(claims)))
    if len(set(files)) != len(files):
        raise EvidenceError(f"readers {list(readers)}: two names give the same file name")
    write_text(key_file, text)
    return key, tuple(files)


def score_blind(
    sheets: Sequence[Path], *, key_file: Path, truth_file: Path | None = None
) -> BlindScore:
    """Read filled-in sheets and compare the readers.

    Parameters
    ----------
    truth_file : Path, optional
        CSV with columns ``photo`` (name or SHA-256) and ``mark``: ears whose mark nobody disputes.

    Raises
    ------
    EvidenceError
        If a sheet or the key cannot be used.
    RegistryError
        If the file of known marks cannot be used.
    """
    key, _ = load_key(key_file)
    filled = [load_sheet(path, key) for path in sheets]
    truth = _truth(truth_file, key) if truth_file else {}
    return score_sheets(filled, key, received_at=_now(), truth=truth)


def write_reliability(score: BlindScore, path: Path) -> None:
    """Write how reliable each reader is, for weighing further readings.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    write_text(path, json.dumps(reliability_record(score.readers), indent=1) + "\n")


def _before(
    photos: Sequence[KeyPhoto],
    readers: Sequence[str],
    after: Sequence[Path],
    first_key: Path | None,
) -> tuple[Step, ...]:
    """Steps up to the first readings, which must be complete for the same photos and readers."""
    if first_key is None or not after:
        raise EvidenceError(
            "claims are shown after the first readings: give both --after SHEET and --first-key"
        )
    key, digest = load_key(first_key)
    filled: list[FilledSheet] = [load_sheet(path, key) for path in after]
    missing = unanswered(filled)
    if missing:
        raise EvidenceError(
            f"{len(missing)} pictures of the first readings have no answer ({missing[0]}); each "
            'needs one, "-" where nothing can be read'
        )
    handed_in = {f.sheet.reader for f in filled}
    if not set(readers) <= handed_in:
        raise EvidenceError(
            f"no first readings of {sorted(set(readers) - handed_in)}; nobody sees a claim before"
        )
    seen = {photo.sha256 for photo in key.photos}
    strange = [photo.photo for photo in photos if photo.sha256 not in seen]
    if strange:
        raise EvidenceError(f"{strange[0]}: is not among the photos of the first readings")
    now = _now()
    return (
        *key.order,
        Step("key of the first readings opened", now, digest),
        *(Step(f"first sheet of {f.sheet.reader} received", now, f.sha256) for f in filled),
    )


def _picture(photo: Photo, settings: Settings) -> tuple[bytes, tuple[str, ...]]:
    """The JPEG file a sheet shows, and what was done for it."""
    reading = read_photo(photo, settings=settings).reading
    sighted = math.exp(min(0.0, reading.logp_no_mark)) < NO_MARK
    found = [h for h in reading.hypotheses[:1] if any(h.rows) and sighted]
    crop = upright_mark(photo.pixels, found[0]) if found else whole_photo(photo.pixels)
    done = CUT_OUT if found else f"shown whole, {crop.shape[1]} x {crop.shape[0]} pixels"
    steps = (DECODED, done)
    return jpeg_bytes(crop, quality=QUALITY, comment=custody_comment(IN_KEY, steps)), steps


def _truth(path: Path, key: Key) -> Mapping[str, str]:
    """SHA-256 -> mark of the photos of a set whose mark is known."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise RegistryError(f"{path}: cannot be read: {error}") from error
    names = {photo.photo: photo.sha256 for photo in key.photos}
    names |= {Path(photo.photo).name: photo.sha256 for photo in key.photos}
    names |= {photo.sha256: photo.sha256 for photo in key.photos}
    found: dict[str, str] = {}
    for line, row in enumerate(rows, start=2):
        photo, mark = (str(row.get(field) or "").strip() for field in ("photo", "mark"))
        reading, problem = clean_reading(mark)
        if not photo or not reading or problem or "?" in reading:
            raise RegistryError(
                f"{path}: line {line}: {problem or f'photo {photo!r}, mark {mark!r}'}; expected "
                "columns photo and mark, with every character of the mark"
            )
        if photo in names:
            found[names[photo]] = reading
    return found


def _file_name(reader: str) -> str:
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in reader.lower())
    return f"sheet-{kept.strip('-') or 'reader'}"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
