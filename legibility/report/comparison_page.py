"""A comparison of two claims as one HTML file, from its record."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from legibility.containers import ColorImage
from legibility.report.comparison_text import (
    cap_sentence,
    log10_text,
    ratio_text,
    weight_sentence,
)
from legibility.report.drawing import shrink
from legibility.report.page import Renderer, jpeg_address, png_bytes, render_page
from legibility.report.writing import write_text

PHOTO_PX: Final = 700
"""Choice: longest side of the photo on the page."""


def comparison_page(
    record: Mapping[str, Any],
    pictures: Sequence[tuple[ColorImage, Sequence[ColorImage]]],
    *,
    render: Renderer = render_page,
    **values: Any,
) -> str:
    """The page; it opens offline.

    Parameters
    ----------
    record : mapping
        As :func:`legibility.evidence.comparison_record.comparison_record` makes it.
    pictures : sequence of (photo, row pictures)
        One for each photo of the record.
    """
    shown = [
        {
            "photo": jpeg_address(shrink(photo, max_height_px=PHOTO_PX, max_width_px=PHOTO_PX)),
            "rows": [png_address(row) for row in rows],
        }
        for photo, rows in pictures
    ]
    curves = record["validity"]
    return render(
        "comparison.html",
        filters={"ratio": ratio_text, "log10": log10_text},
        record=record,
        pictures=shown,
        headline=_headline(record),
        weight=weight_sentence(record),
        cap=cap_sentence(record),
        tippett=tippett_lines(curves["tippett"]),
        entropy=entropy_lines(curves["cross_entropy"]),
        **values,
    )


def write_comparison_page(
    path: Path,
    record: Mapping[str, Any],
    pictures: Sequence[tuple[ColorImage, Sequence[ColorImage]]],
) -> None:
    """Write the page, whole or not at all.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_text(path, comparison_page(record, pictures))


def png_address(pixels: ColorImage) -> str:
    """A picture without loss as a ``data:`` address."""
    return "data:image/png;base64," + base64.b64encode(png_bytes(pixels)).decode("ascii")


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


def _headline(record: Mapping[str, Any]) -> str:
    first, second = (claim["name"] for claim in record["claims"])
    return f"{ratio_text(record['ratio'])} for A ({first}) against B ({second})"
