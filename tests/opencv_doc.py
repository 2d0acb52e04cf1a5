"""Photographs of Debian's package opencv-doc (4.6), the real pictures of the tests.

``apt-get install opencv-doc`` puts them in place; Debian compresses some files with gzip. The
package's licences are Apache-2.0 and BSD-3-Clause.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

EXAMPLES = Path("/usr/share/doc/opencv-doc/examples")


def opencv_doc_bytes(name: str) -> bytes:
    """Content of a file below the examples, e.g. ``data/sudoku.png``, compressed or not."""
    plain, packed = EXAMPLES / name, EXAMPLES / f"{name}.gz"
    if plain.is_file():
        return plain.read_bytes()
    if packed.is_file():
        return gzip.decompress(packed.read_bytes())
    raise FileNotFoundError(f"{plain}: install the Debian package opencv-doc to run this test")


def opencv_doc_gray(name: str) -> NDArray[np.uint8]:
    """One of the pictures, (height, width) uint8."""
    picture = cv2.imdecode(np.frombuffer(opencv_doc_bytes(name), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None, name
    return np.asarray(picture)


def opencv_doc_rgb(name: str) -> NDArray[np.uint8]:
    """One of the pictures, (height, width, 3) uint8 RGB."""
    picture = cv2.imdecode(np.frombuffer(opencv_doc_bytes(name), np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None, name
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB))
