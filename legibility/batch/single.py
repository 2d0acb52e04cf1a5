"""The stages that are products of their own, over files and folders: check and enhance."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from legibility.batch.finding import photos_in
from legibility.containers import CaptureCheck, Flag
from legibility.errors import PhotoError
from legibility.photo.load import load_photo, printable_name
from legibility.settings import Settings


@dataclass(frozen=True, slots=True)
class CheckedPhoto:
    """Outcome of ``legibility check`` for one photo."""

    photo: str
    sha256: str
    check: CaptureCheck
    error: str = ""
    """Why the file could not be used; empty when it could."""


@dataclass(frozen=True, slots=True)
class EnhancedPhoto:
    """Outcome of ``legibility enhance`` for one photo."""

    photo: str
    files: tuple[Path, ...]
    error: str = ""


def check_files(
    photos: Iterable[str | os.PathLike[str]], *, settings: Settings
) -> Iterator[CheckedPhoto]:
    """Whether each photo is good enough and shows a mark, in input order; a bad file stops none.

    Raises
    ------
    PhotoError
        If there is no photo at all.
    """
    from legibility.pipeline.mark_seen import check_mark_seen

    for path in photos_in(photos):
        try:
            photo = load_photo(path, settings=settings)
        except PhotoError as error:
            nothing = CaptureCheck(Flag.NONE, {}, False)
            yield CheckedPhoto(printable_name(path), "", nothing, str(error))
            continue
        yield CheckedPhoto(photo.name, photo.sha256, check_mark_seen(photo))


def enhance_files(
    photos: Iterable[str | os.PathLike[str]],
    folder: Path,
    *,
    settings: Settings,
    without: frozenset[str] = frozenset(),
) -> Iterator[EnhancedPhoto]:
    """Write the enhanced pictures of each photo into ``folder``; a bad file stops none.

    Parameters
    ----------
    without : frozenset of str
        Steps to leave out, see ``legibility.enhance.STEPS``.

    Raises
    ------
    PhotoError
        If there is no photo at all.
    OutputError
        If a picture cannot be written.
    """
    from legibility.enhance import enhance, picture_steps, step_pictures
    from legibility.report.steps import write_pictures

    for path in photos_in(photos):
        try:
            photo = load_photo(path, settings=settings)
        except PhotoError as error:
            yield EnhancedPhoto(printable_name(path), (), str(error))
            continue
        enhanced = enhance(photo, settings=settings, without=without)
        made = picture_steps(enhanced, without=without)
        files = write_pictures(folder, photo, step_pictures(enhanced), made=made)
        yield EnhancedPhoto(photo.name, files)
