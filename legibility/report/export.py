"""Results as a table for a spreadsheet, with cells that cannot act."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Final

from legibility.containers import PhotoResult
from legibility.report.record import flag_names
from legibility.report.rounding import round_probability

ACTIVE: Final = ("=", "+", "-", "@", "\t", "\r")
"""First characters that make a spreadsheet take a cell for a formula.

OWASP, "CSV Injection": these six.
"""

HEADING: Final = (
    "photo",
    "status",
    "text",
    "decision",
    "first_candidate",
    "first_candidate_mark",
    "probability",
    "misread_risk",
    "candidate_set",
    "grade",
    "flags",
    "reasons",
    "sha256",
)


def results_csv(results: Iterable[PhotoResult]) -> str:
    """One line a photo under a heading; RFC 4180 line ends and quoting.

    "Not registered" is written as an empty ``first_candidate``.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(HEADING)
    for result in results:
        writer.writerow([harmless(cell) for cell in _cells(result)])
    return text.getvalue()


def harmless(cell: str) -> str:
    """A cell that a spreadsheet shows as text: an apostrophe before what would be a formula.

    Examples
    --------
    >>> harmless("=1+1"), harmless("goat 7")
    ("'=1+1", 'goat 7')
    """
    return "'" + cell if cell.startswith(ACTIVE) or cell.lstrip().startswith(ACTIVE) else cell


def _cells(result: PhotoResult) -> tuple[str, ...]:
    identification = result.identification
    first = identification.candidates[0] if identification.candidates else None
    return (
        result.photo,
        result.status.value,
        result.text,
        identification.decision.value,
        (first.animal_id or "") if first else "",
        first.mark if first else "",
        _figure(first.probability) if first else "",
        _figure(identification.misread_risk) if first else "",
        "; ".join(name or "(not registered)" for name in identification.candidate_set),
        f"{result.grade.overall:.2f}" if result.grade else "",
        " ".join(flag_names(result.flags)),
        " ".join(result.reasons),
        result.sha256,
    )


def _figure(probability: float) -> str:
    rounded = round_probability(probability)
    return "" if rounded is None else str(rounded)
