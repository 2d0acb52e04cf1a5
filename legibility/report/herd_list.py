"""Worklist and plan of a day from the herd's record: tables of 100 columns, CSV and pages."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from legibility.probability import percent
from legibility.report.export import harmless
from legibility.report.layout import columns, wrapped
from legibility.report.page import Renderer, render_page
from legibility.report.words import CAUTION
from legibility.report.writing import printable, write_text

WIDE: Final = 100
"""Contract: columns of the table."""
COLUMNS: Final = (
    "rank", "animal_id", "mark", "ear", "act", "last_date", "overdue", "p_taken", "p_lost",
    "cost", "loss", "grade", "last_seen", "not_seen", "first_rival", "reason", "score_words",
    "before",
)  # fmt: skip

Item = Mapping[str, Any]
"""One animal of the worklist's record."""


def worklist_text(found: Mapping[str, Any]) -> str:
    """The record of a worklist as a table, the reason below each animal."""
    lines = _wide(length_words(found), "")
    if found["basis"]:
        lines += ["", *_wide(str(found["basis"][0]), "")]
    if found["items"]:
        rows: list[tuple[str, ...]] = [
            ("", "Animal", "Mark", "Taken", "Lost", "Value", "Score", "By", "To do")
        ]
        rows += [_row(item) for item in found["items"]]
        table = columns(
            rows, limits=(5, 14, 11, 8, 9, 6, 8, 10, 24), right=frozenset({0, 3, 4, 5, 6})
        )
        lines += ["", table[0]]
        for line, item in zip(table[1:], found["items"], strict=True):
            lines.append(line)
            for words in (item["reason"], item["score_words"], item["before"]):
                lines += _wide(str(words), "       ") if words else []
        lines += [
            "",
            *_wide(
                "Taken: probability of being taken for another animal at the next handling. Lost: "
                "that the mark is lost by then, or was seen lost; ? is assumed from its age, the "
                "mark was never judged. Score: the loss to be expected, by which the list is "
                "ranked. By: when the chance of loss reaches its limit; ! is overdue.",
                "",
            ),
        ]
        lines += _warnings(found["items"])
    return "\n".join([*lines, *_foot(found["basis"])]) + "\n"


def plan_text(found: Mapping[str, Any]) -> str:
    """The record of a day's plan: the acts, what they use, and the plain list beside it."""
    day = found["day"]
    lines = [
        f"{len(found['acts'])} acts of {found['considered']:,} considered; they avoid an expected "
        f"loss of {found['gain']:.3g}.",
        *_wide(gap_words(found), ""),
        *_wide(ranked_words(found), ""),
        f"Used: {found['minutes']:g} of {day['minutes'] * day['chutes']:g} minutes at the chute, "
        f"{found['hand_minutes']:g} of {day['minutes'] * day['hands']:g} minutes of people,",
        f"      {found['transponders']} of {day['transponders']} transponders, "
        f"{found['sedations']} of {day['sedations']} sedation slots.",
    ]
    if found["acts"]:
        rows = [("", "Animal", "Mark", "To do", "Min", "Hands", "Avoids", "")]
        for rank, act in enumerate(found["acts"], start=1):
            item = act["item"]
            why = "sedated" if act["sedated"] else "must" if act["must"] else ""
            rows.append(
                (
                    f"{rank}.", item["animal_id"], item["mark"], act["what"],
                    f"{act['minutes']:g}", str(act["hands"]), f"{act['gain']:.3g}", why,
                )
            )  # fmt: skip
        table = columns(rows, limits=(5, 20, 12, 32, 5, 5, 8, 7), right=frozenset({0, 4, 5, 6}))
        lines += ["", *table, *_warnings([act["item"] for act in found["acts"]])]
    return "\n".join([*lines, *_foot(found["basis"])]) + "\n"


def history_text(found: Mapping[str, Any]) -> str:
    """The record of one animal's marks, sighting by sighting."""
    lines = [str(found["animal_id"])]
    for text, ear, applied, retired, written, stands in found["marks"]:
        since = f", since {applied}" if applied else ""
        until = f", retired {retired}" if retired else ""
        spelt = f", written {printable(written)}" if written else ""
        lines.append(f"  mark {text}{spelt}{', ' + ear + ' ear' if ear else ''}{since}{until}")
        lines += _wide(f"stands in the ear {stands}", "    ") if stands else []
    rows: list[tuple[str, ...]] = [("Day", "By", "Ear", "Read", "Mark", "Grade", "Needles", "Note")]
    for s in found["sightings"]:
        unjudged = "not seen" if s["not_seen"] else "not judged"
        state = {True: "usable", False: "lost", None: unjudged}[s["usable"]]
        needles = "" if s["needle_share"] is None else percent(s["needle_share"])
        grade = "" if s["grade"] is None else f"{s['grade']:.1f}"
        what = (s["ear"] or "-", s["text"] or "-", state, grade, needles, s["note"])
        rows.append((s["day"] or "-", s["by"], *what))
    if len(rows) == 1:
        return "\n".join([*lines, "  never seen", *_entered_lines(found)]) + "\n"
    right = frozenset({5, 6})
    lines += ["", *columns(rows, limits=(10, 12, 5, 12, 10, 5, 8, 24), right=right)]
    lines += _entered_lines(found)
    return "\n".join(lines) + "\n"


def _entered_lines(found: Mapping[str, Any]) -> list[str]:
    """What people entered, by the number that `herd correct` takes."""
    rows = [(words, at.replace("T", " ")[:16]) for words, at in found["entered"]]
    title = "Entered by people; mistakes: legibility herd correct"
    return ["", title, *("  " + row for row in columns(rows, limits=(60, 16)))] if rows else []


def gap_words(found: Mapping[str, Any]) -> str:
    """How near the plan is to the best one."""
    gap = found["gap"]
    shown = "0" if gap == 0 else f"{100 * gap:.3g}" if gap < 1e6 else "unknown"
    return (
        f"No plan within these limits avoids more than {found['bound']:.3g}: optimality gap "
        f"{shown} % (solved in {found['seconds']:.2f} s)."
    )


def ranked_words(found: Mapping[str, Any]) -> str:
    """What the plain list would do."""
    plain, best = found["ranked_gain"], found["gain"]
    more = f"; the plan avoids {100 * (best / plain - 1):.0f} % more" if plain > 0 else ""
    return (
        f"Working down the ranked list within the same limits: {found['ranked_acts']} acts avoid "
        f"{plain:.3g}{more}."
    )


def worklist_csv(items: Sequence[Item]) -> str:
    """One line an animal under a heading (RFC 4180); no cell acts as a formula."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for item in items:
        rivals = item["rivals"]
        values = {
            **item,
            "grade": "" if item["grade"] is None else f"{item['grade']:.1f}",
            "p_taken": f"{item['p_taken']:.6f}",
            "p_lost": f"{item['p_lost']:.6f}",
            "cost": f"{item['cost']:g}",
            "loss": f"{item['loss']:.6g}",
            "first_rival": rivals[0]["animal_id"] if rivals else "",
            "overdue": "yes" if item["overdue"] else "",
        }
        writer.writerow([harmless(str(values[name])) for name in COLUMNS])
    return text.getvalue()


def worklist_page(
    found: Mapping[str, Any], *, render: Renderer = render_page, **values: Any
) -> str:
    """The worklist as a page that opens offline, or what ``render`` makes of it."""
    most = max((item["loss"] for item in found["items"]), default=1.0)
    bars = [round(100 * item["loss"] / most, 1) if most > 0 else 0.0 for item in found["items"]]
    return render(
        "herd_worklist.html",
        found=found,
        bars=bars,
        length=length_words(found),
        lost=[lost_words(item) for item in found["items"]],
        **values,
    )


def write_worklist_page(path: Path, found: Mapping[str, Any]) -> None:
    """Write :func:`worklist_page`.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_text(path, worklist_page(found))


def plan_page(
    found: Mapping[str, Any],
    pictures: Mapping[str, Mapping[str, Any]],
    *,
    render: Renderer = render_page,
    **values: Any,
) -> str:
    """The plan of the day, and a sheet to print for each of its animals.

    Parameters
    ----------
    pictures : mapping
        By animal: ``address`` of a thumbnail (may be empty), and in words ``about`` the animal,
        its ``chips``, its last ``reading``, and ``check``, what to check first.
    """
    words = (gap_words(found), ranked_words(found))
    return render("herd_plan.html", found=found, words=words, pictures=pictures, **values)


def write_plan_page(
    path: Path, found: Mapping[str, Any], pictures: Mapping[str, Mapping[str, Any]]
) -> None:
    """Write :func:`plan_page`.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_text(path, plan_page(found, pictures))


def length_words(found: Mapping[str, Any]) -> str:
    """How long the list is, and what it leaves out."""
    days, minutes = found["days"], found["minutes"]
    held = "the next handling day" if days == 1 else f"the next {days:g} handling days"
    rest = found["needing"] - found["listed"]
    waiting = f"; {rest:,} more can wait" if rest else ""
    return (
        f"{found['animals']:,} animals; {found['listed']:,} on the list, as many as {held} "
        f"({minutes:g} minutes at the chute) can hold{waiting}. Next handling taken to be "
        f"{found['next_handling']}."
    )


def lost_words(item: Item) -> str:
    """Probability that the mark is lost, and where it is no more than a guess."""
    if item["p_lost"] >= 1:
        return "seen lost"
    if item["not_seen"]:
        return f"{percent(item['p_lost'])} *"
    guess = item["score"]["assumed"] and not item["seen"]
    return f"{percent(item['p_lost'])} ?" if guess else percent(item["p_lost"])


def _row(item: Item) -> tuple[str, ...]:
    return (
        f"{item['rank']}.",
        str(item["animal_id"]),
        str(item["mark"]) or "-",
        percent(item["p_taken"]),
        lost_words(item),
        f"{item['cost']:g}",
        f"{item['loss']:.3g}",
        "! now" if item["overdue"] else str(item["last_date"]) or "-",
        str(item["act"]),
    )


def _warnings(items: Sequence[Item]) -> list[str]:
    found = dict.fromkeys(str(item["warning"]) for item in items if item["warning"])
    return ["", *(line for text in found for line in _wide(text, ""))] if found else []


def _foot(basis: Sequence[str]) -> list[str]:
    lines = [""]
    for text in basis:
        lines += _wide(str(text), "  ", first="- ")
    return [*lines, "", *_wide(CAUTION, "")]


def _wide(text: str, indent: str, *, first: str | None = None) -> list[str]:
    return wrapped(text, indent=indent, first=indent if first is None else first)
