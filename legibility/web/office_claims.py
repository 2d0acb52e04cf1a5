"""Two claims about one ear, and the cases of the record: compare, dossier, decide."""

from __future__ import annotations

from typing import Final

from flask import Response, abort, request, url_for

from legibility.errors import SettingsError, StoreError
from legibility.pipeline.chute import now_local
from legibility.pipeline.herd_actions import actions_about, last_decision
from legibility.pipeline.herd_animal import animals_named
from legibility.pipeline.herd_record import record_decision
from legibility.store.animals import find_animal
from legibility.store.database import HerdDatabase
from legibility.store.decisions import all_cases, all_decisions, find_case
from legibility.store.photos import find_photo, newest_photos, photos_of
from legibility.store.records import CaseRow, DecisionRow, PhotoRow
from legibility.web.api import server
from legibility.web.office_correct import done_here
from legibility.web.office_parts import (
    LONGEST_CLAIM,
    SHA256,
    chosen_photos,
    named_photos,
    number,
    office,
    page,
    record,
    started,
    to,
    who,
)

LONGEST_TEXT: Final = 2000
"""Choice: characters of a text in a form: who, why, for which authority."""
MOST_LISTED: Final = 60
"""Choice: photos that are offered to be chosen, the newest first."""


@office.get("/claims")
def claims() -> Response:
    """Two claims, then the photos to weigh them by."""
    first, second = (request.args.get(name, "").strip()[:LONGEST_CLAIM] for name in ("a", "b"))
    digest = request.args.get("photo", "")
    with record() as db:
        photos = _offered(db, [first, second], digest)
    return page(
        "office_claims.html",
        a=first,
        b=second,
        photos=named_photos(photos),
        ticked=digest,
        problem="",
    )


@office.post("/claims")
def weigh() -> Response:
    """Weigh two claims, or make a dossier of them."""
    first, second = (request.form.get(name, "").strip()[:LONGEST_CLAIM] for name in ("a", "b"))
    try:
        if not first or not second:
            raise SettingsError("a claim is empty; name two animals, or two marks")
        photos = chosen_photos()
    except SettingsError as error:
        with record() as db:
            offered = _offered(db, [first, second], "")
        return page(
            "office_claims.html", 422, a=first, b=second, photos=named_photos(offered), ticked="",
            problem=str(error),
        )  # fmt: skip
    different = request.form.get("different_ears") == "yes"
    asked = {"photos": photos, "claims": [first, second], "different_ears": different}
    if request.form.get("do") == "dossier":
        return started("dossier", {**asked, "case": 0, **_question()})
    return started("compare", asked)


@office.get("/cases")
def cases() -> Response:
    """Contradictions that wait for a person, and those that were settled."""
    with record() as db:
        found = list(all_cases(db))
    return page(
        "office_cases.html",
        open_cases=[case for case in found if case.state == "open"],
        closed=[case for case in found if case.state != "open"],
        said=request.args.get("said", ""),
    )


@office.get("/case")
def case() -> Response:
    """One case: what contradicts what, its animals and photos, and what can be done."""
    asked = int(number("number", 0, least=0, most=10**9))
    with record() as db:
        try:
            found = find_case(db, asked)
        except StoreError as error:
            abort(404, str(error))
        names = animals_named(found)
        known = {name: find_animal(db, name) is not None for name in names}
        digest = str(found.detail.get("photo_sha256", ""))
        photo = find_photo(db, digest) if SHA256.fullmatch(digest) else None
        photos = [photo] if photo else [p for name in names for p in photos_of(db, name)]
        decisions = [d for d in all_decisions(db) if d.case_key == found.case_key]
        actions = actions_about(db, "case", str(asked))
        done, decided = done_here(db), last_decision(db, found.case_key)
        ways = _ways(found, photo, known) if found.state == "open" else []
    return page(
        "office_case.html",
        case=found,
        names=known,
        photos=named_photos(photos[:MOST_LISTED]),
        decisions=decisions,
        who=who(),
        actions=actions,
        decided=decided,
        done=done,
        back=f"case:{asked}",
        ways=ways,
        shown=photo,
    )


@office.post("/case/dossier")
def case_dossier() -> Response:
    """Make the dossier of a case."""
    asked = int(number("number", 0, least=1, most=10**9))
    given = [request.form.get(name, "").strip()[:LONGEST_CLAIM] for name in ("a", "b")]
    if any(given) and not all(given):
        raise SettingsError("name both claims, or neither")
    return started(
        "dossier",
        {
            "case": asked,
            "photos": [],
            "claims": given if all(given) else [],
            "different_ears": request.form.get("different_ears") == "yes",
            **_question(),
        },
    )


@office.post("/case/decide")
def decide() -> Response:
    """Record what a person decided about a case; nothing is overwritten."""
    asked = int(number("number", 0, least=1, most=10**9))
    what, reason, name = (
        request.form.get(field, "").strip()[:LONGEST_TEXT] for field in ("what", "reason", "who")
    )
    if not what or not name:
        raise SettingsError("say what was decided and who decided it")
    with record(write=True) as db:
        key = find_case(db, asked).case_key
        record_decision(db, DecisionRow(now_local(), name, what, reason, key))
    return to(url_for("office.case", number=asked))


@office.post("/tasks/<task_id>/rerun")
def compute_again(task_id: str) -> Response:
    """Compute every figure of a dossier made here again."""
    state = server().office.find(task_id)
    if state is None or state.kind != "dossier" or state.state != "done":
        abort(404, "there is no such dossier")
    return started("rerun", {"of": task_id})


def _ways(case: CaseRow, photo: PhotoRow | None, known: dict[str, bool]) -> list[str]:
    """Animals that a correction could give the photo to."""
    if photo is None:
        return []
    named = (case.detail.get(name) for name in ("animal_by_mark", "animal_by_transponder"))
    return [str(name) for name in dict.fromkeys(named) if name and known.get(str(name))
            and name != photo.animal_id]  # fmt: skip


def _question() -> dict[str, str]:
    return {
        name: request.form.get(name, "").strip()[:LONGEST_TEXT]
        for name in ("question", "authority")
    }


def _offered(db: HerdDatabase, names: list[str], digest: str) -> list[PhotoRow]:
    """Photos to choose from: the one asked for, those of both claims, then unnamed ones."""
    found: dict[str, PhotoRow] = {}
    asked = find_photo(db, digest) if SHA256.fullmatch(digest) else None
    for row in ([asked] if asked else []) + [p for n in names if n for p in photos_of(db, n)]:
        found.setdefault(row.sha256, row)
    if any(names) or digest:
        for row in newest_photos(db, unnamed=True, count=MOST_LISTED):
            found.setdefault(row.sha256, row)
    return list(found.values())[:MOST_LISTED]
