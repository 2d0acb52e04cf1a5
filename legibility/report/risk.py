"""Risk of confusion in a registry: the table for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from legibility.misreadings import AnimalRisk, HerdRisk
from legibility.probability import percent
from legibility.report.layout import columns, pad, wrapped

ANIMALS_SHOWN: Final = 15
"""Choice: animals that the table names."""
PAIRS_SHOWN: Final = 10
WIDE: Final = 100
"""Contract: columns of the table."""
LABEL: Final = 13


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
        f"right {percent(herd.mean_right)}, another animal {percent(herd.mean_risk)}, a mark "
        f"that no animal has {percent(herd.mean_unregistered)}, a character not read "
        f"{percent(herd.mean_unread)}{unread}. {copied_sentence(herd)}"
    )


def copied_sentence(herd: HerdRisk) -> str:
    """What the four figures are of, and how often an animal that is named is the right one."""
    named = herd.mean_right + herd.mean_risk
    said = (
        "This is a mark copied character by character without a look at the registry, in the "
        "condition named above. A mark that no animal has gives the mistake away."
    )
    if named > 0:
        said += (
            f" Of the copies that do name an animal {percent(herd.mean_right / named)} name the "
            "right one."
        )
    return (
        said + " A reading of this tool weighs the photo against the whole registry and leaves "
        "open what it cannot tell: how often it is right is measured with legibility evaluate."
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
