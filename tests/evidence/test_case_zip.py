"""The zip of a case: the same bytes again, and nothing unsafe is unpacked.

Outside checks: the standard library's ``zipfile`` reads what was written and makes the unsafe ones;
SHA-256 vectors of FIPS 180-4 ("abc" and the empty message; values from memory, well known).
"""

from __future__ import annotations

import io
import json
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from legibility.errors import EvidenceError
from legibility.evidence.case_zip import MANIFEST, safe_name, unpack, zip_bytes
from legibility.store.photo_folder import digest_of

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
FILES = {"originals/01.jpg": b"abc", "case.json": b"", "pictures/01-ink.png": b"\x89PNG" * 9}


def test_published_vectors_of_the_digest(tmp_path: Path) -> None:
    stored = json.loads(zipfile.ZipFile(io.BytesIO(zip_bytes(FILES))).read(MANIFEST))
    assert stored["files"]["originals/01.jpg"]["sha256"] == ABC
    assert stored["files"]["case.json"]["sha256"] == EMPTY
    file = tmp_path / "abc"
    file.write_bytes(b"abc")
    assert digest_of(file) == ABC


def test_the_same_files_are_the_same_bytes_and_zipfile_reads_them(tmp_path: Path) -> None:
    data = zip_bytes(FILES)
    assert data == zip_bytes(dict(reversed(FILES.items())))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        assert names == sorted(names)
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {name: archive.read(name) for name in FILES} == FILES
    path = tmp_path / "case.zip"
    path.write_bytes(data)
    assert sorted(unpack(path, tmp_path / "out")) == sorted(FILES)
    assert (tmp_path / "out/originals/01.jpg").read_bytes() == b"abc"


@pytest.mark.parametrize(
    "name",
    [
        "../out.txt", "/etc/out", "C:/out", "a\\b", "a//b", "a/../b", ".hidden", "a/.b", "A.txt",
        "a b", "a/b/c/d", "aux:", "ä", "", "a/", "x" * 101, "a\n",
    ],
)  # fmt: skip
def test_names_that_lead_elsewhere(name: str, tmp_path: Path) -> None:
    assert not safe_name(name)
    with pytest.raises(ValueError, match="no name for a file"):
        zip_bytes({name: b""})
    if not name:
        return
    path = tmp_path / "in" / "case.zip"
    path.parent.mkdir()
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(name, b"x")
    with pytest.raises(EvidenceError, match=r"leads outside|link or no plain file"):
        unpack(path, tmp_path / "in" / "out")
    assert not (tmp_path / "in" / "out").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["in"]


def _with(entry: Callable[[zipfile.ZipFile], None], path: Path) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(MANIFEST, '{"format": 1, "files": {}}')
        entry(archive)
    return path


def _link(archive: zipfile.ZipFile) -> None:
    info = zipfile.ZipInfo("originals/01.jpg")
    info.create_system = 3
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    archive.writestr(info, "/etc/passwd")


def _device(archive: zipfile.ZipFile) -> None:
    info = zipfile.ZipInfo("originals/01.jpg")
    info.external_attr = (stat.S_IFIFO | 0o666) << 16
    archive.writestr(info, "")


def _bomb(archive: zipfile.ZipFile) -> None:
    archive.writestr("originals/01.jpg", bytes(8_000_000))


def _many(archive: zipfile.ZipFile) -> None:
    for number in range(2000):
        archive.writestr(f"originals/{number}", b"")


def _strange(archive: zipfile.ZipFile) -> None:
    archive.writestr("originals/01.jpg", b"x")


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (_link, "a link or no plain file"),
        (_device, "a link or no plain file"),
        (_bomb, "would unpack to 8000000 bytes"),
        (_many, "2001 entries"),
        (_strange, "not in the zip's own list"),
    ],
)
def test_unsafe_zips(entry: Callable[[zipfile.ZipFile], None], said: str, tmp_path: Path) -> None:
    path = _with(entry, tmp_path / "case.zip")
    with pytest.raises(EvidenceError, match=said):
        unpack(path, tmp_path / "out")
    assert not (tmp_path / "out/originals/01.jpg").is_symlink()


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_name_twice(tmp_path: Path) -> None:
    def twice(archive: zipfile.ZipFile) -> None:
        archive.writestr("case.json", b"1")
        archive.writestr("case.json", b"2")

    with pytest.raises(EvidenceError, match="there twice"):
        unpack(_with(twice, tmp_path / "case.zip"), tmp_path / "out")


def test_sizes_that_are_too_large_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("legibility.evidence.case_zip.MOST_BYTES", 10)
    path = tmp_path / "case.zip"
    path.write_bytes(zip_bytes(FILES))
    with pytest.raises(EvidenceError, match="would unpack to"):
        unpack(path, tmp_path / "out")


def test_an_entry_that_lies_about_its_size(tmp_path: Path) -> None:
    path = _with(_bomb, tmp_path / "case.zip")
    data = path.read_bytes().replace((8_000_000).to_bytes(4, "little"), (9).to_bytes(4, "little"))
    path.write_bytes(data)
    with pytest.raises(EvidenceError, match=r"larger than it claims|cannot be read"):
        unpack(path, tmp_path / "out")
    left = tmp_path / "out/originals/01.jpg"
    assert not left.exists() or left.stat().st_size <= 9


def test_every_flipped_byte_of_a_file_is_found(tmp_path: Path) -> None:
    """A flip is found by the format or by the list, or changes no content."""
    data = zip_bytes(FILES)
    path = tmp_path / "case.zip"
    missed = []
    for at in range(len(data)):
        path.write_bytes(data[:at] + bytes([data[at] ^ 0x20]) + data[at + 1 :])
        out = tmp_path / f"out{at}"
        try:
            unpack(path, out)
        except EvidenceError:
            continue
        if {name: (out / name).read_bytes() for name in FILES} != FILES:
            missed.append(at)
    assert missed == []


@pytest.mark.parametrize("data", [b"", b"no zip", b"PK\x03\x04", b"PK\x05\x06" + bytes(18)])
def test_what_is_no_case(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "case.zip"
    path.write_bytes(data)
    with pytest.raises(EvidenceError, match=r"cannot be read as the zip|has no manifest"):
        unpack(path, tmp_path / "out")
    with pytest.raises(EvidenceError, match="cannot be read"):
        unpack(tmp_path / "none.zip", tmp_path / "out")
