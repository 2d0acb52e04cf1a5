"""A server on a record of its own, whose reader is arranged by the test."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from legibility.batch.executors import InlineExecutor
from legibility.pipeline.chute import ANSWER_FILE, ChutePhoto
from legibility.store.database import create_herd
from legibility.web.app import create_app
from legibility.web.config import Limits, ServerConfig
from legibility.web.state import Server, open_server

VISIT = "a" * 32
PHOTO = "b" * 32
HOSTILE = '"><img src=x onerror=alert(1)>'


def arranged_read(asked: ChutePhoto) -> float:
    """An answer without pixels."""
    answer = {"status": "read", "has_mark": True, "text": "J342", "candidates": [], "rows": []}
    answer |= {"candidate_set": [], "sha256": asked.sha256, "width_px": 400, "height_px": 300}
    (asked.out / ANSWER_FILE).write_text(json.dumps(answer))
    (asked.out / "photo.jpg").write_bytes(b"\xff\xd8picture")
    return 0.1


@dataclass
class Phone:
    """A paired device."""

    client: FlaskClient
    csrf: str

    def put(self, path: str, body: object = None, **options: object) -> object:
        """Change something as the page does."""
        options.setdefault("headers", {"X-CSRF-Token": self.csrf})
        if isinstance(body, bytes):
            return self.client.put(path, data=body, **options)
        return self.client.put(path, json=body or {}, **options)


@pytest.fixture
def serve(tmp_path: Path) -> Callable[..., Server]:
    """Open a server; opened again it is the same one after a restart."""
    herd = tmp_path / "herd.db"
    create_herd(herd).close()

    def open_again(
        *, eyes_first: bool = False, read: object = arranged_read, **limits: float
    ) -> Server:
        config = ServerConfig(
            herd=herd, eyes_first=eyes_first, host_names=("localhost",), limits=Limits(**limits)
        )
        return open_server(config, open_pool=InlineExecutor, read=read)

    return open_again


@pytest.fixture
def pair() -> Callable[[Server], Phone]:
    """Pair a device with a server."""

    def paired(server: Server) -> Phone:
        client = create_app(server).test_client()
        code = server.devices.new_code()
        assert client.post("/pair", data={"code": code, "name": HOSTILE}).status_code == 303
        return Phone(client, server.devices.csrf_of(server.devices.all()[0]))

    return paired
