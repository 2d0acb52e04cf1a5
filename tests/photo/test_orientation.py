"""All eight EXIF orientations and the time of capture; the oracle is PIL.ImageOps."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageOps

from legibility.photo.load import load_photo_bytes
from legibility.photo.orientation import captured_at, orientation_of, upright

SCENE = np.arange(5 * 7 * 3, dtype=np.uint8).reshape(5, 7, 3) * 2


def encoded(kind: str, exif: Image.Exif, **options: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(SCENE).save(buffer, kind, exif=exif, **options)
    return buffer.getvalue()


def with_orientation(value: object) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = value
    return exif


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("JPEG", {"quality": 95}),
        ("PNG", {}),
        ("WEBP", {"lossless": True}),
        ("TIFF", {}),
        ("TIFF", {"compression": "tiff_lzw"}),
    ],
)
def test_every_orientation_in_every_kind_of_file(
    kind: str, options: dict[str, object], orientation: int
) -> None:
    data = encoded(kind, with_orientation(orientation), **options)
    with Image.open(io.BytesIO(data)) as image:
        expected = np.asarray(ImageOps.exif_transpose(image))
    photo = load_photo_bytes("a", data)
    assert photo.exif_orientation == orientation
    np.testing.assert_array_equal(photo.pixels, expected)


def test_stored_corner_lands_where_the_standard_says() -> None:
    """EXIF 2.32 table 4: where the scene's row 0 and column 0 lie, i.e. the stored first pixel."""
    corners = {1: (0, 0), 2: (0, -1), 3: (-1, -1), 4: (-1, 0), 5: (0, 0), 6: (0, -1)}
    corners |= {7: (-1, -1), 8: (-1, 0)}
    for orientation, corner in corners.items():
        turned = upright(SCENE, orientation)
        np.testing.assert_array_equal(turned[corner], SCENE[0, 0])
        assert turned.shape[:2] == ((5, 7) if orientation < 5 else (7, 5))


def test_upright_leaves_its_input_alone_and_refuses_other_numbers() -> None:
    before = SCENE.copy()
    upright(SCENE, 6)
    np.testing.assert_array_equal(SCENE, before)
    with pytest.raises(ValueError, match="expected 1 to 8"):
        upright(SCENE, 9)


@pytest.mark.parametrize("value", [0, 9, 400, "6"])
def test_orientation_that_is_none_counts_as_upright(value: object) -> None:
    exif = Image.Exif()
    exif[0x0112] = value
    assert orientation_of(exif) == 1


@pytest.mark.parametrize(
    ("original", "digitized", "expected"),
    [
        ("2024:05:31 14:03:09", None, "2024-05-31T14:03:09"),
        (None, "2024:05:31 14:03:09\x00", "2024-05-31T14:03:09"),
        ("0000:00:00 00:00:00", "2024:05:31 14:03:09", "2024-05-31T14:03:09"),
        ("    :  :     :  :  ", None, ""),
        ("yesterday", None, ""),
        (None, None, ""),
    ],
)
def test_time_of_capture(original: str | None, digitized: str | None, expected: str) -> None:
    exif = Image.Exif()
    exif[0x0132] = "2025:01:01 00:00:00"  # time of the last change: never the time of capture
    details = exif.get_ifd(0x8769)
    if original:
        details[0x9003] = original
    if digitized:
        details[0x9004] = digitized
    assert captured_at(exif) == expected
    assert load_photo_bytes("a", encoded("JPEG", exif)).captured_at == expected
