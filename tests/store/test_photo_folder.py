"""Copies under the digest of their bytes, and photos that moved or changed."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from legibility.errors import StoreError
from legibility.store.photo_folder import FileState, digest_of, file_state, folder_of, keep_copy
from legibility.store.records import PhotoRow

# FIPS 180-4 example: SHA-256 of "abc".
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "ear.JPG"
    path.write_bytes(b"abc")
    return path


def test_the_digest_of_a_file(photo: Path) -> None:
    assert digest_of(photo) == ABC


def test_a_copy_is_found_by_its_digest_and_made_once(photo: Path, tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "herd.db")
    inside = keep_copy(folder, photo, sha256=ABC)
    assert inside == f"ba/{ABC}.jpg"
    copy = folder / inside
    assert copy.read_bytes() == b"abc"
    first = copy.stat()
    assert keep_copy(folder, photo, sha256=ABC) == inside
    assert copy.stat().st_mtime_ns == first.st_mtime_ns
    assert [p.name for p in copy.parent.iterdir()] == [copy.name]


def test_a_damaged_copy_is_made_again(photo: Path, tmp_path: Path) -> None:
    inside = keep_copy(tmp_path / "c", photo, sha256=ABC)
    (tmp_path / "c" / inside).chmod(0o644)
    (tmp_path / "c" / inside).write_bytes(b"ab")
    assert keep_copy(tmp_path / "c", photo, sha256=ABC) == inside
    assert digest_of(tmp_path / "c" / inside) == ABC


def test_a_photo_that_changes_meanwhile_is_not_kept(photo: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="changed while"):
        keep_copy(tmp_path / "c", photo, sha256=hashlib.sha256(b"other").hexdigest())
    assert [p for p in (tmp_path / "c").rglob("*") if p.is_file()] == []


def test_a_photo_that_is_gone(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be copied"):
        keep_copy(tmp_path / "c", tmp_path / "gone.jpg", sha256=ABC)


@pytest.mark.parametrize("copied", [False, True])
@pytest.mark.parametrize(
    ("content", "state"),
    [(b"abc", "as imported"), (b"abd", "other bytes under the same name"), (None, "not there")],
)
def test_what_became_of_a_file(
    content: bytes | None, state: str, copied: bool, photo: Path, tmp_path: Path
) -> None:
    herd = tmp_path / "herd.db"
    stored = keep_copy(folder_of(herd), photo, sha256=ABC) if copied else ""
    photo.unlink()
    if content is not None:
        photo.write_bytes(content)
    found, path = file_state(PhotoRow(ABC, str(photo), stored=stored), herd=herd)
    if copied and content != b"abc":
        assert found is FileState.ONLY_THE_COPY
        assert digest_of(path) == ABC
    else:
        assert found == state
        assert path == photo
