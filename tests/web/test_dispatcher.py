"""The pool of processes: a photo that ends its process takes nothing else with it."""

from __future__ import annotations

import io
import threading
import time
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from legibility.pipeline.chute_session import ChuteVisit
from legibility.settings import Settings
from legibility.store.database import create_herd
from legibility.web.combining import Combining
from legibility.web.config import ServerConfig
from legibility.web.state import open_server
from legibility.web.uploads import Upload

from .arranged import ENDS_PROCESS, TEXT, arranged_read
from .conftest import VISIT
from .live import ROOT, new_id

JPEG = (ROOT / "sample_images" / "as-new.jpg").read_bytes()


def test_only_the_photo_that_ends_its_process_is_given_up(tmp_path: Path) -> None:
    herd = tmp_path / "herd.db"
    create_herd(herd).close()
    context = get_context("spawn")
    server = open_server(
        ServerConfig(herd=herd),
        open_pool=lambda: ProcessPoolExecutor(2, mp_context=context),
        read=arranged_read,
    )
    server.visits.start(VISIT)
    ids = [new_id() for _ in range(7)]
    for place, upload_id in enumerate(ids):
        data = JPEG + (ENDS_PROCESS if place in (2, 4) else b"")
        asked = Upload(upload_id, VISIT, "", 0, "as_found", "", received_at=float(place))
        upload, _ = server.uploads.receive(io.BytesIO(data), len(data), asked)
        server.visits.change(VISIT, lambda visit, u=upload_id: visit["uploads"].append(u))
        server.read(upload)
    end = time.monotonic() + 300
    while server.dispatcher.waiting and time.monotonic() < end:
        time.sleep(0.05)
    answers = [server.uploads.answer(upload_id) for upload_id in ids]
    server.close()
    texts = [answer and (answer.get("text") or answer["reason"]) for answer in answers]
    given_up = "The photo ended the reader. Send another photo."
    assert texts == [TEXT, TEXT, given_up, TEXT, given_up, TEXT, TEXT]


def test_a_visit_is_combined_by_one_process_at_a_time(tmp_path: Path) -> None:
    """Asked for again and again meanwhile, it is done once more, with what was asked last."""
    asked_all = threading.Event()
    running: list[int] = []
    most: list[int] = []
    done: list[float] = []

    def combine(_: object, visit: ChuteVisit) -> int:
        running.append(1)
        most.append(len(running))
        assert asked_all.wait(300)
        done.append(visit.minutes)
        running.pop()
        return 1

    with ThreadPoolExecutor(4) as pool:

        def call(function: object, visit: ChuteVisit) -> Future[int]:
            return pool.submit(combine, function, visit)

        combining = Combining(call)
        for minutes in range(6):
            asked = ChuteVisit(tmp_path, tmp_path / "out", (), Settings(), float(minutes))
            combining.ask(VISIT, asked)
        asked_all.set()
        end = time.monotonic() + 300
        while 5.0 not in done and time.monotonic() < end:
            time.sleep(0.01)
    assert max(most) == 1
    assert done == [0.0, 5.0]
