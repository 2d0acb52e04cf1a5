"""What one reading looked at, as PNG pictures and one page."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from legibility.containers import ColorImage, Photo, PhotoResult, Steps
from legibility.errors import OutputError
from legibility.report.drawing import draw_cells, draw_spots, draw_strip
from legibility.report.page import png_bytes, render_page
from legibility.report.record import result_record
from legibility.report.table import reading_table
from legibility.report.words import FlagText, advice
from legibility.report.writing import output_message, write_bytes, write_text

STRIPS_SHOWN: Final = 6
"""Choice: most row candidates written; the first ones matter."""

DESCRIPTION: Final = "pictures.json"
"""File in each photo's folder that says what its pictures show."""


def write_steps(
    folder: Path,
    result: PhotoResult,
    steps: Steps,
    *,
    pictures: Mapping[str, ColorImage],
    flags: tuple[FlagText, ...] = (),
    made: Mapping[str, Sequence[str]] | None = None,
) -> Path:
    """Write the pictures of one photo into a folder of its own below ``folder``.

    The new folder appears whole or not at all; one of an earlier run is replaced.

    Parameters
    ----------
    folder : Path
        Made when it does not exist.
    pictures : mapping of str to ndarray of uint8
        Names and pictures of the enhancement's steps, in order.
    flags : tuple of FlagText
        Words for the flags of ``result``.
    made : mapping of str to sequence of str
        For names in ``pictures``, what was done to the original; written into the files together
        with the digest of the original.

    Returns
    -------
    Path
        The photo's folder.

    Raises
    ------
    OutputError
        If something cannot be written.
    """
    target = folder / folder_name(result.photo, result.sha256)
    known = {title.replace("_", " "): tuple(how) for title, how in (made or {}).items()}
    temporary: str | None = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        temporary = tempfile.mkdtemp(dir=folder, prefix=".tmp-")
        shown = []
        for number, (title, pixels) in enumerate(_pictures(result, steps, pictures), start=1):
            name = f"{number:02d}-{_plain(title)}.png"
            how = known.get(title, (title,))
            texts = custody_texts(result.sha256, how)
            Path(temporary, name).write_bytes(png_bytes(pixels, texts=texts))
            shown.append({"file": name, "title": title})
        description = {
            "photo": result.photo,
            "advice": advice(result),
            "report": reading_table(result, flags),
            "pictures": shown,
            "record": result_record(result),
        }
        Path(temporary, DESCRIPTION).write_text(json.dumps(description, indent=1), "ascii")
        os.chmod(temporary, 0o755)
        if target.exists():
            shutil.rmtree(target)
        os.replace(temporary, target)
    except OSError as error:
        if temporary is not None:
            shutil.rmtree(temporary, ignore_errors=True)
        if isinstance(error, OutputError):
            raise
        raise OutputError(output_message(target, error)) from error
    return target


def write_steps_page(folder: Path, results: Mapping[str, str]) -> Path:
    """Write ``index.html``, which shows the pictures of all photos, in their order.

    Parameters
    ----------
    folder : Path
        Where :func:`write_steps` wrote.
    results : mapping of str to str
        Folder name (see :func:`folder_name`) to the photo's name.

    Raises
    ------
    OutputError
        If the page cannot be written.
    """
    photos = [_description(folder, name, photo) for name, photo in results.items()]
    page = folder / "index.html"
    write_text(page, render_page("steps.html", photos=photos))
    return page


def write_pictures(
    folder: Path,
    photo: Photo,
    pictures: Mapping[str, ColorImage],
    *,
    made: Mapping[str, Sequence[str]] | None = None,
) -> tuple[Path, ...]:
    """Write pictures of one photo as PNG files whose names begin with the photo's.

    Each holds the digest of the original and, as far as ``made`` says, what was done to it.

    Raises
    ------
    OutputError
        If a picture cannot be written; each appears whole or not at all.
    """
    stem = folder_name(photo.name, photo.sha256)
    files = tuple(folder / f"{stem}-{_plain(title)}.png" for title in pictures)
    for file, (title, pixels) in zip(files, pictures.items(), strict=True):
        texts = custody_texts(photo.sha256, (made or {}).get(title, (title,)))
        write_bytes(file, png_bytes(pixels, texts=texts))
    return files


def custody_texts(parent_sha256: str, steps: Sequence[str]) -> dict[str, str]:
    """What a picture made from a photo says of itself."""
    return {"Parent-SHA-256": parent_sha256, "Steps": "; ".join(steps)}


def custody_comment(parent_sha256: str, steps: Sequence[str]) -> str:
    """The same in one line, for formats that hold one text."""
    texts = custody_texts(parent_sha256, steps)
    return "; ".join(f"{name}: {text}" for name, text in texts.items())


def folder_name(photo: str, sha256: str) -> str:
    """A photo's name in plain letters and a digest that keeps two photos of one name apart.

    Examples
    --------
    >>> folder_name("pen 4/<b>.jpg", "00")
    'b-d2ac9a2f'
    """
    stem = _plain(Path(photo).stem)[:40] or "photo"
    digest = hashlib.sha256(f"{photo}\n{sha256}".encode("utf-8", "replace"))
    return f"{stem}-{digest.hexdigest()[:8]}"


def _pictures(
    result: PhotoResult, steps: Steps, pictures: Mapping[str, ColorImage]
) -> list[tuple[str, ColorImage]]:
    enhanced = steps.enhanced
    shown = [(title.replace("_", " "), pixels) for title, pixels in pictures.items()]
    shown.append(
        ("characters found", draw_spots(enhanced.pixels, steps.spots, scale=enhanced.scale))
    )
    shown += [
        (f"row candidate {number}", draw_strip(strip))
        for number, strip in enumerate(steps.strips[:STRIPS_SHOWN], start=1)
    ]
    located = draw_cells(enhanced.pixels, result.reading, scale=enhanced.scale)
    return [("cells and characters", located), *shown]


def _description(folder: Path, name: str, photo: str) -> dict[str, Any]:
    try:
        description: dict[str, Any] = json.loads((folder / name / DESCRIPTION).read_text("ascii"))
    except (OSError, ValueError):
        return {
            "photo": photo,
            "folder": "",
            "advice": "No pictures.",
            "pictures": [],
            "report": "",
        }
    return {**description, "folder": name}


def _plain(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-").lower()
