"""Runs the server until it is interrupted."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
import ssl
import threading
from collections.abc import Callable

from tornado.netutil import bind_sockets

from legibility.errors import LegibilityError
from legibility.web.app import create_app
from legibility.web.config import ServerConfig
from legibility.web.journal import start_log
from legibility.web.listening import Listening, start_troubles
from legibility.web.state import Server, open_server


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
    start_troubles()
    context = _tls(config)
    try:
        # The address first: a second server must not touch the folder of the one that runs.
        sockets = bind_sockets(config.port, config.host)
    except OSError as error:
        raise LegibilityError(f"{config.host}:{config.port}: cannot listen: {error}") from error
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, _interrupt)
    with contextlib.ExitStack() as at_end:
        for listening in sockets:
            at_end.callback(listening.close)
        server = open(config)
        at_end.callback(server.close)
        for line in welcome(config, server.devices.new_code()):
            say(line)
        asyncio.run(_listen(server, sockets, context))
    raise KeyboardInterrupt


async def _listen(
    server: Server, sockets: list[socket.socket], context: ssl.SSLContext | None
) -> None:
    """Serve until SIGTERM; an interruption ends it from outside."""
    ended = asyncio.Event()
    if threading.current_thread() is threading.main_thread():
        # Raised amid the library's work, an exception could be lost there.
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, ended.set)
    listening = Listening(create_app(server), server, ssl_options=context)
    listening.add_sockets(sockets)
    try:
        await ended.wait()
    finally:
        await listening.end()


def _tls(config: ServerConfig) -> ssl.SSLContext | None:
    if config.certificate is None or config.key is None:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(config.certificate, config.key)
    except (OSError, ssl.SSLError) as error:
        raise LegibilityError(
            f"{config.certificate}, {config.key}: certificate and key cannot be used: {error}"
        ) from error
    return context


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
