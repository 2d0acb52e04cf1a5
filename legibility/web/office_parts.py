"""What the office's pages share: the record, forms with clear words, and results shown."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from flask import Blueprint, Response, make_response, render_template, request, url_for
from markupsafe import Markup

from legibility.errors import SettingsError
from legibility.herd.handling import load_handling
from legibility.pipeline.custody import chain_head
from legibility.report.words import CAUTION
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.records import PhotoRow
from legibility.web.api import server
from legibility.web.guard import HEADERS, device_here
from legibility.web.office_links import PREFIX, TOOLS
from legibility.web.office_tasks import BODY_FILE, TaskState

office = Blueprint("office", __name__, url_prefix=PREFIX)

MOMENT_S: Final = 2.0
"""Choice: so long a page waits for its result before it says that it is being computed."""
LOOK_AGAIN_S: Final = 3
"""Choice: then the browser asks again after so many seconds."""
LONGEST_CLAIM: Final = 200
"""Choice: characters of an animal's name or a mark in a form."""
SHA256: Final = re.compile(r"[0-9a-f]{64}")
DATA_IMAGES: Final = HEADERS["Content-Security-Policy"].replace("img-src", "img-src data:")
"""Reports carry their pictures inside; ``data:`` pictures run nothing."""
KINDS: Final = {
    "worklist": "Whom to look at first",
    "plan": "Plan for the handling day",
    "retention": "How marks and transponders last",
    "risk": "Which marks will be taken for which",
    "verify": "Is the record as it was",
    "compare": "Claims weighed",
    "dossier": "Dossier",
    "rerun": "Dossier computed again",
    "blind": "Blind reading sheets",
    "score": "Readers compared",
    "assign": "New marks",
    "proof": "A punched card",
    "calibrate": "Calibration on the record's own photos",
}
"""What is computed, in words."""
NAVIGATION: Final = (
    ("office.home", "Overview"),
    ("office.worklist", "Worklist"),
    ("office.plan", "Plan"),
    ("office.animals", "Animals"),
    ("office.photos", "Photos"),
    ("office.risk", "Risk"),
    ("office.assign", "New marks"),
    ("office.cards", "Cards"),
    ("office.claims", "Claims"),
    ("office.cases", "Cases"),
    ("office.blind", "Blind reading"),
    ("office.retention", "Retention"),
    ("office.calibration", "Calibration"),
    ("office.verify", "Chain"),
)

PART_OF: Final = {
    "office.animal": "office.animals",
    "office.photo": "office.photos",
    **dict.fromkeys(
        (
            f"office.{name}"
            for name in ("registry", "take_registry", "look_registry", "say_columns")
        ),
        "office.animals",
    ),
    "office.import_sent": "office.animals",
    "office.case": "office.cases",
    "office.corrections": "office.cases",
    "office.entered_reading": "office.animals",
    "office.entered_scan": "office.animals",
    "office.blind_set": "office.blind",
    **dict.fromkeys(("compare", "dossier", "rerun"), "office.claims"),
    **dict.fromkeys(("blind", "score"), "office.blind"),
    **dict.fromkeys(("office.dies", "office.prove", "proof"), "office.cards"),
    **dict.fromkeys(("office.calibrate", "calibrate"), "office.calibration"),
    "assign": "office.assign",
    **{kind: f"office.{kind}" for kind in ("worklist", "plan", "retention", "risk", "verify")},
}
"""Pages and results that belong to a page of the navigation."""


@contextmanager
def record(*, write: bool = False) -> Iterator[HerdDatabase]:
    """The herd's record, open."""
    with open_herd(server().config.herd, read_only=not write) as db:
        yield db


def usable_grade() -> float:
    """Below this grade a mark counts as lost."""
    return load_handling(server().config.costs).usable_grade


def who() -> str:
    """Name of the device that asks, for the record's chain."""
    return device_here().name or "office"


def page(template: str, status: int = 200, **values: Any) -> Response:
    """One of the office's own pages."""
    task = values.get("task")
    endpoint = request.endpoint or ""
    text = render_template(
        template,
        here=PART_OF.get(task.kind if task else endpoint, endpoint),
        csrf=server().devices.csrf_of(device_here()),
        navigation=NAVIGATION,
        caution=CAUTION,
        **{"style": "base.html", **values},
    )
    return make_response(text, status)


def computed(
    kind: str, wanted: Mapping[str, Any], /, *, tools: str = "", **values: Any
) -> Response:
    """A result that depends on the record and on what is asked alone, computed when needed."""
    with record() as db:
        stamp = chain_head(db).head
    state = server().office.page(kind, wanted, stamp=stamp)
    return result(state, tools=tools, **values)


def result(state: TaskState, *, tools: str = "", **values: Any) -> Response:
    """What became of a task: its result, why there is none, or that it is being computed."""
    here = server()
    here.office.wait(state.task_id, MOMENT_S)
    state = here.office.find(state.task_id) or state
    form = Markup()
    if tools:
        csrf = here.devices.csrf_of(device_here())
        form = Markup(render_template(tools, csrf=csrf, task=state, **values))
    if state.state == "waiting":
        answer = page(
            "office_wait.html",
            what=KINDS[state.kind],
            seconds=max(0, round(time.time() - state.at)),
            before=here.office.before(state.task_id),
            task=state,
        )
        answer.headers["Refresh"] = str(LOOK_AGAIN_S)
        return answer
    if state.state != "done":
        words = state.error or "The server was stopped before this was done. Start it again."
        return page("office_failed.html", 422, words=words, tools=form, task=state)
    body = (here.office.folder_of(state.task_id) / BODY_FILE).read_text("utf-8")
    answer = page(
        "office_result.html",
        task=state,
        style=state.said["style"],
        body=Markup(body.replace(TOOLS, form, 1)),
        **values,
    )
    answer.headers["Content-Security-Policy"] = DATA_IMAGES
    return answer


def number(name: str, default: float, *, least: float, most: float, whole: bool = True) -> float:
    """A number of a form or an address.

    Raises
    ------
    SettingsError
        If it is none, or out of range.
    """
    text = request.values.get(name, "").strip().replace(",", ".")
    if not text:
        return default
    kind = "a whole number" if whole else "a number"
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not least <= value <= most or (whole and value != int(value)):
        raise SettingsError(f"{name} is {text[:40]!r}; expected {kind} from {least:g} to {most:g}")
    return value


def numbers(name: str, *, most: int = 50) -> list[float]:
    """Numbers of a text field, apart by spaces; a comma may be the decimal sign.

    Raises
    ------
    SettingsError
        If one is no number, or there are too many.
    """
    words = request.values.get(name, "").split()
    try:
        found = [float(word.rstrip(",;").replace(",", ".")) for word in words]
    except ValueError:
        found = [float("nan")]
    if len(found) > most or not all(map(math.isfinite, found)):
        raise SettingsError(
            f"{name}: {' '.join(words)[:80]!r}; expected at most {most} numbers apart by spaces"
        )
    return found


def choice(name: str, known: Mapping[str, str]) -> str:
    """One of some words.

    Raises
    ------
    SettingsError
        If it is none of them.
    """
    value = request.values.get(name, "")
    if value not in known:
        raise SettingsError(f"{name} is {value[:40]!r}; expected one of {', '.join(known)}")
    return value


def lines(name: str, *, most: int = 200) -> list[str]:
    """Names of a text field, one a line.

    Raises
    ------
    SettingsError
        If there are too many.
    """
    found = [line.strip() for line in request.values.get(name, "").splitlines() if line.strip()]
    if len(found) > most:
        raise SettingsError(f"{name}: {len(found)} lines; expected at most {most}")
    return list(dict.fromkeys(found))


def chosen_photos() -> list[str]:
    """Digests of the photos that were ticked.

    Raises
    ------
    SettingsError
        If there is none, or something else.
    """
    found = list(dict.fromkeys(request.values.getlist("photo")))
    if not found:
        raise SettingsError("no photo was chosen; choose at least one")
    if len(found) > 200 or any(SHA256.fullmatch(digest) is None for digest in found):
        raise SettingsError("photos are named by their SHA-256, at most 200")
    return found


def kept_pictures() -> Path:
    """Folder of pictures that were made before."""
    folder: Path = server().config.folder / "pictures"
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def named_photos(photos: Sequence[PhotoRow]) -> list[tuple[PhotoRow, str]]:
    """Photos with their files' names, without folders."""
    return [(row, Path(row.path).name) for row in photos]


def started(
    kind: str, asked: Mapping[str, Any], *, given: Mapping[str, Path] | None = None
) -> Response:
    """Start something, with files that were sent for it, and show what becomes of it."""
    task_id = server().office.start(kind, asked, who=who(), given=given)
    return to(url_for("office.task", task_id=task_id))


def to(address: str) -> Response:
    """Go on to a page of this server (303: with GET)."""
    answer = Response(status=303)
    answer.headers["Location"] = address
    return answer
