"""Folders expand to their photos: natural order, no hidden files, no endless links."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from legibility.errors import PhotoError
from legibility.photo.find import find_photos
from legibility.photo.load import load_photo


def make(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"")


def test_recursive_natural_order_and_image_suffixes_only(tmp_path: Path) -> None:
    make(tmp_path, "ear10.jpg", "ear2.JPG", "ear2b.png", "notes.txt", "day2/a.heic", "day10/b.tif")
    make(tmp_path, ".hidden.jpg", "._ear2.jpg", ".thumbs/c.jpg", "raw.dng")
    found = [str(path.relative_to(tmp_path)) for path in find_photos([tmp_path])]
    assert found == ["day2/a.heic", "day10/b.tif", "ear2.JPG", "ear2b.png", "ear10.jpg"]


def test_files_given_are_kept_whatever_they_are(tmp_path: Path) -> None:
    make(tmp_path, "notes.txt", ".hidden.jpg", "b.jpg")
    given = [tmp_path / "notes.txt", tmp_path / "missing.jpg", tmp_path / ".hidden.jpg"]
    assert find_photos(given) == given
    assert find_photos([given[0], given[0]]) == [given[0], given[0]]
    assert find_photos([]) == []


def test_links_that_lead_back_end(tmp_path: Path) -> None:
    make(tmp_path, "a/1.jpg", "a/deep/2.jpg")
    (tmp_path / "a/deep/back").symlink_to(tmp_path / "a", target_is_directory=True)
    (tmp_path / "a/self").symlink_to("self")
    (tmp_path / "a/dangling.jpg").symlink_to("nowhere")
    found = [str(path.relative_to(tmp_path)) for path in find_photos([tmp_path])]
    assert found == ["a/1.jpg", "a/dangling.jpg", "a/deep/2.jpg"]
    assert find_photos([tmp_path, tmp_path]) == find_photos([tmp_path])


def test_deep_folders(tmp_path: Path) -> None:
    make(tmp_path, "/".join(["d"] * 500) + "/1.jpg")
    assert len(find_photos([tmp_path])) == 1


def test_folder_that_may_not_be_listed_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make(tmp_path, "a/1.jpg", "b/2.jpg")
    listdir = os.listdir

    def deny(path: Path) -> list[str]:
        if path.name == "a":
            raise PermissionError(13, "Permission denied")
        return listdir(path)

    monkeypatch.setattr("legibility.photo.find.os.listdir", deny)
    found = find_photos([tmp_path])
    assert found == [tmp_path / "a", tmp_path / "b/2.jpg"]
    with pytest.raises(PhotoError, match="folder"):
        load_photo(found[0])


def test_names_that_are_not_utf8(tmp_path: Path) -> None:
    (tmp_path / os.fsdecode(b"\xe9.jpg")).write_bytes(b"")
    assert [os.fsencode(path.name) for path in find_photos([tmp_path])] == [b"\xe9.jpg"]
