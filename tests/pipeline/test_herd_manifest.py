"""The list that comes with a folder of photos."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image

from legibility.errors import RowsError
from legibility.photo.capture_time import capture_time
from legibility.pipeline.herd_manifest import Manifest, photo_row, read_manifest

NUMBER = "276000312312345"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2024:05:01 10:00:00"
    Image.new("RGB", (8, 8)).save(tmp_path / "a.jpg", exif=exif)
    Image.new("RGB", (8, 8)).save(tmp_path / "b.png")
    return tmp_path


def manifest(folder: Path, text: str) -> Manifest:
    path = folder / "manifest.csv"
    path.write_text(text, encoding="utf-8")
    return read_manifest(path, animals=["goat 1"])


def test_what_is_said_of_photos(folder: Path) -> None:
    found = manifest(
        folder,
        "file,animal_id,ear,stage,taken_at,chip,camera\n"
        f"a.jpg,goat 1,R,clipped,,{NUMBER},x\n"
        "b.png,,,,2024-06-01 09:00,999000000112233,y\n",
    )
    a, b = found.of(folder / "a.jpg"), found.of(folder / "b.png")
    assert (a.animal_id, a.ear, a.stage) == ("goat 1", "right", "clipped")
    assert a.scan is not None
    # Without a time of its own the scan has that of the camera.
    assert (a.scan.number, a.scan.scanned_at) == (NUMBER, "2024-05-01T10:00:00")
    assert b.scan is not None
    assert b.scan.outcome == "refused"
    assert found.notices[0] == "columns not used: camera"
    assert "test number" in found.notices[1]
    assert found.of(folder / "c.jpg").animal_id == ""

    row = photo_row(folder / "a.jpg", a, sha256="0" * 64, size_bytes=5)
    assert (row.taken_at, row.claimed_by) == ("2024-05-01T10:00:00", "manifest")
    row = photo_row(folder / "b.png", b, sha256="0" * 64, size_bytes=5)
    assert (row.taken_at, row.claimed_by) == ("2024-06-01T09:00:00", "")


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("c.jpg,,,", "line 2: file: there is no"),
        ("a.jpg,goat 2,,", "line 2: animal_id: 'goat 2' is not in the record"),
        ("a.jpg,,top,", "line 2: ear: found 'top'"),
        ("a.jpg,,,9.85E+14", "line 2: chip: 9.85E.14: a spreadsheet"),
        ("a.jpg,,,\na.jpg,,,", "line 3: file: a.jpg is in the list twice"),
    ],
)
def test_bad_rows(folder: Path, line: str, reason: str) -> None:
    with pytest.raises(RowsError, match=reason):
        manifest(folder, f"file,animal_id,ear,chip\n{line}\n")


def test_capture_time_without_decoding(folder: Path) -> None:
    assert capture_time(folder / "a.jpg") == "2024-05-01T10:00:00"
    assert capture_time(folder / "b.png") == ""
    assert capture_time(folder / "manifest.csv") == ""
