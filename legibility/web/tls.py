"""A certificate for the local network, made here when none is given."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from legibility.errors import LegibilityError

DAYS: Final = 397
"""Browsers refuse longer ones: CA/Browser Forum Baseline Requirements 6.3.2 (from memory)."""


def own_certificate(folder: Path, names: Sequence[str]) -> tuple[Path, Path]:
    """Certificate and key for these names and addresses, made by the program ``openssl``.

    The last one is kept as long as it is good for all of them, because each device has to be told
    to trust a new one.

    Raises
    ------
    LegibilityError
        If ``openssl`` is not installed or fails.
    """
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    program = shutil.which("openssl")
    if program is None:
        raise LegibilityError(
            "--tls makes a certificate with the program openssl, which is not installed; install "
            "it, or give --cert FILE --key FILE"
        )
    if certificate.exists() and key.exists() and _is_good(program, certificate, names):
        return certificate, key
    alternatives = ",".join(f"{'IP' if _is_address(n) else 'DNS'}:{n}" for n in names)
    command = [
        program, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
        "-nodes", "-days", str(DAYS), "-subj", "/CN=legibility", "-addext",
        f"subjectAltName={alternatives}", "-keyout", str(key), "-out", str(certificate),
    ]  # fmt: skip
    before = os.umask(0o077)
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    finally:
        os.umask(before)
    if done.returncode != 0:
        last = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        raise LegibilityError(f"openssl made no certificate: {last}")
    return certificate, key


def _is_good(program: str, certificate: Path, names: Sequence[str]) -> bool:
    """Whether a certificate holds for another day, and for all of these names."""
    day_s = "86400"
    asked = [["-checkend", day_s]]
    asked += [["-checkip" if _is_address(name) else "-checkhost", name] for name in names]
    for question in asked:
        done = subprocess.run(
            [program, "x509", "-in", str(certificate), "-noout", *question],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        # Before version 3.5 openssl answers questions of names in words only.
        if done.returncode != 0 or "does NOT match" in done.stdout:
            return False
    return True


def fingerprint(certificate: Path) -> str:
    """SHA-256 of a certificate as browsers show it, so that a person can compare.

    Raises
    ------
    LegibilityError
        If the file is no certificate.
    """
    import hashlib
    import ssl

    try:
        der = ssl.PEM_cert_to_DER_cert(certificate.read_text("ascii"))
    except (OSError, ValueError) as error:
        raise LegibilityError(f"{certificate}: is no certificate in PEM form: {error}") from error
    digest = hashlib.sha256(der).hexdigest().upper()
    return ":".join(digest[at : at + 2] for at in range(0, len(digest), 2))


def local_addresses() -> tuple[str, ...]:
    """IPv4 addresses under which other devices reach this computer; nothing is sent."""
    found: list[str] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # RFC 5737 documentation address: choosing a route sends no packet.
            probe.connect(("192.0.2.1", 9))
            found.append(probe.getsockname()[0])
        except OSError:
            pass
    with contextlib.suppress(OSError):
        found += [
            str(info[4][0])
            for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        ]
    return tuple(dict.fromkeys(a for a in found if not a.startswith("127.")))


def _is_address(name: str) -> bool:
    try:
        socket.inet_aton(name)
    except OSError:
        return False
    return name.count(".") == 3
