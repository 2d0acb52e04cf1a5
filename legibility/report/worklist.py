"""Whom to look at first: as a table for the terminal and as a page with pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from legibility.containers import PhotoResult
from legibility.probability import percent
from legibility.report.layout import columns, wrapped
from legibility.report.page import render_page
from legibility.report.record import best_character, cell_probabilities
from legibility.report.words import (
    FlagText,
    advice,
    candidate_name,
    next_steps,
    sentence,
)
from legibility.report.writing import write_text

CANDIDATES_SHOWN: Final = 5
"""Choice: most candidates of a photo on the page."""

ALTERNATIVES_SHOWN: Final = 3
SMALLEST_SHOWN: Final = 0.02
"""Choice: alternatives less likely than this are not shown."""


@dataclass(frozen=True, slots=True)
class WorklistEntry:
    """One line of the worklist."""

    result: PhotoResult
    action: str
    """What to do, in a word or two; "nothing" when the animal can wait."""
    reason: str
    """Why it stands where it stands, in words."""
    flags: tuple[FlagText, ...] = ()
    """Words for the flags of ``result``."""


@dataclass(frozen=True, slots=True)
class EntryPictures:
    """Pictures of one photo as addresses for a page."""

    located: str
    """The photo with its cells drawn."""
    mark: str
    """The marked part alone; empty when nothing was located."""


def worklist_table(entries: Sequence[WorklistEntry]) -> str:
    """Worklist for a terminal of 80 columns: a line an entry, the reason below it."""
    if not entries:
        return "Nothing to look at: no photo was read.\n"
    heading = ("", "To do", "Mark", "Most likely", "Chance", "Grade", "Photo")
    table = [heading, *(_cells(rank, entry) for rank, entry in enumerate(entries, start=1))]
    lines = columns(table, limits=(4, 16, 9, 14, 8, 5, 12), right=frozenset({0, 4, 5}))
    shown = ["Whom to look at first", "", lines[0]]
    for line, entry in zip(lines[1:], entries, strict=True):
        shown.append(line)
        shown += wrapped(sentence(entry.reason), indent="      ")
    return "\n".join(shown) + "\n"


def write_worklist_page(
    path: Path,
    entries: Sequence[WorklistEntry],
    *,
    title: str,
    introduction: str,
    pictures: Mapping[str, EntryPictures],
) -> None:
    """Write the worklist as one page that needs no other file.

    Parameters
    ----------
    pictures : mapping of str to EntryPictures
        By the photo's name; photos without pictures are shown in words.

    Raises
    ------
    OutputError
        If the page cannot be written.
    """
    page = render_page(
        "worklist.html",
        title=title,
        introduction=introduction,
        counts=_counts(entries),
        entries=[_view(rank, entry, pictures) for rank, entry in enumerate(entries, start=1)],
    )
    write_text(path, page)


def _cells(rank: int, entry: WorklistEntry) -> tuple[str, ...]:
    result = entry.result
    candidates = result.identification.candidates
    return (
        f"{rank}.",
        entry.action,
        result.text or "-",
        candidate_name(candidates[0]) if candidates else "-",
        percent(candidates[0].probability) if candidates else "-",
        f"{result.grade.overall:.1f}" if result.grade else "-",
        Path(result.photo).name or result.photo,
    )


def _counts(entries: Sequence[WorklistEntry]) -> list[tuple[str, int]]:
    """How many photos ended how, the settled ones first."""
    decisions = [entry.result.identification.decision.value for entry in entries]
    order = ("identified", "ambiguous", "unregistered", "retake", "unreadable")
    return [(name, decisions.count(name)) for name in order if name in decisions]


def _view(
    rank: int, entry: WorklistEntry, pictures: Mapping[str, EntryPictures]
) -> dict[str, object]:
    result = entry.result
    identification = result.identification
    return {
        "rank": rank,
        "photo": result.photo,
        "name": Path(result.photo).name or result.photo,
        "text": result.text,
        "advice": advice(result),
        "action": entry.action,
        "reason": sentence(entry.reason),
        "decision": identification.decision.value,
        "risk": identification.misread_risk if identification.candidates else None,
        "grade": result.grade,
        "candidates": [
            {
                "name": candidate_name(candidate),
                "mark": candidate.mark,
                "probability": candidate.probability,
            }
            for candidate in identification.candidates[:CANDIDATES_SHOWN]
        ],
        "rows": _characters(result),
        "reasons": list(dict.fromkeys([*result.reasons, *(f.sentence for f in entry.flags)])),
        "steps": next_steps(result, entry.flags),
        "pictures": pictures.get(result.photo),
    }


def _characters(result: PhotoResult) -> list[list[dict[str, object]]]:
    if not result.reading.hypotheses:
        return []
    rows = []
    for row in result.reading.hypotheses[0].as_written().rows:
        cells: list[dict[str, object]] = []
        for cell in row:
            character, probability = best_character(cell)
            others = [
                f"{name or 'nothing'} {percent(value)}"
                for name, value in cell_probabilities(cell)
                if name != character and value >= SMALLEST_SHOWN
            ][:ALTERNATIVES_SHOWN]
            cells.append({"character": character, "probability": probability, "others": others})
        rows.append(cells)
    return rows
