"""Risk of confusion in a registry: table for a terminal, JSON objects, table for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any, Final

from legibility.misreadings import AnimalRisk, HerdRisk
from legibility.report.export import harmless
from legibility.report.layout import columns, pad, wrapped
from legibility.report.rounding import round_probability
from legibility.report.words import percent

ANIMALS_SHOWN: Final = 15
"""Choice: animals that the table names."""
PAIRS_SHOWN: Final = 10
WIDE: Final = 100
"""Contract: columns of the table."""
LABEL: Final = 13
RIVALS_IN_A_CELL: Final = 3

HEADING: Final = (
    "animal_id",
    "mark",
    "grade",
    "right",
    "risk",
    "unregistered",
    "unread",
    "first_rival",
    "first_rival_mark",
    "probability",
    "mechanism",
    "other_rivals",
)


def risk_record(animal: AnimalRisk) -> dict[str, Any]:
    """JSON object of one animal.

    ``risk`` is the probability that a reading ends at another registered animal; with ``right``,
    ``unregistered`` and ``unread`` it sums to one.
    """
    return {
        "animal_id": animal.animal_id,
        "mark": animal.mark,
        "grade": round(animal.grade, 2),
        "right": round_probability(animal.right),
        "risk": round_probability(animal.risk),
        "unregistered": round_probability(animal.unregistered),
        "unread": round_probability(animal.unread),
        "rivals": [
            {
                "animal_id": rival.animal_id,
                "mark": rival.mark,
                "probability": round_probability(rival.probability),
                "mechanism": rival.mechanism,
            }
            for rival in animal.rivals
        ],
    }


def risk_csv(animals: Iterable[AnimalRisk]) -> Iterable[str]:
    """Lines of a CSV file (RFC 4180), a heading and an animal each; no cell acts as a formula."""
    yield _csv_line(HEADING)
    for animal in animals:
        first = animal.rivals[0] if animal.rivals else None
        yield _csv_line(
            (
                animal.animal_id,
                animal.mark,
                f"{animal.grade:.1f}",
                f"{animal.right:.6f}",
                f"{animal.risk:.6f}",
                f"{animal.unregistered:.6f}",
                f"{animal.unread:.6f}",
                first.animal_id if first else "",
                first.mark if first else "",
                f"{first.probability:.6f}" if first else "",
                first.mechanism if first else "",
                "; ".join(
                    f"{rival.animal_id} {rival.mark} {rival.probability:.6f}"
                    for rival in animal.rivals[1 : 1 + RIVALS_IN_A_CELL]
                ),
            )
        )


def _csv_line(cells: Sequence[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerow([harmless(cell) for cell in cells])
    return text.getvalue()


def risk_table(herd: HerdRisk, worst: Sequence[AnimalRisk]) -> str:
    """Totals, the animals most at risk and the pairs to watch, at most 100 columns."""
    shared = f", {herd.shared_marks:,} animals share a mark" if herd.shared_marks else ""
    above = ", ".join(f"{limit} or more: {count:,}" for limit, count in herd.above.items())
    lines = [
        *_entry("Herd", f"{herd.animals:,} animals, {herd.marks:,} different marks{shared}"),
        *_entry("Condition", herd.condition),
        *_entry("One reading", _one_reading(herd)),
        *_entry("At risk", f"animals taken for another with {above}"),
        *_entry(
            "Pairs",
            f"{herd.pairs:,} marks are read as another registered one with a probability of "
            f"{herd.least:g} or more",
        ),
        *_entry("Measured on", herd.kernel),
    ]
    at_risk = [animal for animal in worst if animal.rivals][:ANIMALS_SHOWN]
    if not at_risk:
        lines += ["", "No animal is taken for another with a probability worth naming."]
        return "\n".join(lines) + "\n"
    rows = [("Animal", "Mark", "Risk", "Rival", "Its mark", "Chance", "How")]
    for animal in at_risk:
        rival = animal.rivals[0]
        rows.append(
            (
                animal.animal_id,
                animal.mark,
                percent(animal.risk),
                rival.animal_id,
                rival.mark,
                percent(rival.probability),
                rival.mechanism,
            )
        )
    lines += ["", "Animals most at risk"]
    lines += _table(rows, (13, 10, 8, 13, 10, 8), frozenset({2, 5}))
    rows = [("First", "Mark", "Second", "Mark", "There", "Back", "How")]
    for pair in herd.pairs_to_watch[:PAIRS_SHOWN]:
        rows.append(
            (
                pair.first,
                pair.first_mark,
                pair.second,
                pair.second_mark,
                percent(pair.there),
                percent(pair.back),
                pair.mechanism,
            )
        )
    if len(rows) > 1:
        lines += ["", "Pairs to watch"]
        lines += _table(rows, (13, 10, 13, 10, 8, 8), frozenset({4, 5}))
    for notice in herd.notices[:PAIRS_SHOWN]:
        lines += ["", *wrapped(notice, first="Note: ")]
    return "\n".join(lines) + "\n"


def _one_reading(herd: HerdRisk) -> str:
    unread = (
        f"; besides, {percent(herd.row_unread)} of rows show too little to be read at all"
        if herd.row_unread
        else ""
    )
    return (
        f"right {percent(herd.mean_right)}, another animal {percent(herd.mean_risk)}, a mark no "
        f"animal has {percent(herd.mean_unregistered)}, a character not read "
        f"{percent(herd.mean_unread)}{unread}"
    )


def _table(
    rows: Sequence[tuple[str, ...]], limits: tuple[int, ...], right: frozenset[int]
) -> list[str]:
    """Indented lines; the last column takes what the others leave of ``WIDE``."""
    used = [min(limit, max(len(row[i]) for row in rows)) for i, limit in enumerate(limits)]
    rest = WIDE - 2 - sum(used) - 2 * len(used)
    return [f"  {line}" for line in columns(rows, limits=(*limits, rest), right=right)]


def _entry(label: str, text: str) -> list[str]:
    return wrapped(text, indent=" " * LABEL, first=pad(label, LABEL))
