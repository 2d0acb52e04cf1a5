"""Runs the server until it is interrupted."""

from __future__ import annotations

import signal
import ssl
import threading
import time
from collections.abc import Callable
from typing import Any, Final

from cheroot.server import HTTPConnection
from cheroot.ssl.builtin import BuiltinSSLAdapter
from cheroot.wsgi import Server as WSGIServer

from legibility.errors import LegibilityError
from legibility.photo.load import MIB
from legibility.web.app import create_app
from legibility.web.config import ServerConfig
from legibility.web.journal import log, start_log
from legibility.web.state import Server, open_server

THREADS: Final = 32
"""Choice: twenty phones of which some send slowly."""
HEADER_BYTES: Final = 64 * 1024
"""Choice: longest head of a request."""
LOOK_S: Final = 0.5
"""Choice: how often it is looked whether the server still runs; interruptions come at once."""
START_LOOK_S: Final = 0.01
"""Choice: how often it is looked whether a server that is to end has begun to serve."""
BODY_SLACK: Final = 4096
"""Bytes above the largest photo at which a body is not taken in at all; below it the refusal is
told in words."""


class LateHandshake(BuiltinSSLAdapter):
    """Leaves the handshake to the thread that serves the connection.

    Done while connections are accepted, one device that connects and says nothing would hold up
    all others until the timeout.
    """

    def wrap(self, sock: Any) -> tuple[Any, dict[str, str]]:
        """The socket with TLS, and what the application is told of it."""
        wrapped = self.context.wrap_socket(
            sock, server_side=True, do_handshake_on_connect=False, suppress_ragged_eofs=True
        )
        return wrapped, {"wsgi.url_scheme": "https", "HTTPS": "on"}


class Listening(WSGIServer):
    """A WSGI server that silent devices do not hold up, and whose troubles go to the log."""

    def error_log(self, msg: str = "", level: int = 20, traceback: bool = False) -> None:
        """Log the kind of trouble; the text is left out, because it may hold an address."""
        log("connection trouble", level=level, failed=traceback)

    def process_conn(self, conn: HTTPConnection) -> None:
        """Give a connection to a thread once something was said on it.

        A new one would take a thread at once, so that a few silent devices would hold up all.
        """
        if conn.last_used is None:
            self.put_conn(conn)
        else:
            super().process_conn(conn)


def serve(
    config: ServerConfig,
    say: Callable[[str], None],
    *,
    open: Callable[[ServerConfig], Server] = open_server,
) -> None:
    """Serve until interrupted or ended by SIGTERM.

    Raises
    ------
    LegibilityError
        If the address is taken or the certificate cannot be used.
    """
    start_log()
    listening = Listening(
        (config.host, config.port), None, numthreads=THREADS,
        server_name="legibility", request_queue_size=64, timeout=30,
    )  # fmt: skip
    listening.max_request_header_size = HEADER_BYTES
    listening.max_request_body_size = int(config.settings.max_file_mib * MIB) + BODY_SLACK
    if config.certificate is not None and config.key is not None:
        listening.ssl_adapter = _adapter(config)
    try:
        # The address first: a second server must not touch the folder of the one that runs.
        listening.prepare()
    except OSError as error:
        raise LegibilityError(f"{config.host}:{config.port}: cannot listen: {error}") from error
    server = open(config)
    listening.wsgi_app = create_app(server)
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, _interrupt)
    try:
        for line in welcome(config, server.devices.new_code()):
            say(line)
        _serve_apart(listening)
    finally:
        listening.stop()
        server.close()


def _adapter(config: ServerConfig) -> LateHandshake:
    try:
        adapter = LateHandshake(str(config.certificate), str(config.key))
    except (OSError, ssl.SSLError) as error:
        raise LegibilityError(
            f"{config.certificate}, {config.key}: certificate and key cannot be used: {error}"
        ) from error
    adapter.context.minimum_version = ssl.TLSVersion.TLSv1_2
    return adapter


def _serve_apart(listening: Listening) -> None:
    """Serve in another thread until this one is interrupted.

    An interruption is raised wherever the main thread is; amid the queue of connections it could
    lose the wake-up of a thread, and stopping would wait for that thread for ever. A server that is
    stopped before it serves would forget it; so one that was just started is waited for.
    """
    serving = threading.Thread(target=listening.serve, name="serving", daemon=True)
    try:
        serving.start()
        while serving.is_alive():
            time.sleep(LOOK_S)
    finally:
        while serving.is_alive() and not listening.ready:
            time.sleep(START_LOOK_S)


def _interrupt(*_: object) -> None:
    raise KeyboardInterrupt


def welcome(config: ServerConfig, code: str) -> tuple[str, ...]:
    """What the terminal says at the start: address, code, QR code, and whether TLS is used."""
    import io

    import segno

    address = config.pairing_page
    lines = [f"Open {address}", f"Pairing code (once, for one device): {code[:4]}-{code[4:]}"]
    if config.host != "127.0.0.1":
        picture = io.StringIO()
        segno.make(f"{address}#{code}", error="m").terminal(out=picture, compact=True)
        lines.append(picture.getvalue().rstrip("\n"))
        if not config.secure:
            lines.append(
                "WITHOUT TLS: who listens on this network sees the photos and can take over a "
                "paired phone; use a network of your own, or --tls."
            )
    return tuple(lines)
