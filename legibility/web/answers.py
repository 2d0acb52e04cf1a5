"""Answers to "Two animals?": what a person says of a visit whose photos disagree.

Every answer is kept with the visit and entered into the record's log; no photo is deleted. A photo
of another animal goes to a visit of its own, one that was left out stays where it is and counts for
nothing.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Final

from legibility.pipeline.chute import now_local
from legibility.store.database import open_herd
from legibility.store.events import append_event
from legibility.web.state import Server
from legibility.web.transponder import pair_photos_of
from legibility.web.visits import Visit

KEYS: Final = (
    "other_animal",
    "left_out",
    "reading_wrong",
    "transponder_wrong",
    "earlier_wrong",
    "same_animal",
)
LONGEST: Final = 80
"""Choice: characters of what an answer is about, a digest or a number."""


class AnswerRefused(ValueError):
    """An answer that does not fit the visit, in words."""


def answer_question(
    server: Server, visit: Visit, *, key: str, uploads: Sequence[str], what: str, who: str
) -> str:
    """Keep an answer and combine anew; gives the id of the new visit, or "".

    Raises
    ------
    AnswerRefused
        If there is no such answer, or the photos are not of this visit.
    StoreError
        If the record cannot be written.
    """
    there = visit["uploads"]
    if key not in KEYS:
        raise AnswerRefused("this is no answer")
    if any(name not in there for name in uploads) or len(what) > LONGEST:
        raise AnswerRefused("this photo is not of this animal any more; load the page again")
    if key == "other_animal" and not 0 < len(set(uploads)) < len(there):
        raise AnswerRefused("some photos stay, and some are another animal's")
    entry = {
        "key": key,
        "uploads": sorted(set(uploads)),
        "what": what,
        "who": who,
        "at": now_local(),
        "photos_then": list(there),
    }
    found = filter(None, (server.uploads.find(name) for name in entry["uploads"]))
    digests = [upload.sha256 for upload in found]
    with open_herd(server.config.herd) as db, db.transaction():
        append_event(
            db,
            what="answer two animals",
            who=who or "chute",
            inputs={"answer": key, "photos": digests, "about": what},
        )
    new_id = ""
    if key == "other_animal":
        new_id = _moved(server, visit, entry["uploads"])
    visit = server.visits.change(
        visit["visit_id"], lambda kept: kept.setdefault("answers", []).append(entry)
    )
    if key in ("other_animal", "left_out") and digests:
        pair_photos_of(server.config.herd, [], digests)
    if visit["scans"]:
        server.pair_scans(visit)
    server.combine(visit)
    return new_id


def _moved(server: Server, visit: Visit, uploads: Sequence[str]) -> str:
    """Photos given to a new visit with what was said of them."""
    new_id = secrets.token_hex(16)
    server.visits.start(new_id)
    eyes, shown = visit["eyes"], visit["shown"]

    def take(kept: Visit) -> None:
        kept["uploads"] = [name for name in visit["uploads"] if name in uploads]
        kept["eyes"] = {name: eyes[name] for name in uploads if name in eyes}
        kept["shown"] = {name: shown[name] for name in uploads if name in shown}
        kept["label"] = f"from animal {visit['number']}"

    new = server.visits.change(new_id, take)
    for name in uploads:
        server.uploads.move(name, new_id)

    def leave(kept: Visit) -> None:
        kept["uploads"] = [name for name in kept["uploads"] if name not in uploads]

    server.visits.change(visit["visit_id"], leave)
    server.combine(new)
    return new_id
