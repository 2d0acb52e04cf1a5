"""What a check of entries and photos found, as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from legibility.report.layout import wrapped

Record = Mapping[str, Any]


def verification_text(record: Record) -> str:
    """The check for a person at a terminal, in at most 80 columns."""
    lines = [
        f"{_counted(record['entries'], 'entry', 'entries')} and "
        f"{_counted(record['photos'], 'photo', 'photos')} looked at; "
        + (
            "all as recorded."
            if record["sound"]
            else f"{_counted(len(record['problems']), 'problem', 'problems')}."
        )
    ]
    for problem in record["problems"]:
        lines += wrapped(problem, first="  - ", indent="    ")
    if record["entries_under_noted_head"]:
        count = record["entries_under_noted_head"]
        lines += wrapped(
            f"The first {count} entries are those of the noted head; later ones were only added.",
            first="",
            indent="",
        )
    for notice in record["notices"]:
        lines += wrapped(f"Note: {notice}", first="", indent="  ")
    head = record["head"]
    lines += [
        "",
        "Head of the chain, to be noted elsewhere",
        f"  {head['entries']} {head['sha256']}",
    ]
    lines += ["", "What this does not prove"]
    for sentence in record["not_proved"]:
        lines += wrapped(sentence, first="  - ", indent="    ")
    return "\n".join(lines) + "\n"


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"
