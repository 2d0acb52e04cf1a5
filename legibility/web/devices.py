"""Which devices may ask: paired by a code that is used once, then known by a token.

The file holds SHA-256 digests of the tokens, not the tokens. They have 256 random bits, so that no
slow hash is needed (NIST SP 800-63B, 5.1.2: look-up secrets of 112 bits or more).
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

from legibility.web.keeping import read_json, write_json

CODE_ALPHABET: Final = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
"""32 characters that are not taken for each other: no I, O, 0, 1."""
CODE_LENGTH: Final = 8
"""Choice: 40 bits."""
NAME_LENGTH: Final = 40


@dataclass(frozen=True, slots=True)
class Device:
    """A phone or a browser that was paired."""

    device_id: str
    name: str
    token_sha256: str
    paired_at: float
    """Seconds since 1970."""
    expires_at: float
    revoked: bool = False


class Devices:
    """The paired devices and the codes that wait to be used."""

    def __init__(
        self,
        file: Path,
        *,
        token_hours: float,
        code_minutes: float,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self._file = file
        self._token_s = token_hours * 3600
        self._code_s = code_minutes * 60
        self._clock = clock
        self._lock = threading.Lock()
        self._codes: dict[str, float] = {}
        kept = read_json(file) or {"secret": secrets.token_hex(32), "devices": []}
        self._secret = bytes.fromhex(kept["secret"])
        self._devices = {entry["device_id"]: Device(**entry) for entry in kept["devices"]}
        self._save()

    def new_code(self) -> str:
        """A code that pairs one device; it is kept in memory only."""
        code = "".join(secrets.choice(CODE_ALPHABET) for _ in range(CODE_LENGTH))
        with self._lock:
            now = self._clock()
            self._codes = {old: until for old, until in self._codes.items() if until > now}
            self._codes[_digest(code)] = now + self._code_s
        return code

    def pair(self, code: str, *, name: str) -> str | None:
        """The token of a new device; None when the code is wrong, too old or used."""
        wanted = _digest("".join(code.upper().split()).replace("-", ""))
        with self._lock:
            now = self._clock()
            if self._codes.pop(wanted, 0.0) <= now:
                return None
            token = secrets.token_urlsafe(32)
            device = Device(
                secrets.token_hex(6), name[:NAME_LENGTH], _digest(token), now, now + self._token_s
            )
            self._devices[device.device_id] = device
            self._save()
        return token

    def of_token(self, token: str) -> Device | None:
        """The device that a token belongs to, unless it is too old or was revoked."""
        if not token:
            return None
        wanted = _digest(token)
        for device in list(self._devices.values()):
            if hmac.compare_digest(device.token_sha256, wanted):
                good = not device.revoked and device.expires_at > self._clock()
                return device if good else None
        return None

    def csrf_of(self, device: Device) -> str:
        """What a page of this device has to send with each change."""
        return hmac.new(self._secret, device.token_sha256.encode(), hashlib.sha256).hexdigest()

    def revoke(self, device_id: str) -> bool:
        """Shut a device out; False when there is none such."""
        with self._lock:
            if device_id not in self._devices:
                return False
            self._devices[device_id] = replace(self._devices[device_id], revoked=True)
            self._save()
        return True

    def all(self) -> tuple[Device, ...]:
        """Devices that may still ask, newest first."""
        now = self._clock()
        good = [d for d in self._devices.values() if not d.revoked and d.expires_at > now]
        return tuple(sorted(good, key=lambda device: -device.paired_at))

    def _save(self) -> None:
        write_json(
            self._file,
            {"secret": self._secret.hex(), "devices": [asdict(d) for d in self._devices.values()]},
        )


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
