"""From the record to worklist, plan and report."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from legibility.containers import Flag, Status
from legibility.errors import SettingsError, StoreError
from legibility.herd.fade import Basis
from legibility.herd.handling import SECOND_READING, Handling
from legibility.herd.planning import Day
from legibility.pipeline.herd_fades import fades_from, fit_fades
from legibility.pipeline.herd_history import mark_history
from legibility.pipeline.herd_kept import herd_state
from legibility.pipeline.herd_plan import plan_day
from legibility.pipeline.herd_ranking import Ranking, rank_herd
from legibility.pipeline.herd_retention import retention
from legibility.pipeline.herd_sheets import check_first, differing_places, sheet_details
from legibility.pipeline.herd_worklist import worklist
from legibility.pipeline.mark_risks import mark_risks
from legibility.pipeline.worklist_reasons import Score, reasons_between, score_words
from legibility.report.retention import retention_text, write_retention_page
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.misreading import Errors, channel, pair_probability
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.events import append_event
from legibility.store.handling_events import add_handling_event
from legibility.store.human_readings import add_human_reading
from legibility.store.photos import put_photo
from legibility.store.readings import add_readings
from legibility.store.records import HandlingEvent, HumanReading, PhotoRow, ScanRow
from legibility.store.scans import add_scan
from tests.herd_records import SCALE_YEARS, TODAY, add_photo, fading_herd, reading


@pytest.fixture(scope="module")
def herd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[HerdDatabase]:
    db = fading_herd(tmp_path_factory.mktemp("herd") / "herd.db", animals=90)
    yield db
    db.close()


@pytest.fixture(scope="module")
def ranking(herd: HerdDatabase) -> Ranking:
    return rank_herd(herd, today=TODAY)


def test_the_law_of_the_herd_is_found(ranking: Ranking) -> None:
    fade = ranking.by_age
    assert fade.basis is Basis.FITTED
    assert fade.curve is not None
    # Dark marks last 0.7, pale ones 1.4 of the scale; their middle is 4 sqrt(0.98) years.
    assert fade.curve.scale == pytest.approx(SCALE_YEARS, rel=0.2)
    skin = fade.levels[0]
    effects = dict(zip(skin, fade.curve.effects[0], strict=True))
    assert effects["dark"] < 0 < effects["pale"]


def test_worklist(ranking: Ranking) -> None:
    found = worklist(ranking, 30)
    assert found.animals == 90
    losses = [item.loss for item in found.items]
    assert losses == sorted(losses, reverse=True)
    for item in found.items:
        assert item.reason.count(".") >= 1
        assert item.act != "nothing"
        assert item.overdue == (item.last_date == TODAY.isoformat()) or item.last_date > str(TODAY)
        assert not (item.has_chip and item.act == "transponder")
    assert found.needing == sum(n for act, n in found.acts.items() if act != "nothing")
    assert "Fitted to 90 marks" in found.basis[0]


@pytest.mark.parametrize("lost", [0.9951, 0.9989])
def test_a_loss_that_is_not_certain_is_not_written_as_certain(lost: float) -> None:
    score = Score(1.0, 0.0, 0.25 * lost, 0.25 * lost, lost, "age", assumed=True, years=20.0)
    assert f"lost {100 * lost:.1f} %" in score_words(score, 0.25)


def scored(taken: float, unknown: float, lost: float) -> Score:
    score = taken + unknown
    return Score(1.0, taken, unknown, score, lost, "age", assumed=True, years=12.0)


@pytest.mark.parametrize(
    ("mine", "other", "words"),
    [
        (
            scored(0.00504, 0.2447, 0.979),
            scored(0.00475, 0.2446, 0.979),
            "being taken for another weighs 0.005 against 0.0047 and not being able to tell it "
            "weighs 0.2447 against 0.2446",
        ),
        (
            scored(0.0009, 0.2475, 0.990),
            scored(0.0027, 0.2450, 0.980),
            "its mark is lost with 99 % against 98 % (assumed from its age), although it is taken "
            "for another with < 0.1 % against 0.3 %",
        ),
        (  # A transponder spares the other one; that its mark is lost is no reason.
            scored(0.001, 0.2, 0.8),
            scored(0.001, 0.012, 0.95),
            "not being able to tell it weighs 0.2 against 0.012",
        ),
    ],
)
def test_the_parts_named_are_those_that_make_the_difference(
    mine: Score, other: Score, words: str
) -> None:
    assert reasons_between(mine, other) == words


def test_the_second_call_reads_what_the_first_one_kept(herd: HerdDatabase) -> None:
    first = herd_state(herd, usable_grade=1.0)
    path = Path(f"{herd.path}.derived.npz")
    assert path.exists()
    stamp = path.stat().st_mtime_ns
    again = herd_state(herd, usable_grade=1.0)
    assert path.stat().st_mtime_ns == stamp
    np.testing.assert_array_equal(first.grade, again.grade)
    assert again.by_age.levels == first.by_age.levels
    np.testing.assert_array_equal(first.by_age.count, again.by_age.count)
    assert (
        fades_from(str(again.curves))[0].words == fit_fades(first.by_age, first.by_grade)[0].words
    )
    path.write_bytes(b"not an archive")
    assert len(herd_state(herd, usable_grade=1.0)) == 90
    assert path.stat().st_size > 1000


def test_a_new_entry_makes_the_state_anew(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=6) as db:
        before = rank_herd(db, today=TODAY)
        name = worklist(before, 1).items[0].animal_id
        with db.transaction():
            add_handling_event(db, HandlingEvent("2025-05-30", "sold", name, "Ada"))
            append_event(db, what="record sold", who="Ada")
        after = rank_herd(db, today=TODAY)
    assert name not in {item.animal_id for item in worklist(after, 90).items}
    assert worklist(after).animals == 5


def test_without_data_everything_says_that_it_is_assumed(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=6) as db:
        found = worklist(rank_herd(db, today=TODAY, keep=False))
        report = retention(db, usable_grade=1.0, bootstrap=5, keep=False)
    assert "assumption, not a measurement" in found.basis[0]
    assert "assumption too" in found.basis[1]
    assert report.is_assumption
    assert all(point.extrapolated or point.years == 0 for point in report.curve)
    assert not list(tmp_path.glob("*.npz"))


def test_marks_that_never_fade_are_not_made_to(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=40, fades=False) as db:
        found = rank_herd(db, today=TODAY, keep=False)
    assert found.by_age.basis is Basis.NO_LOSS
    assert found.found.p_lost.max() == 0.0
    assert all(not item.last_date for item in worklist(found, 40).items)


def test_what_people_saw_counts_and_retakes_do_not(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=4, fades=False) as db:
        with db.transaction():
            retake = reading("retake.jpg", "Ewe 000", status=Status.RETAKE)
            add_photo(db, retake, "Ewe 000", TODAY)
            add_human_reading(
                db, HumanReading("Ada", str(TODAY), animal_id="Ewe 001", usable=False)
            )
            append_event(db, what="test")
        state = herd_state(db, usable_grade=1.0, keep=False)
    assert np.isnan(state.first_lost[0])
    assert state.first_lost[1] == (TODAY - date(1970, 1, 1)).days


def test_a_contradicted_photo_asks_for_a_second_reading(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=4, fades=False) as db:
        with db.transaction():
            other = reading("other.jpg", "Ewe 001", first="Ewe 002", risk=0.1)
            add_photo(db, other, "Ewe 001", TODAY)
            append_event(db, what="test")
        found = worklist(rank_herd(db, today=TODAY, keep=False))
    first = next(item for item in found.items if item.animal_id == "Ewe 001")
    assert first.act == SECOND_READING
    assert "named another animal" in first.reason
    assert first.p_taken == pytest.approx(0.9 * (1 - first.p_lost), abs=0.01)


def test_a_record_without_marks_is_refused(tmp_path: Path) -> None:
    with create_herd(tmp_path / "herd.db") as db, pytest.raises(StoreError, match="no marks yet"):
        rank_herd(db, keep=False)


def test_risks_are_those_of_the_pairs() -> None:
    marks = ["K417", "K471", "B223", "K417"]
    found = mark_risks(marks, np.array([4.0, 4.0, 4.0, np.nan]))
    assert found.same_mark.tolist() == [1, 0, 0, 1]
    assert found.rival[0, 0] == 3
    kernel, known = load_kernel(), mark_set(marks)
    codes = known.groups[0].codes
    ids = known.of_given
    wanted = pair_probability(
        codes[ids[[1]]], (4, 0), codes[ids[[0]]], (4, 0), channel(kernel.at(4.0), Errors())
    )
    seen = 1 - kernel.row_unread_at(4.0)
    assert found.risk[1] == pytest.approx(float(wanted[0]) * seen)


def test_plan(ranking: Ranking) -> None:
    day = Day(90, 2, 1, 4, 1)
    found = plan_day(ranking, day, must={"Ewe 003"}, sedated={"Ewe 006"})
    names = [act.item.animal_id for act in found.acts]
    assert {"Ewe 003", "Ewe 006"} <= set(names)
    assert len(set(names)) == len(names)
    assert found.minutes <= 90
    assert found.transponders <= 4
    assert found.gap <= 0.01
    assert found.gain >= found.ranked_gain
    assert found.bound >= found.gain
    marked = [act for act in found.acts if "re-mark" in act.what]
    assert marked
    assert all("authority" in act.item.warning for act in marked)
    assert not any(act.item.warning for act in found.acts if "re-mark" not in act.what)
    (asleep,) = [act for act in found.acts if act.sedated]
    assert SECOND_READING in asleep.what
    with pytest.raises(SettingsError, match="sedation slots"):
        plan_day(ranking, Day(90), sedated={"Ewe 006"})
    with pytest.raises(SettingsError, match="'nobody'"):
        plan_day(ranking, day, must={"nobody"})


def test_sheets(herd: HerdDatabase, ranking: Ranking) -> None:
    items = worklist(ranking, 5).items
    found = sheet_details(herd, items)
    assert set(found) == {item.animal_id for item in items}
    for item in items:
        assert found[item.animal_id]["address"] == ""
        assert check_first(item).endswith(".")


@pytest.mark.parametrize(
    ("mark", "other", "words"),
    [
        ("K417", "K471", "3 (1 or 7) and 4 (7 or 1)"),
        ("AB/12", "AB/17", "4 (2 or 7)"),
        ("K417", "K41", ""),
        ("", "K41", ""),
    ],
)
def test_places_that_tell_two_marks_apart(mark: str, other: str, words: str) -> None:
    assert differing_places(mark, other) == words


def test_retention_compares_methods_and_readers(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=30, fades=False) as db:
        with db.transaction():
            for number in range(30):
                name, mark = f"Ewe {number:03d}", f"K{100 + 3 * number}"
                day = str(TODAY - timedelta(days=number))
                chip = f"276{number:012d}" if number % 3 == 0 else ""
                add_scan(
                    db,
                    ScanRow(
                        chip, f"{day}T09:00:00", "read" if chip else "nothing",
                        animal_id=name, seconds=5.0,
                    ),
                )  # fmt: skip
                for reader, text in (("Ada", mark), ("Bo", mark if number % 5 else "K?")):
                    add_human_reading(
                        db,
                        HumanReading(
                            reader, f"{day}T09:05:00", text, animal_id=name, usable=True,
                            grade=float(number % 3 + 1), seconds=40.0, blind=True,
                        ),
                    )  # fmt: skip
            append_event(db, what="test")
        found = retention(db, usable_grade=1.0, bootstrap=5, keep=False)
    assert (found.transponders.count, found.transponders.total) == (10, 30)
    (pair,) = [p for p in found.pairs if p.second == "mark read by eye"]
    # A transponder in every third animal, by eye at least one of two readers in all.
    assert (pair.both, pair.only_first, pair.only_second, pair.neither) == (10, 0, 20, 0)
    assert pair.verdict == "mark read by eye identified more often"
    (readers,) = found.readers.pairs
    assert (readers.same.count, readers.same.total) == (24, 30)
    assert readers.grades is not None
    assert readers.grades.value == pytest.approx(1.0)
    assert found.readers.blind == 60
    times = dict(found.times)
    assert times["transponder"].seconds == pytest.approx(15.0)
    assert times["mark read by eye"].seconds == pytest.approx(60 * 40 / 54)
    record = found.record()
    assert record["curve"][-1]["turnbull_low"] is None
    assert found.transponders_zero == ""
    shown = [p for p in record["pairs"] if p["second"] == "mark read by eye"]
    assert (shown[0]["n"], shown[0]["verdict"]) == (30, pair.verdict)
    assert shown[0]["difference"] == pytest.approx(-20 / 30)
    low, high = found.readers.alpha_text_limits
    assert low < found.readers.alpha_text < high
    text = retention_text(record)
    assert "mark read by eye identified more often" in text
    assert max(map(len, text.splitlines())) <= 100
    write_retention_page(tmp_path / "r.html", record)
    assert "Mark read by eye identified more often" in (tmp_path / "r.html").read_text("utf-8")


def test_factors_of_classes_have_intervals(herd: HerdDatabase) -> None:
    """Marks on dark skin last half as long as on pale skin; the herd is between them."""
    found = retention(herd, usable_grade=1.0, bootstrap=60, keep=False)
    dark, pale = (
        next(e for e in found.effects if (e.name, e.value) == ("skin", value))
        for value in ("dark", "pale")
    )
    assert dark.low < dark.factor < dark.high < pale.low < pale.factor < pale.high
    text = retention_text(found.record())
    assert f"{dark.low:.2f} to {dark.high:.2f}" in text
    without = retention(herd, usable_grade=1.0, bootstrap=0, keep=False).record()
    assert all(effect["low"] is None for effect in without["effects"])
    assert "-" in retention_text(without)


def test_a_log_of_answers_is_no_proof_that_all_answer(tmp_path: Path) -> None:
    """A reader's log holds what answered; only tries of animals known otherwise show failures."""
    with fading_herd(tmp_path / "herd.db", animals=60, fades=False) as db:
        with db.transaction():
            for second in range(40):
                at = f"{TODAY}T09:00:{second:02d}"
                add_scan(db, ScanRow(f"276{3 * (second % 20):012d}", at))
        only_log = retention(db, usable_grade=1.0, bootstrap=0, keep=False)
        assumed = rank_herd(db, today=TODAY, keep=False).handling.p_chip_fails
        with db.transaction():
            for number in range(0, 60, 3):
                name, chip = f"Ewe {number:03d}", f"276{number:012d}"
                day = TODAY - timedelta(days=9)
                # Nothing answered nine days ago; today all do but the first one.
                add_scan(db, ScanRow("", f"{day}T10:00:00", "nothing", animal_id=name))
                if number:
                    add_scan(db, ScanRow(chip, f"{TODAY}T10:00:00", animal_id=name))
        found = retention(db, usable_grade=1.0, bootstrap=0, keep=False)
        measured = rank_herd(db, today=TODAY, keep=False).handling.p_chip_fails
    assert (only_log.transponders.total, only_log.transponder_lines) == (0, 40)
    assert only_log.transponders_zero == ""
    assert assumed == Handling().p_chip_fails
    assert (found.transponders.count, found.transponders.total) == (19, 20)
    assert (found.transponder_tries.count, found.transponder_tries.total) == (19, 39)
    # Laplace's rule of succession: (1 + 1) / (20 + 2).
    assert measured == pytest.approx(2 / 22)
    assert "Left out are 40 answers" in " ".join(retention_text(found.record()).split())


def test_stated_probabilities_against_transponders(tmp_path: Path) -> None:
    """Animals 0, 3, ..., 27 have transponders; one reading in ten names another animal."""
    with fading_herd(tmp_path / "herd.db", animals=30, fades=False) as db:
        with db.transaction():
            for number in range(0, 30, 3):
                name = f"Ewe {number:03d}"
                other = "Ewe 001" if number == 0 else name
                result = reading(f"chip {number}.jpg", name, first=other, risk=0.02)
                add_photo(db, result, name, TODAY)
                scan, _ = add_scan(db, ScanRow(f"276{number:012d}", f"{TODAY}T09:00:{number:02d}"))
                sql = "UPDATE photos SET scan = ? WHERE sha256 = ?"
                db.write(sql, (scan, result.sha256))
            append_event(db, what="test")
        found = retention(db, usable_grade=1.0, bootstrap=0, keep=False)
    (only,) = found.reliability
    assert only.stated == pytest.approx(0.98)
    assert (only.right.count, only.right.total) == (9, 10)


def test_a_history_says_why_a_photo_judged_nothing(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=2, fades=False) as db:
        with db.transaction():
            retake = replace(
                reading("blurred.jpg", "Ewe 001", status=Status.RETAKE), flags=Flag.BLURRED
            )
            add_photo(db, retake, "Ewe 001", TODAY)
            lost = reading("lost.jpg", "Ewe 001", status=Status.UNREADABLE)
            add_photo(db, lost, "Ewe 001", TODAY + timedelta(days=1))
        found = mark_history(db, "Ewe 001", usable_grade=1.0)
    assert [(s.judged, s.usable) for s in found.sightings[-2:]] == [(False, None)] * 2
    assert found.sightings[-2].note.startswith("not good enough to judge the mark. ")
    assert found.sightings[-1].not_seen
    assert "until a second, good look agrees" in found.sightings[-1].note
    assert found.sightings[0].usable


def test_photos_of_nobody_judge_no_mark_and_it_is_said(tmp_path: Path) -> None:
    with fading_herd(tmp_path / "herd.db", animals=3, fades=False) as db:
        assert "nobody gave an animal" not in " ".join(rank_herd(db, keep=False).basis)
        with db.transaction():
            result = reading("stray.jpg", "Ewe 001")
            put_photo(db, PhotoRow(result.sha256, "/photos/stray.jpg"))
            add_readings(db, [result], read_at="2025-01-01T00:00:00Z")
            append_event(db, what="test")
        assert "nobody gave an animal: 1." in " ".join(rank_herd(db, keep=False).basis)


def test_photos_of_no_day_judge_no_mark_and_it_is_said_until_the_day_is_known(
    tmp_path: Path,
) -> None:
    """A photo that a messenger stripped of its EXIF block; the manifest says the day later."""
    with fading_herd(tmp_path / "herd.db", animals=3, fades=False) as db:
        assert "without a day" not in " ".join(rank_herd(db, keep=False).basis)
        result = reading("bare.jpg", "Ewe 001")
        photo = PhotoRow(
            result.sha256, "/photos/bare.jpg", animal_id="Ewe 001", claimed_by="manifest"
        )
        with db.transaction():
            put_photo(db, photo)
            add_readings(db, [result], read_at="2025-01-01T00:00:00Z")
            append_event(db, what="test")
        assert "animal without a day: 1." in " ".join(rank_herd(db, keep=False).basis)
        with db.transaction():
            put_photo(db, replace(photo, taken_at=f"{TODAY}T10:00:00"))
            append_event(db, what="test")
        assert "without a day" not in " ".join(rank_herd(db, keep=False).basis)
