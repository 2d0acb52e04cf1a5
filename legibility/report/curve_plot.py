"""Curves as SVG inside a page: no script, no other file, all words escaped."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import Final

WIDTH: Final = 760
HEIGHT: Final = 360
LEFT: Final = 74
BOTTOM: Final = 46
TOP: Final = 16
RIGHT: Final = 16
PERCENT: Final = tuple((tenth / 10, f"{10 * tenth} %") for tenth in range(0, 11, 2))
"""Labels of the upright axis of shares: height 0..1 and words."""

Points = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Line:
    """A curve; points that are not finite break it."""

    points: Points
    words: str
    style: str = "solid"
    """"solid", "dashed" or "step"."""


@dataclass(frozen=True, slots=True)
class Band:
    """An area between two curves."""

    low: Points
    high: Points
    words: str


@dataclass(frozen=True, slots=True)
class Bar:
    """A point with its interval."""

    x: float
    y: float
    low: float
    high: float
    words: str


def share_plot(
    *,
    lines: Sequence[Line] = (),
    bands: Sequence[Band] = (),
    bars: Sequence[Bar] = (),
    x_most: float,
    x_words: str,
    y_words: str,
    label: str,
    y_labels: Sequence[tuple[float, str]] = PERCENT,
) -> str:
    """A plot of shares 0..1 as an ``svg`` element.

    Parameters
    ----------
    x_most : float
        Right end of the axis; it begins at 0.
    label : str
        What it shows, for those who cannot see it.
    y_labels : sequence of (float, str)
        Height 0..1 on the upright axis, and what stands there.
    """
    x_most = max(x_most, 1e-9)

    def place(x: float, y: float) -> str:
        across = LEFT + (WIDTH - LEFT - RIGHT) * min(max(x / x_most, 0.0), 1.0)
        down = TOP + (HEIGHT - TOP - BOTTOM) * (1 - min(max(y, 0.0), 1.0))
        return f"{across:.1f},{down:.1f}"

    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" role="img" '
        f'aria-label="{escape(label)}" font-family="system-ui, sans-serif" font-size="13">'
    ]
    parts += _axes(place, x_most, x_words, y_words, y_labels)
    for band in bands:
        for run in _runs([(x, low, high) for (x, low), (_, high) in
                          zip(band.low, band.high, strict=True)]):  # fmt: skip
            edge = [place(x, high) for x, _, high in run]
            edge += [place(x, low) for x, low, _ in reversed(run)]
            parts.append(
                f'<polygon points="{" ".join(edge)}" fill="#0b5f8a" fill-opacity=".16">'
                f"<title>{escape(band.words)}</title></polygon>"
            )
    for line in lines:
        dash = ' stroke-dasharray="7 5"' if line.style == "dashed" else ""
        colour = "#b35900" if line.style == "step" else "#0b5f8a"
        for found in _runs([(x, y, y) for x, y in line.points]):
            points = [(x, y) for x, y, _ in found]
            if line.style == "step":
                points = _stairs(points)
            drawn = " ".join(place(x, y) for x, y in points)
            parts.append(
                f'<polyline points="{drawn}" fill="none" stroke="{colour}" stroke-width="2.2"'
                f"{dash}><title>{escape(line.words)}</title></polyline>"
            )
    for bar in bars:
        low, high = place(bar.x, bar.low).split(","), place(bar.x, bar.high).split(",")
        middle = place(bar.x, bar.y).split(",")
        parts.append(
            f'<g stroke="#1d2226" stroke-width="1.6"><title>{escape(bar.words)}</title>'
            f'<line x1="{low[0]}" y1="{low[1]}" x2="{high[0]}" y2="{high[1]}"/>'
            f'<circle cx="{middle[0]}" cy="{middle[1]}" r="4" fill="#1d2226"/></g>'
        )
    return "\n".join([*parts, "</svg>"])


def _axes(
    place: Callable[[float, float], str],
    x_most: float,
    x_words: str,
    y_words: str,
    y_labels: Sequence[tuple[float, str]],
) -> list[str]:
    parts = []
    for height, words in y_labels:
        y = float(place(0.0, height).split(",")[1])
        parts.append(
            f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}" stroke="#d5dade"/>'
            f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end" fill="#55606a">'
            f"{escape(words)}</text>"
        )
    step = next(size for size in (0.1, 0.2, 0.25, 0.5, 1, 2, 5, 10, 1e9) if x_most / size <= 12)
    for tick in range(math.floor(x_most / step + 1e-9) + 1):
        x = float(place(tick * step, 0.0).split(",")[0])
        parts.append(
            f'<text x="{x}" y="{HEIGHT - BOTTOM + 18}" text-anchor="middle" fill="#55606a">'
            f"{tick * step:g}</text>"
        )
    middle = (LEFT + WIDTH - RIGHT) / 2
    parts.append(
        f'<text x="{middle}" y="{HEIGHT - 8}" text-anchor="middle">{escape(x_words)}</text>'
        f'<text transform="translate(14 {(HEIGHT - BOTTOM + TOP) / 2}) rotate(-90)" '
        f'text-anchor="middle">{escape(y_words)}</text>'
    )
    return parts


def _runs(points: Sequence[tuple[float, float, float]]) -> list[list[tuple[float, float, float]]]:
    """Stretches without gaps."""
    runs: list[list[tuple[float, float, float]]] = [[]]
    for point in points:
        if all(map(math.isfinite, point)):
            runs[-1].append(point)
        elif runs[-1]:
            runs.append([])
    return [run for run in runs if len(run) > 1]


def _stairs(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Level until the next point."""
    out = [points[0]]
    for (_, before), (x, y) in pairwise(points):
        out += [(x, before), (x, y)]
    return out
