"""What a check of entries and photos found, as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from legibility.evidence.custody import NOT_PROVED, Anchor


def verification_record(
    *,
    problems: Sequence[str],
    notices: Sequence[str],
    entries: int,
    photos: int,
    head: Anchor,
    anchored: int,
) -> dict[str, Any]:
    """The check as plain values."""
    return {
        "sound": not problems,
        "problems": list(problems),
        "notices": list(notices),
        "entries": entries,
        "photos": photos,
        "head": {"entries": head.entries, "sha256": head.head, "at": head.at, "herd": head.herd},
        "entries_under_noted_head": anchored,
        "not_proved": list(NOT_PROVED),
    }
