"""What came of computing a dossier's figures again, as plain values and as text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final, Protocol

from legibility.report.layout import wrapped

DIFFERENCES_SHOWN: Final = 40
"""Choice: most differences in the text; the record names all."""


class Differs(Protocol):
    """One figure that is not the same again."""

    @property
    def figure(self) -> str: ...
    @property
    def before(self) -> Any: ...
    @property
    def again(self) -> Any: ...


def rerun_record(
    *,
    figures: int,
    differences: Iterable[Differs],
    same_platform: bool,
    tolerance: float,
    changed_versions: Iterable[Differs],
    pictures: int,
    words: int,
    page: bool,
) -> dict[str, Any]:
    """The comparison as plain values."""
    found = [_plain(d) for d in differences]
    return {
        "reproduced": not found,
        "figures": figures,
        "differences": found,
        "same_platform": same_platform,
        "tolerance": tolerance,
        "changed_versions": [_plain(d) for d in changed_versions],
        "pictures": pictures,
        "words": words,
        "page": page,
    }


def rerun_text(record: Mapping[str, Any]) -> str:
    """The comparison for a person at a terminal."""
    lines = []
    if record["changed_versions"]:
        lines.append("Made with other versions than these")
        for d in record["changed_versions"]:
            lines += wrapped(
                f"{d['figure']}: {d['before']}, now {d['again']}", first="  - ", indent="    "
            )
    how = (
        "bit for bit"
        if not record["tolerance"]
        else f"on another platform, within {record['tolerance']:g} and that share of the value"
    )
    count = len(record["differences"])
    outcome = "all are the same" if not count else f"{count} differ"
    lines += wrapped(
        f"{record['figures']} figures computed again and compared {how}: {outcome}.",
        first="",
        indent="",
    )
    if record["pictures"]:
        lines += wrapped(
            f"{record['pictures']} pictures made again and compared byte by byte.",
            first="",
            indent="",
        )
    if record["words"]:
        lines.append(f"{record['words']} other entries of the record compared.")
    if record["page"]:
        lines.append("The page was made again and compared byte by byte.")
    for d in record["differences"][:DIFFERENCES_SHOWN]:
        lines += wrapped(
            f"{d['figure']}: {d['before']}, now {d['again']}", first="  - ", indent="    "
        )
    if count > DIFFERENCES_SHOWN:
        lines.append(f"  and {count - DIFFERENCES_SHOWN} more; --json names all")
    return "\n".join(lines) + "\n"


def _plain(difference: Differs) -> dict[str, Any]:
    return {
        "figure": difference.figure,
        "before": difference.before,
        "again": difference.again,
    }
