"""Connections: received within deadlines by one thread, answered by the application in others.

No thread of the application ever waits for the network, so nobody who says little holds one.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import tempfile
import time
from collections.abc import Callable, Generator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import timedelta
from io import BytesIO
from typing import IO, Any, Final, TypeVar

from flask import Flask
from tornado.gen import with_timeout
from tornado.http1connection import HTTP1Connection, HTTP1ServerConnection
from tornado.httpserver import HTTPServer
from tornado.httputil import (
    HTTPConnection,
    HTTPHeaders,
    HTTPInputError,
    HTTPMessageDelegate,
    HTTPServerRequest,
    RequestStartLine,
    ResponseStartLine,
    format_timestamp,
)
from tornado.ioloop import IOLoop
from tornado.iostream import IOStream, StreamClosedError
from tornado.wsgi import WSGIContainer

from legibility.web.config import Limits
from legibility.web.guard import Entry, look_at_head
from legibility.web.journal import log
from legibility.web.rooms import Room
from legibility.web.state import Server

R = TypeVar("R")
HEAD_BYTES: Final = 64 * 1024
"""Choice: longest head of a request."""
BLOCK: Final = 64 * 1024
"""Choice: bytes of an answer that are sent at once, at least."""
PAIRED_THREADS: Final = 16
"""Choice: requests of paired devices that are answered at once."""
STRANGE_THREADS: Final = 4
"""Choice: requests without a token that are answered at once; the health page is one."""
ANY_LENGTH: Final = 1 << 62
"""A body of which every byte is thrown away may be as long as it likes."""


class Troubles(logging.Handler):
    """Troubles with connections go to the log without their text, which may hold an address."""

    def emit(self, record: logging.LogRecord) -> None:
        """Log one."""
        log("connection trouble", level=record.levelno, failed=record.exc_info is not None)


def start_troubles() -> None:
    """Send what the library and the event loop say to the server's log."""
    for name in ("tornado", "asyncio"):
        logger = logging.getLogger(name)
        logger.handlers[:] = [Troubles(logging.WARNING)]
        logger.propagate = False


class Listening(HTTPServer):
    """Connections of strangers and of paired devices, each in a room of their own."""

    def initialize(  # type: ignore[override]
        self, app: Flask, server: Server, **options: Any
    ) -> None:
        """Take the application; options are those of the library."""
        limits = server.config.limits
        super().initialize(
            _unused, max_header_size=HEAD_BYTES, idle_connection_timeout=limits.head_s, **options
        )
        self.app, self.server, self.limits = app, server, limits
        self.strangers: Room[IOStream] = Room(limits.strangers, limits.strangers_of_one_address)
        self.paired: Room[IOStream] = Room(limits.paired, limits.paired_of_one_device)
        self.threads = {
            kind: ThreadPoolExecutor(number, thread_name_prefix=kind)
            for kind, number in (("paired", PAIRED_THREADS), ("strange", STRANGE_THREADS))
        }
        self.container = WSGIContainer(app, self.threads["paired"])

    def handle_stream(self, stream: IOStream, address: tuple[Any, ...]) -> None:
        """Take a new connection in; its TLS is not set up yet."""
        self._make_room(self.strangers.enter(stream, str(address[0])), "strange")
        super().handle_stream(stream, address)

    def start_request(
        self, server_conn: object, request_conn: HTTPConnection
    ) -> HTTPMessageDelegate:
        """Receive a request."""
        assert isinstance(server_conn, HTTP1ServerConnection)
        assert isinstance(request_conn, HTTP1Connection)
        return Receiving(self, server_conn.stream, request_conn)

    def on_close(self, server_conn: object) -> None:
        """Forget a connection."""
        assert isinstance(server_conn, HTTP1ServerConnection)
        self.strangers.leave(server_conn.stream)
        self.paired.leave(server_conn.stream)
        super().on_close(server_conn)

    def know(self, stream: IOStream, entry: Entry) -> None:
        """Give a connection on which a token was shown the room that is kept for devices."""
        if entry.device_id:
            self.strangers.leave(stream)
            self._make_room(self.paired.enter(stream, entry.device_id), "paired")

    async def end(self) -> None:
        """Stop listening and close all connections."""
        self.stop()
        await self.close_all_connections()
        for threads in self.threads.values():
            threads.shutdown(wait=False, cancel_futures=True)

    def _make_room(self, stream: IOStream | None, whose: str) -> None:
        if stream is not None:
            self.server.measures.count("gave_way_total", whose=whose)
            stream.close()


def _unused(_: HTTPServerRequest) -> None:
    raise AssertionError("requests are received by start_request")


@dataclass(slots=True)
class Answer:
    """What the application answers."""

    status: str
    headers: list[tuple[str, str]]
    blocks: Generator[bytes, None, None]


class Receiving(HTTPMessageDelegate):
    """One request, from its head to the end of its answer."""

    def __init__(self, listening: Listening, stream: IOStream, conn: HTTP1Connection) -> None:
        self._listening = listening
        self._stream = stream
        self._conn = conn
        self._limits: Limits = listening.limits
        self._entry = Entry("", 0)
        self._environ: dict[str, Any] = {}
        self._body: IO[bytes] = BytesIO()
        self._is_refused = False
        """Whether it was answered by its head, so that what still comes is thrown away."""

    async def headers_received(
        self, start_line: RequestStartLine | ResponseStartLine, headers: HTTPHeaders
    ) -> None:
        """Decide by the head how much is received and until when."""
        assert isinstance(start_line, RequestStartLine)
        here, limits = self._listening, self._limits
        said = headers.get("Content-Length", "0")
        try:
            # A copy, because the library takes headers out of it that are still needed.
            asked = HTTPServerRequest(
                connection=self._conn, start_line=start_line, headers=headers.copy()
            )
            self._environ = here.container.environ(asked)
        except (HTTPInputError, ValueError):
            self._refuse()
            bad = HTTPHeaders({"Content-Length": "0", "Connection": "close"})
            await self._sent(
                self._conn.write_headers(ResponseStartLine("HTTP/1.1", 400, "Bad Request"), bad)
            )
            return
        self._entry = look_at_head(here.app, self._environ, here.server.config, here.server.devices)
        here.know(self._stream, self._entry)
        # A length that is no number, or beside a transfer coding, is refused by the library.
        length = int(said) if said.isascii() and said.isdigit() and len(said) < 16 else 0
        chunked = "Transfer-Encoding" in headers and "Content-Length" not in headers
        if length > self._entry.most_bytes or chunked:
            self._refuse()
            await self._answer()
            return
        self._conn.set_max_body_size(length)
        self._conn.set_body_timeout(limits.body_s + length / limits.slowest_bytes_s)
        if length > 0:
            self._body = tempfile.SpooledTemporaryFile(  # noqa: SIM115
                limits.form_bytes, dir=str(here.server.config.folder)
            )

    def data_received(self, chunk: bytes) -> None:
        """Keep what comes of the body."""
        if not self._is_refused:
            self._body.write(chunk)

    def finish(self) -> None:
        """Answer a request that is there whole."""
        if self._is_refused:
            self._stream.close()
        else:
            self._body.seek(0)
            IOLoop.current().spawn_callback(self._answer)

    def on_connection_close(self) -> None:
        """Forget what came of a request that does not come whole."""
        self._body.close()

    def _refuse(self) -> None:
        self._is_refused = True
        self._conn.set_max_body_size(ANY_LENGTH)
        self._conn.set_body_timeout(self._limits.linger_s)

    async def _answer(self) -> None:
        environ = self._environ | {"wsgi.input": self._body}
        try:
            answer = await self._in_thread(_begin, self._listening.app, environ)
            with contextlib.closing(answer.blocks):
                await self._send(answer)
        except (StreamClosedError, TimeoutError):
            self._stream.close()
        except Exception:
            log("answer failed", level=logging.ERROR, failed=True)
            self._stream.close()
        finally:
            self._body.close()

    async def _send(self, answer: Answer) -> None:
        number, _, reason = answer.status.partition(" ")
        headers = HTTPHeaders({"Server": "legibility", "Date": format_timestamp(time.time())})
        for name, value in answer.headers:
            headers.add(name, value)
        if self._is_refused:
            headers["Connection"] = "close"
        first = await self._in_thread(next, answer.blocks, b"")
        line = ResponseStartLine("HTTP/1.1", int(number), reason)
        await self._sent(self._conn.write_headers(line, headers, first))
        while block := await self._in_thread(next, answer.blocks, b""):
            await self._sent(self._conn.write(block))
        if not self._is_refused:
            self._conn.finish()

    async def _sent(self, sending: asyncio.Future[None]) -> None:
        seconds = self._limits.body_s + BLOCK / self._limits.slowest_bytes_s
        await with_timeout(timedelta(seconds=seconds), sending, StreamClosedError)

    async def _in_thread(self, function: Callable[..., R], *args: object) -> R:
        threads = self._listening.threads["paired" if self._entry.device_id else "strange"]
        return await asyncio.get_running_loop().run_in_executor(threads, function, *args)


def _begin(app: Flask, environ: dict[str, Any]) -> Answer:
    """Have the application answer; its body is read in blocks later."""
    heads: list[tuple[str, list[tuple[str, str]]]] = []

    def start(
        status: str, headers: list[tuple[str, str]], _: object = None, /
    ) -> Callable[[bytes], object]:
        heads.append((status, headers))
        return written.append

    written: list[bytes] = []
    parts = app(environ, start)
    return Answer(*heads[-1], _blocks(parts))


def _blocks(parts: Any) -> Generator[bytes, None, None]:
    """Parts of an answer put together to blocks; the application's end is told at the end."""
    with contextlib.closing(parts):
        block = bytearray()
        for part in parts:
            block += part
            if len(block) >= BLOCK:
                yield bytes(block)
                block.clear()
        if block:
            yield bytes(block)
