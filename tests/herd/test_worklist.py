from __future__ import annotations

from dataclasses import replace

import pytest
from rapidfuzz.distance import OSA

from legibility.containers import (
    Animal,
    Candidate,
    Decision,
    Flag,
    Grade,
    Identification,
    PhotoResult,
    Provenance,
    Reading,
    Status,
)
from legibility.herd.refusals import load_refusals
from legibility.herd.worklist import near_twins, worklist
from legibility.identify.animals import registry_of

HERD = registry_of(
    [
        Animal("goat 1", "A17"),
        Animal("goat 2", "A71"),
        Animal("goat 3", "B17"),
        Animal("goat 4", "K99"),
        Animal("goat 5", "A17"),
        Animal("goat 6", "Q/55"),
    ]
)


def result(
    photo: str,
    *candidates: Candidate,
    grade: float | None = 4.0,
    decision: Decision = Decision.IDENTIFIED,
    status: Status = Status.READ,
    reasons: tuple[str, ...] = (),
) -> PhotoResult:
    risk = 1.0 - candidates[0].probability if candidates else 1.0
    return PhotoResult(
        photo=photo,
        sha256="0" * 64,
        status=status,
        flags=Flag.NONE,
        reasons=reasons,
        text=candidates[0].mark if candidates else "",
        reading=Reading((), 0.0),
        identification=Identification(candidates, (), decision, risk, ()),
        grade=None if grade is None else Grade(grade, {}, "needles present: needles left no ink"),
        provenance=Provenance("0", "", ""),
        seconds=0.1,
    )


def test_near_twins_are_those_within_one_edit_of_the_same_length() -> None:
    # Oracle: rapidfuzz's optimal string alignment distance (one substitution or transposition).
    for animal in HERD:
        wanted = {
            other.animal_id
            for other in HERD
            if other.animal_id != animal.animal_id
            and len(other.mark) == len(animal.mark)
            and OSA.distance(other.mark, animal.mark) <= 1
        }
        assert set(near_twins(animal.animal_id, animal.mark, HERD)) == wanted
    assert set(near_twins("goat 1", "A17", HERD)) == {"goat 2", "goat 3", "goat 5"}


def test_most_urgent_first() -> None:
    rows = worklist(
        [
            result("new.jpg", Candidate("goat 4", "K99", 0.999)),
            result("worn.jpg", Candidate("goat 6", "Q/55", 0.99), grade=1.0),
            result("twin.jpg", Candidate("goat 1", "A17", 0.99), grade=1.0),
            result(
                "doubt.jpg",
                Candidate("goat 3", "B17", 0.4),
                Candidate("goat 1", "A17", 0.35),
                grade=2.0,
                decision=Decision.AMBIGUOUS,
            ),
        ],
        HERD,
    )
    assert [row.animal_id for row in rows] == ["goat 3", "goat 1", "goat 6", "goat 4"]
    assert [row.action for row in rows] == ["confirm", "look by eye", "look by eye", "nothing"]
    assert "it could be goat 1" in rows[0].reason
    assert "one character away from" in rows[1].reason
    assert rows[3].reason == "in good condition, no near twin"
    assert rows[2].urgency == pytest.approx(1 - 0.99 * 0.65)
    assert rows[1].urgency == pytest.approx(1 - 0.99 * 0.65 * (1 - 0.175))


@pytest.mark.parametrize(
    ("chance", "words"), [(0.004, "wrong with 99.6 %"), (0.0004, "wrong with > 99.9 %")]
)
def test_what_is_nearly_certain_is_not_written_as_certain(chance: float, words: str) -> None:
    doubtful = result("p", Candidate("goat 1", "A17", chance), decision=Decision.AMBIGUOUS)
    row, *_ = worklist([doubtful], HERD)
    assert words in row.reason


def test_best_photo_of_an_animal_counts() -> None:
    rows = worklist(
        [
            result("bad.jpg", Candidate("goat 4", "K99", 0.7), decision=Decision.AMBIGUOUS),
            result("good.jpg", Candidate("goat 4", "K99", 0.99)),
            result("fair.jpg", Candidate("goat 4", "K99", 0.97)),
        ],
        HERD,
    )
    assert [row.result.photo for row in rows] == ["good.jpg"]


def test_photos_that_are_no_animal() -> None:
    rows = worklist(
        [
            result(
                "blur.jpg",
                status=Status.RETAKE,
                decision=Decision.RETAKE,
                grade=None,
                reasons=("Too blurred.",),
            ),
            result("gone.jpg", status=Status.UNREADABLE, decision=Decision.UNREADABLE, grade=None),
            result("guest.jpg", Candidate(None, "Z1", 0.97), decision=Decision.UNREGISTERED),
            result("open.jpg", Candidate(None, "Z1", 0.6), decision=Decision.AMBIGUOUS),
            result("broken.jpg", status=Status.ERROR, grade=None),
        ],
        HERD,
    )
    # By Bayes, one refusal of a mark that is lost with 0.1 before it.
    chances = load_refusals()
    odds = 0.1 / 0.9 * chances.lost.share / chances.legible["as found"].share
    gone = next(row for row in rows if row.result.photo == "gone.jpg")
    assert gone.urgency == pytest.approx(odds / (1 + odds))
    assert gone.action == "photograph again"
    assert "clean the ear, then clip it" in gone.reason
    named = {row.result.photo: row.action for row in rows}
    assert named == {
        "gone.jpg": "photograph again",
        "guest.jpg": "confirm",
        "open.jpg": "confirm",
        "blur.jpg": "photograph again",
    }
    assert rows[-1].result.photo == "blur.jpg"
    assert rows[-1].reason == "Too blurred."


@pytest.mark.parametrize(
    ("flags", "step"),
    [
        (Flag.HAIR, "clip the hair"),
        (Flag.GLARE, "dry the ear"),
        (Flag.NO_MARK, "clean the ear, then clip it"),
    ],
)
def test_an_unread_photo_is_taken_again_after_a_step(flags: Flag, step: str) -> None:
    unread = result(
        "unread.jpg", status=Status.UNREADABLE, decision=Decision.UNREADABLE, grade=None
    )
    (row,) = worklist([replace(unread, flags=flags)], HERD)
    assert row.action == "photograph again"
    assert step in row.reason


def test_photos_alone_never_advise_a_new_mark() -> None:
    photos = [
        result("a.jpg", Candidate("goat 6", "Q/55", 0.99), grade=0.0),
        result("b.jpg", Candidate("goat 4", "K99", 0.99), grade=1.9),
        result("c.jpg", status=Status.UNREADABLE, decision=Decision.UNREADABLE, grade=None),
        result("d.jpg", Candidate("goat 1", "A17", 0.4), grade=0.1, decision=Decision.AMBIGUOUS),
    ]
    assert "re-mark" not in {row.action for row in worklist(photos, HERD)}


def test_without_registry_and_without_photos() -> None:
    assert worklist([], HERD) == ()
    (row,) = worklist([result("a.jpg", Candidate("goat 1", "A17", 0.99), grade=None)], None)
    assert row.near_twins == ()
    assert "no grade" in row.reason
