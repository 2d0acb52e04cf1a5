"""A server on a record of its own, whose reader is arranged by the test."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from playwright.sync_api import Browser, expect, sync_playwright

from legibility.store.database import create_herd
from legibility.web.app import create_app
from legibility.web.config import Limits, ServerConfig
from legibility.web.state import Server, open_server
from legibility.workers import InlineExecutor

from .arranged import HOSTILE, arranged_read
from .barn import ARRANGED, WAIT_MS, Barn
from .live import HttpPhone, LiveServer

expect.set_options(timeout=WAIT_MS)

VISIT = "a" * 32
PHOTO = "b" * 32


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


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    assert program, "these tests need the program chromium: apt-get install chromium"
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[LiveServer, HttpPhone]]:
    """A server with the arranged reading for all tests that need none of their own."""
    herd = tmp_path_factory.mktemp("shared") / "herd.db"
    create_herd(herd).close()
    with LiveServer(herd, (), ARRANGED) as server:
        yield server, HttpPhone(server.address, server.code)


@pytest.fixture
def barn(
    tmp_path: Path, browser: Browser, request: pytest.FixtureRequest
) -> Iterator[Callable[..., Barn]]:
    """Open a server with phones: the shared one, or with options one of its own."""
    opened: list[Barn] = []
    own_servers: list[LiveServer] = []

    def open_barn(
        *options: str,
        program: tuple[str, ...] = ARRANGED,
        own: bool = False,
        herd: Path | None = None,
    ) -> Barn:
        if own or options or herd or program != ARRANGED:
            if herd is None:
                herd = tmp_path / "herd.db"
                if not herd.exists():
                    create_herd(herd).close()
            server = LiveServer(herd, options, program)
            own_servers.append(server)
            server.start()
            laptop = HttpPhone(server.address, server.code)
        else:
            server, laptop = request.getfixturevalue("shared")
        opened.append(Barn(server, browser, laptop))
        return opened[-1]

    yield open_barn
    for one in opened:
        for context in one.contexts:
            context.close()
    for server in own_servers:
        server.stop()
    for one in opened:
        if one.road:
            one.road.close()
        assert one.troubles == []
