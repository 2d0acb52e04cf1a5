"""Clients without a token that say little, slowly or nothing, against a server that really runs."""

from __future__ import annotations

import contextlib
import http.client
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from legibility.store.database import create_herd
from legibility.web.app import create_app
from legibility.web.config import Limits
from legibility.web.rooms import Room

from .attackers import KINDS, Attack, ask_health, body_head, connect, until_closed
from .barn import ARRANGED
from .live import HttpPhone, LiveServer, new_id

LONG_S = 280
"""Deadline of a server on which nobody may have to wait for the deadline."""
SOON_S = 60
"""Much less than that, on a busy machine, too."""
SHORT_S = 2.0
"""Deadline that is waited for."""


def started(folder: Path, *options: str) -> LiveServer:
    herd = folder / "herd.db"
    create_herd(herd).close()
    return LiveServer(herd, options, ARRANGED)


@pytest.fixture(scope="module")
def patient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveServer]:
    """A server with TLS whose deadlines are so long that they help nobody."""
    folder = tmp_path_factory.mktemp("patient")
    with started(folder, "--tls", "--deadline", str(LONG_S)) as server:
        yield server


@pytest.fixture(scope="module", params=["plain", "tls"])
def short(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[LiveServer]:
    """A server with short deadlines."""
    tls = ["--tls"] if request.param == "tls" else []
    with started(tmp_path_factory.mktemp("s"), "--deadline", str(SHORT_S), *tls) as server:
        yield server


@pytest.mark.parametrize("kind", list(KINDS))
def test_the_health_page_answers_beside(kind: str, patient: LiveServer) -> None:
    """It answers while the attackers could hold on; how fast is for the benchmark."""
    with Attack(patient, KINDS[kind]):
        assert max(ask_health(patient) for _ in range(3)) < SOON_S


def test_a_new_one_is_heard_and_a_paired_one_stays_beside_a_flood(patient: LiveServer) -> None:
    phone = HttpPhone(
        patient.address, patient.code, certificate=patient.herd.with_name("certificate.pem")
    )
    line = connect(patient)
    cookie = "; ".join(f"{c.name}={c.value}" for c in phone.cookies)
    kept = http.client.HTTPConnection("127.0.0.1", patient.port)
    kept.sock = line
    with line, contextlib.ExitStack() as held:
        for _ in range(2):
            kept.request("GET", "/api/visits", headers={"Cookie": cookie})
            assert kept.getresponse().read().startswith(b'{"visits"')
            assert kept.sock is line
            strangers = [
                held.enter_context(connect(patient, shakes_hands=False))
                for _ in range(Limits().strangers + 20)
            ]
        assert ask_health(patient) < SOON_S
        assert strangers[0].recv(1) == b""


@pytest.mark.parametrize(
    ("first", "drip"),
    [
        pytest.param("", "", id="nothing"),
        pytest.param("GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A: ", "", id="half a head"),
        pytest.param("GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A: ", "x", id="slow head"),
        pytest.param(body_head("/pair"), "", id="no body"),
        pytest.param(body_head("/pair"), "x", id="slow body"),
    ],
)
def test_a_request_ends_at_its_deadline(first: str, drip: str, short: LiveServer) -> None:
    """What drips would last for minutes: the deadline is for the whole."""
    began = time.perf_counter()
    with connect(short) as line:
        line.sendall(first.encode())
        answered, _ = until_closed(line, drip.encode())
    assert answered == b""
    assert SHORT_S <= time.perf_counter() - began < SOON_S


def test_a_handshake_ends_at_the_deadline(short: LiveServer) -> None:
    began = time.perf_counter()
    with connect(short, shakes_hands=False) as line:
        line.sendall(b"\x16\x03\x01\x02")
        until_closed(line)
    assert SHORT_S <= time.perf_counter() - began < SOON_S


@pytest.mark.parametrize(
    ("path", "length", "status"),
    [
        ("/api/visits", 1000, b"401"),
        (f"/api/visits/{new_id()}/photos/{new_id()}", 8_000_000, b"401"),
        ("/office/registry", 1000, b"303"),
        ("/nowhere", 1000, b"303"),
        ("/pair", 5000, b"400"),
        ("/pair", 10**14, b"413"),
    ],
)
def test_a_refusal_does_not_wait_for_the_body(
    path: str, length: int, status: bytes, patient: LiveServer
) -> None:
    with connect(patient) as line:
        line.sendall(body_head(path, length).encode())
        answered, seconds = until_closed(line)
    assert answered.split()[1] == status
    assert b"connection: close" in answered.lower()
    assert seconds < SOON_S


def test_what_is_too_long_for_a_device_is_refused_by_its_head(short: LiveServer) -> None:
    if short.scheme == "https":
        pytest.skip("the same with TLS")
    phone = HttpPhone(short.address, short.code)
    cookie = "; ".join(f"{c.name}={c.value}" for c in phone.cookies)
    visit = phone.begin()
    with connect(short) as line:
        line.sendall(
            f"PUT /api/visits/{visit}/photos/{new_id()} HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            f"Cookie: {cookie}\r\nX-CSRF-Token: {phone.csrf}\r\nExpect: 100-continue\r\n"
            f"Content-Length: {2**40}\r\n\r\n".encode()
        )
        answered, _ = until_closed(line)
    assert answered.startswith(b"HTTP/1.1 413")


def test_a_refusal_reaches_who_sends_its_body_first(short: LiveServer) -> None:
    """RFC 9112 section 9.6: closed at once, the network would take the answer away."""
    with connect(short) as line:
        line.sendall(body_head("/api/visits", 1_000_000).encode())
        line.sendall(bytes(1_000_000))
        answered, _ = until_closed(line)
    assert answered.startswith(b"HTTP/1.1 401")


@pytest.mark.parametrize(
    ("head", "status"),
    [
        ("GET /healthz HTTP/1.1\r\nHost: 127.0.0.1:x\r\n\r\n", b"400"),
        ("GET /healthz HTTP/1.1\r\nHost: a b\r\n\r\n", b"400"),
        ("POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5, 6\r\n\r\n", b"400"),
        ("POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -5\r\n\r\n", b"400"),
        ("nonsense\r\n\r\n", b"400"),
        (
            "POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5\r\n"
            "Transfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
            b"400",
        ),
    ],
)
def test_a_head_that_is_none(head: str, status: bytes, short: LiveServer) -> None:
    """RFC 9112 sections 3.2 and 6.3: refused, and nothing that follows is taken for a request."""
    with connect(short) as line:
        line.sendall(head.encode() + b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        answered, _ = until_closed(line)
    assert answered.split()[1] == status
    assert b'"ok"' not in answered


def test_a_head_that_is_too_long(short: LiveServer) -> None:
    with connect(short) as line, contextlib.suppress(ConnectionError):
        line.sendall(b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A: " + b"x" * 200_000)
        answered, _ = until_closed(line)
        assert b'"ok"' not in answered
    assert ask_health(short) < SOON_S


def test_a_taken_address_is_told(patient: LiveServer, tmp_path: Path) -> None:
    second = started(tmp_path)
    second.port = patient.port
    with pytest.raises(AssertionError, match="cannot listen"):
        second.start()
    assert second.process is not None
    second.process.wait(timeout=300)
    assert second.process.stdout is not None
    second.process.stdout.close()


def test_twenty_phones_behind_one_address_pair_though_each_slips_once(serve) -> None:
    server = serve()
    app = create_app(server)
    for _ in range(20):
        client = app.test_client()
        assert client.post("/pair", data={"code": "AAAAAAAA"}).status_code == 403
        code = server.devices.new_code()
        assert client.post("/pair", data={"code": code}).status_code == 303


def test_the_many_of_one_hold_up_only_each_other() -> None:
    room: Room[int] = Room(10, 8)
    for number in range(4):
        assert room.enter(number, "phones") is None
    left = [room.enter(number, "attacker") for number in range(100, 150)]
    assert None in left
    assert all(one is None or one >= 100 for one in left)
    assert room.enter(4, "another") is not None


def test_who_was_heard_last_leaves_last() -> None:
    room: Room[str] = Room(10, 2)
    assert [room.enter(one, "phone") for one in ("a", "b", "a")] == [None] * 3
    assert room.enter("c", "phone") == "b"
    room.leave("a")
    room.leave("never there")
    assert room.enter("d", "phone") is None


def test_files_are_enough_for_all_rooms() -> None:
    """RLIMIT_NOFILE is 1024 by default on Linux (from memory: getrlimit(2) and systemd.exec(5))."""
    limits = Limits()
    assert limits.strangers + limits.paired <= 1024 // 2
    assert limits.strangers_of_one_address <= limits.strangers
    assert limits.strangers <= socket.SOMAXCONN
