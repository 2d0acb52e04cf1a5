"""Why an animal has its probability: the rows of the sum, as a record and as text."""

from __future__ import annotations

import math
from typing import Any

from legibility.containers import (
    Candidate,
    DecidingCell,
    Explanation,
    ExplanationRow,
    Identification,
)
from legibility.probability import percent
from legibility.report.beside import candidate_record
from legibility.report.layout import columns, wrapped
from legibility.report.rounding import round_probability
from legibility.report.words import candidate_name


def explanation_record(identification: Identification) -> dict[str, Any] | None:
    """The explanation that was asked for; None without one.

    ``rows`` sum to ``log_odds`` (natural logarithm of probability over its complement); they are
    not rounded, so that they do.
    """
    if not identification.explanation:
        return None
    told = identification.explanation[0]
    return {
        "animal_id": told.animal_id,
        "mark": told.mark,
        "probability": round_probability(told.probability),
        "log_odds": told.log_odds,
        "rows": [_row(row) for row in told.rows],
        "first": candidate_record(told.first),
        "second": candidate_record(told.second),
        "deciding": [_deciding(cell) for cell in told.deciding],
    }


def explanation_lines(identification: Identification) -> list[str]:
    """The rows with the probability after each, and what separates the first two candidates."""
    if not identification.explanation:
        return []
    told = identification.explanation[0]
    name = candidate_name(Candidate(told.animal_id, told.mark, told.probability))
    heading = f"{name}, mark {told.mark or '-'}. Each row multiplies the odds for it:"
    lines = wrapped(heading, indent="    ")
    table = [("", "Odds", "Probability")]
    total = 0.0
    for row in told.rows:
        total += row.log_odds
        table.append((row.what, factor(row.log_odds, first=row.kind == "prior"), _after(total)))
    shown = columns(table, limits=(38, 12, 11), right=frozenset({1, 2}))
    lines += ["    " + line for line in shown]
    for row in told.rows:
        lines += wrapped(f"{row.what}: {row.sentence}", indent="      ", first="    - ")
    return lines + _separates(told)


def factor(log_odds: float, *, first: bool = False) -> str:
    """Odds of the first row, or what a row multiplies them by.

    Examples
    --------
    >>> factor(math.log(20)), factor(-math.log(4)), factor(math.log(0.25), first=True)
    ('x 20', '/ 4', '1 to 4')
    """
    size = math.exp(min(abs(log_odds), 300.0))
    if size >= 1e5:
        number = f"10^{abs(log_odds) / math.log(10):.1f}"
    elif size >= 100:
        number = f"{size:,.0f}"
    else:
        number = f"{size:.3g}"
    if first:
        return f"{number} to 1" if log_odds > 0 else f"1 to {number}"
    return f"x {number}" if log_odds >= 0 else f"/ {number}"


def _after(log_odds: float) -> str:
    return percent(1.0 / (1.0 + math.exp(-max(-700.0, min(700.0, log_odds)))))


def _separates(told: Explanation) -> list[str]:
    names = [candidate_name(one) for one in (told.first, told.second)]
    if not told.deciding:
        return wrapped(
            f"No character separates {names[0]} from {names[1]} on these photos.", indent="    "
        )
    lines = wrapped(f"What separates {names[0]} from {names[1]}:", indent="    ")
    for cell in told.deciding:
        text = f"Row {cell.row + 1}, place {cell.cell + 1}"
        if cell.photo > 0:
            text += f" of photo {cell.photo + 1}"
        text += f": {cell.first or 'anything'} against {cell.second or 'anything'}, "
        text += f"{factor(cell.log_odds)} for {names[0]}. A sure look at it would settle the "
        text += f"identity with {percent(cell.settles)}; the first candidate would then have "
        text += f"{percent(cell.expected)} on average."
        lines += wrapped(text, indent="      ", first="    - ")
    return lines


def _row(row: ExplanationRow) -> dict[str, Any]:
    return {
        "kind": row.kind,
        "what": row.what,
        "log_odds": row.log_odds,
        "sentence": row.sentence,
        "photo": None if row.photo < 0 else row.photo,
        "row": None if row.row < 0 else row.row,
        "cell": None if row.cell < 0 else row.cell,
    }


def _deciding(cell: DecidingCell) -> dict[str, Any]:
    return {
        "photo": cell.photo,
        "row": cell.row,
        "cell": cell.cell,
        "first": cell.first,
        "second": cell.second,
        "log_odds": cell.log_odds,
        "expected": round_probability(cell.expected),
        "settles": round_probability(cell.settles),
    }
