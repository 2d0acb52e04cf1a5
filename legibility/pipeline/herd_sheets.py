"""What a sheet for the chute shows of an animal besides the worklist: last photo and reading."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from legibility.alphabet import ROW_SEPARATOR
from legibility.errors import PhotoError, StoreError
from legibility.photo.load import load_photo
from legibility.pipeline.visit_question import apart
from legibility.pipeline.worklist_items import WorkItem
from legibility.probability import percent
from legibility.report.drawing import picture_of_mark, shrink
from legibility.report.page import jpeg_address
from legibility.settings import Settings
from legibility.store.animals import chips_of, find_animal
from legibility.store.database import HerdDatabase
from legibility.store.photo_folder import FileState, file_state
from legibility.store.photos import find_photo
from legibility.store.readings import latest_summaries, whole_reading
from legibility.store.records import AnimalRow, ReadingSummary

THUMBNAIL_PX: Final = 360
"""Choice: a third of a printed page at 150 dots an inch."""


def sheet_details(
    db: HerdDatabase, items: Sequence[WorkItem], *, settings: Settings | None = None
) -> dict[str, dict[str, str]]:
    """By animal: ``address`` of a thumbnail or nothing; the rest in words.

    ``about`` is sex, birth, colour of the ear and status; ``chips`` the transponders on record;
    ``reading`` the last reading; ``check`` what to look at first.
    """
    return {item.animal_id: _details(db, item, settings or Settings()) for item in items}


def _details(db: HerdDatabase, item: WorkItem, settings: Settings) -> dict[str, str]:
    seen = list(latest_summaries(db, animal_id=item.animal_id))
    # The other ear's mark is not the one to look at, as far as it is said which ear is shown.
    seen = [s for s in seen if not item.ear or s.ear in ("", "both", item.ear)] or seen
    # A photo that shows the mark says more than a newer one that does not.
    shown = [summary for summary in seen if summary.status == "read"] or seen
    last = shown[-1] if shown else None
    return {
        "address": _thumbnail(db, last, settings) if last is not None else "",
        "about": _about(find_animal(db, item.animal_id)),
        "chips": ", ".join(chip.number for chip in chips_of(db, item.animal_id))
        or "none on record",
        "reading": _reading_words(last),
        "check": check_first(item),
    }


def check_first(item: WorkItem) -> str:
    """What to look at first: the transponder, then the place that tells the likeliest rival."""
    parts = []
    if item.has_chip:
        parts.append("scan the transponder")
    else:
        parts.append("scan for a transponder that the record does not know")
    if item.rivals:
        rival = item.rivals[0]
        places = differing_places(item.mark, rival.mark)
        if places:
            parts.append(f"place {places}, which tells it from {rival.animal_id}")
        elif rival.mark == item.mark:
            parts.append(f"the other ear or the papers: {rival.animal_id} carries the same mark")
        else:
            parts.append(f"the whole mark against {rival.mark} of {rival.animal_id}")
    return ", then ".join(parts) + "."


def differing_places(mark: str, other: str) -> str:
    """Places, counted over both rows, in which two marks of one layout differ, in words.

    Examples
    --------
    >>> differing_places("K417", "K471"), differing_places("K417", "K41")
    ('3 (1 or 7) and 4 (7 or 1)', '')
    """
    above = (0, mark.find(ROW_SEPARATOR))
    return " and ".join(
        f"{above[at.row - 1] + at.place} ({at.first} or {at.second})" for at in apart(mark, other)
    )


def _about(animal: AnimalRow | None) -> str:
    if animal is None:
        return ""
    born = animal.birth_date or str(animal.birth_year or "")
    parts = (
        animal.sex,
        f"born {born}" if born else "",
        f"{animal.skin} skin" if animal.skin else "",
        animal.status,
    )
    return ", ".join(filter(None, parts)) or "nothing else on record"


def _reading_words(last: ReadingSummary | None) -> str:
    if last is None:
        return "none"
    day = last.taken_at[:10] or "day not known"
    if last.status != "read":
        return f"{day}: nothing could be read ({last.status})"
    grade = "" if last.grade is None else f", grade {last.grade:.1f} of 4"
    if not last.first_animal:
        return f"{day}: {last.text}{grade}, settled for no animal"
    chance = "" if last.first_probability is None else f" with {percent(last.first_probability)}"
    return f"{day}: {last.text}{grade}; first candidate {last.first_animal}{chance}"


def _thumbnail(db: HerdDatabase, last: ReadingSummary, settings: Settings) -> str:
    """The mark of the photo as an address for a page; empty when its file is gone or changed."""
    row = find_photo(db, last.photo_sha256)
    if row is None:
        return ""
    state, path = file_state(row, herd=db.path)
    if state not in (FileState.AS_IMPORTED, FileState.ONLY_THE_COPY):
        return ""
    try:
        photo = load_photo(path, settings=settings)
        reading = whole_reading(db, last.reading_id).reading
    except (PhotoError, StoreError):
        return ""
    if reading.hypotheses:
        return jpeg_address(picture_of_mark(photo.pixels, reading.hypotheses[0]))
    small = shrink(photo.pixels, max_height_px=THUMBNAIL_PX, max_width_px=THUMBNAIL_PX)
    return jpeg_address(small)
