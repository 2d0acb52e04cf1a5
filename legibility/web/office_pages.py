"""The office: worklist, plan, risk, retention, chain; results and their files."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

from flask import Response, abort, request, send_from_directory, url_for

from legibility.batch.herd_risk import CONDITION
from legibility.errors import LegibilityError, SettingsError
from legibility.herd.handling import DEFAULT_ACTS
from legibility.pipeline.custody import chain_head
from legibility.pipeline.herd_actions import last_action
from legibility.pipeline.herd_cases import find_cases
from legibility.pipeline.herd_worklist import ORDERS, SHOWN
from legibility.risk.kernel import NAMED, grade_of
from legibility.store.decisions import all_cases
from legibility.web.api import server
from legibility.web.office_correct import done_here
from legibility.web.office_links import PREFIX
from legibility.web.office_parts import (
    KINDS,
    choice,
    computed,
    lines,
    number,
    numbers,
    office,
    page,
    record,
    result,
    to,
    who,
)
from legibility.web.office_tasks import TooManyTasksError
from legibility.web.office_visits import open_questions

COUNTED: Final[tuple[tuple[str, str, str], ...]] = (
    ("animals", "animals", "/animals"),
    ("marks", "marks", "/animals"),
    ("chips", "transponders", "/animals?group=transponder"),
    ("photos", "photos", "/photos"),
    ("readings", "readings", "/photos"),
    ("human_readings", "readings by people", "/list/people"),
    ("scans", "transponder scans", "/list/scans"),
    ("cases", "cases", "/cases"),
    ("decisions", "decisions", "/list/decisions"),
    ("corrections", "corrections", "/corrections"),
    ("events", "entries of the record", "/list/entries"),
)
"""Tables, what people call their rows, and the page behind the count."""
ACTS: Final = {"": "anything", **{act: act for act in DEFAULT_ACTS}}
MOST_SHOWN: Final = 1000
"""Choice: animals of a worklist on one page."""
LONGEST_NOTED: Final = 4000
"""Choice: characters of a head noted elsewhere."""
ALONE: Final = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""For a report opened as the file it is: its own styles and pictures, no script, no requests."""
STYLED: Final = frozenset(
    {
        "base.html", "herd_worklist.html", "herd_plan.html", "herd_retention.html", "risk.html",
        "comparison.html", "words.html", "assign.html", "proof.html",
    }
)  # fmt: skip
"""Templates whose results are shown inside the office."""


@office.errorhandler(LegibilityError)
def in_words(error: LegibilityError) -> Response:
    """What cannot be done, in words."""
    status = 503 if isinstance(error, TooManyTasksError) else 422
    return page("office_failed.html", status, words=str(error), tools="", task=None)


@office.get("/")
def home() -> Response:
    """What the record holds, and what waits."""
    with record() as db:
        counts = [
            (words, db.count(table), f"{PREFIX}{behind}" if behind else "")
            for table, words, behind in COUNTED
        ]
        open_cases = list(all_cases(db, open_only=True))
        head = chain_head(db)
        last, done = last_action(db), done_here(db)
    return page(
        "office_home.html",
        last=last,
        done=done,
        counts=counts,
        cases=open_cases,
        head=head,
        herd=server().config.herd.name,
        tasks=server().office.all()[:30],
        kinds=KINDS,
        said=request.args.get("said", ""),
        questions=len(open_questions(server())),
    )


@office.get("/worklist")
def worklist() -> Response:
    """Whom to look at first."""
    asked = {
        "limit": int(number("limit", SHOWN, least=1, most=MOST_SHOWN)),
        "act": choice("act", ACTS),
        "order": choice("order", ORDERS),
        "today": _today(),
    }
    return computed(
        "worklist", asked, tools="office_worklist.html", asked=asked, acts=ACTS, orders=ORDERS
    )


@office.get("/plan")
def plan() -> Response:
    """The form of a handling day, and its plan once it was filled in."""
    asked: dict[str, Any] = {
        "minutes": request.args.get("minutes", ""),
        "hands": request.args.get("hands", "2"),
        "chutes": request.args.get("chutes", "1"),
        "transponders": request.args.get("transponders", "0"),
        "sedations": request.args.get("sedations", "0"),
        "must": request.args.get("must", ""),
        "sedated": request.args.get("sedated", ""),
    }
    if not request.args:
        return page("office_plan.html", asked=asked, problem="")
    try:
        wanted: dict[str, Any] = {
            "minutes": number("minutes", 0.0, least=1, most=10_000, whole=False),
            "hands": int(number("hands", 2, least=1, most=100)),
            "chutes": int(number("chutes", 1, least=1, most=100)),
            "transponders": int(number("transponders", 0, least=0, most=100_000)),
            "sedations": int(number("sedations", 0, least=0, most=100_000)),
            "must": lines("must"),
            "sedated": lines("sedated"),
            "today": _today(),
        }
        if not wanted["minutes"]:
            raise SettingsError("minutes: say how long the day is")
        _check_known([*wanted["must"], *wanted["sedated"]])
    except SettingsError as error:
        return page("office_plan.html", 422, asked=asked, problem=str(error))
    return computed("plan", wanted, tools="office_plan_form.html", asked=asked, problem="")


@office.get("/retention")
def retention() -> Response:
    """How well marks and transponders last."""
    return computed("retention", {"today": _today()})


@office.get("/risk")
def risk() -> Response:
    """Who is taken for whom."""
    known = {name: f"{name} (grade {grade_of(name):g} of 4)" for name in NAMED}
    asked: dict[str, Any] = {
        "condition": choice("condition", known) if request.args.get("condition") else CONDITION,
        "years": numbers("years"),
        "grades": numbers("grades"),
        "year": int(number("year", date.today().year, least=1900, most=2200)),
        "own": request.args.get("own") == "yes",
    }
    return computed("risk", asked, tools="office_risk.html", asked=asked, known=known)


@office.get("/chain")
def verify() -> Response:
    """Whether entries and photos are what they were."""
    asked = {"anchor": request.args.get("anchor", "").strip()[:LONGEST_NOTED], "today": _today()}
    return computed("verify", asked, tools="office_verify.html", asked=asked)


@office.post("/cases/look")
def look_for_cases() -> Response:
    """Open a case for each contradiction that has none yet."""
    with record(write=True) as db:
        found = find_cases(db, who=who())
    said = f"{found.new} new, {len(found.open)} open."
    return to(url_for("office.cases", said=said))


@office.get("/tasks/<task_id>")
def task(task_id: str) -> Response:
    """What became of something that was started."""
    state = server().office.find(task_id)
    if state is None:
        abort(404, "there is no such result")
    return result(state, tools="office_next.html" if not state.again else "")


@office.get("/tasks/<task_id>/<path:name>")
def task_file(task_id: str, name: str) -> Response:
    """One of the files of a result; a page is opened as it is, without any script."""
    here = server()
    state = here.office.find(task_id)
    if state is None or name not in state.said.get("files", {}):
        abort(404, "there is no such file")
    is_page = name.endswith(".html") and "save" not in request.args
    answer = send_from_directory(
        here.office.folder_of(task_id).absolute(),
        name,
        as_attachment=not is_page,
        download_name=name.rsplit("/", 1)[-1],
    )
    if is_page:
        answer.headers["Content-Security-Policy"] = ALONE
    return answer


@office.get("/look.css")
def base_style() -> Response:
    """Style of the office and of all reports."""
    return style("base.html")


@office.get("/look/<template>.css")
def style(template: str) -> Response:
    """Style of one report, from the place where its own file takes it."""
    from legibility.report.page import page_style

    if template not in STYLED:
        abort(404)
    answer = Response(page_style(template), mimetype="text/css")
    answer.headers["Cache-Control"] = "max-age=300"
    return answer


def _check_known(names: list[str]) -> None:
    from legibility.store.animals import find_animal

    with record() as db:
        strange = [name for name in names if find_animal(db, name) is None]
    if strange:
        raise SettingsError(f"{strange[0][:80]!r} is no animal of this record")


def _today() -> str:
    return date.today().isoformat()
