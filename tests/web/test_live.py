"""The real server in a process of its own: TLS, cut uploads, loss of power, what it prints."""

from __future__ import annotations

import json
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from legibility.store.database import create_herd
from legibility.web.tls import fingerprint, own_certificate

from .barn import ARRANGED
from .live import ROOT, HttpPhone, LiveServer, new_id

JPEG = (ROOT / "sample_images" / "as-new.jpg").read_bytes()


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    file = tmp_path / "herd.db"
    create_herd(file).close()
    return file


@pytest.fixture
def live(herd: Path) -> Iterator[LiveServer]:
    with LiveServer(herd, program=ARRANGED) as server:
        yield server


def processes_of(group: int) -> list[int]:
    """Processes of a group, from the kernel (proc(5): the fifth field of stat)."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = entry.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[2]) == group and fields[0] != "Z":
            found.append(int(entry.parent.name))
    return found


def test_a_body_that_is_cut_leaves_nothing(live, herd: Path) -> None:
    phone = HttpPhone(live.address, live.code)
    visit, upload = phone.begin(), new_id()
    cookie = "; ".join(f"{c.name}={c.value}" for c in phone.cookies)
    head = (
        f"PUT /api/visits/{visit}/photos/{upload} HTTP/1.1\r\nHost: 127.0.0.1:{live.port}\r\n"
        f"Cookie: {cookie}\r\nX-CSRF-Token: {phone.csrf}\r\nContent-Length: {len(JPEG)}\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", live.port)) as line:
        line.sendall(head.encode() + JPEG[:1000])
        line.shutdown(socket.SHUT_WR)
        # RFC 9112 section 8: an answer to what did not come whole may be given, and need not.
        assert line.recv(65536) == b""
    uploads = herd.with_suffix(".web") / "uploads"
    assert list(uploads.iterdir()) == []
    _, whole = phone.send(visit, JPEG, upload)
    assert whole.status == 201
    assert phone.answer_of(visit, upload)["state"] == "done"


@pytest.mark.parametrize("end", ["SIGKILL", "SIGTERM"])
def test_no_process_outlives_the_server(herd: Path, end: str) -> None:
    """The pool's processes end with the server, also when it was killed."""
    import os
    import signal

    server = LiveServer(herd, ("--jobs", "1"))
    server.start()
    assert server.process is not None
    group = server.process.pid
    os.kill(group, getattr(signal, end))
    server.process.wait(timeout=300)
    until = time.monotonic() + 300
    while processes_of(group) and time.monotonic() < until:
        time.sleep(0.1)
    left = processes_of(group)
    server.stop()
    assert left == []


def test_tls_with_the_own_certificate(herd: Path) -> None:
    """A client that trusts this certificate connects; one that does not, refuses."""
    with LiveServer(herd, ("--tls", "--command"), ARRANGED) as server:
        certificate = herd.with_suffix(".web") / "certificate.pem"
        assert any(fingerprint(certificate) in line for line in server.said)
        phone = HttpPhone(server.address, server.code, certificate=certificate)
        assert phone.ask("GET", "/api/visits").status == 200
        assert all(cookie.secure for cookie in phone.cookies)
        headers = phone.ask("GET", "/").headers
        assert "max-age" in headers["Strict-Transport-Security"]
        with (
            pytest.raises(ssl.SSLCertVerificationError),
            socket.create_connection(("127.0.0.1", server.port)) as line,
        ):
            ssl.create_default_context().wrap_socket(line, server_hostname="127.0.0.1")
        # Devices that connect and say nothing hold up nobody: they are still waited for then.
        silent = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(40)]
        assert phone.ask("GET", "/healthz").status == 200
        for line in silent:
            line.setblocking(False)
            with pytest.raises(BlockingIOError):
                line.recv(1)
            line.close()


def test_tls_with_a_given_certificate(herd: Path, tmp_path: Path) -> None:
    own = tmp_path / "own"
    own.mkdir()
    certificate, key = own_certificate(own, ("127.0.0.1", "barn.example"))
    options = ("--cert", str(certificate), "--key", str(key), "--host-name", "barn.example")
    with LiveServer(herd, (*options, "--command"), ARRANGED) as server:
        phone = HttpPhone(server.address, server.code, certificate=certificate)
        assert phone.ask("GET", "/healthz").json == {"status": "ok"}
    assert own_certificate(own, ("127.0.0.1",)) == (certificate, key)
    before = certificate.read_bytes()
    own_certificate(own, ("127.0.0.1", "192.0.2.7"))
    assert certificate.read_bytes() != before


def test_a_certificate_that_cannot_be_used(herd: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.pem"
    bad.write_text("no certificate")
    command = [sys.executable, "-m", "legibility", "serve", str(herd), "--cert", str(bad)]
    done = subprocess.run(
        [*command, "--key", str(bad)], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert done.returncode != 0
    assert "bad.pem" in done.stderr
    assert "Traceback" not in done.stderr


def test_lan_shows_a_square_and_says_that_there_is_no_tls(herd: Path) -> None:
    server = LiveServer(herd, ("--lan", "--command"), ARRANGED)
    with server:
        assert server.process is not None
        assert server.process.stdout is not None
        printed = [server.process.stdout.readline() for _ in range(19)]
        while printed[-1] and "WITHOUT TLS" not in printed[-1]:
            printed.append(server.process.stdout.readline())
        assert any("█" in line for line in printed)
        assert "WITHOUT TLS" in printed[-1]


def test_a_photo_is_judged_while_all_readers_are_busy(herd: Path) -> None:
    """The word on the photo itself does not wait behind readings."""
    with LiveServer(herd, ("--pool", "--slow", "250"), ARRANGED) as server:
        phone = HttpPhone(server.address, server.code)
        visit = phone.begin()
        sent = [phone.send(visit, JPEG + bytes([number]))[0] for number in range(6)]
        until = time.monotonic() + 240
        while "check" not in (last := phone.photo_of(visit, sent[-1])):
            assert time.monotonic() < until
            time.sleep(0.2)
        assert last["state"] == "waiting"


def test_the_log_names_nobody(live, herd: Path) -> None:
    phone = HttpPhone(live.address, live.code)
    visit = phone.begin()
    phone.ask("PUT", f"/api/visits/{visit}", {"label": "Secret Name"})
    upload, _ = phone.send(visit, JPEG)
    phone.answer_of(visit, upload)
    phone.ask("POST", f"/api/visits/{visit}/transponder", {"text": "982000123456789"})
    phone.ask("GET", "/Secret%20Name")
    lines = [json.loads(line) for line in live.log.read_text().splitlines() if line[:1] == "{"]
    assert {"request"} <= {line["what"] for line in lines}
    text = live.log.read_text()
    for private in ("Secret", "982000123456789", visit, upload, "127.0.0.1", "herd"):
        assert private not in text


def test_the_record_is_copied_while_it_is_used(live, herd: Path, tmp_path: Path) -> None:
    phone = HttpPhone(live.address, live.code)
    upload, _ = phone.send(visit := phone.begin(), JPEG)
    phone.answer_of(visit, upload)
    assert phone.ask("POST", "/backup", f"csrf={phone.csrf}".encode()).status == 200
    (copy,) = tmp_path.glob("herd-*.db")
    command = [sys.executable, "-m", "legibility", "herd", "check", str(copy)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode in (0, 10), done.stderr
    assert "damage" not in done.stderr


def test_a_busy_server_ends_when_it_is_told_to(herd: Path) -> None:
    """Told so while many connections come and go: it happens by chance, so a few times."""
    for pause_s in (0.0, 0.002, 0.004, 0.006):
        server = LiveServer(herd, ("--command",), ARRANGED)
        server.start()
        lines = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(60)]
        for line in lines:
            line.close()
        time.sleep(pause_s)
        server.stop()
