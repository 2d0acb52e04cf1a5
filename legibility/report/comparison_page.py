"""A comparison of two claims as one HTML file, from its record."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from legibility.containers import ColorImage
from legibility.report.comparison_text import (
    cap_sentence,
    interval_text,
    log10_text,
    ratio_text,
    reader_name,
    sum_sentence,
    weight_sentence,
)
from legibility.report.drawing import shrink
from legibility.report.page import Renderer, jpeg_address, png_bytes, render_page
from legibility.report.steps import custody_comment, custody_texts
from legibility.report.writing import write_bytes

PHOTO_PX: Final = 700
"""Choice: longest side of the photo on the page."""


@dataclass(frozen=True, slots=True)
class PhotoPictures:
    """Pictures of one photo, and what was done to the original for them."""

    pixels: ColorImage
    rows: Sequence[ColorImage]
    steps: Sequence[str]
    row_steps: Sequence[str]


def comparison_page(
    record: Mapping[str, Any],
    pictures: Sequence[PhotoPictures],
    *,
    render: Renderer = render_page,
    **values: Any,
) -> str:
    """The page; it opens offline. Its pictures hold their original's digest and their steps.

    Parameters
    ----------
    record : mapping
        As :func:`legibility.evidence.comparison_record.comparison_record` makes it.
    pictures : sequence of PhotoPictures
        One for each photo of the record.
    """
    shown = [
        _shown(photo["sha256"], own) for photo, own in zip(record["photos"], pictures, strict=True)
    ]
    curves = record["validity"]
    return render(
        "comparison.html",
        filters={
            "ratio": ratio_text,
            "log10": log10_text,
            "reader": reader_name,
            "interval": interval_text,
        },
        record=record,
        pictures=shown,
        headline=_headline(record),
        weight=weight_sentence(record),
        cap=f"{sum_sentence(record)} {cap_sentence(record)}",
        tippett=tippett_lines(curves["tippett"]),
        entropy=entropy_lines(curves["cross_entropy"]),
        **values,
    )


def write_comparison_page(
    path: Path, record: Mapping[str, Any], pictures: Sequence[PhotoPictures]
) -> str:
    """Write the page, whole or not at all; gives its SHA-256.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    data = comparison_page(record, pictures).encode("utf-8", errors="backslashreplace")
    write_bytes(path, data)
    return hashlib.sha256(data).hexdigest()


def png_address(pixels: ColorImage, *, texts: Mapping[str, str]) -> str:
    """A picture without loss, with texts, as a ``data:`` address."""
    data = png_bytes(pixels, texts=texts)
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")


def tippett_lines(curve: Mapping[str, Sequence[float]]) -> dict[str, Any]:
    """Points of a Tippett plot as steps, with the range of its axis."""
    at = curve["log10_ratio"]
    low, high = min(*at, -1.0), max(*at, 1.0)

    def steps(shares: Sequence[float]) -> list[tuple[float, float]]:
        points = [(low, 1.0)]
        for x, share in zip(at, shares, strict=True):
            points += [(x, points[-1][1]), (x, share)]
        # Beyond the largest ratio there is none.
        return [*points, (at[-1], 0.0), (high, 0.0)]

    return {
        "low": low,
        "high": high,
        "same": steps(curve["same"]),
        "other": steps(curve["other"]),
    }


def entropy_lines(curve: Mapping[str, Sequence[float]]) -> dict[str, Any]:
    """Points of the cross-entropy plot, cut at one bit, with the range of its axis."""
    at = curve["log10_prior_odds"]
    lines = {
        name: [(x, min(y, 1.0)) for x, y in zip(at, curve[name], strict=True)]
        for name in ("ratios", "recalibrated", "silent")
    }
    return {"low": min(at), "high": max(at), **lines}


def _shown(sha256: str, pictures: PhotoPictures) -> dict[str, Any]:
    """Addresses of one photo's pictures."""
    small = shrink(pictures.pixels, max_height_px=PHOTO_PX, max_width_px=PHOTO_PX)
    reduced = f"reduced to {small.shape[1]} x {small.shape[0]} pixels"
    steps = [*pictures.steps, *([reduced] if small.shape != pictures.pixels.shape else [])]
    texts = custody_texts(sha256, pictures.row_steps)
    return {
        "photo": jpeg_address(small, comment=custody_comment(sha256, steps)),
        "steps": steps,
        "rows": [png_address(row, texts=texts) for row in pictures.rows],
        "row_steps": list(pictures.row_steps),
    }


def _headline(record: Mapping[str, Any]) -> str:
    first, second = (claim["name"] for claim in record["claims"])
    return f"{ratio_text(record['ratio'])} for A ({first}) against B ({second})"
