"""What the chute page asks for while an animal stands there; JSON both ways."""

from __future__ import annotations

import math
import time
from typing import Any, Final

from flask import Blueprint, Response, abort, current_app, request, send_from_directory
from werkzeug.exceptions import HTTPException

from legibility.containers import Stage
from legibility.errors import ChipError, StoreError
from legibility.pipeline.chute import now_local
from legibility.web.answers import AnswerRefused, answer_question
from legibility.web.eyes import keep_eyes
from legibility.web.guard import device_here
from legibility.web.seen import is_held, photo_seen, visit_line, visit_seen
from legibility.web.state import Server
from legibility.web.transponder import enter_transponder
from legibility.web.uploads import Upload, UploadRefused
from legibility.web.visits import Visit

api = Blueprint("api", __name__, url_prefix="/api")
PICTURES: Final = frozenset(
    {"photo.jpg", "mark.jpg", *(f"cell-{r}-{c}.jpg" for r in range(4) for c in range(16))}
)
LONGEST_MARK: Final = 40
MOST_SHOWN: Final = 60
"""Choice: animals in the queue of a phone; a long day's."""


def server() -> Server:
    """The server this app belongs to."""
    found: Server = current_app.extensions["legibility"]
    return found


@api.errorhandler(UploadRefused)
def refused(error: UploadRefused) -> tuple[dict[str, Any], int]:
    """A photo that is not taken, in words."""
    server().measures.count("uploads_total", outcome=error.kind)
    return {"error": str(error), "again": error.again}, error.status


@api.errorhandler(StoreError)
def not_kept(error: StoreError) -> tuple[dict[str, str], int]:
    """The record could not be used."""
    return {"error": str(error)}, 503


@api.errorhandler(HTTPException)
def in_words(error: HTTPException) -> Any:
    """Errors as JSON."""
    if error.response is not None:
        return error.response
    return {"error": error.description}, error.code or 500


@api.get("/visits")
def visits() -> dict[str, Any]:
    """The queue of animals, newest first."""
    return {"visits": [visit_line(visit) for visit in server().visits.all()[:MOST_SHOWN]]}


@api.put("/visits/<visit_id>")
def put_visit(visit_id: str) -> dict[str, Any]:
    """Begin a visit, or say something of it; the same again changes nothing."""
    said = _body()
    try:
        server().visits.start(visit_id, seconds_ago=_number(said.get("seconds_ago", 0.0)))
    except ValueError as error:
        abort(404, str(error))

    def change(visit: Visit) -> None:
        if "label" in said:
            visit["label"] = str(said["label"])[:60]
        if said.get("ear") in ("", "left", "right"):
            visit["ear"] = said["ear"]
        if "closed" in said:
            visit["closed"] = (visit["closed"] or time.time()) if said["closed"] else None

    return visit_line(server().visits.change(visit_id, change))


@api.get("/visits/<visit_id>")
def get_visit(visit_id: str) -> dict[str, Any]:
    """One visit with all answers so far."""
    return visit_seen(server(), _visit(visit_id))


@api.put("/visits/<visit_id>/photos/<upload_id>")
def put_photo(visit_id: str, upload_id: str) -> Any:
    """Take a photo in; sent again under the same id it is not doubled."""
    here, visit = server(), _visit(visit_id)
    if here.uploads.find(upload_id) is None and here.dispatcher.is_full:
        here.measures.count("uploads_total", outcome="busy")
        busy = current_app.make_response(
            ({"error": "many photos wait; it is sent again soon"}, 503)
        )
        busy.headers["Retry-After"] = "3"
        return busy
    if request.content_length is None:
        abort(411)
    stage = request.args.get("stage", "as_found")
    if stage not in [s.value for s in Stage]:
        abort(400, "this is no stage")
    ear = request.args.get("ear", "")
    asked = Upload(
        upload_id=upload_id,
        visit_id=visit_id,
        sha256="",
        size_bytes=0,
        stage=stage,
        ear=ear if ear in ("left", "right") else visit["ear"],
        received_at=time.time(),
        taken_at=now_local(),
        device_id=device_here().device_id,
    )
    upload, new = here.uploads.receive(request.stream, request.content_length, asked)
    here.measures.count("uploads_total", outcome="new" if new else "again")
    return _taken(upload, new)


@api.put("/visits/<visit_id>/photos/<upload_id>/row/<new_id>")
def put_row(visit_id: str, upload_id: str, new_id: str) -> Any:
    """Read a photo again along a drawn row; points are shares of width and height, 0..1."""
    here, visit = server(), _visit(visit_id)
    source, answer = _upload(visit_id, upload_id), here.uploads.answer(upload_id)
    if not answer or "width_px" not in answer:
        abort(409, "this photo was not read yet, or could not be used")
    if is_held(here, visit, source, answer):
        abort(409, "first type what your eyes read")
    points = _body().get("points")
    if not isinstance(points, list) or len(points) != 2:
        abort(400, "a row has two points")
    size = (answer["width_px"], answer["height_px"])
    try:
        (x0, y0), (x1, y1) = (
            [min(max(_number(v), 0.0), 1.0) * (side - 1) for v, side in zip(p, size, strict=True)]
            for p in points
        )
    except (TypeError, ValueError):
        abort(400, "a point is two numbers from 0 to 1")
    if math.hypot(x1 - x0, y1 - y0) < 8:
        abort(400, "the two points lie together; draw along the whole row")
    asked = Upload(
        upload_id=new_id,
        visit_id=visit_id,
        sha256="",
        size_bytes=0,
        stage=source.stage,
        ear=source.ear,
        received_at=time.time(),
        taken_at=source.taken_at,
        device_id=device_here().device_id,
        drawn=((x0, y0), (x1, y1)),
        drawn_from=upload_id,
    )
    upload, new = here.uploads.redraw(asked, here.uploads.photo_file(upload_id), source.sha256)
    return _taken(upload, new)


@api.put("/visits/<visit_id>/photos/<upload_id>/eyes")
def put_eyes(visit_id: str, upload_id: str) -> dict[str, Any]:
    """What a person's eyes read; whether the answer was shown before is recorded with it."""
    here, visit = server(), _visit(visit_id)
    upload, answer = _upload(visit_id, upload_id), here.uploads.answer(upload_id)
    if answer is None or answer.get("status") == "error":
        abort(409, "this photo was not read yet, or could not be used")
    text = str(_body().get("text", "")).upper().strip()[:LONGEST_MARK]
    if any(not (c.isascii() and (c.isalnum() or c in "/? ")) for c in text):
        abort(400, 'only letters, digits, "/" between rows and "?" for what cannot be read')

    if upload_id not in visit["eyes"]:
        at, blind = now_local(), upload_id not in visit["shown"]
        reader = device_here().name
        keep_eyes(here.config.herd, upload, text=text, at=at, blind=blind, reader=reader)
        entry = {"text": text, "at": at, "blind": blind}
        changed = here.visits.change(
            visit_id, lambda kept: kept["eyes"].setdefault(upload_id, entry)
        )
        here.combine(changed)
    return _seen(visit_id, upload_id)


@api.post("/visits/<visit_id>/transponder")
def transponder(visit_id: str) -> Any:
    """A transponder's number as typed, pasted or sent by a reader."""
    visit, here = _visit(visit_id), server()
    text = str(_body().get("text", ""))[:200]
    try:
        said = enter_transponder(here.config.herd, text, allow_test=here.config.test_numbers)
    except ChipError as error:
        return {"error": str(error)}, 422

    def change(kept: Visit) -> None:
        if said["number"] not in [scan["number"] for scan in kept["scans"]]:
            kept["scans"].append(said)

    changed = here.visits.change(visit_id, change)
    here.pair_scans(changed)
    here.combine(changed)
    return visit_seen(here, visit)


@api.post("/visits/<visit_id>/answer")
def answer(visit_id: str) -> Any:
    """What a person says to the question that a visit asks."""
    visit, here, said = _visit(visit_id), server(), _body()
    uploads = said.get("uploads", [])
    if not isinstance(uploads, list):
        abort(400, "expected a list of photos")
    try:
        new_id = answer_question(
            here,
            visit,
            key=str(said.get("key", "")),
            uploads=[str(name) for name in uploads],
            what=str(said.get("what", "")),
            who=device_here().name,
        )
    except AnswerRefused as error:
        abort(409, str(error))
    return {**visit_seen(here, _visit(visit_id)), "new_visit": new_id}


@api.get("/photos/<upload_id>/<name>")
def picture(upload_id: str, name: str) -> Response:
    """A picture made from an upload, never the file as it came."""
    if name not in PICTURES or server().uploads.find(upload_id) is None:
        abort(404)
    folder = server().uploads.folder_of(upload_id).absolute()
    return send_from_directory(folder, name, mimetype="image/jpeg")


def _taken(upload: Upload, new: bool) -> tuple[dict[str, Any], int]:
    here = server()

    def change(visit: Visit) -> None:
        if upload.upload_id not in visit["uploads"]:
            visit["uploads"].append(upload.upload_id)

    here.visits.change(upload.visit_id, change)
    if here.uploads.answer(upload.upload_id) is None:
        here.read(upload)
    return {"upload_id": upload.upload_id, "sha256": upload.sha256, "new": new}, 201 if new else 200


def _seen(visit_id: str, upload_id: str) -> dict[str, Any]:
    return photo_seen(server(), _visit(visit_id), _upload(visit_id, upload_id))


def _upload(visit_id: str, upload_id: str) -> Upload:
    found = server().uploads.find(upload_id)
    if found is None or found.visit_id != visit_id:
        abort(404, "there is no such photo")
    return found


def _visit(visit_id: str) -> Visit:
    found = server().visits.find(visit_id)
    if found is None:
        abort(404, "there is no such visit")
    return found


def _body() -> dict[str, Any]:
    said = request.get_json(silent=True)
    if not isinstance(said, dict):
        abort(400, "expected a JSON object")
    return said


def _number(value: object) -> float:
    if not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError("expected a number")
    return float(value)
