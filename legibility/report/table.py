"""A reading in plain text for a terminal of 80 columns, without colour."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final

from legibility.alphabet import ROW_SEPARATOR, UNREAD
from legibility.containers import CaptureCheck, CellReading, Flag, PhotoResult, Status
from legibility.probability import percent
from legibility.report.beside import by_eye_lines, prior_lines
from legibility.report.explanation import explanation_lines
from legibility.report.layout import WIDTH, bar, columns, fit, pad, tail, wrapped
from legibility.report.record import best_character, cell_probabilities
from legibility.report.words import (
    CAUTION,
    FlagText,
    advice,
    candidate_name,
    next_steps,
    sentence,
)

LABEL: Final = 12
"""Columns of the names on the left."""

ALTERNATIVES_SHOWN: Final = 3
"""Choice: most alternatives of one character that a line names."""

NOTHING: Final = "-"
"""What is read at a place where no character was pressed."""
SMALLEST_SHOWN: Final = 0.02
"""Choice: alternatives less likely than this are not printed for people."""


def reading_table(
    result: PhotoResult, flags: Sequence[FlagText] = (), *, coverage: float = 0.95
) -> str:
    """Everything a person needs from one photo.

    Parameters
    ----------
    result : PhotoResult
        What is known of the photo.
    flags : sequence of FlagText
        Words for the flags of ``result``, in the order of their bits.
    coverage : float
        Probability with which the candidate set holds the true animal.
    """
    lines = [*wrapped(result.photo, first=""), ""]
    if result.text:
        lines.append(_entry("Mark", _spaced(result.text)))
    lines += _paragraph("Advice", advice(result))
    if result.text and result.reading.hypotheses:
        lines += _paragraph("Seen", _seen(result))
    if result.status is Status.READ or result.text:
        lines += _block("Characters", _characters(result))
    lines += _block("Condition", _condition(result))
    lines += _block("Candidates", _candidates(result, coverage))
    lines += _block("Known beforehand", prior_lines(result.identification))
    lines += _block("Read by people", by_eye_lines(result.identification))
    lines += _block("Could be confused", _confusables(result))
    lines += _block(
        "Why", _bullets(list(dict.fromkeys([*result.reasons, *(flag.sentence for flag in flags)])))
    )
    lines += _block("How it comes to that", explanation_lines(result.identification))
    lines += _block("What to do", _bullets(next_steps(result, tuple(flags))))
    return "\n".join(lines) + "\n"


def summary_heading() -> str:
    """Heading over the lines of :func:`summary_line`."""
    return _summary_line("Photo", "Mark", "First candidate", "Chance", "Decision")


def summary_line(result: PhotoResult) -> str:
    """One photo in one line of at most 80 columns."""
    candidates = result.identification.candidates
    known = result.status is Status.READ and candidates
    return _summary_line(
        tail(result.photo, 28),
        result.text or "-",
        candidate_name(candidates[0]) if known else "-",
        percent(candidates[0].probability) if known else "-",
        "error"
        if result.status is Status.ERROR
        else result.identification.decision.value
        if candidates or result.status is not Status.READ
        else "read",
    )


def check_table(name: str, check: CaptureCheck, flags: Sequence[FlagText]) -> str:
    """Whether one photo is good enough to read, and if not what to do."""
    verdict = "good enough to read" if check.good_enough else "photograph again"
    if check.flags & Flag.NO_MARK:
        verdict = "no mark is seen" + ("" if check.good_enough else "; photograph again")
    elif check.good_enough and flags:
        verdict = "good enough to read, could be better"
    lines = [*wrapped(f"{name}: {verdict}", first="")]
    for flag in flags:
        lines += wrapped(f"{flag.sentence} {flag.remedy}", indent="    ", first="  - ")
    return "\n".join(lines) + "\n"


def flags_table(flags: Sequence[FlagText]) -> str:
    """Every flag with what is wrong and what to do."""
    lines: list[str] = []
    for flag in flags:
        lines.append(flag.name)
        lines += wrapped(flag.sentence)
        lines += wrapped(flag.remedy)
        lines.append("")
    return "\n".join(lines)


def layouts_lines(basis: str) -> str:
    """Where it is known from in which rows marks stand that the list writes in one."""
    return "\n".join(wrapped(f"Where the list writes no row break: {basis}.", indent="")) + "\n"


def caution_lines() -> str:
    """The sentence that stands under every report."""
    return "\n".join(wrapped(CAUTION, indent="")) + "\n"


def _entry(label: str, text: str) -> str:
    return "  " + pad(label, LABEL) + fit(text, WIDTH - LABEL - 2)


def _paragraph(label: str, text: str) -> list[str]:
    return wrapped(text, indent=" " * (LABEL + 2), first="  " + pad(label, LABEL))


def _block(title: str, lines: Sequence[str]) -> list[str]:
    return ["", "  " + title, *lines] if lines else []


def _bullets(sentences: Iterable[str]) -> list[str]:
    lines: list[str] = []
    for text in dict.fromkeys(map(sentence, sentences)):
        lines += wrapped(text, indent="      ", first="    - ")
    return lines


def _spaced(text: str) -> str:
    return "   ".join(" ".join(row) for row in text.split("/"))


def _summary_line(photo: str, mark: str, first: str, chance: str, decision: str) -> str:
    return "  ".join(
        (pad(photo, 28), pad(mark, 10), pad(first, 16), pad(chance, 8, right=True), decision)
    ).rstrip()


def _seen(result: PhotoResult) -> str:
    best = result.reading.hypotheses[0]
    written = result.text.split(ROW_SEPARATOR)
    sizes = " + ".join(str(len(row)) for row in written)
    rows = "one row" if len(written) == 1 else f"{len(written)} rows"
    angle = round(best.rotation_deg)
    turned = "upright" if angle == 0 else f"turned {abs(angle)} degrees"
    if angle:
        turned += " to the left" if angle > 0 else " to the right"
    side = ", as a mirror image (from behind)" if best.mirrored else ""
    return f"{rows} of {sizes} characters, {turned}{side}"


def _characters(result: PhotoResult) -> list[str]:
    if not result.reading.hypotheses:
        return []
    unread = iter(character == UNREAD for character in result.text if character != ROW_SEPARATOR)
    table = [("Row", "Place", "Read", "Certainty", "", "Could also be", "Needles")]
    for row_index, row in enumerate(result.reading.hypotheses[0].as_written().rows):
        for index, cell in enumerate(row):
            read = NOTHING if cell.is_empty else best_character(cell)[0]
            if read != NOTHING and next(unread, False):
                read = UNREAD
            table.append(_character_line(row_index, index, cell, read))
    return [
        "    " + line
        for line in columns(table, limits=(3, 5, 4, 9, 10, 25, 8), right=frozenset({0, 1, 3}))
    ]


def _character_line(
    row: int, index: int, cell: CellReading, read: str
) -> tuple[str, str, str, str, str, str, str]:
    shown = cell_probabilities(cell)
    probability = dict(shown)[""] if read == NOTHING else best_character(cell)[1]
    others = [
        f"{name or 'nothing'} {percent(value)}"
        for name, value in shown
        if value >= SMALLEST_SHOWN and (name or NOTHING) != read
    ][:ALTERNATIVES_SHOWN]
    needles = f"{cell.needles.inked:.0f} of {cell.needles.expected}"
    return (
        str(row + 1),
        str(index + 1),
        read,
        percent(probability) if read != UNREAD else "unread",
        bar(probability),
        ", ".join(others) or "-",
        needles,
    )


def _condition(result: PhotoResult) -> list[str]:
    grade = result.grade
    if grade is None:
        if result.status is Status.ERROR:
            return []
        return wrapped(
            "Not graded: the photo does not allow a judgement of the mark.", indent="    "
        )
    overall = f"{grade.overall:.1f} of 4. {sentence(grade.reason)}".strip()
    lines = wrapped(overall, indent="    ")
    table = [
        (name.replace("_", " "), f"{value:.1f}", bar(value / 4))
        for name, value in grade.parameters.items()
        if math.isfinite(value)
    ]
    lines += ["    " + line for line in columns(table, limits=(30, 4, 10), right=frozenset({1}))]
    return lines


def _candidates(result: PhotoResult, coverage: float) -> list[str]:
    identification = result.identification
    if not identification.candidates:
        return []
    inside = set(identification.candidate_set)
    table = [("", "Animal", "Mark", "Probability", "")]
    table += [
        (
            "*" if candidate.animal_id in inside else "",
            candidate_name(candidate),
            candidate.mark or "-",
            percent(candidate.probability),
            bar(candidate.probability),
        )
        for candidate in identification.candidates
    ]
    lines = [
        "    " + line for line in columns(table, limits=(1, 30, 16, 11, 10), right=frozenset({3}))
    ]
    if inside:
        lines += wrapped(
            f"* together these hold the true animal with a probability of at least {coverage:.0%}.",
            indent="    ",
        )
    risk = percent(identification.misread_risk)
    lines += wrapped(f"Risk that the first candidate is the wrong animal: {risk}.", indent="    ")
    return lines


def _confusables(result: PhotoResult) -> list[str]:
    """The likeliest alternatives of each place; the JSON holds all of them."""
    lines: list[str] = []
    shown: Counter[tuple[int, int]] = Counter()
    for item in result.identification.confusables:
        shown[item.row, item.cell] += 1
        if shown[item.row, item.cell] > ALTERNATIVES_SHOWN:
            continue
        text = (
            f"Row {item.row + 1}, place {item.cell + 1}: read {item.character} "
            f"({percent(item.probability)}), may be {item.alternative} "
            f"({percent(item.alternative_probability)})"
        )
        if item.animal_ids:
            named = ", ".join(item.animal_ids[:3])
            more = len(item.animal_ids) - 3
            text += f"; this would make it the mark of {named}"
            text += f" and {more} more" if more > 0 else ""
        lines += wrapped(text + ".", indent="      ", first="    - ")
    return lines
