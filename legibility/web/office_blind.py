"""Blind reading in the office: make sheets, take in filled ones, compare the readers."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Final

from flask import Response, abort, request, url_for

from legibility.errors import EvidenceError, SettingsError
from legibility.evidence.blind import Key, load_key
from legibility.evidence.sheets import load_sheet
from legibility.pipeline.blind_sets import REPEATS
from legibility.report.writing import write_bytes
from legibility.store.photos import newest_photos
from legibility.web.api import server
from legibility.web.office_parts import (
    LONGEST_CLAIM,
    chosen_photos,
    lines,
    named_photos,
    number,
    office,
    page,
    record,
    started,
    to,
)
from legibility.web.office_tasks import TaskState

OFFERED: Final = 100
"""Choice: photos offered for sheets, the newest first."""
MOST_READERS: Final = 20
"""Choice: sheets made at once, one a reader."""


@office.get("/blind")
def blind() -> Response:
    """Sets of sheets, and a form for a new one."""
    return _form("", 200)


@office.post("/blind")
def make_sheets() -> Response:
    """Make sheets of the chosen photos."""
    try:
        photos = chosen_photos()
        readers = lines("readers", most=MOST_READERS)
        if not readers:
            raise SettingsError("readers: name at least one, a line each")
        repeats = number("repeats", REPEATS, least=0, most=1, whole=False)
    except SettingsError as error:
        return _form(str(error), 422)
    asked = {"photos": photos, "readers": readers, "repeats": repeats, "claims": [], "after": ""}
    return started("blind", asked)


@office.get("/blind/<task_id>")
def blind_set(task_id: str) -> Response:
    """One set: which sheets came back, and a form to hand one in."""
    state, key = _set(task_id)
    return _shown(state, key, "", 200)


@office.post("/blind/<task_id>/sheet")
def hand_in(task_id: str) -> Response:
    """Take in a filled sheet, as a file or as pasted text."""
    state, key = _set(task_id)
    file = request.files.get("file")
    data = file.read() if file is not None and file.filename else b""
    data = data or request.form.get("text", "").encode("utf-8")
    waiting = _received(task_id) / f"{secrets.token_hex(16)}.new"
    try:
        if not data.strip():
            raise EvidenceError("the sheet is empty; choose the filled-in file, or paste its lines")
        write_bytes(waiting, data)
        filled = load_sheet(waiting, key)
        waiting.replace(_received(task_id) / f"{_place(key, filled.sheet.sheet):02d}.txt")
    except EvidenceError as error:
        words = str(error).replace(str(waiting), "this sheet")
        return _shown(state, key, words, 422)
    finally:
        waiting.unlink(missing_ok=True)
    return to(url_for("office.blind_set", task_id=task_id))


@office.post("/blind/<task_id>/score")
def score(task_id: str) -> Response:
    """Compare the readers whose sheets came back."""
    _, key = _set(task_id)
    if not any(came for _, came in _sheets(key, task_id)):
        raise SettingsError("no sheet came back yet")
    return started("score", {"of": task_id})


@office.post("/blind/<task_id>/claims")
def show_claims(task_id: str) -> Response:
    """Make second sheets that show claims, for readers whose first sheets came back."""
    state, key = _set(task_id)
    claims = [request.form.get(name, "").strip()[:LONGEST_CLAIM] for name in ("a", "b")]
    if not all(claims):
        raise SettingsError("a claim is empty; name both")
    if key.claims:
        raise SettingsError("these sheets showed claims already")
    return started("blind", {**state.asked, "claims": claims, "after": task_id})


def _form(problem: str, status: int) -> Response:
    with record() as db:
        photos = newest_photos(db, count=OFFERED)
    sets = [task for task in server().office.all() if task.kind == "blind"]
    return page(
        "office_blind.html",
        status,
        photos=named_photos(photos),
        sets=sets,
        problem=problem,
        repeats=REPEATS,
        ticked=request.values.getlist("photo"),
        readers=request.values.get("readers", "reader 1\nreader 2"),
    )


def _shown(state: TaskState, key: Key, problem: str, status: int) -> Response:
    sheets = _sheets(key, state.task_id)
    return page(
        "office_blind_set.html", status, task=state, sheets=sheets, claims=key.claims,
        complete=all(came for _, came in sheets), problem=problem,
    )  # fmt: skip


def _set(task_id: str) -> tuple[TaskState, Key]:
    state = server().office.find(task_id)
    if state is None or state.kind != "blind" or state.state != "done":
        abort(404, "there is no such set of sheets")
    key, _ = load_key(server().office.folder_of(task_id) / "key" / "key.json")
    return state, key


def _received(task_id: str) -> Path:
    return server().office.folder_of(task_id) / "received"


def _place(key: Key, sheet: str) -> int:
    return [s.sheet for s in key.sheets].index(sheet)


def _sheets(key: Key, task_id: str) -> list[tuple[str, bool]]:
    """Readers, and whether their sheet came back."""
    folder = _received(task_id)
    return [(s.reader, (folder / f"{n:02d}.txt").exists()) for n, s in enumerate(key.sheets)]
