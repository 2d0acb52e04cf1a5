"""Proposed marks: table for a terminal, page, JSON objects, table for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from legibility.report.export import harmless
from legibility.report.layout import columns, wrapped
from legibility.report.page import Renderer, render_page
from legibility.report.rounding import round_probability

MARKS_SHOWN: Final = 40
"""Choice: marks that the table names; JSON and CSV hold all."""
RULES_ALONE: Final = (
    "Safe marks are counted here for the rules alone, as if no mark were registered yet, and on "
    "other samples; so they differ a little from the number above."
)
HEADING: Final = (
    "mark",
    "worst_rival",
    "probability",
    "rival_is_registered",
    "needles",
    "too_many_needles",
)


def assign_record(mark: Mapping[str, Any]) -> dict[str, Any]:
    """JSON object of one proposed mark."""
    return {
        "mark": mark["mark"],
        "worst_rival": mark["worst_rival"] or None,
        "probability": round_probability(mark["probability"]),
        "rival_is_registered": mark["registered"],
        "needles": mark["needles"],
        "too_many_needles": mark["too_many_needles"],
        "forms": mark["forms"],
    }


def assign_csv(marks: Iterable[Mapping[str, Any]]) -> str:
    """One line a mark under a heading; cells cannot act as formulas."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(HEADING)
    for mark in marks:
        record = assign_record(mark)
        cells = [record[name] for name in HEADING]
        writer.writerow(
            [
                harmless(("yes" if cell else "no") if isinstance(cell, bool) else str(cell or ""))
                if not isinstance(cell, float)
                else f"{cell:.6g}"
                for cell in cells
            ]
        )
    return text.getvalue()


def assign_table(summary: Mapping[str, Any], marks: Sequence[Mapping[str, Any]]) -> str:
    """What is proposed, how much room there is, and what would make more."""
    lines = [
        *wrapped(
            f"{_counted(len(marks), 'new mark')} against "
            f"{_counted(summary['registered'], 'registered one')}: no pair is read as one another "
            f"with probability {summary['bound']:g} or more, even when {summary['condition']}.",
            first="",
            indent="",
        ),
        *(wrapped(bound, first="", indent="") if (bound := assign_bound(summary)) else ()),
    ]
    rows: list[tuple[str, ...]] = [
        ("Mark", "Needles", "Worst rival", "Read as one another", "Rival is")
    ]
    rows += [_row(mark, summary) for mark in marks[:MARKS_SHOWN]]
    lines += ["", *columns(rows, limits=(17, 18, 17, 28, 10), right=frozenset({1}))]
    if len(marks) > MARKS_SHOWN:
        lines.append(f"... and {len(marks) - MARKS_SHOWN} more; --json, --csv and --html hold all.")
    lines += ["", *assign_forms(summary), "", *_room(summary), "", *_alphabet(summary)]
    for note in assign_notes(summary):
        lines += ["", *wrapped(note, first="", indent="  ")]
    return "\n".join(lines) + "\n"


def assign_page(
    summary: Mapping[str, Any],
    marks: Sequence[Mapping[str, Any]],
    *,
    render: Renderer = render_page,
) -> str:
    """The same with all marks as one HTML page, which opens offline and prints."""
    return render(
        "assign.html",
        summary=summary,
        marks=marks,
        counts=(
            _counted(len(marks), "new mark"),
            _counted(summary["registered"], "registered one"),
        ),
        bound=assign_bound(summary),
        forms=assign_forms(summary),
        notes=assign_notes(summary),
        rows=[_row(mark, summary) for mark in marks],
        room=_room_rows(summary),
        coding=_coding(summary),
        codes=_code_rows(summary),
        left_out=_advice(summary),
        alphabet=_alphabet_rows(summary),
        rules_alone=RULES_ALONE,
    )


def assign_bound(summary: Mapping[str, Any]) -> str:
    """Said where the herd's forms have no room for as many safe marks; else empty."""
    if summary["bound"] <= summary["bound_wanted"]:
        return ""
    return (
        f"So many marks below {summary['bound_wanted']:g} do not exist in the forms of this herd; "
        "these are the safest. One more figure or a check character would make room: write such "
        "a form into a rules file and name it."
    )


def assign_forms(summary: Mapping[str, Any]) -> list[str]:
    """What the marks keep to: learned forms with their counts, or the rules' name."""
    said = summary["forms_said"]
    title = f"Marks keep to {summary['forms']}"
    return [f"{title}:", *said] if said else [f"{title}."]


def assign_notes(summary: Mapping[str, Any]) -> list[str]:
    """Worst pair, check character, needles and released marks, a sentence or two each."""
    notes = [_worst(summary)]
    if summary["released"]:
        notes.append(f"Marks of animals that left, free again: {summary['released']}.")
    check = summary["check"]
    said = f"Check character: {check['sentence']}."
    if check["scheme"]:
        said += (
            f" {check['scheme']} takes a mark from {check['needles_without']:.0f} to "
            f"{check['needles_with']:.0f} needles on average and makes room for "
            f"{_number(check['with_check'])} marks instead of {_number(check['without'])}."
        )
    notes.append(said)
    if summary["flagged"]:
        notes.append(
            f"Needles: {summary['flagged']} of these marks take more than the "
            f"{summary['needles_max']} needles that the pliers hold (a full mark uses up to 64: "
            "common practice, no source)."
        )
    return notes


def _row(mark: Mapping[str, Any], summary: Mapping[str, Any]) -> tuple[str, ...]:
    rival = mark["worst_rival"]
    flag = f" (more than {summary['needles_max']})" if mark["too_many_needles"] else ""
    return (
        mark["mark"],
        f"{mark['needles']}{flag}",
        rival or "-",
        _once_in(mark["probability"]) if rival else f"less than {_once_in(summary['least_named'])}",
        ("registered" if mark["registered"] else "new") if rival else "",
    )


def _once_in(probability: float) -> str:
    """A small probability as people say it, to two figures."""
    readings = float(f"{1 / probability:.1e}")
    return f"once in {_number(readings)}"


def _worst(summary: Mapping[str, Any]) -> str:
    worst = summary["worst"]
    if not worst or not worst["worst_rival"]:
        return (
            "Worst pair: none to name. Any two of these marks, or one of them and a registered "
            f"one, are read as one another less than {_once_in(summary['least_named'])} readings."
        )
    whose = "registered" if worst["registered"] else "new"
    return (
        f"Worst pair: {worst['mark']} and {worst['worst_rival']} ({whose}), "
        f"read as one another {_once_in(worst['probability'])} readings."
    )


def _room_rows(summary: Mapping[str, Any]) -> list[tuple[str, str]]:
    space = summary["space"]
    return [
        ("Marks the rules allow", _number(space["allowed"])),
        ("... not confused with a registered one", _estimate(space["free"])),
        ("... no pair of them confused, at least", _estimate(space["together"])),
        (
            "... no pair of them confused, at most",
            f"{_number(space['at_most'])} ({space['at_most_by']})",
        ),
    ]


def _coding(summary: Mapping[str, Any]) -> str:
    space = summary["space"]
    sure = (
        f"at least {_number(space['gilbert_varshamov'])} by Gilbert and Varshamov (marks that "
        f"differ in {space['distance_sure']} places are always safe)"
        if space["distance_sure"]
        else "no number of different places is always safe, so Gilbert and Varshamov say nothing"
    )
    return f"Coding theory alone: {sure}."


def _code_rows(summary: Mapping[str, Any]) -> list[tuple[str, ...]]:
    return [tuple(_number(v) for v in row) for row in summary["codes"]]


def _room(summary: Mapping[str, Any]) -> list[str]:
    lines = ["How many such marks exist"]
    lines += ["  " + line for line in columns(_room_rows(summary), limits=(42, 54))]
    lines += wrapped(_coding(summary))
    table = [("places that differ", "at least", "Hamming", "Singleton"), *_code_rows(summary)]
    return [*lines, *("  " + line for line in columns(table, limits=(20, 16, 16, 16), right=_ALL))]


_ALL: Final = frozenset({0, 1, 2, 3})


def _advice(summary: Mapping[str, Any]) -> str:
    out = summary["advised_out"]
    if out:
        return f"leave out {' '.join(out)}"
    return "leave out none; fewer characters would give fewer safe marks"


def _alphabet_rows(summary: Mapping[str, Any]) -> list[tuple[str, ...]]:
    return [
        (
            step["left_out"] or "none",
            step["confused_with"] or "-",
            f"{100 * step['probability']:.1f} %" if step["confused_with"] else "-",
            _number(step["marks"]),
        )
        for step in summary["alphabet"]
    ]


def _alphabet(summary: Mapping[str, Any]) -> list[str]:
    heading = ("Left out", "Last one taken for", "How often", "Safe marks at least")
    rows = [heading, *_alphabet_rows(summary)]
    table = columns(rows, limits=(20, 18, 10, 20), right=frozenset({2, 3}))
    return [
        f"Characters: {_advice(summary)}.",
        *("  " + line for line in table),
        *wrapped(RULES_ALONE),
    ]


def _estimate(value: Mapping[str, Any]) -> str:
    if value["exact"]:
        return f"{_number(value['value'])} (exact)"
    low, high = _number(value["low"]), _number(value["high"])
    return f"about {_number(value['value'])} ({low} to {high})"


def _counted(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def _number(value: float) -> str:
    return f"{int(value):,}" if value < 1e15 else f"{value:.2e}"
