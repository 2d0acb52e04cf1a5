"""Single-stroke lettering and dot matrices written as text, and Hershey's stroke files.

A stroke file has sections ``[name]`` or ``[name : base] width 0.7``; a line of a section is a
character and its lines, ``A 0,6 2,0 4,6; 1,4 3,4``. A point written ``~x,y`` is the control point
of a quadratic curve between its neighbours. A grid file has sections ``[name] 5`` (columns) with
one hexadecimal number a row of dots. ``#`` starts a comment.
"""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.dies.build import normalised
from legibility.dies.strokes import Glyph

CURVE_STEPS: Final = 6
"""Choice: straight pieces a quadratic curve is drawn with."""
TOUCH: Final = 0.02
"""Choice: lines nearer than this (in glyph heights) touch."""
_HEADER: Final = re.compile(r"\[(\w[\w-]*)(?:\s*:\s*([\w-]+))?\]\s*(?:width\s+)?([\d.]*)$")
_Line = NDArray[np.float64]


def stroke_glyphs(path: Path, name: str) -> tuple[Glyph, ...]:
    """Glyphs of one section of a stroke file.

    Raises
    ------
    ValueError
        If the section or a character is missing, or a point cannot be read.
    """
    sections = _sections(path)
    base, width, rows = sections[name]
    while base:
        rows = {**sections[base][2], **rows}
        base = sections[base][0]
    scale = np.array([float(width or 1), 1.0])
    glyphs = []
    for character in CHARACTERS:
        if character not in rows:
            raise ValueError(f"{path}: section {name} has no {character!r}")
        lines = [_curve(part) * scale for part in rows[character].split(";")]
        glyphs.append(normalised(cut_where_met(lines)))
    return tuple(glyphs)


def grid_glyphs(path: Path, name: str) -> tuple[Glyph, ...]:
    """Glyphs of one section of a grid file, a line of one point for each dot."""
    _, columns, rows = _sections(path)[name]
    glyphs = []
    for character in CHARACTERS:
        if character not in rows:
            raise ValueError(f"{path}: section {name} has no {character!r}")
        dots = [
            np.array([[column, row]], dtype=np.float64)
            for row, bits in enumerate(rows[character].split())
            for column in range(int(columns))
            if int(bits, 16) >> (int(columns) - 1 - column) & 1
        ]
        glyphs.append(normalised(dots))
    return tuple(glyphs)


def hershey_glyphs(path: Path) -> tuple[Glyph, ...]:
    """Glyphs of a Hershey stroke file (records in the order of ASCII from the space)."""
    records: list[str] = []
    for row in path.read_text("ascii").splitlines():
        if re.match(r"^[ \d]{5}[ \d]{3}", row) and (
            not records or len(records[-1]) >= 8 + 2 * int(records[-1][5:8])
        ):
            records.append(row)
        else:
            records[-1] += row
    glyphs = []
    for character in CHARACTERS:
        pairs = records[ord(character) - 32][10:]
        lines: list[_Line] = []
        for part in pairs.split(" R"):
            at = [(ord(part[i]) - 82, ord(part[i + 1]) - 82) for i in range(0, len(part) - 1, 2)]
            if len(at) > 1:
                lines.append(np.array(at, dtype=np.float64))
        glyphs.append(normalised(cut_where_met(lines)))
    return tuple(glyphs)


def cut_where_met(lines: list[_Line]) -> list[_Line]:
    """Cut lines where another line, or their own end, touches or crosses them."""
    height = float(np.ptp(np.concatenate(lines)[:, 1]))
    near = TOUCH * height
    out: list[_Line] = []
    for index, line in enumerate(lines):
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        cuts: list[float] = []
        for other_index, other in enumerate(lines):
            ends = other[[0, -1]]
            for place in ends:
                cuts.extend(_touching(line, along, place, near))
            if other_index != index:
                cuts.extend(_crossing(line, along, other))
        marks = [0.0]
        for cut in sorted(cuts):
            if cut - marks[-1] > 2 * near and along[-1] - cut > 2 * near:
                marks.append(cut)
        marks.append(float(along[-1]))
        for start, stop in itertools.pairwise(marks):
            inner = line[(along > start + near / 4) & (along < stop - near / 4)]
            ends = np.stack([np.interp([start, stop], along, line[:, k]) for k in (0, 1)], axis=1)
            out.append(np.vstack([ends[:1], inner, ends[1:]]))
    return out


def _touching(line: _Line, along: _Line, place: _Line, near: float) -> list[float]:
    start, step = line[:-1], np.diff(line, axis=0)
    squared = np.maximum((step**2).sum(1), 1e-12)
    share = np.clip(((place - start) * step).sum(1) / squared, 0, 1)
    gap = np.hypot(*(start + share[:, None] * step - place).T)
    return [float(along[k] + share[k] * np.sqrt(squared[k])) for k in np.flatnonzero(gap < near)]


def _crossing(line: _Line, along: _Line, other: _Line) -> list[float]:
    found = []
    for k in range(len(line) - 1):
        p, r = line[k], line[k + 1] - line[k]
        for q, q_next in itertools.pairwise(other):
            s = q_next - q
            cross = r[0] * s[1] - r[1] * s[0]
            if abs(cross) < 1e-9:
                continue
            w = q - p
            t = (w[0] * s[1] - w[1] * s[0]) / cross
            u = (w[0] * r[1] - w[1] * r[0]) / cross
            if 0 <= t <= 1 and 0 <= u <= 1:
                found.append(float(along[k] + t * (along[k + 1] - along[k])))
    return found


def _curve(text: str) -> _Line:
    points: list[tuple[bool, _Line]] = []
    for word in text.split():
        bent = word.startswith("~")
        points.append((bent, np.array([float(part) for part in word.lstrip("~").split(",")])))
    line = [points[0][1]]
    for index in range(1, len(points)):
        bent, place = points[index]
        if bent:
            first, last = line[-1], points[index + 1][1]
            for t in np.linspace(0, 1, CURVE_STEPS + 1)[1:-1]:
                line.append((1 - t) ** 2 * first + 2 * t * (1 - t) * place + t**2 * last)
        else:
            line.append(place)
    return np.array(line)


def _sections(path: Path) -> dict[str, tuple[str, str, dict[str, str]]]:
    sections: dict[str, tuple[str, str, dict[str, str]]] = {}
    name = ""
    for number, raw in enumerate(path.read_text("utf-8").splitlines(), start=1):
        row = raw.split("#")[0].strip()
        if not row:
            continue
        header = _HEADER.match(row)
        if header:
            name = header[1]
            sections[name] = (header[2] or "", header[3], {})
        elif name and row[0] in CHARACTERS and row[1:2] == " ":
            sections[name][2][row[0]] = row[2:]
        else:
            raise ValueError(f"{path}, line {number}: {row!r} is neither a section nor a character")
    return sections
