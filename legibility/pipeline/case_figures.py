"""Everything that is computed for a case, from the files in its folder alone."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from legibility.containers import ColorImage, Photo, PhotoResult
from legibility.enhance.chain import enhance
from legibility.enhance.pictures import picture_steps, step_pictures
from legibility.errors import EvidenceError
from legibility.evidence.comparison_record import comparison_record
from legibility.evidence.custody import Derived
from legibility.evidence.exact import exact_comparison, exact_reading
from legibility.photo.load import load_photo_bytes
from legibility.pipeline.case_files import (
    KEY,
    RULES,
    Case,
    load_case_registry,
    load_case_settings,
)
from legibility.pipeline.compare import ComparedPhoto, compare_photos
from legibility.pipeline.run import read_photo
from legibility.report.drawing import draw_cells, shrink
from legibility.report.mark_crop import CUT_OUT, upright_mark
from legibility.report.page import jpeg_bytes, png_bytes
from legibility.report.record import result_record
from legibility.report.steps import custody_comment, custody_texts
from legibility.settings import Settings

PICTURE_PX: Final = 1000
"""Choice: longest side of a picture in a dossier; a page shows less, a print about as much."""
QUALITY: Final = 92
"""Choice: of JPEG pictures, above what shows blocks about dots; ink and needles are PNG."""
SHOWN: Final = ("photo", "even_light", "not_seen", "ink")
"""Choice: steps that are shown; glare and hair are both in ``not_seen``."""
TITLES: Final = {
    "photo": "photo, upright",
    "even_light": "light evened, contrast stretched",
    "not_seen": "glare and hair, hatched",
    "ink": "ink separated from skin",
}


@dataclass(frozen=True, slots=True)
class CaseFigures:
    """What was computed."""

    figures: Mapping[str, Any]
    pictures: tuple[Derived, ...]
    files: Mapping[str, bytes]
    """The pictures by their names in the case."""
    unmasking: tuple[Mapping[str, Any], ...]
    """Steps that the key of blind readings recorded."""


def case_figures(folder: Path, case: Case) -> CaseFigures:
    """Read the photos, weigh the claims, compare the readers.

    The photos are read before the claims are looked at.

    Raises
    ------
    EvidenceError
        If an original is not the one that was taken in, or the claims cannot be weighed.
    LegibilityError
        If another file of the case cannot be used.
    """
    from legibility.identify.rules import load_rules

    stated, settings = load_case_settings(folder)
    rules = load_rules(folder / RULES) if (folder / RULES).exists() else None
    registry = load_case_registry(folder, rules=rules)
    agreement, unmasking = _agreement(folder, case)
    photos = [_photo(folder, case, index, settings) for index in range(len(case.items))]
    results = [
        read_photo(photo, registry=registry, rules=rules, settings=settings) for photo in photos
    ]
    comparison, compared = compare_photos(
        photos,
        case.claims,
        registry=registry,
        rules=rules,
        settings=settings,
        allow_different_ears=case.different_ears,
    )
    figures = {
        "readings": [_reading(place, result) for place, result in enumerate(results, start=1)],
        "comparison": comparison_record(comparison),
        "agreement": agreement,
        "exact": {
            "readings": [exact_reading(result) for result in results],
            "comparison": exact_comparison(comparison),
        },
    }
    pictures: list[Derived] = []
    files: dict[str, bytes] = {}
    for place, (photo, result, seen) in enumerate(
        zip(photos, results, compared, strict=True), start=1
    ):
        _add_pictures(place, photo, result, seen, settings, pictures, files)
    restated: Any = _restated(figures, settings.sha256, stated.sha256)
    return CaseFigures(restated, tuple(pictures), files, unmasking)


def _photo(folder: Path, case: Case, index: int, settings: Settings) -> Photo:
    item = case.items[index]
    try:
        data = (folder / item.file).read_bytes()
    except OSError as error:
        raise EvidenceError(f"{item.file}: cannot be read: {error.strerror or error}") from error
    digest = hashlib.sha256(data).hexdigest()
    if digest != item.sha256:
        raise EvidenceError(
            f"{item.file} ({item.name}): was changed since intake: its sha256 is {digest}, at "
            f"intake it was {item.sha256}"
        )
    return load_photo_bytes(item.name, data, settings=settings)


def _reading(place: int, result: PhotoResult) -> dict[str, Any]:
    record = result_record(result)
    del record["seconds"]
    return {"item": place, "record": record}


def _agreement(
    folder: Path, case: Case
) -> tuple[dict[str, Any] | None, tuple[Mapping[str, Any], ...]]:
    if not case.sheets:
        return None, ()
    from legibility.evidence.blind import load_key
    from legibility.evidence.blind_record import score_record
    from legibility.pipeline.blind_sets import score_blind

    key, digest = load_key(folder / KEY)
    taken = {item.sha256 for item in case.items}
    others = [photo.photo for photo in key.photos if photo.sha256 not in taken]
    if len(others) == len(key.photos):
        raise EvidenceError("the blind readings are of other photos than the case")
    score = score_blind([folder / sheet for sheet in case.sheets], key_file=folder / KEY)
    record = score_record(score)
    # Times of receipt are those of this run, so they are no figure.
    record.pop("order")
    record["other_photos"] = len(others)
    steps = tuple({"what": s.what, "at": s.at, "sha256": s.sha256} for s in key.order)
    return record, (*steps, {"what": "key of the set", "at": "", "sha256": digest})


def _add_pictures(
    place: int,
    photo: Photo,
    result: PhotoResult,
    seen: ComparedPhoto,
    settings: Settings,
    pictures: list[Derived],
    files: dict[str, bytes],
) -> None:
    enhanced = enhance(photo, settings=settings)
    made = picture_steps(enhanced)
    steps = step_pictures(enhanced)
    start = made["photo"]
    shown: list[tuple[str, ColorImage, Sequence[str]]] = [
        (TITLES[name], steps[name], made[name]) for name in SHOWN
    ]
    cells = draw_cells(enhanced.pixels, result.reading, scale=enhanced.scale)
    shown.append(("cells and characters", cells, [*start, "cells of the reading drawn on it"]))
    best = result.reading.hypotheses[:1]
    if best and any(best[0].rows):
        crop = upright_mark(photo.pixels, best[0])
        shown.append(("mark, upright", crop, [start[0], CUT_OUT]))
    for row, picture in enumerate(seen.rows, start=1):
        shown.append(
            (
                f"needles of both claims, row {row}",
                picture,
                [*seen.row_steps],
            )
        )
    for title, pixels, how in shown:
        small = shrink(pixels, max_height_px=PICTURE_PX, max_width_px=PICTURE_PX)
        if small.shape != pixels.shape:
            how = [*how, f"reduced to {small.shape[1]} x {small.shape[0]} pixels"]
        exact = title == TITLES["ink"] or title.startswith("needles")
        if exact:
            data = png_bytes(small, texts=custody_texts(photo.sha256, how))
        else:
            said = custody_comment(photo.sha256, how)
            data = jpeg_bytes(small, quality=QUALITY, comment=said)
        stem = title.replace(",", "").replace(" ", "-")
        name = f"pictures/{place:02d}-{stem}.{'png' if exact else 'jpg'}"
        files[name] = data
        digest = hashlib.sha256(data).hexdigest()
        pictures.append(Derived(title, name, digest, photo.sha256, tuple(how)))


def _restated(value: Any, here: str, stated: str) -> Any:
    """A record in which the settings are those of the case, not those with this folder's paths."""
    if isinstance(value, Mapping):
        return {name: _restated(inner, here, stated) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_restated(inner, here, stated) for inner in value]
    return stated if value == here else value
