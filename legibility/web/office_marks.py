"""Marks before they are punched, and how well they are read: new ones, cards, dies, calibration."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path
from typing import Any, Final

from flask import Response, abort, request, send_file
from werkzeug.datastructures import FileStorage

from legibility.alphabet import CHARACTERS, split_mark
from legibility.batch.herd_risk import CONDITION
from legibility.batch.new_marks import BOUND
from legibility.errors import SettingsError
from legibility.evaluate.recalibrate import LEAST_PHOTOS
from legibility.marks.check_characters import SCHEMES
from legibility.marks.profiles import rule_profiles
from legibility.marks.rules import LONGEST_ROW
from legibility.marks.rules_file import load_rules, rules_from
from legibility.marks.year_letters import PROFILES
from legibility.photo.formats import format_of
from legibility.photo.load import MIB
from legibility.read.learned_dies import LearnedDies, load_dies
from legibility.risk.kernel import NAMED, grade_of
from legibility.risk.needle_count import CAPACITY
from legibility.store.photo_folder import digest_of
from legibility.web.api import LONGEST_MARK, server
from legibility.web.office_bodies import dies_of
from legibility.web.office_parts import choice, computed, number, office, page, started
from legibility.web.uploads import UploadRefused, save_photo

MOST_NEW: Final = 2000
"""Choice: new marks on one page; the command proposes more."""
MOST_FORMS: Final = 20
"""Choice: patterns that are entered by hand; longer rules belong into a file."""
LONGEST_PATTERN: Final = 120
CONDITIONS: Final = {name: f"{name} (grade {grade_of(name):g} of 4)" for name in NAMED}
CHECKS: Final = {"": "none", **{name: name for name in SCHEMES}}
YEARS: Final = {"": "none", **{name: name for name in PROFILES}}
TEXTS: Final = ("profile", "characters", "exclude", "prefix", "year_letters")
SIZES: Final = {"shortest_row": LONGEST_ROW, "longest_row": LONGEST_ROW, "max_rows": 2}
FIELDS: Final = (*TEXTS, *SIZES, "patterns", "check", "count", "bound", "seed", "needles", "reuse")
SIDE: Final = 100
"""Choice: height of a character in the pictures of dies, in units of the drawing."""


@office.get("/new-marks")
def assign() -> Response:
    """The form of new marks, and the proposal once it was filled in."""
    entered = {name: request.args.get(name, "")[:LONGEST_PATTERN] for name in FIELDS}
    entered["patterns"] = request.args.get("patterns", "")[: LONGEST_PATTERN * MOST_FORMS]
    shown: dict[str, Any] = {
        "entered": entered,
        "condition": request.args.get("condition", CONDITION),
        "ticked": {name for name in ("own", "dies", "herd") if request.args.get(name) == "yes"},
        "conditions": CONDITIONS,
        "checks": CHECKS,
        "years": YEARS,
        "profiles": {profile.name: profile.title for profile in rule_profiles()},
        "defaults": {"bound": BOUND, "needles": CAPACITY, "most": MOST_NEW, "all": CHARACTERS},
        "has_rules": server().config.rules is not None,
        "has_dies": _dies_file().exists(),
        "problem": "",
    }
    if not request.args:
        return page("office_assign.html", **shown)
    try:
        asked = _wanted(entered)
    except SettingsError as error:
        return page("office_assign.html", 422, **{**shown, "problem": str(error)})
    return computed("assign", asked, tools="office_assign_form.html", **shown)


@office.get("/cards")
def cards() -> Response:
    """The form for a punched card."""
    return _card_form("", 200)


@office.post("/cards")
def prove() -> Response:
    """Take in the photo of a punched card and compare it with the mark that is meant."""
    file = request.files.get("photo")
    with tempfile.TemporaryDirectory(dir=server().config.folder, prefix=".card-") as folder:
        waiting = Path(folder) / "photo"
        try:
            mark = _meant()
            if file is None or not file.filename:
                raise SettingsError("no photo was chosen; photograph the punched card")
            name = _take_in(file, waiting)
        except SettingsError as error:
            return _card_form(str(error), 422)
        except UploadRefused as error:
            return _card_form(str(error), error.status)
        finally:
            if file is not None:
                file.close()
        learn = request.form.get("learn") == "yes"
        asked = {"mark": mark, "learn": learn, "file": name}
        return started("proof", asked, given={name: waiting})


@office.get("/dies")
def dies() -> Response:
    """The herd's dies as cards taught them."""
    file = _dies_file()
    known = _known_dies(file)
    drawn = [(die, _dots(die.needles.tolist())) for die in known.dies]
    missing = [c for c in CHARACTERS if c not in known.characters]
    return page("office_dies.html", dies=drawn, missing=missing, name=file.name)


@office.get("/dies.toml")
def dies_file() -> Response:
    """The file of the herd's dies, as ``legibility read --dies`` takes it."""
    file = _dies_file()
    if not file.exists():
        abort(404, "no die was learned yet")
    return send_file(file.absolute(), as_attachment=True, download_name="dies.toml")


@office.get("/calibration")
def calibration() -> Response:
    """What calibrating on the record's own photos means, and a button that does it."""
    return page(
        "office_calibration.html",
        least=LEAST_PHOTOS,
        done=[task for task in server().office.all() if task.kind == "calibrate"],
    )


@office.post("/calibration")
def calibrate() -> Response:
    """Calibrate on the record's own photos whose animal a transponder names."""
    return started("calibrate", {})


def _wanted(entered: dict[str, str]) -> dict[str, Any]:
    """What is asked for, checked; rules as the values of a rules file, or learned ones."""
    count = int(number("count", 0, least=1, most=MOST_NEW))
    if not count:
        raise SettingsError("count: say how many marks are wanted")
    bound = None
    if request.args.get("bound", "").strip():
        bound = number("bound", BOUND, least=0, most=1, whole=False)
    if bound is not None and not 0 < bound < 1:
        raise SettingsError(f"bound is {bound:g}; expected a probability between 0 and 1")
    here = server().config
    with_dies = request.args.get("dies") == "yes" and _dies_file().exists()
    with_herds_own = here.rules is not None and request.args.get("herd") == "yes"
    if with_herds_own and here.rules is not None:
        load_rules(here.rules)
    rules = {} if with_herds_own else _rules(entered)
    return {
        "count": count,
        "bound": bound,
        "condition": choice("condition", CONDITIONS),
        "seed": int(number("seed", 1, least=0, most=2**31)),
        "needles": int(number("needles", CAPACITY, least=1, most=10_000)),
        "reuse": int(number("reuse", 0, least=0, most=200)),
        "own": request.args.get("own") == "yes",
        "dies": digest_of(_dies_file()) if with_dies else "",
        "year": date.today().year,
        "rules": rules,
        "learned": not with_herds_own and not rules,
    }


def _rules(entered: dict[str, str]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for name in TEXTS:
        text = "".join(entered[name].split())
        if text:
            values[name] = text if name in ("profile", "year_letters") else text.upper()
    for name, most in SIZES.items():
        if entered[name].strip():
            values[name] = int(number(name, 1, least=1, most=most))
    patterns = [line.strip() for line in entered["patterns"].splitlines() if line.strip()]
    if len(patterns) > MOST_FORMS:
        raise SettingsError(f"patterns: {len(patterns)} lines; expected at most {MOST_FORMS}")
    if patterns:
        check = choice("check", CHECKS)
        values["forms"] = [_form(line, check) for line in patterns]
    if not values:
        return {}
    if not values.keys() & {"profile", "longest_row", "forms"}:
        raise SettingsError(
            "say what marks look like, too: a pattern, the longest row, or a profile; or enter "
            "nothing of it, and new marks look like the registered ones"
        )
    rules_from(values, where="rules")
    return values


def _form(line: str, check: str) -> dict[str, Any]:
    checked = {"check": check} if check and "{check}" in line else {}
    return {"rows": [row.strip() for row in line.split("/")], **checked}


def _meant() -> str:
    mark = request.form.get("mark", "").strip().upper()
    if not mark or len(mark) > LONGEST_MARK:
        raise SettingsError(
            f"the mark has {len(mark)} characters; expected 1 to {LONGEST_MARK}, such as AB/123"
        )
    try:
        split_mark(mark)
    except ValueError as error:
        raise SettingsError(str(error)) from error
    rules = server().config.rules
    if rules is not None and (problem := load_rules(rules).problem(mark)):
        raise SettingsError(problem)
    return mark


def _take_in(file: FileStorage, target: Path) -> str:
    """Keep a photo that was sent; gives the name it has from now on, not that of the sender."""
    most = int(server().config.settings.max_file_mib * MIB)
    length = file.stream.seek(0, 2)
    file.stream.seek(0)
    save_photo(file.stream, length, target, max_bytes=most)
    with target.open("rb") as kept:
        return f"card.{format_of(kept.read(16)).lower()}"


def _card_form(problem: str, status: int) -> Response:
    return page(
        "office_cards.html",
        status,
        problem=problem,
        mark=request.form.get("mark", "")[:LONGEST_MARK],
        known=_known_dies(_dies_file()).characters,
        most_mib=server().config.settings.max_file_mib,
        done=[task for task in server().office.all() if task.kind == "proof"][:30],
    )


def _dies_file() -> Path:
    return dies_of(server().config.herd, server().config.settings)


def _known_dies(file: Path) -> LearnedDies:
    return load_dies(file) if file.exists() else LearnedDies()


def _dots(needles: list[list[float]]) -> list[tuple[int, int]]:
    """Needles in a drawing of 120 by 120 units, its middle the die's."""
    return [(round(60 + SIDE * x), round(60 + SIDE * y)) for x, y in needles]
