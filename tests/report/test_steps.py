"""Pictures and page of ``--save-steps``."""

from __future__ import annotations

import json
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest
from PIL import Image

from legibility.errors import OutputError
from legibility.photo.flags import describe
from legibility.report.steps import folder_name, write_steps, write_steps_page
from tests.example_results import ambiguous_result, retake_result
from tests.example_steps import example_pixels, example_steps

HOSTILE = "<script>alert(1)</script>\"'&<img src=x onerror=alert(1)>.jpg"


class Page(HTMLParser):
    """Tags and addresses of a page, by the parser of the standard library."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in {"src", "href"}]
        assert not [name for name, _ in attrs if name.startswith("on")]


def write_example(folder: Path, name: str = "pen 4/ear.jpg") -> str:
    result = ambiguous_result(name)
    write_steps(
        folder,
        result,
        example_steps(),
        pictures={"flat": example_pixels(), "ink": example_pixels()[:, :, 0]},
        flags=describe(result.flags),
    )
    return folder_name(result.photo, result.sha256)


def test_pictures_and_page_are_written(tmp_path: Path) -> None:
    name = write_example(tmp_path)
    page = write_steps_page(tmp_path, {name: "pen 4/ear.jpg"})
    files = sorted(path.name for path in (tmp_path / name).glob("*.png"))
    assert files[0] == "01-cells-and-characters.png"
    assert "02-flat.png" in files
    assert len([file for file in files if "row-candidate" in file]) == 6
    for file in files:
        with Image.open(tmp_path / name / file) as picture:
            picture.load()
    parsed = Page(page.read_text("utf-8"))
    shown = {address for address in parsed.addresses if address.endswith(".png")}
    assert len(shown) == len(files)
    for address in shown:
        assert (tmp_path / unquote(address)).is_file()
    assert not list(tmp_path.glob(".tmp*"))


def test_page_is_offline_and_without_scripts(tmp_path: Path) -> None:
    name = write_example(tmp_path, HOSTILE)
    text = write_steps_page(tmp_path, {name: HOSTILE}).read_text("utf-8")
    parsed = Page(text)
    assert "script" not in parsed.tags
    assert not [a for a in parsed.addresses if "//" in a or a.startswith(("data:", "java"))]
    assert parsed.tags.count("img") == len(list((tmp_path / name).glob("*.png")))
    assert "&lt;script&gt;alert(1)" in text


def test_a_photo_without_a_reading_has_pictures_too(tmp_path: Path) -> None:
    target = write_steps(tmp_path, retake_result(), example_steps(), pictures={})
    assert (target / "01-cells-and-characters.png").is_file()


def test_a_photo_without_pictures_is_named_on_the_page(tmp_path: Path) -> None:
    text = write_steps_page(tmp_path, {"gone-00000000": "gone.jpg"}).read_text("utf-8")
    assert "gone.jpg" in text
    assert "<img" not in text


def test_a_second_run_replaces_the_pictures_of_the_first(tmp_path: Path) -> None:
    name = write_example(tmp_path)
    (tmp_path / name / "99-old.png").write_bytes(b"old")
    write_example(tmp_path)
    assert not (tmp_path / name / "99-old.png").exists()


def test_one_name_in_two_folders_gives_two_folders() -> None:
    names = {
        folder_name("a/ear.jpg", "1" * 64),
        folder_name("b/ear.jpg", "1" * 64),
        folder_name("a/ear.jpg", "2" * 64),
    }
    assert len(names) == 3


@pytest.mark.parametrize("photo", ["../../etc/passwd", "..", "", "\udce9.jpg", "a" * 300, HOSTILE])
def test_folder_names_are_plain(photo: str) -> None:
    name = folder_name(photo, "0" * 64)
    assert name.isascii()
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert len(name) < 60


def test_output_that_cannot_be_written_is_one_error(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("no folder")
    with pytest.raises(OutputError, match="file"):
        write_steps(blocked, ambiguous_result(), example_steps(), pictures={})
    with pytest.raises(OutputError, match="cannot be written"):
        write_steps_page(blocked, {})


def test_description_holds_the_record(tmp_path: Path) -> None:
    name = write_example(tmp_path)
    description = json.loads((tmp_path / name / "pictures.json").read_text("ascii"))
    assert description["record"]["text"] == "AB3/47?"


def test_inputs_stay_as_they_were(tmp_path: Path) -> None:
    steps = example_steps()
    before = steps.enhanced.pixels.copy(), steps.strips[0].pixels.copy()
    write_steps(tmp_path, replace(ambiguous_result()), steps, pictures={})
    np.testing.assert_array_equal(steps.enhanced.pixels, before[0])
    np.testing.assert_array_equal(steps.strips[0].pixels, before[1])
