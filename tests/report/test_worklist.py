"""The worklist as table and page."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from legibility.containers import Candidate
from legibility.errors import OutputError
from legibility.photo.flags import describe
from legibility.report.layout import WIDTH, shown_width
from legibility.report.page import jpeg_address
from legibility.report.worklist import (
    EntryPictures,
    WorklistEntry,
    worklist_table,
    write_worklist_page,
)
from tests.example_results import ambiguous_result, example_results
from tests.example_steps import example_pixels

HOSTILE = "</td><script>alert('x')</script><img src=x onerror=alert(1)>\u202e\x1b[2J{{ 7*7 }}"


class Texts(HTMLParser):
    """Tags, attributes and words of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.words += data


def entries() -> list[WorklistEntry]:
    return [
        WorklistEntry(
            result, "confirm", "Two animals differ in one character only.", describe(result.flags)
        )
        for result in example_results()
    ]


def page_of(tmp_path: Path, shown: list[WorklistEntry]) -> Texts:
    address = jpeg_address(example_pixels())
    pictures = {entry.result.photo: EntryPictures(address, address) for entry in shown[:1]}
    path = tmp_path / "page.html"
    write_worklist_page(path, shown, title="Herd <1>", introduction="Rendered.", pictures=pictures)
    return Texts(path.read_text("utf-8"))


def test_table_fits_a_terminal_and_keeps_the_order() -> None:
    text = worklist_table(entries())
    assert max(map(shown_width, text.splitlines())) <= WIDTH
    places = [text.index(f"{rank}.  ") for rank in range(1, 5)]
    assert places == sorted(places)
    assert "goat 0142" in text
    assert "71 %" in text
    assert "Nothing to look at" in worklist_table([])


def test_page_needs_no_other_file_and_runs_nothing(tmp_path: Path) -> None:
    page = page_of(tmp_path, entries())
    addresses = [value for name, value in page.attributes if name in {"src", "href"}]
    assert addresses
    assert all(value.startswith(("data:image/jpeg;base64,", "#photo-")) for value in addresses)
    assert "script" not in page.tags
    assert "link" not in page.tags
    assert page.words.count("goat 0142") >= 2
    assert "attending veterinarian" in page.words
    assert "1 identified, 1 ambiguous, 1 retake, 1 unreadable." in page.words


def test_hostile_words_stay_words(tmp_path: Path) -> None:
    result = ambiguous_result(HOSTILE)
    identification = replace(result.identification, candidates=(Candidate(HOSTILE, HOSTILE, 0.5),))
    result = replace(result, identification=identification, reasons=(HOSTILE,))
    page = page_of(tmp_path, [WorklistEntry(result, HOSTILE, HOSTILE)])
    assert "script" not in page.tags
    assert not [name for name, _ in page.attributes if name.startswith("on")]
    assert "\x1b" not in page.words
    assert "\u202e" not in page.words
    assert "{{ 7*7 }}" in page.words


def test_pictures_have_a_description(tmp_path: Path) -> None:
    page = page_of(tmp_path, entries())
    n_images = page.tags.count("img")
    assert n_images == 3
    assert len([value for name, value in page.attributes if name == "alt" and value]) == n_images


def test_every_tag_that_is_opened_is_closed(tmp_path: Path) -> None:
    page_of(tmp_path, entries())
    text = (tmp_path / "page.html").read_text("utf-8")
    for tag in ("section", "table", "tr", "td", "div", "figure", "ul", "li", "p", "main"):
        assert text.count(f"<{tag}>") + text.count(f"<{tag} ") == text.count(f"</{tag}>"), tag


def test_a_page_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(OutputError):
        write_worklist_page(tmp_path, [], title="", introduction="", pictures={})
