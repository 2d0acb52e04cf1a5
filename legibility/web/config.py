"""What a server is started with, and its limits."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from legibility.settings import Settings


@dataclass(frozen=True, slots=True)
class Limits:
    """How much a device may ask for."""

    waiting_photos: int = 60
    """Choice: photos that wait or are being read; three for each of twenty phones. Above it a phone
    is asked to come again, and keeps its photo."""
    uploads_per_minute: float = 60.0
    """Choice: photos one device may send; a person takes a few."""
    requests_per_minute: float = 1200.0
    """Choice: all requests of one device; a page that waits for an answer asks 7 times a second."""
    wrong_codes_per_minute: float = 10.0
    """Choice: wrong codes of one address; with a code of 40 bits guessing is hopeless. Right ones
    do not count: twenty phones may stand behind one address."""
    wrong_codes_at_once: float = 40.0
    """Choice: two slips of each of twenty phones."""
    token_hours: float = 14.0
    """Choice: a long handling day; after it a device is paired again."""
    code_minutes: float = 30.0
    """Choice: how long a pairing code is good for."""
    registry_mib: float = 20.0
    """Choice: a workbook of some hundred thousand animals; more is imported with the command."""
    form_bytes: int = 256 * 1024
    """Choice: largest request that is no photo."""
    pairing_bytes: int = 4096
    """Choice: largest body that is taken from who has no token: a code and a name."""
    head_s: float = 10.0
    """Choice: from the connection, or the answer before, until the head of a request is there
    whole, setting up TLS included."""
    body_s: float = 10.0
    """Choice: for a body; and ``slowest_bytes_s`` for each byte of it."""
    slowest_bytes_s: float = 16 * 1024
    """Choice: slowest network on which a photo comes through: 8 MiB in nine minutes."""
    linger_s: float = 1.0
    """Choice: how long what still comes after a refusal is thrown away. Closed at once, the network
    may lose the refusal itself (RFC 9112 section 9.6)."""
    strangers: int = 128
    """Choice: connections on which no token was shown."""
    strangers_of_one_address: int = 64
    """Choice: twenty phones behind one address, three connections each."""
    paired: int = 256
    """Choice: connections of paired devices; with the strangers' below 1024, which a process has
    files by default."""
    paired_of_one_device: int = 16
    """Choice: browsers open six to one server."""


@dataclass(frozen=True, slots=True)
class ServerConfig:
    """One server for one herd's record."""

    herd: Path
    settings: Settings = field(default_factory=Settings)
    host: str = "127.0.0.1"
    port: int = 8321
    host_names: tuple[str, ...] = ("127.0.0.1", "localhost")
    """Names under which the page may be asked for; others are refused, so that a foreign page
    cannot reach the server by a name that it lets point here."""
    certificate: Path | None = None
    key: Path | None = None
    eyes_first: bool = False
    """Whether a person types what their eyes read before the answer is shown."""
    jobs: int = 0
    """Processes that read photos; 0: one a core."""
    costs: Path | None = None
    """The herd's own figures of handling, for the office."""
    rules: Path | None = None
    """The herd's rules of marks, for risk and claims in the office."""
    test_numbers: bool = False
    """Take transponder numbers of the test range for identities."""
    limits: Limits = field(default_factory=Limits)

    @property
    def secure(self) -> bool:
        """Whether the server speaks TLS."""
        return self.certificate is not None

    @property
    def pairing_page(self) -> str:
        """Where another device pairs; the last name, since the first ones mean this computer."""
        name = self.host_names[-1] if self.host == "0.0.0.0" else self.host
        return f"{'https' if self.secure else 'http'}://{name}:{self.port}/pair"

    @property
    def folder(self) -> Path:
        """What the server keeps beside the record: ``herd.db`` has ``herd.web``."""
        return self.herd.with_suffix(".web")
