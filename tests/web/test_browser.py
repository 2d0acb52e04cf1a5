"""The page in a browser, as a person uses it, against a server in a process of its own.

The reading is arranged in most tests, because they are of what is around it; ``test_real_visit``
has the real one.
"""

from __future__ import annotations

import csv
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, Route, expect

from legibility.store.animals import put_chips
from legibility.store.database import create_herd, open_herd
from legibility.store.human_readings import all_human_readings
from legibility.store.records import ChipRow

from .arranged import HOSTILE, TEXT
from .barn import NUMBER, OTHER, PHONE, PHOTO, SAMPLES, WAIT_MS, take
from .live import Road

LOSE_ANSWERS = """() => {
  const real = window.fetch;
  window.fetch = async (path, asked) => {
    const answer = await real(path, asked);
    if (!(asked.body instanceof Blob) || window.found) return answer;
    throw new TypeError("lost");
  };
}"""


def draw(page: Page, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Draw a row with the finger; points are shares of the photo's width and height."""
    frame = page.locator(".draw")
    frame.evaluate("(frame) => frame.scrollIntoView({ block: 'center' })")
    box = frame.bounding_box()
    assert box is not None
    (x0, y0), (x1, y1) = (
        (box["x"] + x * box["width"], box["y"] + y * box["height"]) for x, y in (start, end)
    )
    page.mouse.move(x0, y0)
    page.mouse.down()
    page.mouse.move(x1, y1, steps=4)
    assert frame.locator("line").count() == 2
    page.mouse.up()


def expect_kept(page: Page, number: int) -> None:
    """So many photos that the phone keeps, now or soon."""
    end = time.monotonic() + WAIT_MS / 1000
    while page.evaluate("keep.all().then((photos) => photos.length)") != number:
        assert time.monotonic() < end, f"the phone does not keep {number} photos"
        page.wait_for_timeout(50)


def until(happened: Callable[[], bool]) -> None:
    """Wait for something that no page shows."""
    end = time.monotonic() + WAIT_MS / 1000
    while not happened():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.02)


def test_a_whole_visit(barn) -> None:
    here = barn()
    page = here.phone()
    page.get_by_text("cleaned", exact=True).click()
    page.get_by_text("left", exact=True).click()
    take(page, PHOTO)
    article = page.locator("article")
    expect(article.get_by_role("heading", name="cleaned")).to_be_visible()
    expect(article.locator(".cells b")).to_have_text(list(TEXT))
    expect(article.locator(".cells li").first).to_contain_text("97 %")
    timer = page.locator("#timer").bounding_box()
    assert timer is not None
    assert timer["height"] < 40, "the timer is told in one line"
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    for picture in article.locator(".cells img").all():
        assert picture.evaluate("(image) => image.decode().then(() => image.naturalWidth > 0)")
    expect(page.locator("#timer")).to_contain_text("of 10:00")
    page.get_by_label("15 digits").fill("12345")
    page.keyboard.press("Enter")
    expect(page.locator("#line")).to_contain_text("12345")
    page.get_by_label("15 digits").fill(NUMBER)
    page.keyboard.press("Enter")
    expect(page.locator("#scans")).to_contain_text(f"{NUMBER} is not in the record")
    expect(page.get_by_label("15 digits")).to_have_value("")
    page.get_by_label("Words for this animal").fill("pen 3")
    page.get_by_role("button", name="Next animal").click()
    first = here.before + 1
    expect(page.locator("#queue li", has_text=f"{first} pen 3")).to_contain_text("done")
    expect(page.locator("article")).to_have_count(0)
    take(page, OTHER)
    expect(page.locator("article .cells")).to_have_count(1)
    expect(page.locator("#number")).to_have_text(str(first + 1))
    page.get_by_role("button", name=f"Open animal {first}", exact=True).click()
    expect(page.locator("#number")).to_have_text(str(first))
    expect(page.locator("#timer")).to_contain_text("done")
    assert here.photos() == [1, 1]


def test_a_lost_connection_loses_and_doubles_nothing(barn) -> None:
    here = barn(own=True)
    page = here.phone()
    context = here.contexts[0]
    # The connection goes after the photo came whole and before the phone hears of it.
    page.evaluate(LOSE_ANSWERS)
    take(page, PHOTO)
    expect(page.locator("#line")).to_contain_text("No connection")
    page.evaluate("window.found = true")
    expect(page.locator("article .cells")).to_have_count(1)
    expect_kept(page, 0)
    lines = here.laptop.ask("GET", "/metrics").body.decode().splitlines()
    counted = dict(line.rsplit(" ", 1) for line in lines if "uploads_total{" in line)
    # How often the phone asks again meanwhile depends on the machine.
    again = counted.pop('legibility_uploads_total{outcome="again"}')
    assert counted == {'legibility_uploads_total{outcome="new"}': "1"}
    assert int(again) >= 1
    context.set_offline(True)
    take(page, OTHER)
    expect(page.locator("#line")).to_contain_text("No connection")
    expect(page.locator("#kept img")).to_be_visible()
    expect_kept(page, 1)
    page.get_by_role("button", name="Next animal").click()
    expect(page.locator("#number")).to_have_text("new")
    take(page, SAMPLES / "mirrored.jpg")
    expect(page.locator("#kept img")).to_have_count(1)
    context.set_offline(False)
    expect(page.locator("article .cells")).to_have_count(1)
    assert here.photos() == [1, 2]
    expect_kept(page, 0)


def test_a_restart_in_the_middle_of_an_upload(barn) -> None:
    here = barn(own=True)
    road = here.road = Road(here.server.port)
    page = here.phone()
    uploads = here.server.herd.with_suffix(".web") / "uploads"
    road.bytes_s, begun = 20_000, road.carried
    take(page, PHOTO, OTHER)
    until(lambda: road.carried - begun > PHOTO.stat().st_size // 2)
    assert here.server.stop(signal.SIGKILL) == -signal.SIGKILL
    assert not list(uploads.iterdir())  # What has not come whole has no name yet.
    expect(page.locator("#line")).to_contain_text("No connection")
    expect_kept(page, 2)
    road.bytes_s = 0
    here.server.start()
    expect(page.locator("article .cells")).to_have_count(2)
    assert here.photos() == [2]
    expect_kept(page, 0)


def test_kept_photos_outlive_the_page(barn) -> None:
    here = barn()
    page = here.phone()
    page.route("**/photos/*stage=*", lambda route: route.abort())
    take(page, PHOTO)
    expect(page.locator("#kept img")).to_be_visible()
    page.close()
    page = here.contexts[0].new_page()
    page.goto(here.server.address)
    expect(page.locator("article .cells")).to_have_count(1)
    expect_kept(page, 0)
    # One that is taken before the page's script has come is not lost either.
    late: list[Route] = []
    page.route("**/static/chute.js", lambda route: late.append(route))
    page.reload(wait_until="commit")
    take(page, OTHER)
    late[0].continue_()
    expect(page.locator("article .cells")).to_have_count(2)
    expect_kept(page, 0)


def test_two_phones_at_one_animal(barn) -> None:
    here = barn()
    one, two = here.phone("one"), here.phone("two")
    take(one, PHOTO)
    expect(one.locator("article")).to_have_count(1)
    name = f"Open animal {here.before + 1}"
    two.get_by_role("button", name=name, exact=True).click()
    expect(two.locator("article")).to_have_count(1)
    take(two, OTHER)
    take(one, SAMPLES / "mirrored.jpg")
    for page in (one, two):
        expect(page.locator("article .cells")).to_have_count(3)
    assert here.photos() == [3]


def test_eyes_come_first(barn, tmp_path: Path) -> None:
    here = barn("--eyes-first")
    page = here.phone("Ada's phone")
    take(page, PHOTO)
    answer = page.get_by_label("First: what do your eyes read?")
    expect(answer).to_be_visible()
    assert TEXT not in page.content()
    assert page.locator("article .cells").count() == 0
    answer.fill("j34?")
    page.get_by_role("button", name="Keep what I read").click()
    expect(page.locator("article .cells b")).to_have_text(list(TEXT))
    expect(page.locator("article")).to_contain_text("before the answer was shown: J34?")
    with open_herd(tmp_path / "herd.db", read_only=True) as db:
        (reading,) = all_human_readings(db)
    assert (reading.reader, reading.text, reading.blind) == ("Ada's phone", "J34?", True)


def test_a_row_is_drawn_with_the_finger_and_by_keys(barn) -> None:
    here = barn()
    page = here.phone()
    take(page, PHOTO)
    page.get_by_text("The row is elsewhere").click()
    frame = page.locator(".draw")
    frame.locator("img").evaluate("(image) => image.decode()")
    draw(page, (0.25, 0.5), (0.75, 0.5))
    expect(page.get_by_role("heading", name="row drawn")).to_have_count(1)
    assert here.photos() == [2]
    page.locator("article", has_not_text="row drawn").get_by_role("application").focus()
    for key in ("ArrowLeft", "ArrowLeft", "Enter", *["ArrowRight"] * 8, "Enter"):
        page.keyboard.press(key)
    expect(page.get_by_role("heading", name="row drawn")).to_have_count(2)


def test_markup_stays_text_in_every_field(barn) -> None:
    here = barn()
    page = here.phone(HOSTILE)
    take(page, PHOTO)
    expect(page.locator("article table")).to_contain_text(HOSTILE)
    page.get_by_label("15 digits").fill(HOSTILE)
    page.keyboard.press("Enter")
    expect(page.locator("#line")).to_be_visible()
    page.get_by_label("Words for this animal").fill(HOSTILE)
    page.keyboard.press("Tab")
    expect(page.locator("#queue")).to_contain_text(HOSTILE)
    page.get_by_label("What do your eyes read?").fill(HOSTILE)
    page.get_by_role("button", name="Keep what I read").click()
    expect(page.locator("#line")).to_contain_text("only letters, digits")
    page.goto(f"{here.server.address}/devices?said={HOSTILE}")
    expect(page.get_by_role("listitem").filter(has_text=HOSTILE)).to_have_count(1)
    assert page.locator("img[src=x]").count() == 0
    page.goto(f"{here.server.address}/{HOSTILE}")
    expect(page.get_by_role("heading", name="This did not work")).to_be_visible()
    page.goto(f"{here.server.address}/pair#{HOSTILE}")
    expect(page.get_by_label("Code")).to_have_value(HOSTILE)
    assert page.locator("img[src=x]").count() == 0


def test_a_device_that_was_shut_out_keeps_its_photos(barn) -> None:
    here = barn()
    page, other = here.phone("mine"), here.phone("other")
    stolen = here.contexts[0].cookies()
    other.goto(f"{here.server.address}/devices")
    other.get_by_role("button", name="Shut out mine").click()
    expect(other.get_by_role("button", name="Shut out mine")).to_have_count(0)
    take(page, PHOTO)
    expect(page.locator("#line")).to_contain_text("not paired any more")
    expect_kept(page, 1)
    # A copy of the token is shut out with it; and a token alone changes nothing.
    thief = here.browser.new_context()
    here.contexts.append(thief)
    thief.add_cookies(stolen)
    assert thief.request.get(f"{here.server.address}/api/visits").status == 401
    thief.add_cookies(here.contexts[1].cookies())
    assert thief.request.get(f"{here.server.address}/api/visits").status == 200
    changed = thief.request.put(f"{here.server.address}/api/visits/{'a' * 32}", data={})
    assert changed.status == 403
    page.get_by_role("link", name="Pair again").click()
    page.get_by_label("Code").fill(here.laptop.new_code())
    page.get_by_role("button", name="Pair").click()
    expect(page.locator("article .cells")).to_have_count(1)
    expect_kept(page, 0)


def test_real_visit(barn, tmp_path: Path) -> None:
    """The real reader: the photo's mark is J342, the registry's row of it Eskel 005."""
    from legibility.pipeline.herd_registry import read_registry_file
    from legibility.store.importing import import_registry

    file = read_registry_file(SAMPLES / "registry.csv")
    with create_herd(tmp_path / "herd.db") as db:
        import_registry(db, file.rows, source=file.source)
    here = barn("--jobs", "1", program=(sys.executable, "-m", "legibility", "serve"))
    page = here.phone()
    page.set_default_timeout(WAIT_MS)
    take(page, PHOTO)
    expect(page.locator("article .cells b")).to_have_text(list("J342"))
    expect(page.locator("article table")).to_contain_text("Eskel 005")
    expect(page.locator("#verdict")).to_contain_text("Eskel 005")
    cells = csv.reader((SAMPLES / "registry.csv").read_text().splitlines())
    assert any(row[0] == "Eskel 005" and "J342" in row[1:3] for row in cells)
    # A number that a person gave to another animal: then nothing is settled.
    expect(page.locator("#verdict .settled")).to_have_count(1)
    with open_herd(tmp_path / "herd.db") as db, db.transaction():
        put_chips(db, [ChipRow("Dulsi 004", NUMBER)])
    page.get_by_label("15 digits").fill(NUMBER)
    page.keyboard.press("Enter")
    expect(page.locator("#scans")).to_contain_text("Disagreement")
    expect(page.locator("#verdict")).to_contain_text(
        "Not settled: Two animals, or is the transponder another one's?"
    )
    expect(page.locator("#verdict .settled")).to_have_count(0)
    # The same row drawn by hand is read the same.
    page.locator("details summary").click()
    page.locator(".draw img").evaluate("(image) => image.decode()")
    draw(page, (0.22, 0.335), (0.71, 0.27))
    drawn = page.locator("article", has_text="row drawn")
    expect(drawn.locator(".cells b")).to_have_text(list("J342"))
    # The same photo again counts once, and is called what the page calls it.
    take(page, PHOTO)
    expect(page.locator("#verdict")).to_contain_text("Photo 3 shows the same shot as Photo 2")
    assert str(tmp_path) not in page.content()


def test_two_animals_are_asked_about_and_the_answer_parts_them(barn, tmp_path: Path) -> None:
    """Photos of J342 and of F845 as one animal: nothing is settled until a person says what is so.

    Then the answer moves the second photo to an animal of its own, and each is settled.
    """
    from legibility.pipeline.herd_registry import read_registry_file
    from legibility.store.importing import import_registry

    file = read_registry_file(SAMPLES / "registry.csv")
    with create_herd(tmp_path / "herd.db") as db:
        import_registry(db, file.rows, source=file.source)
    here = barn("--jobs", "1", program=(sys.executable, "-m", "legibility", "serve"))
    page = here.phone()
    page.set_default_timeout(60_000)
    take(page, PHOTO)
    expect(page.locator("#verdict .settled")).to_contain_text("Eskel 005")
    take(page, SAMPLES / "grey-skin.jpg")
    verdict = page.locator("#verdict")
    expect(verdict).to_contain_text("Not settled: Two animals?")
    expect(page.locator("#verdict .settled")).to_have_count(0)
    sides = verdict.locator(".side")
    expect(sides).to_have_count(2)
    for side, name, mark in zip(sides.all(), ("Eskel", "Ilvie"), ("J342", "F845"), strict=True):
        expect(side).to_contain_text(name)
        expect(side.locator(".marked mark")).to_have_text([c for c in mark if c != "4"])
        picture = side.locator("img")
        assert picture.evaluate("(image) => image.decode().then(() => image.naturalWidth > 0)")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    for button in verdict.get_by_role("button").all():
        size = button.bounding_box()
        assert size is not None
        assert size["height"] >= 64
    # The office shows the same question; it is left to the phone here.
    office = here.contexts[0].new_page()
    office.goto(f"http://127.0.0.1:{here.server.port}/office/")
    office.get_by_role("link", name="1 visit at the chute asks").click()
    expect(office.get_by_role("button", name="Photo 2 shows another animal")).to_be_visible()
    for picture in office.locator(".two img").all():
        assert picture.evaluate("(image) => image.decode().then(() => image.naturalWidth > 0)")
    verdict.get_by_role("button", name="Photo 2 shows another animal").click()
    expect(page.locator("#verdict .settled")).to_contain_text("Eskel 005")
    expect(page.locator("article")).to_have_count(1)
    page.get_by_role("button", name=f"Open animal {here.before + 2}", exact=True).click()
    expect(page.locator("#verdict .settled")).to_contain_text("Ilvie 009")
    # What eyes read is held against the photo, too.
    page.get_by_label("What do your eyes read?").fill("F846")
    page.get_by_role("button", name="Keep what I read").click()
    expect(verdict).to_contain_text("was the reading by eye wrong?")
    expect(verdict.locator(".side").nth(1).locator("mark")).to_have_text("6")
    office.reload()
    office.get_by_role("button", name="was wrong").click()
    expect(office.get_by_role("status")).to_contain_text("was wrong")
    expect(page.locator("#verdict .settled")).to_contain_text("Ilvie 009")
