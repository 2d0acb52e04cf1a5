"""What a phone may see of a visit: nothing of an answer before eyes had their turn."""

from __future__ import annotations

import time
from typing import Any

from legibility.pipeline.chute import now_local
from legibility.web.state import Server
from legibility.web.transponder import disagreements
from legibility.web.uploads import Upload
from legibility.web.visits import Visit, left_out, scans_that_count


def visit_line(visit: Visit) -> dict[str, Any]:
    """A visit in the queue."""
    ended = visit["closed"] or time.time()
    return {
        **{name: visit[name] for name in ("visit_id", "number", "label", "ear", "closed")},
        "seconds": max(0.0, ended - visit["started_at"]),
        "uploads": len(visit["uploads"]),
        "transponders": list(dict.fromkeys(scan["number"] for scan in visit["scans"])),
    }


def visit_seen(server: Server, visit: Visit) -> dict[str, Any]:
    """A visit with its photos, transponders and what all of it says together."""
    uploads = [server.uploads.find(name) for name in visit["uploads"]]
    photos = [photo_seen(server, visit, upload) for upload in uploads if upload is not None]
    held = any(photo["state"] == "held" for photo in photos)
    aside = left_out(visit)
    answers = [
        photo["answer"]
        for photo in photos
        if photo["state"] == "done" and photo["upload_id"] not in aside
    ]
    against = disagreements(scans_that_count(visit), answers)
    scans = {scan["number"]: scan for scan in visit["scans"]}
    return {
        **visit_line(visit),
        "photos": photos,
        "scans": [
            {
                "number": number,
                "animals": scan["animals"],
                "notices": scan["notices"],
                "disagreements": against.get(number, []),
                "left_out": number not in against,
            }
            for number, scan in scans.items()
        ],
        "session": None if held else server.visits.session(visit["visit_id"]),
    }


def photo_seen(server: Server, visit: Visit, upload: Upload) -> dict[str, Any]:
    """A photo with its answer, or why there is none yet; that it was shown is kept.

    Whether the photo itself is good enough is told as soon as that is known: it says nothing of the
    mark.
    """
    said: dict[str, Any] = {
        "upload_id": upload.upload_id,
        "stage": upload.stage,
        "drawn_from": upload.drawn_from,
        "left_out": upload.upload_id in left_out(visit),
        "state": "waiting",
    }
    if upload.upload_id in visit["eyes"]:
        said["eyes"] = visit["eyes"][upload.upload_id]
    answer = server.uploads.answer(upload.upload_id)
    if answer is None:
        check = server.uploads.check(upload.upload_id)
        return said if check is None else {**said, "check": check}
    if is_held(server, visit, upload, answer):
        return {**said, "state": "held"}
    if upload.upload_id not in visit["shown"]:
        server.visits.change(
            visit["visit_id"], lambda kept: kept["shown"].setdefault(upload.upload_id, now_local())
        )
    return {**said, "state": "done", "answer": answer}


def is_held(server: Server, visit: Visit, upload: Upload, answer: dict[str, Any]) -> bool:
    """Whether the answer waits until a person has typed what their eyes read.

    A photo that shows too little is told at once, because it has to be taken again.
    """
    return (
        server.config.eyes_first
        and not upload.drawn_from
        and bool(answer.get("good_photo"))
        and upload.upload_id not in visit["eyes"]
    )
