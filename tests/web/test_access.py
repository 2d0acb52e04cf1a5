"""Whether the pages can be used by everybody: axe-core, keys, contrast.

axe-core (Deque) checks WCAG 2 A and AA; nothing it calls serious or critical may be left.
"""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from .barn import NUMBER, PHOTO, Barn, take

GRAVE = {"serious", "critical"}
DESKTOP = {"width": 1280, "height": 800}


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
