"""Corrections in the office: whose ear a photo shows, what was misread, and one tap to undo."""

from __future__ import annotations

from typing import Any, Final

from flask import Response, request, url_for

from legibility.containers import Stage
from legibility.errors import SettingsError, StoreError
from legibility.identify.stages import stage_name
from legibility.pipeline.correction_words import reading_words, scan_words
from legibility.pipeline.herd_actions import (
    Action,
    action_of,
    actions_about,
    last_action,
    recent_actions,
)
from legibility.pipeline.herd_corrections import (
    Corrected,
    advised,
    correct_photos,
    give_as_advised,
)
from legibility.pipeline.herd_mistaken import (
    correct_reading,
    correct_scan,
    take_back,
)
from legibility.pipeline.herd_undo import undo
from legibility.store.database import HerdDatabase
from legibility.store.human_readings import find_human_reading, human_readings_of_photo
from legibility.store.photos import find_photo
from legibility.store.records import PhotoRow
from legibility.store.scans import find_scan
from legibility.web.api import server
from legibility.web.office_links import PREFIX, animal_address, photo_address
from legibility.web.office_parts import SHA256, number, office, page, record, to, who

MOST_SHOWN: Final = 100
"""Choice: corrections on one page."""
LONGEST: Final = 2000
"""Choice: characters of a reason."""
LARGEST: Final = 2**53
"""Whole numbers up to it are told apart by what a form's number is read as (IEEE 754)."""
EARS: Final = (("", "not known"), ("left", "left"), ("right", "right"), ("both", "both"))
STAGES: Final = (("", "not known"), *((stage.value, stage_name(stage)) for stage in Stage))


def photo_corrections(db: HerdDatabase, photo: PhotoRow) -> dict[str, Any]:
    """What a photo's page needs for its corrections."""
    found = advised(db, photo.sha256) if not photo.animal_id else None
    known = {value for value, _ in STAGES}
    return {
        "advice": found if found is not None and found.decision == "identified" else None,
        "doubtful": found if found is not None and found.decision != "identified" else None,
        "ears": EARS,
        "stages": STAGES if photo.stage in known else ((photo.stage, photo.stage), *STAGES),
        "eyes": human_readings_of_photo(db, photo.sha256),
        "actions": actions_about(db, "photo", photo.sha256),
        "back": f"photo:{photo.sha256}",
        "who": who(),
        "done": done_here(db),
    }


def done_here(db: HerdDatabase) -> Action | None:
    """What was done a moment ago, so that it can be taken back with one tap."""
    entry = _number("done", least=0)
    return action_of(db, entry) if entry else None


@office.get("/corrections")
def corrections() -> Response:
    """What was corrected, newest first."""
    with record() as db:
        return page(
            "office_corrections.html",
            actions=recent_actions(db, most=MOST_SHOWN),
            last=last_action(db),
            done=done_here(db),
        )


@office.get("/reading")
def entered_reading() -> Response:
    """A reading by eye, to be taken back or entered anew."""
    asked = _number("number")
    with record() as db:
        found, counts = find_human_reading(db, asked)
        photo = find_photo(db, found.photo_sha256) if found.photo_sha256 else None
        return _entered(
            db, "reading", asked, reading_words(found), found.read_at, counts,
            animal=found.animal_id or (photo.animal_id if photo else ""), photo=photo,
            value=found.text, note=found.note,
        )  # fmt: skip


@office.get("/scan")
def entered_scan() -> Response:
    """A transponder scan, to be taken back or entered anew."""
    asked = _number("number")
    with record() as db:
        found, counts = find_scan(db, asked)
        return _entered(
            db, "scan", asked, scan_words(found), found.scanned_at, counts,
            animal=found.animal_id, photo=None, value=found.number, note=found.note,
        )  # fmt: skip


@office.post("/correct/give")
def give() -> Response:
    """Give a photo to the animal that was read on it."""
    digest = _digest()
    reading = _number("reading")
    with record(write=True) as db:
        animal = request.form.get("animal_id", "")
        return _gone_on(give_as_advised(db, digest, animal, who=who(), reading=reading))


@office.post("/correct/photo")
def change_photo() -> Response:
    """Change a photo's animal, ear or stage."""
    digest, form = _digest(), request.form
    with record(write=True) as db:
        photo = find_photo(db, digest)
        if photo is None:
            raise StoreError("there is no such photo in this record")
        said = {"animal_id": photo.animal_id, "ear": photo.ear, "stage": photo.stage}
        asked = {name: form.get(name, now).strip()[:LONGEST] for name, now in said.items()}
        changed = {name: value for name, value in asked.items() if value != said[name]}
        apart = form.get("apart") == "yes"
        done = correct_photos(
            db,
            [digest],
            animal_id=changed.get("animal_id"),
            ear=changed.get("ear"),
            stage=changed.get("stage"),
            apart_from_scan=apart,
            who=_who(),
            reason=_why(),
        )
        return _gone_on(done)


@office.post("/correct/reading")
def change_reading() -> Response:
    """Take a reading by eye back, or enter it anew."""
    asked, text = _number("number"), request.form.get("value", "").strip().upper()[:LONGEST]
    with record(write=True) as db:
        if request.form.get("do") == "anew":
            done = correct_reading(db, asked, text=text, who=_who(), reason=_why())
        else:
            done = take_back(db, "reading", asked, who=_who(), reason=_why())
        return _gone_on(done)


@office.post("/correct/scan")
def change_scan() -> Response:
    """Take a scan back, or enter its number anew."""
    asked, text = _number("number"), request.form.get("value", "").strip()[:LONGEST]
    with record(write=True) as db:
        if request.form.get("do") == "anew":
            allow = server().config.test_numbers
            done = correct_scan(
                db, asked, transponder=text, allow_test=allow, who=_who(), reason=_why()
            )
        else:
            done = take_back(db, "scan", asked, who=_who(), reason=_why())
        return _gone_on(done)


@office.post("/correct/undo")
def undo_entry() -> Response:
    """Take an entry back."""
    entry = _number("entry")
    with record(write=True) as db:
        return _gone_on(undo(db, entry, who=who()))


def _entered(
    db: HerdDatabase, kind: str, asked: int, words: str, at: str, counts: bool, **shown: Any
) -> Response:
    actions = actions_about(db, kind, str(asked))
    return page(
        "office_entered.html", kind=kind, number=asked, words=words, at=at, counts=counts,
        actions=actions, back=f"{kind}:{asked}", who=who(), done=done_here(db), **shown,
    )  # fmt: skip


def _digest() -> str:
    digest = request.form.get("sha256", "")
    if SHA256.fullmatch(digest) is None:
        raise SettingsError("a photo is named by its SHA-256")
    return digest


def _number(name: str, *, least: int = 1) -> int:
    """Of an entry, a reading or a scan; 0 where none is said."""
    return int(number(name, 0, least=least, most=LARGEST))


def _who() -> str:
    """Who corrects: by the form, else by the name of the device."""
    return request.form.get("who", "").strip()[:LONGEST] or who()


def _why() -> str:
    return request.form.get("why", "").strip()[:LONGEST]


def _gone_on(done: Corrected) -> Response:
    """Back to the page that it was done on, which offers to take it back."""
    where, _, name = request.form.get("back", "").partition(":")
    addresses = {
        "photo": lambda: photo_address(name),
        "animal": lambda: animal_address(name),
        "case": lambda: url_for("office.case", number=name),
        "reading": lambda: url_for("office.entered_reading", number=name),
        "scan": lambda: url_for("office.entered_scan", number=name),
        "photos": lambda: url_for("office.photos", unnamed="yes"),
        "home": lambda: f"{PREFIX}/",
    }
    address = addresses.get(where, lambda: url_for("office.corrections"))()
    return to(f"{address}{'&' if '?' in address else '?'}done={done.entry}")
