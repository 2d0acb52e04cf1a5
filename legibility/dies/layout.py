"""Where the needles of a die stand: a few points that keep a character recognisable.

Line ends come first, then sharp corners and junctions; what is left goes, one needle at a time,
into the widest gap, so that closed loops fill evenly. Needles never stand closer than
``MIN_DISTANCE``. (Die makers' rules are not published; the order is a choice, no source.)
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.dies.strokes import Points

MIN_DISTANCE: Final = 0.09
"""Choice: smallest distance between needles in glyph heights (about 0.85 mm on a 9.5 mm die)."""
CORNER_DEG: Final = 50.0
"""Choice: a line that turns by more than this within twice ``CORNER_REACH`` has a corner."""
CORNER_REACH: Final = 0.10
"""Choice: arc length on either side of a corner over which its direction is measured, heights."""
SLACK: Final = 1
"""Choice: needles more or fewer than asked for that are accepted for a more even spacing."""
_SAME: Final = 0.02
_MOST_EXTRA: Final = 4
_Line = NDArray[np.float64]


def needle_layout(
    strokes: Sequence[Points], *, needles: int, jitter: float, rng: np.random.Generator
) -> Points:
    """Needle positions of one character.

    Parameters
    ----------
    strokes
        Lines of the glyph in the unit box, each (n, 2); they meet at their ends only. Lines of one
        point are needles already (dot matrices) and are thinned when there are too many.
    needles
        Wanted number, 5..22; the result is within 2 of it, except that a dot matrix never gets
        more needles than it has dots, and a short glyph no more than fit.
    jitter
        Standard deviation of each coordinate, in glyph heights; 0 for the drawn places.
    rng
        Source of the jitter and, when there is jitter, of the phase of closed loops.

    Returns
    -------
    (n, 2) float32
        x, y in the unit box (jitter may leave it by a little).

    Raises
    ------
    ValueError
        If there are no lines or ``needles`` is less than 1.
    """
    if not strokes or needles < 1:
        raise ValueError(f"{len(strokes)} lines and {needles} needles; expected at least one each")
    lines = [np.asarray(line, dtype=np.float64) for line in strokes]
    dots = [line[0] for line in lines if len(line) == 1]
    curves = [line for line in lines if len(line) > 1]
    if not curves:
        placed = _thin(np.array(dots), needles)
    else:
        shift = float(rng.random()) if jitter > 0 else 0.0
        placed = _along(curves, np.array(dots).reshape(-1, 2), needles, shift)
    if jitter > 0:
        placed = _shake(placed, jitter, rng)
    return placed.astype(np.float32)


def _along(curves: list[_Line], dots: _Line, needles: int, shift: float) -> _Line:
    """Needles along lines; where some fall too near another line's, ask for a few more."""
    key_points = _key_points(curves, shift)
    placed = _spread(*key_points, dots, needles)
    for more in range(1, _MOST_EXTRA + 1):
        if len(placed) >= needles - SLACK:
            break
        again = _spread(*key_points, dots, needles + more)
        if len(again) > len(placed):
            placed = again
    return placed


def _spread(
    keys: _Line, rank: NDArray[np.int_], pieces: list[_Line], dots: _Line, needles: int
) -> _Line:
    total = sum(float(_lengths(piece)[-1]) for piece in pieces)
    apart = max(MIN_DISTANCE, 0.55 * total / max(needles, 1))
    kept = _choose(keys, rank, apart, max(needles - len(dots), 1))
    fixed = np.vstack([dots, keys[kept]])
    spans = [float(_lengths(piece)[-1]) for piece in pieces]
    counts = [0] * len(pieces)
    options: list[tuple[float, list[int]]] = []
    for number in range(len(fixed), needles + SLACK + 1):
        gaps = [span / (count + 1) for span, count in zip(spans, counts, strict=True)]
        if number >= needles - SLACK:
            unevenness = max(gaps) * number + 0.02 * total * abs(number - needles)
            options.append((unevenness, list(counts)))
        widest = int(np.argmax(gaps))
        if spans[widest] / (counts[widest] + 2) < MIN_DISTANCE:
            break
        counts[widest] += 1
    best = min(options, key=lambda option: option[0])[1] if options else counts
    inner = [
        _at(piece, np.arange(1, count + 1) / (count + 1))
        for piece, count in zip(pieces, best, strict=True)
        if count
    ]
    return _apart(np.vstack([fixed, *inner]))


def _key_points(curves: list[_Line], shift: float) -> tuple[_Line, NDArray[np.int_], list[_Line]]:
    """Ends (rank 0), corners and junctions (1), starts of smooth loops (2); lines cut at them."""
    pieces: list[_Line] = []
    corners: list[_Line] = []
    loops: list[_Line] = []
    ends: list[_Line] = []
    for curve in curves:
        closed = bool(np.hypot(*(curve[0] - curve[-1])) < _SAME)
        at = _corners(curve, closed)
        alone = closed and not any(
            np.hypot(*(other[[0, -1]] - curve[0]).T).min() < _SAME
            for other in curves
            if other is not curve
        )
        if alone:
            length = float(_lengths(curve)[-1])
            start = at[0] if len(at) else shift * 0.5 * length / 6
            curve, at = _rotated(curve, start), (at - start) % length
            at = at[(at > 1e-6) & (at < length - 1e-6)]
            (corners if len(_corners(curve, True)) else loops).append(curve[0])
        else:
            ends.extend((curve[0], curve[-1]))
        for piece in _cut(curve, at):
            pieces.append(piece)
            corners.append(piece[-1])
        corners.pop()
    places = np.array([*ends, *corners, *loops]).reshape(-1, 2)
    kind = np.array([0] * len(ends) + [1] * len(corners) + [2] * len(loops))
    first: list[int] = []
    rank: list[int] = []
    for index, place in enumerate(places):
        same = np.flatnonzero(np.hypot(*(places - place).T) < _SAME)
        if same[0] == index:
            first.append(index)
            rank.append(1 if kind[index] == 0 and len(same) > 1 else int(kind[index]))
    return places[first], np.array(rank), pieces


def _corners(curve: _Line, closed: bool) -> NDArray[np.float64]:
    """Arc lengths of the sharp corners of a line."""
    along = _lengths(curve)
    length = float(along[-1])
    reach = min(CORNER_REACH, length / 4)
    at = along[:-1] if closed else along[1:-1]
    if not len(at):
        return np.zeros(0)
    if closed:
        before, after = _at_arc(curve, (at - reach) % length), _at_arc(curve, (at + reach) % length)
    else:
        before = _at_arc(curve, np.maximum(at - reach, 0))
        after = _at_arc(curve, np.minimum(at + reach, length))
    here = _at_arc(curve, at)
    u, v = here - before, after - here
    turn = np.degrees(np.abs(np.arctan2(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0], (u * v).sum(1))))
    chosen: list[float] = []
    for index in np.argsort(-turn, kind="stable"):
        if turn[index] <= CORNER_DEG:
            break
        apart = [abs(at[index] - other) for other in chosen]
        if closed:
            apart = [min(gap, length - gap) for gap in apart]
        if all(gap > 1.2 * reach for gap in apart):
            chosen.append(float(at[index]))
    return np.array(sorted(chosen))


def _choose(keys: _Line, rank: NDArray[np.int_], apart: float, most: int) -> NDArray[np.int_]:
    """Key points to keep: by rank, far from those kept already, no more than ``most``."""
    kept: list[int] = []
    left = list(range(len(keys)))
    while left and len(kept) < most:
        if kept:
            near = [float(np.hypot(*(keys[kept] - keys[index]).T).min()) for index in left]
        else:
            near = [float(keys[index, 1] + 0.1 * keys[index, 0]) for index in left]
        usable = [
            (rank[index], -gap, index)
            for index, gap in zip(left, near, strict=True)
            if gap >= apart or not kept
        ]
        if not usable:
            break
        index = min(usable)[2]
        kept.append(index)
        left.remove(index)
    return np.array(sorted(kept), dtype=np.int_)


def _thin(dots: _Line, needles: int) -> _Line:
    """Keep the ends and corners of a dot matrix, then always the dot farthest from those kept."""
    if len(dots) <= needles:
        return dots
    distance = np.hypot(*(dots[:, None] - dots[None]).transpose(2, 0, 1))
    pitch = float(distance[distance > 0].min())
    rank = np.full(len(dots), 2)
    for index in range(len(dots)):
        near = np.flatnonzero((distance[index] > 0) & (distance[index] < 1.5 * pitch))
        straight = any(
            float(np.abs(dots[i] + dots[j] - 2 * dots[index]).max()) < 0.1 * pitch
            for i in near
            for j in near
            if i < j
        )
        if len(near) <= 1:
            rank[index] = 0
        elif not straight:
            rank[index] = 1
    key = np.flatnonzero(rank < 2)
    apart = 0.5 * pitch * len(dots) / needles + 0.5 * pitch
    kept = key[_choose(dots[key], rank[key], apart, needles)].tolist() if len(key) else [0]
    while len(kept) < needles:
        kept.append(int(np.argmax(distance[kept].min(axis=0))))
    return dots[sorted(kept)]


def _shake(placed: _Line, jitter: float, rng: np.random.Generator) -> _Line:
    """Move each needle a little, except where that would bring two too near."""
    moved = placed.copy()
    for index, offset in enumerate(rng.normal(0.0, jitter, placed.shape)):
        there = placed[index] + offset
        gaps = np.hypot(*(moved - there).T)
        gaps[index] = np.inf
        if gaps.min() >= MIN_DISTANCE:
            moved[index] = there
    return moved


def _apart(points: _Line) -> _Line:
    kept: list[int] = []
    for index, point in enumerate(points):
        if not kept or np.hypot(*(points[kept] - point).T).min() >= MIN_DISTANCE - 1e-9:
            kept.append(index)
    return points[kept]


def _lengths(curve: _Line) -> NDArray[np.float64]:
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])


def _at_arc(curve: _Line, arc: NDArray[np.float64]) -> _Line:
    along = _lengths(curve)
    return np.stack([np.interp(arc, along, curve[:, axis]) for axis in (0, 1)], axis=1)


def _at(curve: _Line, share: NDArray[np.float64]) -> _Line:
    return _at_arc(curve, share * _lengths(curve)[-1])


def _cut(curve: _Line, at: NDArray[np.float64]) -> list[_Line]:
    along = _lengths(curve)
    marks = [0.0, *at.tolist(), float(along[-1])]
    pieces = []
    for start, stop in itertools.pairwise(marks):
        inside = curve[(along > start + 1e-9) & (along < stop - 1e-9)]
        ends = _at_arc(curve, np.array([start, stop]))
        pieces.append(np.vstack([ends[:1], inside, ends[1:]]))
    return pieces


def _rotated(curve: _Line, start: float) -> _Line:
    along = _lengths(curve)
    length = along[-1]
    first = _at_arc(curve, np.array([start]))
    order = np.concatenate([curve[along > start + 1e-9], curve[1:][along[1:] < start - 1e-9]])
    return np.vstack([first, order, first]) if start > 0 and length > 0 else curve
