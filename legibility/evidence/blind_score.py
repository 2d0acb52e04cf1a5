"""What filled-in blind sheets say: agreement, reliability of readers, marks to adjudicate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from legibility.alphabet import UNREAD
from legibility.errors import EvidenceError
from legibility.evidence.agreement import (
    Kappa,
    Share,
    agreement_table,
    cohen_kappa,
    exact_share,
    krippendorff_alpha,
    label_numbers,
)
from legibility.evidence.blind import Key, Step
from legibility.evidence.places import consensus, flat, laid
from legibility.evidence.reliability import (
    ReaderReliability,
    accuracy_by_agreement,
    accuracy_by_truth,
)
from legibility.evidence.sheets import GRADES, FilledSheet, unanswered
from legibility.marks.open_readings import NOTHING


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two sets of readings of the same marks."""

    first: str
    second: str
    """The same name for a reader's repetitions."""
    characters: Share
    """Places with the same answer; "?" is an answer."""
    character_kappa: Kappa | None
    """None where there is nothing to compare."""
    marks: Share
    """Whole marks with the same answer."""
    mark_kappa: Kappa | None
    legibility_linear: Kappa | None
    legibility_quadratic: Kappa | None


@dataclass(frozen=True, slots=True)
class Disputed:
    """A mark that a person has to decide."""

    photo: str
    sha256: str
    readings: Mapping[str, tuple[str, ...]]
    """Reader -> reading, and its repetition where there is one."""
    places: tuple[int, ...]
    """1 = first character; where answers differ, rows joined."""


@dataclass(frozen=True, slots=True)
class BlindScore:
    """Everything that is reported of a reading set."""

    readers: tuple[ReaderReliability, ...]
    between: tuple[Agreement, ...]
    within: tuple[Agreement, ...]
    """Each reader against the same reader's repetitions."""
    alpha_characters: float
    """Krippendorff's alpha, nominal, unread places missing; NaN where it says nothing."""
    alpha_marks: float
    alpha_legibility: float
    """Ordinal."""
    adjudicate: tuple[Disputed, ...]
    claims: Mapping[str, Mapping[str, int]]
    """Reader -> claim -> how often thought right; empty for first readings."""
    order: tuple[Step, ...]
    unanswered: tuple[str, ...]
    truth_known: int
    """Photos whose mark was known for scoring."""


def score_sheets(
    sheets: Sequence[FilledSheet],
    key: Key,
    *,
    received_at: str,
    truth: Mapping[str, str] | None = None,
) -> BlindScore:
    """Compare the readers of one set.

    Parameters
    ----------
    sheets : sequence of FilledSheet
        One a reader.
    received_at : str
        Time the sheets came in, for the order of steps.
    truth : mapping of str to str, optional
        Photo's SHA-256 -> mark, where it is known: marks of ears that nobody disputes.

    Raises
    ------
    EvidenceError
        If two files are of one sheet, or there is none.
    """
    names = [filled.sheet.reader for filled in sheets]
    twice = sorted({name for name in names if names.count(name) > 1})
    if not sheets or twice:
        raise EvidenceError(
            f"two sheets of {twice[0]!r}" if twice else "no sheet; expected at least one"
        )
    known = truth or {}
    first = {f.sheet.reader: _readings(f, repeat=False) for f in sheets}
    again = {f.sheet.reader: _readings(f, repeat=True) for f in sheets}
    grades = {f.sheet.reader: _grades(f, repeat=False) for f in sheets}
    grades_again = {f.sheet.reader: _grades(f, repeat=True) for f in sheets}
    count = len(key.photos)
    references = [
        consensus(
            [known[key.photos[i].sha256]]
            if key.photos[i].sha256 in known
            else [r[i] for group in (first, again) for r in group.values() if i in r]
        )
        for i in range(count)
    ]
    placed = {name: _placed(readings, references) for name, readings in first.items()}
    return BlindScore(
        readers=_reliability(placed, references, key, known),
        between=tuple(
            _agreement((a, b), (first[a], first[b]), (grades[a], grades[b]), references)
            for a, b in combinations(names, 2)
        ),
        within=tuple(
            _agreement((n, n), (first[n], again[n]), (grades[n], grades_again[n]), references)
            for n in names
        ),
        alpha_characters=krippendorff_alpha(
            label_numbers([[None if c in (None, UNREAD) else c for c in placed[n]] for n in names])
        ),
        alpha_marks=krippendorff_alpha(
            label_numbers([[_whole(first[n].get(i)) for i in range(count)] for n in names])
        ),
        alpha_legibility=krippendorff_alpha(
            [[_number(grades[n].get(i)) for i in range(count)] for n in names], level="ordinal"
        ),
        adjudicate=_disputed(key, first, again, references),
        claims=_claims(sheets) if key.claims else {},
        order=(
            *key.order,
            *(Step(f"sheet of {f.sheet.reader} received", received_at, f.sha256) for f in sheets),
            Step("key opened and sheets scored", received_at),
        ),
        unanswered=tuple(unanswered(sheets)),
        truth_known=sum(photo.sha256 in known for photo in key.photos),
    )


def _readings(filled: FilledSheet, *, repeat: bool) -> dict[int, str]:
    pairs = zip(filled.sheet.items, filled.answers, strict=True)
    return {i.photo: a.reading for i, a in pairs if i.repeat is repeat and a.given}


def _grades(filled: FilledSheet, *, repeat: bool) -> dict[int, int]:
    pairs = zip(filled.sheet.items, filled.answers, strict=True)
    return {
        i.photo: a.legibility for i, a in pairs if i.repeat is repeat and a.legibility is not None
    }


def _placed(readings: Mapping[int, str], references: Sequence[str]) -> list[str | None]:
    """A reader's answers over all places of all photos; None where there is none."""
    out: list[str | None] = []
    for photo, reference in enumerate(references):
        said = readings.get(photo)
        if said is None:
            out += [None] * len(reference)
        elif said == NOTHING:
            out += [UNREAD] * len(reference)
        else:
            out += laid(said, reference)
    return out


def _agreement(
    names: tuple[str, str],
    readings: tuple[Mapping[int, str], Mapping[int, str]],
    grades: tuple[Mapping[int, int], Mapping[int, int]],
    references: Sequence[str],
) -> Agreement:
    both = sorted(set(readings[0]) & set(readings[1]))
    columns: tuple[list[str], list[str]] = ([], [])
    for photo in both:
        cells = [_placed({0: r[photo]}, [references[photo]]) for r in readings]
        for a, b in zip(*cells, strict=True):
            columns[0].append(a or UNREAD)
            columns[1].append(b or UNREAD)
    marks = ([readings[0][p] for p in both], [readings[1][p] for p in both])
    graded = sorted(set(grades[0]) & set(grades[1]))
    table = agreement_table(
        [grades[0][p] for p in graded], [grades[1][p] for p in graded], categories=list(GRADES)
    )
    return Agreement(
        first=names[0],
        second=names[1],
        characters=_share(*columns),
        character_kappa=_kappa(*columns),
        marks=_share(*marks),
        mark_kappa=_kappa(*marks),
        legibility_linear=cohen_kappa(table, weights="linear") if graded else None,
        legibility_quadratic=cohen_kappa(table, weights="quadratic") if graded else None,
    )


def _share(first: Sequence[str], second: Sequence[str]) -> Share:
    return exact_share(sum(a == b for a, b in zip(first, second, strict=True)), len(first))


def _kappa(first: Sequence[str], second: Sequence[str]) -> Kappa | None:
    return cohen_kappa(agreement_table(first, second)) if first else None


def _reliability(
    placed: Mapping[str, Sequence[str | None]],
    references: Sequence[str],
    key: Key,
    known: Mapping[str, str],
) -> tuple[ReaderReliability, ...]:
    named = {n: [None if c in (None, UNREAD) else c for c in cells] for n, cells in placed.items()}
    by_agreement = accuracy_by_agreement(list(named.values()))
    truth: list[str | None] = []
    for photo, reference in zip(key.photos, references, strict=True):
        truth += list(reference) if photo.sha256 in known else [None] * len(reference)
    found = []
    for (name, cells), agreed in zip(named.items(), by_agreement, strict=True):
        counted, right = accuracy_by_truth(cells, truth)
        found.append(
            ReaderReliability(
                reader=name,
                read=sum(c is not None for c in cells),
                unread=sum(c == UNREAD for c in placed[name]),
                accuracy=counted if right.total else agreed,
                right=right if right.total else None,
            )
        )
    return tuple(found)


def _disputed(
    key: Key,
    first: Mapping[str, Mapping[int, str]],
    again: Mapping[str, Mapping[int, str]],
    references: Sequence[str],
) -> tuple[Disputed, ...]:
    found = []
    for index, photo in enumerate(key.photos):
        readings = {
            name: tuple(r[index] for r in (first[name], again[name]) if index in r)
            for name in first
        }
        texts = [text for both in readings.values() for text in both]
        cells = [_placed({0: text}, [references[index]]) for text in texts]
        differ = tuple(
            place
            for place, column in enumerate(zip(*cells, strict=True), start=1)
            if len(set(column)) > 1
        )
        if len({*texts}) > 1 or any(UNREAD in flat(text) for text in texts):
            found.append(Disputed(photo.photo, photo.sha256, readings, differ))
    return tuple(found)


def _claims(sheets: Sequence[FilledSheet]) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for filled in sheets:
        counts: dict[str, int] = {}
        for answer in filled.answers:
            if answer.claim:
                counts[answer.claim] = counts.get(answer.claim, 0) + 1
        found[filled.sheet.reader] = counts
    return found


def _whole(reading: str | None) -> str | None:
    return None if reading is None or not flat(reading) else reading


def _number(grade: int | None) -> float | None:
    return None if grade is None else float(grade)
