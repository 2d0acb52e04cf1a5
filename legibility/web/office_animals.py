"""The office's animals: lists behind counts, one animal's history, photos and their readings."""

from __future__ import annotations

import re
import threading
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from flask import Response, abort, request
from markupsafe import Markup

from legibility.containers import PhotoResult
from legibility.identify.stages import stage_name
from legibility.photo.flags import describe
from legibility.pipeline.correction_words import by_whom
from legibility.pipeline.herd_actions import actions_of_animal
from legibility.pipeline.herd_animal import AnimalFile, animal_file
from legibility.pipeline.herd_animals import GROUPS, list_animals
from legibility.pipeline.record_pictures import KINDS, record_picture
from legibility.probability import percent
from legibility.report.curve_plot import Bar, Line, share_plot
from legibility.report.dossier_page import time_text
from legibility.report.record import result_record
from legibility.report.words import advice, next_steps
from legibility.report.writing import write_bytes
from legibility.store.photos import find_photo, newest_photos
from legibility.store.readings import readings_of, whole_reading
from legibility.web.api import server
from legibility.web.office_correct import done_here, photo_corrections
from legibility.web.office_links import animal_address, group_address, photo_address
from legibility.web.office_parts import (
    SHA256,
    kept_pictures,
    named_photos,
    number,
    office,
    page,
    record,
    usable_grade,
)

A_PAGE: Final = 100
"""Choice: animals on one page of a list."""
GRADES: Final = tuple((grade / 4, str(grade)) for grade in range(5))
_drawing = threading.Semaphore(2)
"""Choice: photos that are decoded at the same time; one of 50 megapixels takes 150 MB."""


@office.app_template_global()
def animal_page(animal_id: str) -> str:
    """Address of an animal's page."""
    return animal_address(animal_id)


@office.app_template_global()
def photo_page(sha256: str) -> str:
    """Address of a photo's page."""
    return photo_address(sha256)


@office.app_template_global()
def group_page(group: str) -> str:
    """Address of the list of a group."""
    return group_address(group)


@office.app_template_filter("percent")
def in_percent(share: float) -> str:
    """A probability as reports write it."""
    return percent(share)


@office.app_template_filter()
def claimed_words(claimed_by: str) -> str:
    """Who gave a photo to an animal, in words."""
    return by_whom(claimed_by)


@office.app_template_filter()
def when(stamp: str) -> str:
    """A time as people write it, to the second."""
    return time_text(re.sub(r"\.\d+", "", stamp))


@office.app_template_filter()
def clock(seconds: float) -> str:
    """A moment, in seconds since 1970, as the laptop's clock had it."""
    return f"{datetime.fromtimestamp(seconds):%Y-%m-%d %H:%M}"


@office.app_template_filter()
def named_stage(value: str) -> str:
    """A stage of handling in words, as it was recorded where it is another one."""
    from legibility.containers import Stage

    known = {stage.value: stage for stage in Stage}
    return stage_name(known[value]) if value in known else value


@office.get("/animals")
def animals() -> Response:
    """Animals of a group, or those that fit some words."""
    group, find = request.args.get("group", ""), request.args.get("find", "")[:80]
    skip = int(number("skip", 0, least=0, most=10_000_000))
    with record() as db:
        found = list_animals(
            db,
            usable_grade=usable_grade(),
            settings=server().config.settings,
            group=group,
            find=find,
            skip=skip,
            count=A_PAGE,
        )
    return page(
        "office_animals.html",
        found=found,
        group=group,
        groups=GROUPS if group in GROUPS else {**GROUPS, group: found.words},
        find=find,
        skip=skip,
        size=A_PAGE,
    )


@office.get("/animal")
def animal() -> Response:
    """One animal: marks, photos over the years, condition, readings, scans, decisions."""
    with record() as db:
        found = animal_file(db, request.args.get("id", ""), usable_grade=usable_grade())
        actions = actions_of_animal(db, found.animal.animal_id)
        done = done_here(db)
    return page(
        "office_animal.html",
        found=found,
        plot=_plot(found),
        actions=actions,
        done=done,
        back=f"animal:{found.animal.animal_id}",
    )


@office.get("/photos")
def photos() -> Response:
    """The newest photos, or those that nobody gave to an animal."""
    unnamed = request.args.get("unnamed") == "yes"
    skip = int(number("skip", 0, least=0, most=10_000_000))
    with record() as db:
        rows = newest_photos(db, unnamed=unnamed, skip=skip, count=A_PAGE + 1)
        readings = {row.sha256: readings_of(db, row.sha256)[-1:] for row in rows}
        done = done_here(db)
    return page(
        "office_photos.html",
        photos=[(row, name, readings[row.sha256]) for row, name in named_photos(rows[:A_PAGE])],
        more=len(rows) > A_PAGE,
        unnamed=unnamed,
        skip=skip,
        size=A_PAGE,
        done=done,
    )


@office.get("/photo")
def photo() -> Response:
    """One photo, what was read from it, and how that is known."""
    sha256 = request.args.get("sha256", "")
    with record() as db:
        row = find_photo(db, sha256) if SHA256.fullmatch(sha256) else None
        if row is None:
            abort(404, "there is no such photo in this record")
        summaries = readings_of(db, sha256)
        wanted = int(number("reading", 0, least=0, most=2**53))
        ids = [summary.reading_id for summary in summaries]
        if wanted and wanted not in ids:
            abort(404, "there is no such reading of this photo")
        shown = wanted or (ids[-1] if ids else 0)
        result = whole_reading(db, shown) if shown else None
        correcting = photo_corrections(db, row)
    return page(
        "office_photo.html",
        photo=row,
        name=Path(row.path).name,
        readings=summaries,
        shown=shown,
        has_mark=result is not None and bool(result.reading.hypotheses),
        result=_reading(result) if result is not None else None,
        usable_grade=usable_grade(),
        **correcting,
    )


@office.get("/picture/<sha256>/<kind>-<reading_id>.jpg")
def picture(sha256: str, kind: str, reading_id: str) -> Response:
    """A picture of a photo of the record, made from its pixels."""
    good = SHA256.fullmatch(sha256) and kind in KINDS and reading_id.isascii()
    if not good or not reading_id.isdecimal() or len(reading_id) > 15:
        abort(404, "there is no such picture")
    with record() as db:
        if find_photo(db, sha256) is None:
            abort(404, "there is no such photo in this record")
    kept = kept_pictures() / f"{sha256}-{kind}-{int(reading_id)}.jpg"
    if not kept.exists():
        here = server().config
        with _drawing:
            data = record_picture(
                here.herd, sha256, kind, reading_id=int(reading_id), settings=here.settings
            )
        write_bytes(kept, data)
    answer = Response(kept.read_bytes(), mimetype="image/jpeg")
    answer.headers["Cache-Control"] = "private, max-age=600"
    return answer


def _reading(result: PhotoResult) -> dict[str, Any]:
    """What the commands write of a result, and the same in words."""
    said = result_record(result)
    flags = describe(result.flags)
    return {
        **said,
        "advice": advice(result),
        "next_steps": list(next_steps(result, flags)),
        "capture": [(flag.sentence, flag.remedy) for flag in flags],
        "reason": result.identification.reason,
        "set_basis": result.identification.set_basis,
    }


def _plot(found: AnimalFile) -> Markup:
    """Grades over the years; empty with fewer than two."""
    points = found.condition
    if len(points) < 2:
        return Markup()
    # Of several photos on one day the best shows the mark; the others were worse photos of it.
    best: dict[float, float] = {}
    for point in points:
        best[point.years] = max(point.grade / 4, best.get(point.years, 0.0))
    bars = [Bar(p.years, p.grade / 4, p.grade / 4, p.grade / 4, p.words) for p in points]
    limit = usable_grade()
    most = max(max(p.years for p in points) * 1.05, 1.0)
    return Markup(
        share_plot(
            lines=[
                Line(sorted(best.items()), "best grade of the day"),
                Line([(0.0, limit / 4), (most, limit / 4)], "below this, lost", "dashed"),
            ],
            bars=bars,
            x_most=most,
            x_words=f"years since {found.since}",
            y_words="grade of the mark",
            label="Grade of the mark over the years; the table of sightings says the same",
            y_labels=GRADES,
        )
    )
