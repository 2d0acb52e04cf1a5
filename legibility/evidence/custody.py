"""Heads of a chain noted elsewhere, pictures derived from originals, and what neither proves."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from legibility.errors import EvidenceError

FORMAT: Final = 1
NOT_PROVED: Final = (
    "A chain of hashes shows that nothing in it was changed, dropped, moved or doubled since the "
    "head that you compare it with was noted. Without a head noted elsewhere, whoever may write "
    "this file can compute a whole new chain, or drop its last entries.",
    "Times are those of this computer's clock, and names are as they were typed: the chain proves "
    "neither when nor by whom.",
    "A digest shows that a photo's bytes are those that were taken in. It does not show that the "
    "photo is genuine, nor which animal it was taken of.",
    "Only entries and photos are sealed. Other rows of the record can be changed without a trace "
    "here, as far as no entry names their content.",
)
_LINE: Final = re.compile(r"^\s*(\d{1,12})\s+([0-9a-f]{64})\b", re.MULTILINE)
LARGEST_ANCHOR: Final = 100_000
"""Choice: bytes of a file with a noted head; one is some 300."""


@dataclass(frozen=True, slots=True)
class Anchor:
    """The head of a chain at some time: its number of entries and its last hash."""

    entries: int
    head: str
    """64 hex digits; zeros for an empty chain."""
    at: str = ""
    """Of the last entry, as recorded."""
    herd: str = ""
    """Identifier of the record; empty where it was not noted."""

    @property
    def line(self) -> str:
        """What fits on paper or into a message."""
        return f"{self.entries} {self.head}"


def anchor_text(anchor: Anchor) -> str:
    """The file that :func:`load_anchor` reads."""
    record = {
        "format": FORMAT,
        "entries": anchor.entries,
        "head": anchor.head,
        "at": anchor.at,
        "herd": anchor.herd,
    }
    return json.dumps(record, indent=1) + "\n"


def load_anchor(path: Path) -> Anchor:
    """A noted head: an exported file, or any text with a line of number and hash.

    Raises
    ------
    EvidenceError
        If the file cannot be read or holds none.
    """
    try:
        with path.open("rb") as file:
            text = file.read(LARGEST_ANCHOR + 1).decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise EvidenceError(f"{path}: cannot be read as a noted head: {error}") from error
    if len(text) > LARGEST_ANCHOR:
        raise EvidenceError(f"{path}: is too large for a noted head")
    if text.lstrip().startswith("{"):
        return _from_json(path, text)
    found = _LINE.findall(text.lower())
    if len(found) != 1:
        raise EvidenceError(
            f"{path}: holds {len(found)} lines of a number of entries and a hash of 64 hex digits; "
            "expected one, as legibility verify --print-head writes it"
        )
    return Anchor(int(found[0][0]), found[0][1])


def _from_json(path: Path, text: str) -> Anchor:
    try:
        values: Any = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise EvidenceError(f"{path}: cannot be read as a noted head: {error}") from error
    entries, head = values.get("entries"), values.get("head")
    if values.get("format") != FORMAT or type(entries) is not int or entries < 0:
        raise EvidenceError(f"{path}: expected format {FORMAT} and a number of entries")
    if not isinstance(head, str) or not re.fullmatch(r"[0-9a-f]{64}", head):
        raise EvidenceError(f"{path}: head is {str(head)[:80]!r}; expected 64 hex digits")
    at, herd = (str(values.get(name) or "") for name in ("at", "herd"))
    return Anchor(entries, head, at, herd)


@dataclass(frozen=True, slots=True)
class Derived:
    """A picture made from an original: a new file with its own digest."""

    title: str
    file: str
    sha256: str
    parent_sha256: str
    """Of the original's bytes."""
    steps: tuple[str, ...]
    """What was done, in order."""
