"""A registry on its way into the record: sent, shown as understood, and imported when agreed."""

from __future__ import annotations

import json
import re
import secrets
import shutil
import time
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from flask import Response, abort, request, url_for

from legibility.errors import LegibilityError, SettingsError
from legibility.marks.rules_file import load_rules
from legibility.pipeline.herd_cases import find_cases
from legibility.pipeline.registry_look import RegistryLook, look_at_registry
from legibility.report.registry import ROLES
from legibility.report.writing import printable, write_text
from legibility.store.importing import import_registry
from legibility.tables.choice import parse_choice
from legibility.web.api import server
from legibility.web.office_parts import office, page, record, to, who

KEPT_S: Final = 24 * 3600.0
"""Choice: a file that was sent and not imported is kept for a day."""
NAMED: Final = 200
"""Choice: rows and cells that cannot be used, named on the page."""
_TOKEN: Final = re.compile(r"[0-9a-f]{32}")
_FILE: Final = "registry"
_ABOUT: Final = "about.json"


@office.get("/registry")
def registry() -> Response:
    """The form for a registry."""
    return _form("", 200)


@office.post("/registry")
def take_registry() -> Response:
    """Keep a registry that was sent, without importing anything."""
    file = request.files.get("file")
    data = file.read() if file is not None and file.filename else b""
    if file is None or not data:
        return _form("no file was chosen, or it is empty; choose the list of your animals", 422)
    _tidy()
    token = secrets.token_hex(16)
    folder = _folder() / token
    folder.mkdir(mode=0o700, parents=True)
    (folder / _FILE).write_bytes(data)
    name = printable(Path(file.filename or "").name)[:100] or "registry"
    _keep(folder, name, "")
    return to(url_for("office.look_registry", token=token))


@office.get("/registry/<token>")
def look_registry(token: str) -> Response:
    """What is understood of it, and what cannot be used."""
    return _shown(token, "", 200)


@office.post("/registry/<token>/columns")
def say_columns(token: str) -> Response:
    """Keep what a person says of its columns."""
    folder, about = _kept(token)
    said = request.form.get("columns", "").strip()[:4000]
    try:
        parse_choice(said, where="columns")
    except SettingsError as error:
        return _shown(token, str(error), 422)
    _keep(folder, about["name"], said)
    return to(url_for("office.look_registry", token=token))


@office.post("/registry/<token>/import")
def import_sent(token: str) -> Response:
    """Take it over: all of it, or the good part when that was agreed to."""
    folder, about = _kept(token)
    look = _look(folder, about["columns"])
    if look.file is None:
        return _shown(token, "Say first which columns hold what.", 422)
    if look.refused and request.form.get("good") != "yes":
        return _shown(
            token, "Some cells cannot be used; agree to leave them out, or mend them.", 422
        )
    source = replace(look.file.source, name=about["name"], who=who())
    with record(write=True) as db:
        report = import_registry(db, look.file.rows, source=source, notices=look.file.notices)
        cases = report.cases + find_cases(db, who=who()).new
    left_out = _named(look, about["name"])
    shutil.rmtree(folder, ignore_errors=True)
    return page(
        "office_registry_done.html", report=report, cases=cases, left_out=left_out,
        notices=_in_words(report.notices, folder, about["name"]),
    )  # fmt: skip


def _shown(token: str, problem: str, status: int) -> Response:
    folder, about = _kept(token)
    try:
        look = _look(folder, about["columns"])
    except LegibilityError as error:
        if about["columns"]:
            _keep(folder, about["name"], "")
        words = str(error).replace(str(folder / _FILE), about["name"])
        return _form(words, 422)
    found = look.record()
    return page(
        "office_registry_look.html",
        status,
        token=token,
        name=about["name"],
        columns=about["columns"] or found["choice"],
        look=found,
        roles=ROLES,
        refused=_named(look, about["name"]),
        notices=_in_words(found["notices"], folder, about["name"]),
        problem=problem,
        rows_left_out=found["rows"] - found["animals"],
    )


def _look(folder: Path, columns: str) -> RegistryLook:
    here = server().config
    rules = None if here.rules is None else load_rules(here.rules)
    said = parse_choice(columns, where="columns") if columns else None
    return look_at_registry(folder / _FILE, rules=rules, columns=said, allow_test=here.test_numbers)


def _named(look: RegistryLook, name: str) -> list[str]:
    found = [f"{item['where']}: {item['problem']}" for item in look.refused]
    more = len(found) - NAMED
    return found[:NAMED] + ([f"and {more} more"] if more > 0 else [])


def _in_words(texts: Any, folder: Path, name: str) -> list[str]:
    return [text.replace(str(folder / _FILE), name) for text in texts]


def _form(problem: str, status: int) -> Response:
    return page(
        "office_registry.html",
        status,
        problem=problem,
        most_mib=f"{server().config.limits.registry_mib:g}",
    )


def _folder() -> Path:
    return server().config.folder / "registries"


def _kept(token: str) -> tuple[Path, dict[str, str]]:
    folder = _folder() / token
    if _TOKEN.fullmatch(token) is None or not (folder / _ABOUT).exists():
        abort(404, "this list is not here any more; send it again")
    about: dict[str, str] = json.loads((folder / _ABOUT).read_text("utf-8"))
    return folder, about


def _keep(folder: Path, name: str, columns: str) -> None:
    write_text(folder / _ABOUT, json.dumps({"name": name, "columns": columns}))


def _tidy() -> None:
    """Throw away what was sent long ago and not imported."""
    for folder in _folder().glob("*") if _folder().exists() else ():
        if _TOKEN.fullmatch(folder.name) and time.time() - folder.stat().st_mtime > KEPT_S:
            shutil.rmtree(folder, ignore_errors=True)
