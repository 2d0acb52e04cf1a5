"""Several photos of one animal as one JSON object, and as text for people."""

from __future__ import annotations

from typing import Final

from legibility.containers import (
    Advice,
    Disagreement,
    SessionMoment,
    SessionPhoto,
    SessionResult,
    Status,
    Verdict,
    VisitCheck,
)
from legibility.probability import percent
from legibility.report.beside import (
    by_eye_lines,
    by_eye_record,
    candidate_record,
    prior_lines,
    prior_record,
)
from legibility.report.explanation import explanation_lines, explanation_record
from legibility.report.layout import bar, columns, pad, tail, wrapped
from legibility.report.record import Record, result_record
from legibility.report.rounding import round_probability
from legibility.report.words import candidate_name, sentence

FIELDS: Final = (
    "session",
    "photos",
    "text",
    "candidates",
    "candidate_set",
    "decision",
    "misread_risk",
    "reason",
    "advice",
    "after_each",
    "notices",
    "provenance",
    "seconds",
    "prior",
    "by_eye",
    "explanation",
    "visit",
    "layouts",
)
"""Names and order of the fields."""
LABEL: Final = "  Advice      "
NAMED_DOUBT: Final = 0.001
"""Choice: from here on the chance that it is not one animal is shown beside the candidates."""
HOW_TO_ANSWER: Final = {
    "other_animal": "read them apart, each as an animal of its own",
    "left_out": "read again without it",
    "reading_wrong": "read again without that --reading",
    "same_animal": "read again with --one-animal; a further photo may settle it",
}
"""How a question is answered where there is no button."""


def session_record(result: SessionResult) -> Record:
    """One object for one animal; each photo as ``legibility read`` writes it, and what it counts.

    ``advice`` is what holds after the last photo; ``after_each`` says how it came to that.
    """
    identification = result.identification
    return {
        "session": result.session,
        "photos": [_photo(photo) for photo in result.photos],
        "text": result.text,
        "candidates": [candidate_record(one) for one in identification.candidates],
        "candidate_set": list(identification.candidate_set),
        "decision": identification.decision.value,
        "misread_risk": round_probability(identification.misread_risk),
        "reason": identification.reason,
        "advice": _advice(result.after_each[-1].advice),
        "after_each": [_moment(moment) for moment in result.after_each],
        "notices": list(result.notices),
        "provenance": {
            "version": result.provenance.version,
            "model_sha256": result.provenance.model_sha256,
            "settings_sha256": result.provenance.settings_sha256,
            "calibration_sha256": result.provenance.calibration_sha256,
        },
        "seconds": round(result.seconds, 3),
        "prior": prior_record(identification),
        "by_eye": by_eye_record(identification),
        "explanation": explanation_record(identification),
        "visit": visit_record(result.after_each[-1].check),
        "layouts": identification.layouts or None,
    }


def visit_record(check: VisitCheck) -> Record:
    """Whether all is of one animal; ``disagreement`` is null when nothing disagrees."""
    return {
        "not_one_animal": round_probability(check.not_one),
        "wrong_ear": round_probability(check.wrong_ear),
        "mistaken": [
            {"what": what, "probability": round_probability(chance)}
            for what, chance in check.mistaken
        ],
        "disagreement": next(map(_disagreement, check.disagreement), None),
    }


def session_table(result: SessionResult, *, caution: str) -> str:
    """Everything a person needs from the photos of one animal, in 100 columns.

    Parameters
    ----------
    result : SessionResult
    caution : str
        Sentence below the advice: who decides.
    """
    lines = [*wrapped(result.session, first=""), ""]
    if result.text:
        spaced = "   ".join(" ".join(row) for row in result.text.split("/"))
        lines += wrapped(spaced, first="  Mark        ")
    advice = result.after_each[-1].advice
    reason = f"{advice.reason} {_settled_before(result)} {_left_open(result)}"
    lines += wrapped(reason, indent=" " * len(LABEL), first=LABEL)
    lines += wrapped(caution, indent=" " * len(LABEL), first=" " * len(LABEL))
    for one in result.after_each[-1].check.disagreement:
        lines += ["", f"  {one.question}", *_question(one)]
    lines += ["", "  Photos", *_photos(result)]
    lines += _candidates(result)
    for title, block in (
        ("Known beforehand", prior_lines(result.identification)),
        ("Read by people", by_eye_lines(result.identification)),
        ("Why", explanation_lines(result.identification)),
    ):
        lines += ["", "  " + title, *block] if block else []
    lines += _steps(advice)
    for notice in result.notices:
        lines += ["", *wrapped(notice + ".", indent="    ", first="  - ")]
    return "\n".join(lines) + "\n"


def session_heading() -> str:
    """Heading over the lines of :func:`session_line`."""
    return _line("Session", "Photos", "Mark", "First candidate", "Chance", "Advice")


def session_line(result: SessionResult) -> str:
    """One animal in one line."""
    first = result.identification.candidates[:1]
    advice = result.after_each[-1].advice
    todo = advice.verdict.value
    if advice.verdict is Verdict.STEP:
        todo = f"next: {advice.steps[0].stage.value.replace('_', ' ')}"
    return _line(
        result.session,
        str(len(result.photos)),
        result.text or "-",
        candidate_name(first[0]) if first else "-",
        percent(first[0].probability) if first else "-",
        todo,
    )


def _line(session: str, photos: str, mark: str, first: str, chance: str, advice: str) -> str:
    cells = zip((session, photos, mark, first, chance, advice), (18, 6, 12, 20, 8, 22), strict=True)
    return "  ".join(pad(cell, width) for cell, width in cells).rstrip()


def _photo(photo: SessionPhoto) -> Record:
    return {
        **result_record(photo.result),
        "ear": photo.ear,
        "stage": photo.stage.value,
        "duplicate_of": None if photo.duplicate_of < 0 else photo.duplicate_of,
        "weight": round(photo.weight, 4),
    }


def _moment(moment: SessionMoment) -> Record:
    first = moment.first[0] if moment.first else None
    return {
        "first_candidate": None
        if first is None
        else {
            "animal_id": first.animal_id,
            "mark": first.mark,
            "probability": round_probability(first.probability),
        },
        "decision": moment.decision.value,
        "advice": _advice(moment.advice),
        "not_one_animal": round_probability(moment.check.not_one),
    }


def _disagreement(one: Disagreement) -> Record:
    return {
        "question": one.question,
        "sentence": one.sentence,
        "sides": [
            {
                "pieces": list(side.pieces),
                "photos": [index + 1 for index in side.photos],
                "animal_id": side.animal_id,
                "mark": side.mark,
                "probability": round_probability(side.probability),
            }
            for side in one.sides
        ],
        "apart": [
            {"row": at.row, "place": at.place, "first": at.first, "second": at.second}
            for at in one.apart
        ],
        "answers": [
            {
                "key": answer.key,
                "words": answer.words,
                "photos": [index + 1 for index in answer.photos],
                "what": answer.what,
            }
            for answer in one.answers
        ],
    }


def _question(one: Disagreement) -> list[str]:
    """The two sides under each other with the characters that differ, and how to answer."""
    table = [(side.mark or "-", ", ".join(side.pieces)) for side in one.sides]
    under = "".join("^" if at in _places(one) else " " for at in _positions(one.sides[1].mark))
    if under.strip():
        table.append((under, ""))
    lines = ["    " + line for line in columns(table, limits=(20, 52))]
    for answer in one.answers:
        how = HOW_TO_ANSWER.get(answer.key, "")
        lines += wrapped(
            f"{answer.words}{': ' + how if how else ''}.", first="    - ", indent="      "
        )
    return lines


def _places(one: Disagreement) -> set[tuple[int, int]]:
    return {(at.row, at.place) for at in one.apart}


def _positions(mark: str) -> list[tuple[int, int]]:
    """Row and place of each character of a written mark, counted from 1; of "/" none."""
    found = []
    for row, characters in enumerate(mark.split("/"), start=1):
        found += [(row, place) for place in range(1, len(characters) + 1)] + [(0, 0)]
    return found[:-1]


def _advice(advice: Advice) -> Record:
    step = advice.steps[0] if advice.verdict is Verdict.STEP else None
    return {
        "verdict": advice.verdict.value,
        "next_step": None if step is None else step.stage.value,
        "settles": None if step is None else round_probability(step.settles),
        "minutes": None if step is None else step.minutes,
        "minutes_spent": round(advice.minutes_spent, 2),
        "minutes_budget": advice.minutes_budget,
        "reason": advice.reason,
        "steps": [
            {
                "stage": worth.stage.value,
                "minutes": worth.minutes,
                "settles": round_probability(worth.settles),
                "basis": worth.basis,
                "in_time": worth.in_time,
            }
            for worth in advice.steps
        ],
    }


def _photos(result: SessionResult) -> list[str]:
    table = [("", "Photo", "Stage", "Ear", "Read", "Counts", "First candidate then", "Chance")]
    for number, (photo, moment) in enumerate(
        zip(result.photos, result.after_each, strict=True), start=1
    ):
        first = moment.first[0] if moment.first else None
        table.append(
            (
                str(number),
                tail(photo.result.photo, 24),
                photo.stage.value.replace("_", " "),
                photo.ear or "-",
                photo.result.text or photo.result.status.value,
                _counts(photo),
                candidate_name(first) if first else "-",
                percent(first.probability) if first else "-",
            )
        )
    limits = (3, 24, 15, 5, 10, 8, 16, 8)
    return ["    " + line for line in columns(table, limits=limits, right=frozenset({0, 7}))]


def _settled_before(result: SessionResult) -> str:
    """Says when later photos were not needed."""
    verdicts = [moment.advice.verdict for moment in result.after_each]
    if verdicts[-1] is not Verdict.SETTLED:
        return ""
    number = verdicts.index(Verdict.SETTLED) + 1
    return f"It was so after photo {number}." if number < len(verdicts) else ""


def _left_open(result: SessionResult) -> str:
    """What keeps a probable first candidate from being settled."""
    told = "cannot tell whether it is the same animal"
    return sentence(result.identification.reason) if told in result.identification.reason else ""


def _counts(photo: SessionPhoto) -> str:
    if photo.result.status is Status.ERROR:
        return "no"
    if photo.duplicate_of >= 0:
        return f"as {photo.duplicate_of + 1}"
    return f"{photo.weight:.2f}"


def _candidates(result: SessionResult) -> list[str]:
    identification = result.identification
    if not identification.candidates:
        return []
    inside = set(identification.candidate_set)
    table = [("", "Animal", "Mark", "Probability", "")]
    for candidate in identification.candidates[:5]:
        table.append(
            (
                "*" if candidate.animal_id in inside else "",
                candidate_name(candidate),
                candidate.mark or "-",
                percent(candidate.probability),
                bar(candidate.probability),
            )
        )
    lines = columns(table, limits=(1, 30, 16, 11, 10), right=frozenset({3}))
    risk = percent(identification.misread_risk)
    doubt = result.after_each[-1].check.not_one
    if doubt >= NAMED_DOUBT:
        lines.append(f"   not one animal: {percent(doubt)}")
    return [
        "",
        "  Candidates by all photos",
        *("    " + line for line in lines),
        *wrapped(f"Risk that the first candidate is the wrong animal: {risk}.", indent="    "),
    ]


def _steps(advice: Advice) -> list[str]:
    spent = f"{advice.minutes_spent:g} of {advice.minutes_budget:g} minutes used"
    if advice.verdict in (Verdict.SETTLED, Verdict.ASK) or not advice.steps:
        return ["", f"  Time        {spent}"]
    table = [("Step", "Minutes", "Settles it with", "Measured on", "")]
    for worth in advice.steps:
        table.append(
            (
                worth.stage.value.replace("_", " "),
                f"{worth.minutes:g}",
                percent(worth.settles),
                worth.basis,
                "" if worth.in_time else "no time left",
            )
        )
    limits = (16, 7, 15, 30, 12)
    lines = columns(table, limits=limits, right=frozenset({1, 2}))
    return ["", f"  Steps left ({spent})", *("    " + line for line in lines)]


__all__ = [
    "FIELDS",
    "session_heading",
    "session_line",
    "session_record",
    "session_table",
]
