"""Runs the server until it is interrupted."""

from __future__ import annotations

from collections.abc import Callable

from legibility.errors import LegibilityError
from legibility.web.app import create_app
from legibility.web.config import ServerConfig
from legibility.web.journal import start_log
from legibility.web.state import open_server

THREADS = 32
"""Choice: twenty phones of which some send slowly."""


def serve(config: ServerConfig, say: Callable[[str], None]) -> None:
    """Serve until interrupted.

    Raises
    ------
    LegibilityError
        If the address is taken or the certificate cannot be used.
    """
    from cheroot.ssl.builtin import BuiltinSSLAdapter
    from cheroot.wsgi import Server as WSGIServer

    start_log()
    server = open_server(config)
    listening = WSGIServer(
        (config.host, config.port), create_app(server), numthreads=THREADS,
        server_name="legibility", request_queue_size=64, timeout=30,
    )  # fmt: skip
    if config.certificate is not None and config.key is not None:
        listening.ssl_adapter = BuiltinSSLAdapter(str(config.certificate), str(config.key))
    try:
        listening.prepare()
        for line in welcome(config, server.devices.new_code()):
            say(line)
        listening.serve()
    except OSError as error:
        raise LegibilityError(f"{config.host}:{config.port}: cannot listen: {error}") from error
    finally:
        listening.stop()
        server.dispatcher.close()
        server.office.close()


def welcome(config: ServerConfig, code: str) -> tuple[str, ...]:
    """What the terminal says at the start: address, code, QR code, and whether TLS is used."""
    import io

    import segno

    name = config.host_names[-1] if config.host == "0.0.0.0" else config.host
    address = f"{'https' if config.secure else 'http'}://{name}:{config.port}/pair"
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
