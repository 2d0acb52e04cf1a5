"""What of an output may differ between runs or machines, and how it is written down instead.

Folders and seconds differ between runs. On another processor the last digits of a float32 network
differ (measured: 7e-7, see ``evidence.refigure``), so figures that rest on a reading are rounded to
4 decimals: a hundredth of a percent, below what any page shows. Other figures are float64 and keep
``EXACT_DIGITS`` digits. Digests of what contains such figures are numbered in the order in which
they come, those of files that are put in are kept. Pictures are compared by their pixels, since
another build of a library packs the same pixels into other bytes. A dossier's words for the machine
and its libraries are left out.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import re
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

READ_DECIMALS = 4
EXACT_DIGITS = 10
LONGEST = 40_000
"""Choice: of a longer text so much is kept, and the digest of all of it."""
LONG_NUMBER = re.compile(r"(?<![\w.])-?\d+\.\d+(?:[eE][-+]?\d+)?(?![\w.])|(?<![\w.])-?\d+e-\d+\b")
SECONDS = re.compile(r'("(?:read_|compute_|search_)?seconds": )[\d.e-]+')
DATA = re.compile(r"data:(image/(?:jpeg|png));base64,([A-Za-z0-9+/=]+)")
DIGEST = re.compile(r'("(?:settings|model|calibration)_sha256": ")?\b([0-9a-f]{64})\b')
"""With what says that it is of settings or models, which are the same on every machine."""
MACHINE = (
    (
        re.compile(
            r'("(?:system|machine|processor_features|python|tesseract|numpy|scipy|opencv-python'
            r'|scikit-image|Pillow)": )"[^"]*"'
        ),
        r'\1"HERE"',
    ),
    (
        re.compile(
            r"(<tr><th>(?:system|machine|processor features|python|libraries|tesseract)</th><td>)"
            r"[^<]*"
        ),
        r"\1HERE",
    ),
    (re.compile(r'"same_platform": .*?"words": (\d+), "page": \w+'), r'HERE, "words": \1'),
)
PICTURES = {".jpg", ".jpeg", ".png"}


def picture_words(data: bytes) -> str:
    """Size and digest of the pixels."""
    with Image.open(io.BytesIO(data)) as picture:
        pixels = np.asarray(picture)
    digest = hashlib.sha256(pixels.tobytes()).hexdigest()[:16]
    return f"{picture.format} {picture.size[0]} x {picture.size[1]}, pixels {digest}"


@dataclass(frozen=True)
class Wording:
    """How the outputs of one folder are written down."""

    folder: Path
    root: Path
    read: bool
    """Whether figures rest on the reading of a photo."""
    known: frozenset[str] = frozenset()
    """Digests of files that were put in."""

    def text(self, text: str) -> str:
        """A text that is the same in every run."""
        text = text.replace(str(self.folder), "FOLDER").replace(str(self.root), "ROOT")
        text = DATA.sub(lambda m: f"data:{picture_words(base64.b64decode(m[2]))}", text)
        for words, instead in MACHINE:
            text = words.sub(instead, text)
        text = SECONDS.sub(r"\1SECONDS", text)
        text = LONG_NUMBER.sub(self._number, text)
        if self.read:
            seen: dict[str, str] = {}
            text = DIGEST.sub(lambda m: m[0] if m[1] else self._digest(m[2], seen), text)
        return text

    def file(self, name: str, data: bytes) -> str:
        """What a file holds."""
        suffix = Path(name).suffix.lower()
        if suffix in PICTURES:
            return picture_words(data)
        if suffix == ".zip":
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                return "\n".join(
                    f"[{inner}]\n{self.short(self.file(inner, archive.read(inner)))}"
                    for inner in archive.namelist()
                )
        if suffix == ".gz":
            return self.file(name[:-3], gzip.decompress(data))
        if suffix in {".db", ".npz", ".db-wal", ".db-shm", ".xlsx", ".parquet"}:
            return "(binary)"
        return self.short(self.text(data.decode("utf-8")))

    def short(self, text: str) -> str:
        """A text, or its beginning and the digest of all of it."""
        if len(text) <= LONGEST:
            return text
        digest = hashlib.sha256(text.encode()).hexdigest()
        return f"{text[:LONGEST]}\n... {len(text)} characters, SHA-256 {digest}"

    def _number(self, found: re.Match[str]) -> str:
        text = found[0]
        digits = re.sub(r"[eE].*", "", text)
        if self.read:
            if len(digits.partition(".")[2]) <= READ_DECIMALS and "e" not in text.lower():
                return text
            return repr(round(float(text), READ_DECIMALS) + 0.0)
        if len(digits.strip("-0.").replace(".", "")) <= EXACT_DIGITS:
            return text
        return f"{float(text):.{EXACT_DIGITS}g}"

    def _digest(self, found: str, seen: dict[str, str]) -> str:
        if found in self.known:
            return found
        return seen.setdefault(found, f"DIGEST-{len(seen) + 1}")


def digests(files: Iterable[Path]) -> frozenset[str]:
    """SHA-256 of files."""
    return frozenset(hashlib.sha256(file.read_bytes()).hexdigest() for file in files)
