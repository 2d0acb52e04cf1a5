"""Clients that mean to hold a server up: they say little, slowly, or nothing."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
import time
import urllib.request
from dataclasses import dataclass, field
from typing import Final, Self

from .live import Answer, LiveServer

EVERY_S: Final = 2.0
"""Between two bytes of a client that drips."""
SHOWN: Final = "GET /static/chute.js HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 20


def body_head(path: str, length: int = 1000) -> str:
    """The head of a request that announces a body."""
    return (
        f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: {length}\r\n"
        "Content-Type: application/x-www-form-urlencoded\r\n\r\n"
    )


@dataclass(frozen=True, slots=True)
class Kind:
    """One way to hold a server up."""

    number: int
    """Connections at once."""
    first: str = ""
    """What each says at once."""
    drip: str = ""
    """What each says then, again and again."""
    shakes_hands: bool = True
    """Whether TLS is set up before."""


KINDS: Final = {
    "bodies announced and never sent": Kind(32, body_head("/api/visits")),
    "pairings announced and never sent": Kind(32, body_head("/pair")),
    "bodies of a byte every 2 s": Kind(39, body_head("/pair"), "x"),
    "heads of a byte every 2 s": Kind(39, "GET /healthz HTTP/1.1\r\nX-A: ", "x"),
    "handshakes begun and left": Kind(64, "\x16\x03\x01\x02", "", shakes_hands=False),
    "connections that say nothing": Kind(64, shakes_hands=False),
    "answers never fetched": Kind(39, SHOWN),
}
"""Handshakes: the first bytes of a TLS record, RFC 8446 section 5.1."""


@dataclass
class Attack:
    """Connections of one kind to a server, held until the end of the block."""

    server: LiveServer
    kind: Kind
    lines: list[socket.socket] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Self:
        for _ in range(self.kind.number):
            self.lines.append(self._line())
        self._dripping = threading.Thread(target=self._drip, daemon=True)
        self._dripping.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self._dripping.join()
        for line in self.lines:
            line.close()

    def _line(self) -> socket.socket:
        line = connect(self.server, shakes_hands=self.kind.shakes_hands)
        # Nobody to talk to any more is what a server may do to an attacker at any time.
        with contextlib.suppress(OSError):
            line.sendall(self.kind.first.encode("latin-1"))
        return line

    def _drip(self) -> None:
        while not self.over.wait(EVERY_S):
            for line in self.lines:
                with contextlib.suppress(OSError):
                    line.sendall(self.kind.drip.encode())


def connect(server: LiveServer, *, shakes_hands: bool = True, wait_s: float = 60) -> socket.socket:
    """A connection to a server, with TLS when it speaks that."""
    line = socket.create_connection(("127.0.0.1", server.port), timeout=wait_s)
    if server.scheme == "https" and shakes_hands:
        try:
            return trusting().wrap_socket(line)
        except OSError:
            line.close()
    return line


def trusting() -> ssl.SSLContext:
    """TLS that takes any certificate: attackers do not look."""
    context = ssl.create_default_context()
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


def ask_health(server: LiveServer, *, wait_s: float = 60) -> float:
    """Seconds until a new connection has the health page's answer."""
    handler = urllib.request.HTTPSHandler(context=trusting())
    opened = urllib.request.build_opener(urllib.request.ProxyHandler({}), handler)
    began = time.perf_counter()
    with opened.open(f"{server.address}/healthz", timeout=wait_s) as answer:
        assert Answer(answer.status, {}, answer.read()).json == {"status": "ok"}
    return time.perf_counter() - began


def until_closed(
    line: socket.socket, drip: bytes = b"", *, every_s: float = 0.2
) -> tuple[bytes, float]:
    """What is still answered on a connection, and the seconds until the server closes it."""
    began, answered = time.perf_counter(), b""
    line.settimeout(every_s)
    while time.perf_counter() - began < 300:
        try:
            line.sendall(drip)
            said = line.recv(65536)
        except TimeoutError:
            continue
        except OSError:
            said = b""
        if not said:
            return answered, time.perf_counter() - began
        answered += said
    raise AssertionError("the server did not close the connection")
