"""The demo, with a herd and a reader arranged by the test."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PIL import Image

from legibility.batch.ordered import PhotoReader
from legibility.containers import PhotoResult
from legibility.demo import HerdFiles, make_demo, score
from legibility.errors import OutputError
from tests.example_results import ambiguous_result, identified_result, retake_result
from tests.example_steps import example_pixels


def small_herd(folder: Path, seed: int) -> HerdFiles:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "registry.csv").write_text(
        "animal_id,mark\ngoat 0142,AB3/475\ngoat 0188,A83/475\ngoat 0009,X9\n"
    )
    photos = tuple(folder / f"{seed}-{index}.png" for index in range(3))
    for photo in photos:
        Image.fromarray(example_pixels()).save(photo)
    animals = dict(zip(map(str, photos), ("goat 0142", "goat 0188", None), strict=True))
    return HerdFiles(folder / "registry.csv", photos, animals)


def small_reader(registry: Path) -> PhotoReader:
    assert registry.is_file()

    def read(path: Path) -> PhotoResult:
        results = ambiguous_result(), identified_result(), retake_result()
        return replace(results[int(path.stem[-1])], photo=str(path))

    return read


class Images(HTMLParser):
    """Addresses of the pictures of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "img":
            self.addresses.append(dict(attrs)["src"] or "")


def test_the_demo_writes_one_page_that_needs_no_other_file(tmp_path: Path) -> None:
    made = make_demo(tmp_path / "demo", seed=3, herd=small_herd, reader=small_reader)
    text = made.page.read_text("utf-8")
    addresses = Images(text).addresses
    assert len(addresses) >= 5
    assert all(address.startswith("data:image/") for address in addresses)
    assert "rendered" in text
    assert [entry.action for entry in made.worklist] == ["confirm", "nothing", "photograph again"]
    assert made.summary in " ".join(text.split())


def test_the_summary_hides_no_error(tmp_path: Path) -> None:
    made = make_demo(tmp_path, herd=small_herd, reader=small_reader)
    # goat 0142 is right although not settled; goat 0009 is claimed with certainty and wrong.
    assert made.summary == (
        "Of 3 photos 2 were read. The first candidate was right in 1 of these. "
        "0 of 1 animals that were called identified were right."
    )
    assert score([], {}).startswith("Of 0 photos")


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    herd = small_herd(tmp_path / "herd", 1)
    (tmp_path / "blocked").write_text("")
    with pytest.raises(OutputError):
        make_demo(tmp_path / "blocked", herd=lambda *_: herd, reader=small_reader)
