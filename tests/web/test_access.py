"""Whether the pages can be used by everybody: axe-core, keys, contrast.

axe-core (Deque) checks WCAG 2 A and AA; nothing it calls serious or critical may be left.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from legibility.pipeline.herd_corrections import correct_photos
from legibility.pipeline.herd_record import record_reading
from legibility.store.database import open_herd
from legibility.store.decisions import open_case
from legibility.store.photo_folder import digest_of
from legibility.store.records import CaseRow, HumanReading, ScanRow
from legibility.store.scans import add_scan
from tests.herd_records import fading_herd

from .barn import NUMBER, PHONE, PHOTO, SAMPLES, Barn, take
from .test_office import call

GRAVE = {"serious", "critical"}
DESKTOP = {"width": 1280, "height": 800}
OFFICE = (
    "",
    "worklist",
    "plan?minutes=60",
    "animals",
    "animal?id=Eskel+005",
    "photos",
    "risk?years=0+10&grades=4+2&year=2026",
    "retention",
    "chain",
    "cases",
    "corrections",
    "reading?number=1",
    "scan?number=1",
    "list/entries",
    "new-marks",
    "new-marks?count=3&condition=worn&patterns=%40%23%7B3%7D",
    "cards",
    "dies",
    "calibration",
    "blind",
    "animal?id=nobody",
)
"""Pages that need nothing but the record."""
WIDE = ("", "worklist")
FEW = 16
"""Lines of the sample registry."""


def grave(page: Page) -> list[str]:
    """What axe-core finds serious on a page."""
    found = Axe().run(page).response["violations"]
    return [
        f"{rule['id']}: {node['html']}"
        for rule in found
        if rule["impact"] in GRAVE
        for node in rule["nodes"]
    ]


def test_axe_sees_what_is_wrong(browser) -> None:
    """The check itself: a page with a nameless button and pale text is not let through."""
    page = browser.new_page()
    page.set_content('<html><body><button></button><p style="color:#ddd">pale</p></body></html>')
    found = {line.split(":")[0] for line in grave(page)}
    page.close()
    assert {"button-name", "color-contrast"} <= found


def test_axe_finds_nothing_serious_at_the_chute(barn) -> None:
    here: Barn = barn("--eyes-first")
    page = here.phone()
    assert grave(page) == []
    take(page, PHOTO)
    eyes = page.get_by_label("First: what do your eyes read?")
    expect(eyes).to_be_visible()
    assert grave(page) == []
    eyes.fill("J342")
    page.get_by_role("button", name="Keep what I read").click()
    expect(page.locator("article .cells")).to_have_count(1)
    page.get_by_label("15 digits").fill(NUMBER)
    page.keyboard.press("Enter")
    expect(page.locator("#scans")).to_contain_text(NUMBER)
    page.locator("details summary").click()
    assert grave(page) == []
    page.set_viewport_size(DESKTOP)
    assert grave(page) == []


def test_keys_reach_everything_and_axe_finds_nothing_on_the_other_pages(barn) -> None:
    here: Barn = barn()
    page = here.phone()
    take(page, PHOTO)
    expect(page.locator("article .cells")).to_have_count(1)
    reached = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate(
                "() => { const e = document.activeElement;"
                " return e.id || e.name || e.textContent.trim(); }"
            )
        )
    wanted = {"next", "stage", "ear", "camera", "files", "chip", "label", "Keep what I read"}
    assert wanted <= reached
    for path in ("/devices", "/pair", "/nothing"):
        page.goto(here.server.address + path)
        assert grave(page) == [], path
    page.goto(here.server.address + "/devices")
    page.get_by_role("button", name="Pair one more device").click()
    expect(page.get_by_role("img", name="Pairing code")).to_be_visible()
    assert grave(page) == []


def checked(page: Page) -> None:
    """Nothing serious, and nothing that makes a phone's page wider than the phone."""
    page.set_viewport_size(PHONE)
    expect(page).not_to_have_title("Being computed")
    assert grave(page) == [], page.url
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], page.url


def checked_file(here: Barn, address: str) -> None:
    """The same of a report opened as a file; the server opens it where no script can run."""
    page = here.contexts[0].new_page()
    page.set_content(here.contexts[0].request.get(here.server.address + address).text())
    checked(page)
    page.close()


def file_links(page: Page, ending: str) -> list[str]:
    """Files of a result that a person may keep."""
    links = [link.get_attribute("href") or "" for link in page.locator(".files a").all()]
    return [link for link in links if link.endswith(ending)]


@pytest.fixture(scope="module")
def office_herd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fading herd with some of the sample registry, one photo that was really read, and a case.

    The more rows a page has, the longer axe-core takes; all rows are made alike.
    """
    path = tmp_path_factory.mktemp("office") / "herd.db"
    fading_herd(path, animals=12).close()
    few = path.with_name("registry.csv")
    lines = (SAMPLES / "registry.csv").read_text().splitlines(keepends=True)
    few.write_text("".join(lines[:FEW]))
    call("herd", "import-registry", path, few, "--test-numbers")
    table = path.with_name("photos.csv")
    table.write_text(f"file,animal_id,taken_at\n{PHOTO},Eskel 005,2025-05-01\n")
    call(
        "herd", "import-photos", path, PHOTO, "--manifest", table, "--no-second-reader",
        "--jobs", "1",
    )  # fmt: skip
    detail = {"animals": ["Eskel 005", "Amsel 001"], "photo_sha256": digest_of(PHOTO)}
    with open_herd(path) as db:
        with db.transaction():
            open_case(db, CaseRow("k1", "mark and transponder", "They contradict.", detail))
            add_scan(db, ScanRow("276000000000003", "2025-05-01", animal_id="Eskel 005"))
        eye = HumanReading("Ada", "2025-05-01", "J342", photo_sha256=digest_of(PHOTO))
        record_reading(db, eye)
        correct_photos(db, [digest_of(PHOTO)], ear="left", who="Ada", reason="seen in the photo")
    return path


def test_axe_finds_nothing_serious_in_the_office(barn, office_herd: Path) -> None:
    here: Barn = barn(herd=office_herd)
    page = here.phone()
    office = f"{here.server.address}/office"
    for path in OFFICE:
        page.goto(f"{office}/{path}")
        checked(page)
    for path in WIDE:
        page.set_viewport_size(DESKTOP)
        page.goto(f"{office}/{path}")
        assert grave(page) == [], path
    page.goto(f"{office}/photo?sha256={digest_of(PHOTO)}&correct=yes")
    checked(page)
    page.get_by_role("button", name="Undo").first.click()
    expect(page.get_by_role("status")).to_contain_text("ear left before, now not known")
    checked(page)
    page.goto(f"{office}/claims?a=Eskel+005&b=Amsel+001&photo={digest_of(PHOTO)}")
    checked(page)
    page.get_by_role("button", name="Weigh", exact=True).click()
    expect(page.get_by_role("heading", name="Two claims, weighed")).to_be_visible()
    checked(page)
    checked_file(here, *file_links(page, ".html"))
    page.goto(f"{office}/case?number=1")
    checked(page)
    page.get_by_role("button", name="Make the dossier").click()
    checked(page)
    checked_file(here, *file_links(page, ".html"))
    page.get_by_role("button", name="Compute it again here").click()
    expect(page.get_by_text("Every figure is the same again.")).to_be_visible()
    checked(page)


def test_axe_finds_nothing_serious_in_blind_reading(barn, office_herd: Path) -> None:
    here: Barn = barn(herd=office_herd)
    page = here.phone()
    page.goto(f"{here.server.address}/office/blind")
    page.get_by_label(PHOTO.name).check()
    page.get_by_label("Readers (a line each)").fill("Ada")
    page.get_by_role("button", name="Make sheets").click()
    expect(page.get_by_role("heading", name="Blind reading sheets")).to_be_visible()
    checked(page)
    checked_file(here, *file_links(page, ".html"))
    (file,) = file_links(page, ".csv")
    at = page.url.replace("/tasks/", "/blind/")
    sheet = here.contexts[0].request.get(here.server.address + file).text()
    rows = list(csv.DictReader(io.StringIO(sheet)))
    filled = io.StringIO()
    writer = csv.DictWriter(filled, rows[0].keys())
    writer.writeheader()
    writer.writerows({**row, "reading": "J34?", "legibility": "3"} for row in rows)
    page.goto(at)
    page.get_by_label("Or its lines, pasted").fill(filled.getvalue())
    page.get_by_role("button", name="Hand in").click()
    expect(page.get_by_text("came back", exact=True)).to_be_visible()
    checked(page)
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_role("heading", name="Readers compared")).to_be_visible()
    checked(page)
