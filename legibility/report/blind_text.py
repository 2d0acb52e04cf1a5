"""The score of a reading set as plain text, from its record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from legibility.probability import percent
from legibility.report.layout import columns, wrapped

Record = Mapping[str, Any]

STEPS_DIGEST: Final = 12
"""Choice: digits of a digest shown in the text; the record has all."""


def blind_text(record: Record) -> str:
    """Agreement, readers and marks to decide, in at most 100 columns."""
    lines = ["Readers"]
    rows = [["reader", "named", "given up", "right", "against known marks"]]
    for reader in record["readers"]:
        right = share_text(reader["right"]) if reader["right"] else "none known"
        rows.append(
            [
                reader["reader"],
                str(reader["read"]),
                str(reader["unread"]),
                percent(reader["accuracy"]),
                right,
            ]
        )
    table = columns(rows, limits=[24, 6, 8, 8, 40], right=frozenset({1, 2, 3}))
    lines += ["  " + line for line in table]
    lines += _pairs("Between readers", record["between"])
    lines += _pairs("Each reader with the same reader's repetitions", record["within"])
    alpha = record["alpha"]
    lines += ["", "All readers together (Krippendorff's alpha; missing reads allowed)"]
    lines += [f"  {name:<12}{_number(value)}" for name, value in alpha.items()]
    lines += ["", f"To decide: {len(record['adjudicate'])} marks"]
    for disputed in record["adjudicate"]:
        said = "; ".join(
            f"{name}: {', then '.join(texts) or 'no answer'}"
            for name, texts in disputed["readings"].items()
        )
        places = ", ".join(map(str, disputed["places"]))
        where = f" (place {places})" if places else ""
        lines += wrapped(f"{disputed['photo']}{where}: {said}", first="  - ", indent="    ")
    if record["claims"]:
        lines += ["", "Claims thought right"]
        for name, counts in record["claims"].items():
            said = ", ".join(f"{claim} {count}" for claim, count in counts.items())
            lines += wrapped(f"{name}: {said or 'no answer'}", first="  - ", indent="    ")
    if record["unanswered"]:
        lines += ["", *wrapped(f"Without an answer: {', '.join(record['unanswered'])}", first="")]
    lines += ["", "Order of what was seen"]
    for step in record["order"]:
        digest = f"  sha256 {step['sha256'][:STEPS_DIGEST]}" if step["sha256"] else ""
        lines += wrapped(f"{step['at']}  {step['what']}{digest}", first="  ", indent="    ")
    return "\n".join(lines) + "\n"


def _pairs(title: str, pairs: list[Record]) -> list[str]:
    if not pairs:
        return []
    rows = [["readers", "characters", "kappa", "marks", "kappa", "legibility, weighted"]]
    for pair in pairs:
        names = list(dict.fromkeys(pair["readers"]))
        linear, square = pair["legibility_linear_kappa"], pair["legibility_quadratic_kappa"]
        rows.append(
            [
                " and ".join(names),
                share_text(pair["characters"]),
                kappa_text(pair["character_kappa"]),
                share_text(pair["marks"]),
                kappa_text(pair["mark_kappa"]),
                f"{kappa_text(linear)} linear, {kappa_text(square)} quadratic",
            ]
        )
    table = columns(rows, limits=[24, 26, 6, 26, 6, 32])
    return ["", title, *("  " + line for line in table)]


def share_text(share: Record) -> str:
    """A count out of all, with its interval."""
    if not share["total"]:
        return "none"
    low, high = 100 * share["low"], 100 * share["high"]
    return f"{share['count']} of {share['total']} ({low:.0f}-{high:.0f} %)"


def kappa_text(kappa: Record | None) -> str:
    """Kappa, or a dash where it cannot be computed."""
    return "-" if kappa is None else _number(kappa["kappa"])


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"
