"""Corrections on the office's pages, told as stories, and with one tap in a browser."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import expect

from legibility.pipeline.herd_cases import open_cases
from legibility.pipeline.herd_record import record_reading
from legibility.store.animals import put_chips
from legibility.store.corrections import all_corrections, corrections_problems
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.decisions import all_cases
from legibility.store.events import all_events
from legibility.store.human_readings import all_human_readings
from legibility.store.importing import RegistryRow, Source, import_photo, import_registry
from legibility.store.photo_folder import digest_of
from legibility.store.photos import find_photo
from legibility.store.records import AnimalRow, ChipRow, HumanReading, MarkRow, PhotoRow, ScanRow
from legibility.store.scans import add_scan, all_scans
from legibility.web.transponder import pair_photos_of
from tests.example_steps import example_pixels
from tests.herd_records import fading_herd, reading

from .barn import Barn
from .conftest import Phone
from .test_office import HOSTILE, open_desk

SHEEP, OTHER = "Ewe 003", "Ewe 004"
CHIP = "276000000000003"


def put_read_photo(db: HerdDatabase, path: Path, *, animal: str, first: str, color: int = 0) -> str:
    """A photo of a file with an arranged reading of 97 %; gives its digest."""
    pixels = example_pixels()
    pixels[:8, :8] = color
    Image.fromarray(pixels).save(path)
    result = replace(reading(path.name, first, risk=0.03), sha256=digest_of(path))
    row = PhotoRow(
        result.sha256, str(path), animal_id=animal, claimed_by="manifest" if animal else ""
    )
    import_photo(db, row, result=result, then=lambda db: open_cases(db, photos=[result.sha256]))
    return result.sha256


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    fading_herd(tmp_path / "herd.db", animals=8).close()
    return tmp_path / "herd.db"


@pytest.fixture
def desk(herd: Path, pair: Callable[..., Phone]) -> Phone:
    return open_desk(herd, pair)


def tap(desk: Phone, address: str, button: str, **typed: str) -> str:
    """Press a button of a page as a browser does, with what its form holds; gives the next page."""
    page = desk.client.get(address)
    assert page.status_code == 200, address
    for form in re.findall(r"<form.*?</form>", page.text, re.S):
        found = re.search(rf"<button([^>]*)>{re.escape(button)}", unescape(form))
        if found is None:
            continue
        data = {}
        for field in re.findall(r"<input[^>]*>", form):
            said = {name: unescape(v) for name, v in re.findall(r'(\w+)="([^"]*)"', field)}
            if said.get("type") != "checkbox":
                data[said["name"]] = said.get("value", "")
        for name, options in re.findall(
            r'<select[^>]*name="(\w+)"[^>]*>(.*?)</select>', form, re.S
        ):
            chosen = re.search(r'value="([^"]*)" selected', options)
            data[name] = chosen[1] if chosen else ""
        data |= dict(re.findall(r'name="(\w+)" value="(\w+)"', found[1]))
        action = re.search(r'action="([^"]*)"', form)
        assert action is not None
        done = desk.client.post(unescape(action[1]), data={**data, **typed})
        if done.status_code != 303:
            return f"{done.status_code} {done.text}"
        return " ".join(unescape(desk.client.get(done.headers["Location"]).text).split())
    raise AssertionError(f"{address} has no button {button!r}")


def test_a_read_photo_is_given_with_one_tap_and_taken_back_with_one(
    herd: Path, desk: Phone
) -> None:
    with open_herd(herd) as db:
        digest = put_read_photo(db, herd.parent / "ear.png", animal="", first=OTHER)
    address = f"/office/photo?sha256={digest}"
    shown = tap(desk, address, f"Give to {OTHER} (97 %)")
    assert f"ear.png: animal nobody before, now {OTHER}." in shown
    assert "by a person, on the advice of what was read" in shown
    assert "Give to" not in shown
    with open_herd(herd) as db:
        event = next(e for e in all_events(db) if e.what == "give photo to animal")
    assert "a person's decision on the program's advice" in event.inputs
    assert '"probability":0.97' in event.inputs
    assert f"Give to {OTHER} (97 %)" in tap(desk, address, "Undo")
    shown = tap(desk, "/office/photos?unnamed=yes", f"Give to {OTHER}")
    assert "None." in shown
    assert "None." not in tap(desk, "/office/corrections", "Undo")
    with open_herd(herd) as db:
        assert corrections_problems(db) == ()
        found = find_photo(db, digest)
        assert found is not None
        assert (found.animal_id, found.claimed_by) == ("", "")


def test_an_unsure_reading_offers_no_tap(herd: Path, desk: Phone) -> None:
    with open_herd(herd) as db:
        digest = put_read_photo(db, herd.parent / "ear.png", animal="", first=OTHER)
        with db.transaction():
            db.write("UPDATE readings SET decision = 'ambiguous', first_probability = 0.55")
    page = desk.client.get(f"/office/photo?sha256={digest}").text
    assert "Give to" not in page
    assert "probability of 55 % (ambiguous)" in page
    assert "Give to" not in desk.client.get("/office/photos?unnamed=yes").text


def test_a_page_that_was_read_anew_gives_to_nobody(herd: Path, desk: Phone) -> None:
    with open_herd(herd) as db:
        digest = put_read_photo(db, herd.parent / "ear.png", animal="", first=OTHER)
    for wrong in ({"animal_id": SHEEP}, {"reading": "1"}):
        shown = tap(desk, f"/office/photo?sha256={digest}", "Give to", **wrong)
        assert shown.startswith("422")
        assert f"names {OTHER}; look again" in shown
    with open_herd(herd) as db:
        assert list(all_corrections(db)) == []


def test_a_listed_photo_of_another_mark_has_its_case_and_is_corrected_from_it(
    herd: Path, desk: Phone
) -> None:
    with open_herd(herd) as db:
        digest = put_read_photo(db, herd.parent / "ear.png", animal=SHEEP, first=OTHER)
        (case,) = all_cases(db, open_only=True)
    assert f'number={case.number}">{case.number}: ' in desk.client.get("/office/").text
    address = f"/office/case?number={case.number}"
    shown = tap(desk, address, f"The photo shows {OTHER}")
    assert "; closed." in shown
    assert f"case {case.number}: open before, now closed" in shown
    tap(desk, f"/office/photo?sha256={digest}", "Undo")
    assert "; open." in desk.client.get(address).text
    shown = tap(
        desk, f"/office/photo?sha256={digest}", "Correct it",
        animal_id="", ear="right", stage="clipped", why="nobody knows", who="Cy",
    )  # fmt: skip
    assert "A person said that it shows no animal that is known" in shown
    assert "ear not known before, now right" in shown
    assert "stage not known before, now clipped" in shown
    with open_herd(herd) as db:
        assert {(row.who, row.reason) for row in all_corrections(db) if row.after == "right"} == {
            ("Cy", "nobody knows")
        }
        assert list(all_cases(db, open_only=True)) == []
    # The list was right after all: a decision closes the case, and it can be taken back, too.
    tap(desk, "/office/corrections", "Undo")
    shown = tap(desk, address, "Record it", what="list is right", reason="mark altered", who="Cy")
    assert "; closed." in shown
    assert "; open." in tap(desk, address, "Undo the last decision")
    assert "<h2>Corrections</h2>" in desk.client.get(f"/office/animal?id={SHEEP}").text


def test_a_reading_by_eye_and_a_scan_are_taken_back_and_entered_anew(
    herd: Path, desk: Phone
) -> None:
    with open_herd(herd) as db:
        record_reading(db, HumanReading("Bo", "2025-05-01", "K112", animal_id=SHEEP))
        with db.transaction():
            add_scan(db, ScanRow("276000000000006", "2025-05-01T10:00:00", animal_id=SHEEP))
            open_cases(db, animals=[SHEEP])
        assert len(list(all_cases(db, open_only=True))) == 2
    animal = desk.client.get(f"/office/animal?id={SHEEP}").text
    assert "/office/reading?number=1" in animal
    assert "/office/scan?number=1" in animal
    shown = tap(desk, "/office/reading?number=1", "Enter it anew", value="k109", why="slip")
    assert "counts no more; in its place reading 2 by" in shown
    shown = tap(desk, "/office/scan?number=1", "Take it back", why="another ewe")
    assert "taken back and counts no more" in shown
    with open_herd(herd) as db:
        assert [h.text for h in all_human_readings(db)] == ["K109"]
        assert list(all_scans(db)) == []
        assert list(all_cases(db, open_only=True)) == []
    assert "K112" in desk.client.get("/office/reading?number=1").text
    tap(desk, "/office/scan?number=1", "Undo")
    tap(desk, "/office/reading?number=1", "Undo")
    with open_herd(herd) as db:
        assert [h.text for h in all_human_readings(db)] == ["K112"]
        assert len(list(all_scans(db))) == 1
        assert len(list(all_cases(db, open_only=True))) == 2
        assert corrections_problems(db) == ()


def test_a_transponder_at_the_chute_opens_its_case_at_once(herd: Path) -> None:
    with open_herd(herd) as db:
        digest = put_read_photo(db, herd.parent / "ear.png", animal="", first=OTHER)
        with db.transaction():
            put_chips(db, [ChipRow(SHEEP, CHIP)])
            scan, _ = add_scan(db, ScanRow(CHIP, "2025-06-01T10:00:00", reader="chute"))
    pair_photos_of(herd, [{"number": CHIP, "scan_id": scan}], [digest])
    with open_herd(herd) as db:
        (case,) = all_cases(db, open_only=True)
        assert case.kind == "transponder against mark"


def test_bad_forms_change_nothing_and_hostile_words_stay_words(herd: Path, desk: Phone) -> None:
    with open_herd(herd) as db:
        digest = put_read_photo(db, herd.parent / "ear.png", animal=SHEEP, first=SHEEP)
    address = f"/office/photo?sha256={digest}"
    for typed, words in (
        ({"why": ""}, "who makes it and why"),
        ({"why": "x"}, "it is so already"),
        ({"why": "x", "animal_id": "nobody"}, "is not in this record"),
        ({"why": "x", "ear": "middle"}, "ear is 'middle'"),
        ({"why": "x", "stage": "<b>"}, "which is none"),
        ({"why": "x", "sha256": "../../etc"}, "named by its SHA-256"),
        ({"why": "x", "sha256": "0" * 64}, "no such photo"),
    ):
        shown = tap(desk, address, "Correct it", **typed)
        assert shown.startswith("422"), typed
        assert words in unescape(shown)
    with open_herd(herd) as db:
        assert list(all_corrections(db)) == []
    tap(desk, address, "Correct it", ear="left", why=HOSTILE, who=HOSTILE, back=f"photo:{HOSTILE}")
    for page in (address, "/office/corrections", "/office/", f"{address}&done=1"):
        text = desk.client.get(page).text
        assert "<img src=x" not in text
        assert "<script>alert" not in text
    assert HOSTILE in unescape(desk.client.get("/office/corrections").text)
    # It leads to a page of this server whatever the form says.
    for back in ("https://elsewhere.example/", "//elsewhere", "photo://x", ""):
        data = {"csrf": desk.csrf, "sha256": digest, "ear": "", "why": "x", "back": back}
        done = desk.client.post("/office/correct/photo", data=data)
        assert done.status_code == 303
        assert done.headers["Location"].startswith("/office/")
        data = {"csrf": desk.csrf, "sha256": digest, "ear": "left", "why": "x"}
        assert desk.client.post("/office/correct/photo", data=data).status_code == 303


def test_taps_in_a_browser(barn: Callable[..., Barn], tmp_path: Path) -> None:
    """One tap gives a photo, one takes it back; the phone shows both without scrolling sideways."""
    here = barn()
    rows = [RegistryRow(AnimalRow(f"Tap {n}"), MarkRow(f"Tap {n}", f"TP{n}1")) for n in (1, 2)]
    with open_herd(here.server.herd) as db:
        import_registry(db, rows, source=Source("taps", "0" * 64))
        digest = put_read_photo(db, tmp_path / "tap.png", animal="", first="Tap 1", color=7)
    page = here.phone()
    page.goto(f"{here.server.address}/office/photo?sha256={digest}")
    give = page.get_by_role("button", name="Give to Tap 1 (97 %)")
    box = give.bounding_box()
    assert box is not None
    assert box["height"] >= 44
    give.click()
    expect(page.get_by_role("status")).to_contain_text("now Tap 1")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_role("status").get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("now nobody")
    expect(page.get_by_role("button", name="Give to Tap 1 (97 %)")).to_be_visible()
    page.get_by_text("Change animal, ear or stage").click()
    page.get_by_label("Animal (empty").fill("Tap 2")
    page.get_by_label("Ear", exact=True).select_option("left")
    page.get_by_label("Stage").select_option("cleaned")
    page.get_by_label("Why").fill("read by hand")
    page.get_by_role("button", name="Correct it").click()
    expect(page.get_by_role("status")).to_contain_text("now Tap 2")
    with open_herd(here.server.herd) as db:
        found = find_photo(db, digest)
        assert found is not None
        assert (found.animal_id, found.ear, found.stage) == ("Tap 2", "left", "cleaned")
        (case,) = [c for c in all_cases(db, open_only=True) if digest in c.case_key]
    page.goto(f"{here.server.address}/office/case?number={case.number}")
    page.get_by_role("button", name="The photo shows Tap 1").click()
    expect(page.get_by_text("closed.")).to_be_visible()
    page.goto(f"{here.server.address}/office/")
    last = page.locator("section", has_text="Last thing done")
    expect(last).to_contain_text("now Tap 1")
    last.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("now Tap 2")
    with open_herd(here.server.herd) as db:
        assert [c.number for c in all_cases(db, open_only=True) if digest in c.case_key] == [
            case.number
        ]
        assert corrections_problems(db) == ()
