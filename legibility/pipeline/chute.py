"""One photo at the chute: read, stored in the herd's record, and cut into pictures for a person."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np

from legibility.containers import (
    CellReading,
    ColorImage,
    Decision,
    Hypothesis,
    Photo,
    PhotoResult,
)
from legibility.photo.capture import check_capture
from legibility.photo.fingerprint import fingerprint
from legibility.photo.flags import FlagInfo, describe
from legibility.photo.load import load_photo
from legibility.pipeline.chute_session import keep_read
from legibility.pipeline.drawn_row import Drawn
from legibility.pipeline.herd_cases import open_cases
from legibility.pipeline.herd_registry import herd_registry
from legibility.pipeline.run import Choices, read_photo
from legibility.probability import percent
from legibility.report.drawing import shrink
from legibility.report.mark_crop import upright_mark
from legibility.report.record import result_record
from legibility.report.words import advice, next_steps
from legibility.settings import Settings
from legibility.store.database import open_herd
from legibility.store.importing import import_photo
from legibility.store.photo_folder import folder_of, keep_copy
from legibility.store.records import PhotoRow

CELL_HEIGHT_PX: Final = 120
"""Choice: height of a cell's picture; large enough to be seen at arm's length."""
CELL_MARGIN: Final = 0.18
"""Choice: margin about a cell in cell heights."""
PREVIEW_PX: Final = 1280
"""Choice: longest side of the photo that is shown on a phone."""
QUALITY: Final = 82
ANSWER_FILE: Final = "answer.json"
CHECK_FILE: Final = "check.json"
"""What the photo shows of itself, told while it is being read."""


@dataclass(frozen=True, slots=True)
class ChutePhoto:
    """A photo that waits to be read; pickles to a few bytes."""

    herd: Path
    file: Path
    sha256: str
    out: Path
    """Folder for answer and pictures."""
    settings: Settings
    stage: str = ""
    ear: str = ""
    taken_at: str = ""
    drawn: Drawn | None = None
    who: str = ""


def read_chute_photo(asked: ChutePhoto) -> float:
    """Read one photo, store it, and write answer and pictures; gives the seconds it took to read.

    May be done again after an interruption: what is there already is not added twice.

    Raises
    ------
    PhotoError
        If the file cannot be used as a photo.
    StoreError, RegistryError
        If the record cannot be used.
    """
    registry = herd_registry(asked.herd)
    with open_herd(asked.herd) as db:
        photo = load_photo(asked.file, settings=asked.settings)
        if not (asked.out / CHECK_FILE).exists():
            write_check(asked.out, photo)
        result = read_photo(
            photo,
            registry=registry,
            settings=asked.settings,
            choices=Choices(drawn=asked.drawn),
        )
        if asked.drawn is not None:
            # Another way of reading: kept beside the reading without the drawn row.
            digest = f"{result.provenance.settings_sha256} {asked.drawn}"
            settings_sha256 = hashlib.sha256(digest.encode()).hexdigest()
            result = replace(
                result, provenance=replace(result.provenance, settings_sha256=settings_sha256)
            )
        inside = keep_copy(folder_of(asked.herd), asked.file, sha256=asked.sha256)
        row = PhotoRow(
            sha256=asked.sha256,
            path=str(folder_of(asked.herd) / inside),
            stored=inside,
            size_bytes=asked.file.stat().st_size,
            stage=asked.stage,
            taken_at=photo.captured_at or asked.taken_at,
            ear=asked.ear,
        )
        import_photo(
            db,
            row,
            result=result,
            registry_sha256=registry.digest if registry is not None else "",
            who=asked.who,
            then=partial(open_cases, photos=[asked.sha256], who=asked.who),
        )
    keep_read(asked.out, result, fingerprint(photo.pixels))
    write_answer(asked.out, photo, result)
    return result.seconds


def check_chute_photo(asked: ChutePhoto) -> None:
    """Say what a photo shows of itself, unless that was said.

    Raises
    ------
    PhotoError
        If the file cannot be used as a photo.
    """
    if not (asked.out / CHECK_FILE).exists():
        write_check(asked.out, load_photo(asked.file, settings=asked.settings))


def write_check(out: Path, photo: Photo) -> None:
    """Write the photo as it is shown, and whether it looks good enough before it is read."""
    write_jpeg(
        out / "photo.jpg", shrink(photo.pixels, max_height_px=PREVIEW_PX, max_width_px=PREVIEW_PX)
    )
    flags = describe(check_capture(photo).flags)
    _write_json(out / CHECK_FILE, {"capture": _capture_words(flags)})


def write_answer(out: Path, photo: Photo, result: PhotoResult) -> None:
    """Write the pictures of a result and, last, the answer that names them."""
    hypothesis = result.reading.hypotheses[0] if result.reading.hypotheses else None
    if hypothesis is not None and result.text:
        write_jpeg(out / "mark.jpg", upright_mark(photo.pixels, hypothesis))
        for r, row in enumerate(hypothesis.rows):
            for c, cell in enumerate(row):
                picture = cell_picture(photo.pixels, cell, hypothesis)
                write_jpeg(out / f"cell-{r}-{c}.jpg", picture)
    _write_json(out / ANSWER_FILE, answer_record(photo, result))


def answer_record(photo: Photo, result: PhotoResult) -> dict[str, Any]:
    """What a person at the chute is told: the contract's fields, and the same in words."""
    record = result_record(result)
    flags = describe(result.flags)
    record.pop("photo")
    record["width_px"], record["height_px"] = photo.width_px, photo.height_px
    record["advice"] = advice(result)
    record["next_steps"] = list(next_steps(result, flags))
    settled = result.identification.decision is Decision.IDENTIFIED
    record["capture"] = _capture_words(flags, settled=settled)
    record["good_photo"] = not any(flag["bad"] for flag in record["capture"])
    record["has_mark"] = bool(result.reading.hypotheses and result.text)
    record["reason"] = result.identification.reason
    record["set_basis"] = result.identification.set_basis
    for row, cells in enumerate(record["rows"]):
        for column, cell in enumerate(cells):
            cell["certainty"] = percent(cell["probability"])
            shown = [word for word in cell["alternatives"].items() if word[0]][:2]
            cell["others"] = [[name, percent(value)] for name, value in shown]
            cell["picture"] = f"cell-{row}-{column}.jpg"
            cell.pop("quad")
    for candidate in record["candidates"]:
        candidate["chance"] = percent(candidate["probability"])
    record["confusable"] = [
        {
            "row": item.row + 1,
            "place": item.cell + 1,
            "character": item.character,
            "alternative": item.alternative,
            "chance": percent(item.alternative_probability),
            "animals": list(item.animal_ids),
        }
        for item in result.identification.confusables
        if item.animal_ids
    ]
    return record


def _capture_words(flags: Sequence[FlagInfo], *, settled: bool = False) -> list[dict[str, Any]]:
    """What is wrong with a photo; of one that settles the identity none other is asked for."""
    return [
        {
            "name": flag.name,
            "sentence": flag.sentence,
            "remedy": flag.remedy,
            "bad": flag.prevents_reading and not settled,
        }
        for flag in flags
    ]


def _write_json(path: Path, record: dict[str, Any]) -> None:
    _write_whole(path, json.dumps(record, allow_nan=False).encode())


def _write_whole(path: Path, data: bytes) -> None:
    """Write a file that is there whole or not at all, also when two processes write it at once."""
    waiting = path.with_name(f"{path.name}.{os.getpid()}.tmp")
    waiting.write_bytes(data)
    waiting.replace(path)


def cell_picture(pixels: ColorImage, cell: CellReading, hypothesis: Hypothesis) -> ColorImage:
    """One cell cut out upright, as the hypothesis has it, with a small margin.

    Returns
    -------
    ndarray of uint8, (``CELL_HEIGHT_PX``, width, 3), RGB
    """
    import cv2

    q = np.asarray(cell.quad, dtype=np.float64)
    middle = q.mean(axis=0)
    right = ((q[1] + q[2]) - (q[0] + q[3])) / 2
    down = ((q[3] + q[2]) - (q[0] + q[1])) / 2
    height = max(float(np.linalg.norm(down)), 2.0)
    width = float(np.clip(np.linalg.norm(right), 0.4 * height, 2.0 * height))
    along, across = right / max(float(np.linalg.norm(right)), 1e-9), down / height
    tall, wide = height * (1 + 2 * CELL_MARGIN), width + 2 * CELL_MARGIN * height
    scale = CELL_HEIGHT_PX / tall
    out_width = max(8, round(wide * scale))
    matrix = np.stack([along / scale, across / scale], axis=1)
    corner = middle - matrix @ np.array([(out_width - 1) / 2, (CELL_HEIGHT_PX - 1) / 2])
    smoothed = cv2.GaussianBlur(pixels, (0, 0), 0.4 / scale) if scale < 0.8 else pixels
    return np.asarray(
        cv2.warpAffine(
            smoothed,
            np.concatenate([matrix, corner[:, None]], axis=1),
            (out_width, CELL_HEIGHT_PX),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(128, 128, 128),
        ),
        dtype=np.uint8,
    )


def now_local() -> str:
    """The time as photos and scans carry it: local, without zone."""
    return datetime.now().isoformat(timespec="seconds")


def write_jpeg(path: Path, pixels: ColorImage) -> None:
    """Write (height, width, 3) uint8 RGB pixels as a JPEG."""
    import cv2

    done, data = cv2.imencode(
        ".jpg", np.ascontiguousarray(pixels[:, :, ::-1]), [cv2.IMWRITE_JPEG_QUALITY, QUALITY]
    )
    if done:
        _write_whole(path, data.tobytes())
