"""A server that really runs in a process of its own, and a plain phone that talks to it."""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from http.cookiejar import CookieJar
from pathlib import Path
from typing import IO, Any, Self

ROOT = Path(__file__).parents[2]
CODE = re.compile(r"\b([A-Z0-9]{4})-([A-Z0-9]{4})$")


def free_port() -> int:
    """A port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def new_id() -> str:
    """An id as the page makes them."""
    return secrets.token_hex(16)


@dataclass
class LiveServer:
    """``legibility serve`` (or a stand-in with the same output), killed and started at will."""

    herd: Path
    options: tuple[str, ...] = ()
    program: tuple[str, ...] = (sys.executable, "-m", "legibility", "serve")
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[str] | None = None
    said: list[str] = field(default_factory=list)
    log: Path = Path()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def scheme(self) -> str:
        return "https" if {"--tls", "--cert"} & set(self.options) else "http"

    @property
    def address(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it and wait until it has printed its pairing code."""
        python_path = os.pathsep.join(filter(None, (str(ROOT), os.environ.get("PYTHONPATH"))))
        self.log = self.herd.with_name(f"log-{time.monotonic_ns()}.jsonl")
        with self.log.open("w") as errors:
            self.process = subprocess.Popen(
                [*self.program, str(self.herd), "--port", str(self.port), *self.options],
                stdout=subprocess.PIPE,
                stderr=errors,
                text=True,
                env={**os.environ, "PYTHONUNBUFFERED": "1", "PYTHONPATH": python_path},
                start_new_session=True,
            )
        assert self.process.stdout is not None
        self.said = list(_until_code(self.process.stdout, self.log))

    @property
    def code(self) -> str:
        """The pairing code of the start."""
        found = [match for line in self.said if (match := CODE.search(line))]
        return "".join(found[0].groups())

    def stop(self, how: signal.Signals = signal.SIGTERM) -> int:
        """End it; with SIGKILL as a loss of power would.

        Not with SIGINT: programs started in the background do not hear it.
        """
        if self.process is None:
            return 0
        if how is signal.SIGKILL:
            # The pool's processes too: nothing of the server outlives a loss of power.
            os.killpg(self.process.pid, how)
        else:
            self.process.send_signal(how)
        rc = self.process.wait(timeout=300)
        assert self.process.stdout is not None
        self.process.stdout.close()
        self.process = None
        return rc

    @property
    def is_running(self) -> bool:
        return self.process is not None and self.process.poll() is None


def _until_code(out: IO[str], log: Path) -> Any:
    for line in out:
        yield line.rstrip("\n")
        if CODE.search(line.strip()):
            return
    raise AssertionError(f"the server ended before it gave a code: {log.read_text()[-2000:]}")


@dataclass
class Answer:
    """Status, headers and body of an answer."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class HttpPhone:
    """A paired device without a browser."""

    def __init__(self, address: str, code: str, *, certificate: Path | None = None) -> None:
        self.address = address
        trust = ssl.create_default_context(cafile=str(certificate)) if certificate else None
        handlers = [urllib.request.HTTPSHandler(context=trust)] if trust else []
        self.cookies = CookieJar()
        self._open = urllib.request.build_opener(
            urllib.request.ProxyHandler({}),
            urllib.request.HTTPCookieProcessor(self.cookies),
            *handlers,
        )
        self.csrf = ""
        paired = self.ask("POST", "/pair", f"code={code}&name=phone".encode())
        assert paired.status == 200, paired.body
        found = re.search(rb'name="csrf" content="(\w+)"', paired.body)
        assert found is not None
        self.csrf = found[1].decode()

    def ask(
        self, method: str, path: str, body: object = None, headers: dict[str, str] | None = None
    ) -> Answer:
        """Ask; a body that is no bytes is sent as JSON."""
        said = {"X-CSRF-Token": self.csrf, **(headers or {})}
        data = body if isinstance(body, bytes) else None
        if body is not None and data is None:
            data = json.dumps(body).encode()
            said.setdefault("Content-Type", "application/json")
        asked = urllib.request.Request(self.address + path, data=data, headers=said, method=method)
        try:
            with self._open.open(asked, timeout=300) as answer:
                return Answer(answer.status, dict(answer.headers), answer.read())
        except urllib.error.HTTPError as error:
            with error:
                return Answer(error.code, dict(error.headers), error.read())

    def new_code(self) -> str:
        """A code for one more device, as the page of devices gives it."""
        body = self.ask("POST", "/devices/code", f"csrf={self.csrf}".encode()).body.decode()
        found = re.search(r"([A-Z0-9]{4})-([A-Z0-9]{4})", body)
        assert found is not None
        return "".join(found.groups())

    def begin(self, visit: str | None = None) -> str:
        """Begin a visit."""
        visit = visit or new_id()
        assert self.ask("PUT", f"/api/visits/{visit}", {}).status == 200
        return visit

    def send(self, visit: str, photo: bytes, upload: str | None = None) -> tuple[str, Answer]:
        """Send a photo."""
        upload = upload or new_id()
        return upload, self.ask("PUT", f"/api/visits/{visit}/photos/{upload}?stage=cleaned", photo)

    def rest(self) -> None:
        """Wait a little before it is tried again."""
        time.sleep(0.2)

    def wait_until_read(self, visit: str, number: int, *, wait_s: float = 600) -> None:
        """Until so many photos of a visit have their answer."""
        end = time.monotonic() + wait_s
        while time.monotonic() < end:
            photos = self.ask("GET", f"/api/visits/{visit}").json["photos"]
            if len(photos) == number and all(photo["state"] == "done" for photo in photos):
                return
            time.sleep(0.5)
        raise AssertionError("not all photos were read")

    def photo_of(self, visit: str, upload: str) -> dict[str, Any]:
        """What is known of a photo now."""
        said = self.ask("GET", f"/api/visits/{visit}").json
        return next(dict(photo) for photo in said["photos"] if photo["upload_id"] == upload)

    def answer_of(self, visit: str, upload: str, *, wait_s: float = 300) -> dict[str, Any]:
        """The answer to a photo once there is one."""
        end = time.monotonic() + wait_s
        while time.monotonic() < end:
            said = self.ask("GET", f"/api/visits/{visit}").json
            for photo in said["photos"]:
                if photo["upload_id"] == upload and photo["state"] != "waiting":
                    return dict(photo)
            time.sleep(0.1)
        raise AssertionError("no answer")


class Road:
    """A way to a server on which what is sent may be slow."""

    def __init__(self, to: int) -> None:
        self.bytes_s = 0
        """Bytes a second towards the server; 0 is no limit."""
        self.carried = 0
        """Bytes carried towards the server until now."""
        self._to = to
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()

    def _accept(self) -> None:
        while True:
            try:
                here, _ = self._listening.accept()
            except OSError:
                return
            try:
                there = socket.create_connection(("127.0.0.1", self._to))
            except OSError:
                here.close()
                continue
            for source, target, slow in ((here, there, True), (there, here, False)):
                carry = threading.Thread(
                    target=self._carry, args=(source, target, slow), daemon=True
                )
                carry.start()

    def _carry(self, source: socket.socket, target: socket.socket, slow: bool) -> None:
        with source:
            try:
                while data := source.recv(2048):
                    target.sendall(data)
                    self.carried += len(data) if slow else 0
                    if slow and self.bytes_s:
                        time.sleep(len(data) / self.bytes_s)
            except OSError:
                pass
            with contextlib.suppress(OSError):
                target.shutdown(socket.SHUT_RDWR)
