"""From results to the worklist that reports show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from legibility.containers import PhotoResult, Status
from legibility.errors import PhotoError
from legibility.herd.worklist import WorklistRow, worklist
from legibility.photo.flags import describe
from legibility.photo.load import load_photo, printable_name
from legibility.report.drawing import draw_cells, picture_of_mark, shrink
from legibility.report.page import jpeg_address
from legibility.report.words import sentence
from legibility.report.worklist import EntryPictures, WorklistEntry
from legibility.settings import Settings

if TYPE_CHECKING:
    from legibility.identify.registry import Registry

PICTURE_WIDTH_PX: Final = 720
"""Choice: half of a page on a screen of twice the usual density, at 40 to 80 kB."""


def worklist_entries(
    results: Sequence[PhotoResult], registry: Registry | None
) -> tuple[WorklistEntry, ...]:
    """Entries of the worklist, the most urgent first, with words for their flags."""
    return tuple(_entry(row) for row in worklist(results, registry))


def _entry(row: WorklistRow) -> WorklistEntry:
    """A photo that was not good enough also says what to do about it."""
    flags = describe(row.result.flags)
    reason = row.reason
    if row.result.status is Status.RETAKE and flags:
        reason = f"{sentence(reason)} {flags[0].remedy}"
    return WorklistEntry(row.result, row.action, reason, flags)


def entry_pictures(
    paths: Sequence[Path], results: Sequence[PhotoResult], *, settings: Settings | None = None
) -> Mapping[str, EntryPictures]:
    """Pictures of photos for a page, by the photo's name; files that cannot be used have none.

    Parameters
    ----------
    paths : sequence of Path
        The photos' files, in any order.
    """
    by_name = {result.photo: result for result in results}
    pictures: dict[str, EntryPictures] = {}
    for path in paths:
        result = by_name.get(printable_name(path))
        if result is None:
            continue
        try:
            photo = load_photo(path, settings=settings)
        except PhotoError:
            continue
        small = shrink(photo.pixels, max_height_px=PICTURE_WIDTH_PX, max_width_px=PICTURE_WIDTH_PX)
        located = draw_cells(small, result.reading, scale=small.shape[1] / photo.width_px)
        mark = ""
        if result.reading.hypotheses:
            mark = jpeg_address(picture_of_mark(photo.pixels, result.reading.hypotheses[0]))
        pictures[result.photo] = EntryPictures(jpeg_address(located), mark)
    return pictures
