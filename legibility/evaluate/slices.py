"""Figures of a set of outcomes, cut by what should and should not matter."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from legibility.evaluate.metrics import character_rate, confidently_wrong, exact_rate
from legibility.evaluate.outcome import Outcome
from legibility.evaluate.reliability import brier, brier_split, ece, reliability_table
from legibility.evaluate.report import Row, Section
from legibility.intervals import rate

Cut = Callable[[Outcome], bool]

READING_CUTS: tuple[tuple[str, Cut], ...] = (
    ("person-readable", lambda o: o.readable),
    ("person-readable, no fading", lambda o: o.readable and o.fading == 0),
    ("person-readable, mild fading", lambda o: o.readable and o.fading == 1),
    ("person-readable, strong fading", lambda o: o.readable and o.fading >= 2),
    ("person-readable, upright", lambda o: o.readable and o.pose == "upright"),
    ("person-readable, sideways", lambda o: o.readable and o.pose == "sideways"),
    ("person-readable, upside down", lambda o: o.readable and o.pose == "upside down"),
    ("person-readable, mirrored", lambda o: o.readable and o.pose == "mirrored"),
    ("person-readable, one row", lambda o: o.readable and o.n_rows == 1),
    ("person-readable, two rows", lambda o: o.readable and o.n_rows == 2),
    ("all, no fading", lambda o: o.fading == 0),
    ("all, mild fading", lambda o: o.fading == 1),
    ("all, strong fading", lambda o: o.fading == 2),
    ("all, nearly lost", lambda o: o.fading == 3),
)
"""What the reading tables are cut by."""


def reading_row(name: str, outcomes: Sequence[Outcome]) -> Row:
    """Exact marks and characters of some photos; a refusal counts as nothing read."""
    pairs = [(o.mark, o.said) for o in outcomes]
    return {
        "photos": name,
        "exact mark": exact_rate(pairs),
        "exact, O=0 I=1": exact_rate(pairs, merge=True),
        "characters": character_rate(pairs),
        "characters, O=0 I=1": character_rate(pairs, merge=True),
        "answered": rate(sum(o.answered for o in outcomes), len(outcomes)),
    }


def reading_section(outcomes: Sequence[Outcome]) -> Section:
    """Reading without a registry, by :data:`READING_CUTS`."""
    marked = [o for o in outcomes if o.mark]
    rows = [reading_row(name, [o for o in marked if cut(o)]) for name, cut in READING_CUTS]
    return Section("Reading", tuple(rows), "Rows must be right too; a refusal is an error.")


def registry_section(outcomes: Sequence[Outcome]) -> Section:
    """First candidates, candidate sets and confident errors."""
    marked = [o for o in outcomes if o.mark and not o.unreadable]
    cuts: tuple[tuple[str, Cut], ...] = (
        ("person-readable", lambda o: o.readable),
        ("person-readable, registered", lambda o: o.readable and o.animal_id is not None),
        ("person-readable, not registered", lambda o: o.readable and o.animal_id is None),
        ("answered", lambda o: o.answered),
        ("all with ink", lambda o: True),
    )
    rows: list[Row] = []
    for name, cut in cuts:
        group = [o for o in marked if cut(o)]
        with_list = [o for o in group if o.identified]
        rows.append(
            {
                "photos": name,
                "first candidate right": rate(sum(o.first_right for o in group), len(group)),
                "candidate set holds the truth": rate(
                    sum(o.covered for o in with_list), len(with_list)
                ),
                "said >= 0.95 and wrong": confidently_wrong(
                    [o.first_probability for o in group], [o.first_right for o in group]
                ),
            }
        )
    return Section("Registry", tuple(rows), "Some photographed animals are not registered.")


def refusal_section(outcomes: Sequence[Outcome]) -> Section:
    """Who is refused, and what is read where nothing is."""

    def refused(name: str, group: Sequence[Outcome]) -> Row:
        return {
            "photos": name,
            "refused": rate(sum(not o.answered for o in group), len(group)),
            "characters said": sum(len(o.said.replace("/", "")) for o in group),
        }

    kinds = sorted({o.kind for o in outcomes if not o.mark})
    rows = [
        refused("nothing to read", [o for o in outcomes if o.unreadable]),
        refused("ears with nothing left", [o for o in outcomes if o.fading == 4]),
        refused("no mark in the picture", [o for o in outcomes if not o.mark]),
        *(refused(f"no mark: {kind}", [o for o in outcomes if o.kind == kind]) for kind in kinds),
        refused("nearly lost", [o for o in outcomes if o.fading == 3]),
        refused("person-readable", [o for o in outcomes if o.readable]),
    ]
    return Section("Refusal", tuple(rows))


def calibration_sections(outcomes: Sequence[Outcome]) -> tuple[Section, ...]:
    """Whether the stated probabilities of characters and of first candidates hold."""
    cells = [cell for o in outcomes if o.mark for cell in o.characters]
    named = [o for o in outcomes if o.mark and not o.unreadable and o.identified]
    sets = {
        "characters": ([c.probability for c in cells], [c.right for c in cells]),
        "first candidates": (
            [o.first_probability for o in named],
            [o.first_right for o in named],
        ),
    }
    summary: list[Row] = []
    tables: list[Section] = []
    for name, (probability, right) in sets.items():
        split = brier_split(probability, right)
        summary.append(
            {
                "of": name,
                "n": len(probability),
                "ECE, equal mass": ece(probability, right),
                "ECE, equal width": ece(probability, right, kind="width"),
                "Brier": brier(probability, right),
                "reliability": split.reliability,
                "resolution": split.resolution,
                "uncertainty": split.uncertainty,
                "within bins": split.within,
            }
        )
        rows: tuple[Row, ...] = tuple(
            {
                "stated": f"{row.low:.3f}-{row.high:.3f}",
                "mean": row.mean_probability,
                "right": row.right,
            }
            for row in reliability_table(probability, right)
        )
        tables.append(Section(f"Reliability of {name}", rows))
    return (Section("Calibration", tuple(summary)), *tables)
