"""Visits whose photos disagree: both marks beside each other, and the answers a phone has."""

from __future__ import annotations

from typing import Any

from flask import Response, abort, request, url_for

from legibility.web.answers import AnswerRefused, answer_question
from legibility.web.api import server
from legibility.web.guard import device_here
from legibility.web.office_parts import office, page, to
from legibility.web.state import Server


def open_questions(here: Server) -> list[dict[str, Any]]:
    """Visits that ask something, newest first, each with its question."""
    found = []
    for visit in here.visits.all():
        session = here.visits.session(visit["visit_id"])
        question = (session or {}).get("question")
        if question:
            names = ("visit_id", "number", "label", "started_at")
            found.append({**{name: visit[name] for name in names}, "question": question})
    return found


@office.get("/visits")
def visits() -> Response:
    """All questions that are open."""
    return page(
        "office_visits.html", visits=open_questions(server()), said=request.args.get("said", "")
    )


@office.post("/visits/<visit_id>/answer")
def answer_visit(visit_id: str) -> Response:
    """Take one of the answers that a question offers."""
    here = server()
    visit = here.visits.find(visit_id)
    if visit is None:
        abort(404, "there is no such visit")
    question = (here.visits.session(visit_id) or {}).get("question") or {"answers": []}
    words = request.form.get("answer", "")
    chosen = next((one for one in question["answers"] if one["words"] == words), None)
    if chosen is None:
        return to(url_for("office.visits", said="This was answered or has changed meanwhile."))
    try:
        answer_question(
            here,
            visit,
            key=chosen["key"],
            uploads=chosen["uploads"],
            what=chosen["what"],
            who=device_here().name,
        )
    except AnswerRefused as error:
        return to(url_for("office.visits", said=str(error)))
    said = f"Kept for animal {visit['number']}: {words}."
    return to(url_for("office.visits", said=said))
