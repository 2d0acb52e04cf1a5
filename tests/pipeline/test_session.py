"""Several photos of one animal, from readings built by hand."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from legibility.batch.ordered import failed_result
from legibility.containers import (
    Animal,
    Decision,
    Flag,
    Identification,
    PhotoResult,
    Provenance,
    Reading,
    Stage,
    Status,
    Verdict,
)
from legibility.identify.decision import identify
from legibility.identify.registry import Registry, registry_of
from legibility.identify.sequence import Tempering
from legibility.identify.step_effects import StepEffects, StepModel, StepOutcome
from legibility.marks.rules import Rules
from legibility.pipeline.run import final_calibration
from legibility.pipeline.session import (
    NO_FINGERPRINT,
    ReadShot,
    Shot,
    combine_session,
    read_shot,
)
from legibility.pipeline.session_manifest import step_outcomes
from legibility.settings import Settings
from tests.identify.reading_builder import cell, reading, sure

HERD = registry_of(
    [
        Animal(f"goat {n}", mark, ear=ear)
        for n, (mark, ear) in enumerate(
            [("A123", "left"), ("A128", "left"), ("B777", "right"), ("C045", ""), ("D310", "both")]
        )
    ]
)
HALF = (StepOutcome(0.5, 0.99), StepOutcome(0.5, 0.6)) * 20
MODEL = StepModel(Tempering(0.2, 0.6), StepEffects(dict.fromkeys(list(Stage)[1:], HALF)), "by hand")
SAMPLES = Path(__file__).parents[2] / "sample_images"


def read(said: Reading, *, name: str = "a.jpg", sha: str = "", flags: Flag = Flag.NONE) -> ReadShot:
    nothing = Identification((), (), Decision.AMBIGUOUS, 1.0, ())
    result = PhotoResult(
        name, sha or name, Status.READ, flags, (), "", said, nothing, None,
        Provenance("0", "", ""), 0.5,
    )  # fmt: skip
    seed = sum(map(ord, name))
    return ReadShot(result, np.random.default_rng(seed).random(256) < 0.5)


def session(*shots: tuple[Shot, ReadShot], registry: Registry | None = HERD, **options):
    return combine_session(
        "X",
        [shot for shot, _ in shots],
        [result for _, result in shots],
        registry=registry,
        settings=options.pop("settings", Settings()),
        model=options.pop("model", MODEL),
        **options,
    )


def shot(name: str = "a.jpg", ear: str = "", stage: Stage = Stage.AS_FOUND) -> Shot:
    return Shot(Path(name), ear, stage)


def doubtful() -> Reading:
    """A12 and then 3 or 8."""
    return reading(
        [[cell({"A": 0.9}), cell({"1": 0.9}), cell({"2": 0.9}), cell({"3": 0.5, "8": 0.4})]]
    )


def test_one_photo_gives_what_it_gives_alone() -> None:
    calibration, _ = final_calibration(Settings())
    alone = identify(doubtful(), HERD, calibration=calibration)
    got = session((shot(), read(doubtful()))).identification
    assert got.decision is alone.decision
    assert got.candidate_set == alone.candidate_set
    for mine, theirs in zip(got.candidates, alone.candidates, strict=True):
        assert mine.animal_id == theirs.animal_id
        assert mine.probability == pytest.approx(theirs.probability)


def test_a_second_photo_after_a_step_settles_what_the_first_left_open() -> None:
    got = session(
        (shot(), read(doubtful())),
        (shot("b.jpg", stage=Stage.CLEANED), read(sure("A123"), name="b.jpg")),
    )
    before, after = got.after_each
    assert before.first[0].probability < after.first[0].probability
    assert got.identification.candidates[0].animal_id == "goat 0"
    assert got.text == "A123"
    assert [photo.weight for photo in got.photos] == [pytest.approx(0.6), 1.0]
    assert after.advice.minutes_spent == pytest.approx(2.5)


@pytest.mark.parametrize("count", [2, 10])
def test_repeated_photos_count_once(count: int) -> None:
    one = session((shot(), read(doubtful())))
    same = [(shot(f"{k}.jpg"), read(doubtful(), name=f"{k}.jpg", sha="same")) for k in range(count)]
    got = session(*same)
    assert got.identification.candidates == one.identification.candidates
    assert [photo.duplicate_of for photo in got.photos] == [-1] + [0] * (count - 1)
    assert len(got.notices) == count - 1


def test_a_repeated_photo_counts_once_even_when_it_is_given_for_the_other_ear() -> None:
    got = session(
        (shot("a.jpg", "left"), read(doubtful(), sha="s")),
        (shot("b.jpg", "right"), read(doubtful(), name="b.jpg", sha="s")),
    )
    assert got.photos[1].duplicate_of == 0


def test_ten_alike_photos_of_other_bytes_stay_near_one_photo() -> None:
    settings = dataclasses.replace(Settings(), p_not_one_animal=0.0)
    one = session((shot(), read(doubtful()))).identification.candidates[0].probability
    photos = [(shot(f"{k}.jpg"), read(doubtful(), name=f"{k}.jpg")) for k in range(10)]
    ten = session(*photos, settings=settings)
    bounded = session(
        (shot(), read(doubtful())),
        (shot("b.jpg"), read(doubtful(), name="b.jpg")),
        model=StepModel(Tempering(0.25, 0.6), MODEL.effects, ""),
        settings=settings,
    )
    chance = ten.identification.candidates[0].probability
    assert one < chance <= bounded.identification.candidates[0].probability + 1e-9


def test_a_mark_in_the_ear_where_none_is_recorded_does_not_name_its_animal() -> None:
    left = session((shot(ear="left"), read(sure("B777")))).identification
    right = session((shot(ear="right"), read(sure("B777")))).identification
    assert right.candidates[0].animal_id == "goat 2"
    assert right.candidates[0].probability > 0.9
    # A stranger seldom carries just a registered mark: that the ears were mixed up is likelier, but
    # it is not settled by that.
    assert left.candidates[0].probability < right.candidates[0].probability
    assert left.decision is not Decision.IDENTIFIED
    both = session(
        (shot(ear="left"), read(sure("D310"))),
        (shot("b.jpg", "right"), read(sure("D310"), name="b.jpg")),
    )
    assert [photo.weight for photo in both.photos] == [1.0, 1.0]


def test_a_photo_of_an_unknown_ear_joins_the_named_one() -> None:
    got = session(
        (shot(ear="right"), read(sure("D310"))), (shot("b.jpg"), read(sure("D310"), name="b.jpg"))
    )
    assert [photo.ear for photo in got.photos] == ["right", "right"]
    assert "right" in got.notices[0]
    assert sum(photo.weight for photo in got.photos) == pytest.approx(1.2)


def test_a_file_that_cannot_be_used_stops_no_other() -> None:
    failed = ReadShot(failed_result(Path("x.jpg"), "x.jpg: broken"), NO_FINGERPRINT)
    got = session((shot("x.jpg"), failed), (shot(), read(sure("A123"))))
    assert got.identification.candidates[0].animal_id == "goat 0"
    assert got.photos[0].weight == 0.0
    assert got.after_each[0].first == ()
    alone = session((shot("x.jpg"), failed))
    assert alone.identification.decision is Decision.UNREADABLE
    assert alone.identification.candidates == ()


def test_nothing_read_is_no_guess_and_still_has_advice() -> None:
    got = session((shot(), read(sure("A123", no_mark=0.9))))
    assert got.identification.decision is Decision.UNREADABLE
    assert got.text == ""
    assert got.after_each[0].advice.verdict is Verdict.STEP


@pytest.mark.parametrize("rules", [None, Rules(longest_row=4)])
def test_without_a_registry_the_marks_are_weighed(rules: Rules | None) -> None:
    got = session(
        (shot(), read(doubtful())),
        (shot("b.jpg", stage=Stage.CLEANED), read(sure("A123", chance=0.99), name="b.jpg")),
        registry=None,
        rules=rules,
    )
    assert got.identification.candidates[0].mark == "A123"
    assert got.identification.candidates[0].animal_id is None
    assert sum(c.probability for c in got.identification.candidates) <= 1.0 + 1e-9


def test_past_the_budget_handling_ends() -> None:
    got = session((shot(), read(doubtful())), minutes=12.0)
    assert got.after_each[0].advice.verdict is Verdict.STOP
    tight = dataclasses.replace(Settings(), handling_budget_min=0.5)
    got = session((shot(), read(doubtful())), settings=tight)
    assert got.after_each[0].advice.verdict is Verdict.STOP


def test_outcomes_of_steps_are_taken_from_a_session() -> None:
    got = session(
        (shot(), read(doubtful(), flags=Flag.HAIR)),
        (shot("b.jpg", stage=Stage.CLEANED), read(sure("A123"), name="b.jpg")),
        (shot("c.jpg", stage=Stage.CLEANED), read(sure("A123"), name="c.jpg")),
        (shot("d.jpg", stage=Stage.CLIPPED), read(sure("A123"), name="d.jpg", sha="c.jpg")),
    )
    ((stage, outcome),) = step_outcomes(got)
    assert stage is Stage.CLEANED
    assert outcome.hair
    assert outcome.before == got.after_each[0].first[0].probability
    assert outcome.after == got.after_each[1].first[0].probability


def test_there_must_be_a_photo() -> None:
    with pytest.raises(ValueError, match="0 photos"):
        session()


def test_a_real_file_is_read_with_its_fingerprint() -> None:
    settings = dataclasses.replace(Settings(), second_reader=False)
    got = read_shot(SAMPLES / "no-mark.jpg", registry=None, rules=None, settings=settings)
    assert got.fingerprint.shape == (256,)
    assert got.result.sha256
