"""Reading arranged by a test: the photo is decoded and kept as always, the answer is made up.

For tests of what is around the reading. As a program it serves as ``legibility serve`` does.
"""

from __future__ import annotations

import json
import os
import sys
import time
from functools import partial
from pathlib import Path

from legibility.photo.load import load_photo
from legibility.pipeline.chute import ANSWER_FILE, ChutePhoto, read_chute_photo, write_jpeg
from legibility.report.drawing import shrink
from legibility.settings import Settings
from legibility.store.database import open_herd
from legibility.store.importing import import_photo
from legibility.store.records import PhotoRow

HOSTILE = '"><img src=x onerror=alert(1)>'
"""A name as someone who means harm would write it into a registry or a field."""
ENDS_PROCESS = b"ends the process"
"""A photo with these bytes at its end ends the process that reads it."""
TEXT = "J342"


def cell(character: str, place: int) -> dict[str, object]:
    """A cell of an answer."""
    return {
        "character": character,
        "probability": 0.97,
        "certainty": "97 %",
        "others": [["8", "2 %"]],
        "picture": f"cell-0-{place}.jpg",
    }


def arranged_read(asked: ChutePhoto, *, seconds: float = 0.0) -> float:
    """An answer without looking."""
    if asked.file.read_bytes().endswith(ENDS_PROCESS):
        os._exit(1)
    photo = load_photo(asked.file, settings=asked.settings)
    time.sleep(seconds)
    with open_herd(asked.herd) as db:
        row = PhotoRow(asked.sha256, str(asked.file), ear=asked.ear, stage=asked.stage)
        import_photo(db, row, result=None)
    small = shrink(photo.pixels, max_height_px=300, max_width_px=300)
    for name in ("photo", "mark", *(f"cell-0-{place}" for place in range(len(TEXT)))):
        write_jpeg(asked.out / f"{name}.jpg", small)
    answer = {
        "status": "read",
        "sha256": asked.sha256,
        "has_mark": True,
        "good_photo": True,
        "text": TEXT,
        "rows": [[cell(character, place) for place, character in enumerate(TEXT)]],
        "candidates": [{"animal_id": HOSTILE, "mark": TEXT, "chance": "96 %", "probability": 0.96}],
        "candidate_set": [HOSTILE],
        "misread_risk": 0.04,
        "confusable": [],
        "capture": [],
        "advice": "An arranged answer.",
        "next_steps": [],
        "reason": "",
        "width_px": photo.width_px,
        "height_px": photo.height_px,
    }
    waiting = asked.out / "arranged.tmp"
    waiting.write_text(json.dumps(answer))
    waiting.replace(asked.out / ANSWER_FILE)
    return seconds


def serve(arguments: list[str]) -> None:
    """``HERD.db --port N [--eyes-first] [--slow SECONDS]`` with the arranged reading.

    ``--deadline SECONDS`` is for the head and the body of a request; ``--tls`` makes a certificate
    beside the record.

    ``--real`` reads in a pool as always, and ``--pool`` has the arranged reading in one; only the
    limits of how often a device may ask are lifted.
    """
    from legibility.web.config import Limits, ServerConfig
    from legibility.web.serving import serve as serve_until_interrupted
    from legibility.web.state import open_server
    from legibility.web.tls import own_certificate
    from legibility.workers import InlineExecutor

    at = arguments.index("--deadline") + 1 if "--deadline" in arguments else None
    deadlines = {"head_s": float(arguments[at]), "body_s": float(arguments[at])} if at else {}
    slow = float(arguments[arguments.index("--slow") + 1]) if "--slow" in arguments else 0.0
    herd = Path(arguments[0])
    tls = own_certificate(herd.parent, ("127.0.0.1",)) if "--tls" in arguments else (None, None)
    config = ServerConfig(
        herd=herd,
        certificate=tls[0],
        key=tls[1],
        port=int(arguments[arguments.index("--port") + 1]),
        eyes_first="--eyes-first" in arguments,
        settings=Settings(second_reader="--real" in arguments),
        limits=Limits(uploads_per_minute=100_000, requests_per_minute=100_000, **deadlines),
    )
    read = read_chute_photo if "--real" in arguments else partial(arranged_read, seconds=slow)
    pool = None if {"--real", "--pool"} & set(arguments) else InlineExecutor
    serve_until_interrupted(
        config,
        partial(print, flush=True),
        open=partial(open_server, open_pool=pool, read=read),
    )


def serve_by_command(arguments: list[str]) -> None:
    """``legibility serve`` with all its options, but without processes that read."""
    from legibility.cli import main
    from legibility.web import state
    from legibility.workers import InlineExecutor

    state.reading_pool = lambda jobs: InlineExecutor()  # type: ignore[assignment, return-value]
    sys.argv[:] = ["legibility", "serve", *arguments]
    main()


if __name__ == "__main__":
    if "--command" in sys.argv:
        serve_by_command([word for word in sys.argv[1:] if word != "--command"])
    else:
        serve(sys.argv[1:])
