"""Hostile files against a real server with the real reader: none crashes it, each is refused.

With LEGIBILITY_SEEDS=20 it is a thousand files.
"""

from __future__ import annotations

import json
import os
import time
import urllib.error
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from legibility.store.database import create_herd, open_herd
from legibility.store.photos import all_photos

from .barn import ARRANGED
from .hostile_files import MARKER, MAY_BE_READ, hostile_files
from .live import ROOT, Answer, HttpPhone, LiveServer, new_id

FILES_A_SEED = 50
PHONES = 4
BUSY_S = 600
JPEG = (ROOT / "sample_images" / "as-new.jpg").read_bytes()
REFUSED = {400, 411, 413, 415}
ROADS = ("/api/visits/{v}/photos/..%2f..%2f{u}", "/api/visits/..%2f{v}/photos/{u}", "/api/{u}.jpg")
"""Addresses with a path in them; such a photo is taken nowhere."""


def answer_to(phone: HttpPhone, visit: str, data: bytes, disposition: str) -> tuple[Answer, str]:
    """Send a file as a phone does: again while the server is busy, or hangs up half-way.

    A server that says so before it has the whole file may close the connection while the file is
    still being sent; then the answer is lost (a race that a loaded machine shows).
    """
    upload = new_id()
    path = f"/api/visits/{visit}/photos/{upload}?stage=cleaned"
    names = {"Content-Disposition": disposition, "Content-Type": "image/jpeg"}
    end = time.monotonic() + BUSY_S
    while time.monotonic() < end:
        try:
            answer = phone.ask("PUT", path, data, names)
        except urllib.error.URLError as error:
            if not isinstance(error.reason, BrokenPipeError | ConnectionResetError):
                raise
        else:
            if answer.status != 503:
                return answer, upload
        phone.rest()
    raise AssertionError(f"no answer within {BUSY_S} s")


@pytest.mark.long
def test_hostile_files(tmp_path: Path) -> None:
    number = FILES_A_SEED * int(os.environ.get("LEGIBILITY_SEEDS", "20"))
    files = hostile_files(number, seed=20261125)
    herd = tmp_path / "herd.db"
    create_herd(herd).close()
    with LiveServer(herd, ("--real",), ARRANGED) as server:
        phones = [HttpPhone(server.address, server.code)]
        phones += [HttpPhone(server.address, phones[0].new_code()) for _ in range(PHONES - 1)]
        visit = phones[0].begin()

        def send(at: int) -> tuple[str, str, str]:
            kind, data = files[at]
            phone = phones[at % PHONES]
            answer, upload = answer_to(phone, visit, data, 'filename="../../../etc/passwd.jpg"')
            assert b"Traceback" not in answer.body
            if answer.status in REFUSED:
                assert answer.json["error"], kind
                return kind, "refused", upload
            assert answer.status == 201, (kind, answer.status, answer.body)
            return kind, "taken", upload

        with ThreadPoolExecutor(PHONES) as pool:
            outcomes = list(pool.map(send, range(number)))
        for road in ROADS:
            path = road.format(v=visit, u=new_id())
            assert phones[0].ask("PUT", path, JPEG).status == 404
        taken = [(kind, upload) for kind, outcome, upload in outcomes if outcome == "taken"]
        phones[0].wait_until_read(visit, len(taken))
        seen = phones[0].ask("GET", f"/api/visits/{visit}").json["photos"]
        answers = {photo["upload_id"]: photo["answer"] for photo in seen}
        read = Counter(kind for kind, upload in taken if answers[upload]["status"] != "error")
        assert set(read) <= MAY_BE_READ
        for kind, upload in taken:
            answer = answers[upload]
            assert answer["status"] != "error" or len(answer["reason"]) > 20, kind
            assert str(tmp_path) not in json.dumps(answer), kind
            assert "ended the reader" not in json.dumps(answer), kind
            if answer["status"] != "error":
                picture = phones[0].ask("GET", f"/api/photos/{upload}/photo.jpg")
                assert picture.headers["Content-Type"] == "image/jpeg"
                assert MARKER not in picture.body
        # It still works, and nothing was half-written.
        good = phones[0].begin()
        upload, _ = phones[0].send(good, JPEG)
        assert phones[0].answer_of(good, upload)["answer"]["text"] == "J342"
        uploads = herd.with_suffix(".web") / "uploads"
        assert {p.name for p in uploads.iterdir()} == {upload, *(u for _, u in taken)}
        assert server.is_running
    assert "failed" not in server.log.read_text()
    with open_herd(herd, read_only=True) as db:
        kept = list(all_photos(db))
    assert len(kept) <= sum(read.values()) + 1
    print(f"{number} files: {number - len(taken)} refused at once, {len(taken)} looked at, of them "
          f"{sum(read.values())} still pictures {dict(read)}")  # fmt: skip
