"""Corrections leave what was there before, and everything that looks sees the corrected state.

The judge of "as it was before" is a copy of all tables taken before; what an entry says is compared
with the rows that were written with it.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from legibility.errors import StoreError
from legibility.pipeline.custody import verify_herd
from legibility.pipeline.herd_actions import actions_about, last_action, recent_actions
from legibility.pipeline.herd_cases import find_cases, open_cases
from legibility.pipeline.herd_corrections import (
    Corrected,
    correct_photos,
    give_as_advised,
)
from legibility.pipeline.herd_history import mark_history
from legibility.pipeline.herd_mistaken import (
    correct_reading,
    correct_scan,
    take_back,
)
from legibility.pipeline.herd_ranking import rank_herd
from legibility.pipeline.herd_record import record_decision, record_reading
from legibility.pipeline.herd_undo import undo
from legibility.pipeline.herd_worklist import worklist
from legibility.store.columns import herd_columns, touched_at
from legibility.store.corrections import all_corrections, corrections_problems
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.decisions import all_cases, find_case
from legibility.store.events import all_events, chain_problem
from legibility.store.exporting import export_herd, restored_herd
from legibility.store.human_readings import all_human_readings
from legibility.store.importing import Source, import_photo, import_scans
from legibility.store.pairs import confirmed_photos, connect_photos
from legibility.store.photos import find_photo, photos_of
from legibility.store.records import DecisionRow, HumanReading, PhotoRow, ScanRow
from legibility.store.scans import all_scans, scans_of
from legibility.store.tries import all_tries, scan_tries
from tests.herd_records import TODAY, add_photo, fading_herd, reading
from tests.store.herds import content

SHEEP, OTHER = "Ewe 003", "Ewe 004"
CHIP, OTHER_CHIP = "276000000000003", "276000000000006"
WHO = {"who": "Ada", "reason": "wrong pen"}
STATE = ("animals", "marks", "chips", "photos", "cases")
"""Tables that hold what is true now; the others are only ever added to."""


@pytest.fixture
def db(tmp_path: Path) -> HerdDatabase:
    """A herd with one photo of today, listed as the animal whose mark it shows."""
    with fading_herd(tmp_path / "herd.db", animals=8) as herd:
        with herd.transaction():
            add_photo(herd, reading("today.jpg", SHEEP), SHEEP, TODAY)
        yield herd


def today(db: HerdDatabase) -> str:
    return next(p.sha256 for p in photos_of(db, SHEEP) if p.path.endswith("today.jpg"))


def now(db: HerdDatabase) -> dict[str, object]:
    """What is true now, and what counts."""
    rows = content(db)
    views = {name: list(db.rows(f"SELECT * FROM {name} ORDER BY 1")) for name in
             ("human_readings_now", "scans_now")}  # fmt: skip
    return {**{table: rows[table] for table in STATE}, **views}


def sound(db: HerdDatabase) -> None:
    assert db.problems() == ()
    assert chain_problem(all_events(db)) == ""
    assert corrections_problems(db) == ()


def back_and_forth(db: HerdDatabase, before: dict[str, object], done: Corrected) -> None:
    """Taking it back gives what was before, taking that back what was after."""
    after = now(db)
    assert after != before
    undone = undo(db, done.entry, who="Bo")
    again = {**now(db), "cases": before["cases"]}
    assert again == before
    redone = undo(db, undone.entry, who="Bo")
    assert {**now(db), "cases": after["cases"]} == after
    undo(db, redone.entry, who="Bo")
    assert {**now(db), "cases": before["cases"]} == before
    sound(db)


def test_a_photo_goes_to_another_animal_and_back(db: HerdDatabase) -> None:
    before, digest = now(db), today(db)
    done = correct_photos(db, [digest], animal_id=OTHER, **WHO)
    assert [p.sha256 for p in photos_of(db, OTHER)].count(digest) == 1
    assert digest not in [p.sha256 for p in photos_of(db, SHEEP)]
    (row,) = all_corrections(db, entry=done.entry)
    assert (row.before, row.before_by, row.after, row.after_by) == (
        SHEEP, "manifest", OTHER, "person",
    )  # fmt: skip
    assert (row.who, row.reason, row.what) == ("Ada", "wrong pen", "correct photo")
    event = next(event for event in all_events(db) if event.seq == done.entry)
    assert json.loads(event.outputs)["changes"] == [
        {"photo": digest, "field": "animal", "before": SHEEP, "before_by": "manifest",
         "after": OTHER, "after_by": "person"}
    ]  # fmt: skip
    back_and_forth(db, before, done)


def test_ear_stage_and_nobody(db: HerdDatabase) -> None:
    before, digest = now(db), today(db)
    done = correct_photos(db, [digest], animal_id="", ear="right", stage="lit from behind", **WHO)
    found = find_photo(db, digest)
    assert found is not None
    assert (found.animal_id, found.claimed_by, found.ear, found.stage) == (
        "", "person", "right", "lit_from_behind",
    )  # fmt: skip
    back_and_forth(db, before, done)


def test_worklist_and_history_follow_the_correction(db: HerdDatabase) -> None:
    """The worklist's kept columns are those of a record looked through anew."""
    rank_herd(db, today=TODAY)
    digest, touched = today(db), touched_at(db)
    last = mark_history(db, SHEEP, usable_grade=2.0).sightings[-1]
    assert last.day == TODAY.isoformat()
    done = correct_photos(db, [digest], animal_id=OTHER, **WHO)
    assert touched_at(db) > touched
    assert TODAY.isoformat() not in [
        s.day for s in mark_history(db, SHEEP, usable_grade=2.0).sightings
    ]
    kept = worklist(rank_herd(db, today=TODAY), 20).record()
    fresh = worklist(rank_herd(db, today=TODAY, keep=False), 20).record()
    assert kept == fresh
    undo(db, done.entry, who="Ada")
    assert mark_history(db, SHEEP, usable_grade=2.0).sightings[-1] == last


def test_a_reading_by_eye_is_taken_back_and_entered_anew(db: HerdDatabase) -> None:
    record_reading(db, HumanReading("Bo", str(TODAY), "K112", "left", SHEEP, usable=False))
    (old,) = all_human_readings(db)
    looks = herd_columns(db).looks
    before = now(db)
    done = take_back(db, "reading", old.number, **WHO)
    assert list(all_human_readings(db)) == []
    assert len(herd_columns(db).looks.time) == len(looks.time) - 1
    assert [t.method for t in all_tries(db)].count("eye") == 0
    with pytest.raises(StoreError, match="taken back before"):
        take_back(db, "reading", old.number, **WHO)
    assert db.count("human_readings") == 1, "what was read stays in the record"
    back_and_forth(db, before, done)
    done = correct_reading(db, old.number, text="K109", usable=True, **WHO)
    (new,) = all_human_readings(db)
    assert (new.text, new.usable, new.reader, new.read_at) == ("K109", True, "Bo", str(TODAY))
    back_and_forth(db, before, done)
    # The text it had first is that very reading again, which is not written twice.
    done = correct_reading(db, old.number, text="K109", **WHO)
    (new,) = all_human_readings(db)
    correct_reading(db, new.number, text="K112", **WHO)
    assert [(h.number, h.text) for h in all_human_readings(db)] == [(old.number, "K112")]
    with pytest.raises(StoreError, match="take that one back first"):
        undo(db, done.entry, who="Ada")
    sound(db)


def test_a_scan_that_is_taken_back_confirms_nothing(db: HerdDatabase) -> None:
    digest = today(db)
    scans = [ScanRow(CHIP, f"{TODAY}T10:00:00", animal_id=SHEEP, reader="r")]
    import_scans(db, scans, source=Source("log", "0" * 64), pair_within_s=60)
    (scan,) = all_scans(db)
    with db.transaction():
        db.write("UPDATE photos SET animal = NULL, claimed_by = '' WHERE sha256 = ?", (digest,))
        connect_photos(db, [digest], scan_id=scan.scan_id)
    before = now(db)
    assert [p.sha256 for p in confirmed_photos(db)] == [digest]
    done = take_back(db, "scan", scan.scan_id, **WHO)
    assert list(confirmed_photos(db)) == list(all_scans(db)) == []
    assert scans_of(db, SHEEP) == ()
    assert scan_tries(db).tries == 0
    found = find_photo(db, digest)
    assert found is not None
    assert (found.animal_id, found.claimed_by, found.scan_id) == ("", "", None)
    back_and_forth(db, before, done)
    # The same log again pairs nothing with it.
    done = take_back(db, "scan", scan.scan_id, **WHO)
    import_scans(db, scans, source=Source("log", "0" * 64), pair_within_s=60)
    with db.transaction():
        connect_photos(db, [digest], scan_id=scan.scan_id)
    assert list(confirmed_photos(db)) == []
    undo(db, done.entry, who="Bo")
    done = correct_scan(db, scan.scan_id, transponder=OTHER_CHIP, animal_id="Ewe 006", **WHO)
    (photo,) = confirmed_photos(db)
    assert (photo.sha256, photo.animal_id, photo.number) == (digest, "Ewe 006", OTHER_CHIP)
    undo(db, done.entry, who="Bo")
    assert {**now(db), "cases": before["cases"]} == before
    sound(db)


def test_a_photo_apart_from_a_scan_is_not_paired_with_it_again(db: HerdDatabase) -> None:
    digest = today(db)
    scans = [ScanRow(CHIP, f"{TODAY}T10:00:00", reader="r")]
    import_scans(db, scans, source=Source("log", "0" * 64), pair_within_s=60)
    done = correct_photos(db, [digest], animal_id=OTHER, apart_from_scan=True, **WHO)
    import_scans(db, scans, source=Source("log", "0" * 64), pair_within_s=60)
    assert list(confirmed_photos(db)) == []
    undo(db, done.entry, who="Bo")
    assert [p.sha256 for p in confirmed_photos(db)] == [digest]


def test_no_import_fills_in_what_a_person_took_away(db: HerdDatabase) -> None:
    digest = today(db)
    correct_photos(db, [digest], animal_id="", stage="cleaned", **WHO)
    done = correct_photos(db, [digest], stage="", **WHO)
    scan = ScanRow(CHIP, f"{TODAY}T10:00:00", animal_id=SHEEP)
    again = PhotoRow(
        digest, "/photos/today.jpg", stage="clipped", ear="left", animal_id=SHEEP,
        claimed_by="manifest",
    )  # fmt: skip
    import_photo(db, again, result=None, scan=scan)
    found = find_photo(db, digest)
    assert found is not None
    assert (found.animal_id, found.claimed_by, found.stage, found.ear) == ("", "person", "", "left")
    assert found.scan_id, "that it was taken with a scan nobody denied"
    undo(db, done.entry, who="Ada")
    assert find_photo(db, digest) == replace(found, stage="cleaned")
    sound(db)


def test_a_photo_is_given_as_advised(db: HerdDatabase) -> None:
    with db.transaction():
        add_photo(db, reading("new.jpg", OTHER, risk=0.03), "", TODAY)
        db.write("UPDATE photos SET claimed_by = '' WHERE animal IS NULL")
    digest = next(str(row[0]) for row in db.rows("SELECT sha256 FROM photos WHERE animal IS NULL"))
    with pytest.raises(StoreError, match=f"names {OTHER}"):
        give_as_advised(db, digest, SHEEP, who="Ada")
    before, tries = now(db), list(all_tries(db))
    done = give_as_advised(db, digest, OTHER, who="Ada")
    event = next(event for event in all_events(db) if event.seq == done.entry)
    said = json.loads(event.inputs)
    assert "a person's decision on the program's advice" in said["reason"]
    assert "97 %" in said["reason"]
    assert said["decided_by"] == "person"
    assert said["advice"]["probability"] == pytest.approx(0.97)
    assert [p.claimed_by for p in photos_of(db, OTHER) if p.sha256 == digest] == ["advice"]
    assert list(all_tries(db)) == tries, "it says nothing of how often photos are read right"
    with pytest.raises(StoreError, match="already"):
        give_as_advised(db, digest, OTHER, who="Ada")
    back_and_forth(db, before, done)


def test_a_contradiction_opens_its_case_with_the_reading_and_closes_by_correction(
    db: HerdDatabase,
) -> None:
    wrong = reading("wrong.jpg", SHEEP, first=OTHER)
    row = PhotoRow(wrong.sha256, "/photos/wrong.jpg", animal_id=SHEEP, claimed_by="manifest")
    import_photo(
        db, row, result=wrong, then=lambda db: open_cases(db, photos=[wrong.sha256], who="Ada")
    )
    (case,) = all_cases(db, open_only=True)
    assert (case.kind, case.detail["animal_by_mark"]) == ("mark against list", OTHER)
    assert find_cases(db).new == 0
    done = correct_photos(db, [wrong.sha256], animal_id=OTHER, **WHO)
    assert done.closed == (case.number,)
    assert list(all_cases(db, open_only=True)) == []
    assert find_cases(db).new == 0
    about = actions_about(db, "case", str(case.number))
    assert [action.reason for action in about] == [f"entry {done.entry}: wrong pen"]
    with pytest.raises(StoreError, match="follows from another"):
        undo(db, about[0].entry, who="Ada")
    undone = undo(db, done.entry, who="Bo")
    assert undone.opened == (case.number,)
    record_decision(db, DecisionRow(str(TODAY), "Cy", "the list is right", "", case.case_key))
    assert find_case(db, case.number).state == "closed"
    assert find_cases(db).open == ()
    # A decision stands, whatever is corrected after it; and it can be taken back itself.
    redone = undo(db, undone.entry, who="Bo")
    undo(db, redone.entry, who="Bo")
    assert find_case(db, case.number).state == "closed"
    entry = next(e.seq for e in all_events(db) if e.what == "decide")
    undo(db, entry, who="Cy")
    assert find_case(db, case.number).state == "open"
    sound(db)


def test_an_eye_that_reads_another_animals_mark_opens_a_case(db: HerdDatabase) -> None:
    """K112 is the mark of Ewe 004, K109 that of Ewe 003."""
    for text in ("K1?2", "K109", "K999"):
        record_reading(db, HumanReading("Bo", str(TODAY), text, "left", SHEEP))
    assert list(all_cases(db)) == []
    record_reading(db, HumanReading("Bo", str(TODAY), "K112", photo_sha256=today(db)))
    record_reading(db, HumanReading("Bo", str(TODAY), "K112", animal_id=SHEEP))
    cases = list(all_cases(db, open_only=True))
    assert {case.kind for case in cases} == {"reading by eye against list"}
    assert all(OTHER in case.summary for case in cases)
    assert find_cases(db).new == 0
    closed = []
    for mistaken in [h for h in all_human_readings(db) if h.text == "K112"]:
        closed += take_back(db, "reading", mistaken.number, **WHO).closed
    assert sorted(closed) == [case.number for case in cases]
    sound(db)


def test_the_last_thing_is_taken_back_one_after_another(db: HerdDatabase) -> None:
    before, digest = now(db), today(db)
    record_reading(db, HumanReading("Bo", str(TODAY), "K109", animal_id=SHEEP))
    correct_photos(db, [digest], ear="right", **WHO)
    first = last_action(db)
    assert first is not None
    assert first.words == ("today.jpg: ear not known before, now right",)
    for _ in range(2):
        undo(db, who="Ada")
    assert {**now(db), "cases": before["cases"]} == before
    assert last_action(db) is None
    with pytest.raises(StoreError, match="nothing to take back"):
        undo(db, who="Ada")
    assert [action.what for action in recent_actions(db, most=9)] == [
        "undo", "undo", "correct photo",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"who": " "}, "who makes it and why"),
        ({"reason": ""}, "who makes it and why"),
        ({"animal_id": "nobody"}, "not in this record"),
        ({"animal_id": SHEEP}, "it is so already"),
        ({"ear": "middle"}, "ear is 'middle'"),
        ({"stage": "washed"}, "stage is 'washed'"),
    ],
)
def test_what_is_refused_leaves_everything(
    db: HerdDatabase, changed: dict[str, str], words: str
) -> None:
    before = content(db)
    asked = {"who": "Ada", "reason": "so", **changed}
    with pytest.raises(StoreError, match=words):
        correct_photos(db, [today(db)], **asked)
    assert content(db) == before


def test_corrections_are_only_ever_added_and_hold_against_the_chain(
    db: HerdDatabase, tmp_path: Path
) -> None:
    digest = today(db)
    done = correct_photos(db, [digest], ear="left", **WHO)
    assert "ear" not in "".join(verify_herd(db.path).problems)
    path = db.path
    db.close()
    raw = sqlite3.connect(path)
    for sql in ("UPDATE corrections SET after = 'right'", "DELETE FROM corrections"):
        with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
            raw.execute(sql)
    raw.execute("DROP TRIGGER corrections_are_never_changed")
    raw.execute("UPDATE corrections SET after = 'right'")
    raw.execute("UPDATE photos SET ear = 'both' WHERE sha256 = ?", (digest,))
    raw.commit()
    raw.close()
    text = "\n".join(verify_herd(path).problems)
    assert "corrections_are_never_changed" in text
    assert f"entry {done.entry} corrected something else" in text
    assert f"photo {digest}: its ear is 'both'" in text


@pytest.mark.parametrize("as_json", [False, True])
def test_an_export_holds_them_and_one_without_them_is_no_whole_export(
    db: HerdDatabase, tmp_path: Path, as_json: bool
) -> None:
    correct_photos(db, [today(db)], animal_id=OTHER, **WHO)
    undo(db, who="Bo")
    export_herd(db, tmp_path / "out", as_json=as_json)
    restored_herd(tmp_path / "new.db", tmp_path / "out")
    with open_herd(tmp_path / "new.db") as new:
        assert content(new) == content(db)
    if not as_json:
        (tmp_path / "out" / "corrections.csv").unlink()
        with pytest.raises(StoreError, match="corrected something else"):
            restored_herd(tmp_path / "other.db", tmp_path / "out")


def test_all_photos_of_an_animal_in_one_go(db: HerdDatabase) -> None:
    """Many photos in one go are one entry, and one taking back."""
    photos = [p.sha256 for p in photos_of(db, SHEEP)]
    assert len(photos) > 1
    before = now(db)
    done = correct_photos(db, photos, animal_id=OTHER, **WHO)
    assert len(done.changes) == len(photos)
    assert photos_of(db, SHEEP) == ()
    back_and_forth(db, before, done)
