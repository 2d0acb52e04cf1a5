"""Rows of characters: spots that share a line, a size and a direction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from legibility.containers import Spot

NEIGHBOUR_GAP: Final = 2.6
"""Choice: farthest next character in heights: one lost character between two found ones."""
NEIGHBOUR_ACROSS: Final = 0.42
"""Choice: offset from the line in heights (bent rows, loose dies)."""
HEIGHT_RATIO: Final = 1.5
"""Choice: sizes within one row."""
WIDE_PRICE: Final = 0.15
"""Choice: price per spot and height of a mean distance above ``USUAL_PITCH``: of the lines that
can be laid through two rows, the rows themselves have the closest characters."""
USUAL_PITCH: Final = 0.9
"""Choice: distance of neighbouring characters in heights."""
MOST_ROWS: Final = 9
"""Choice: row candidates handed on. The reader looks at the first ones; print is told by many."""
AXIS_PRICE: Final = 0.6
"""Choice: price of a spot that is sure to stand across the line: about what it adds."""
SEED_SCORE: Final = 0.3
"""Choice: a row needs one spot at least this sure."""
SAME_ROW: Final = 0.6
"""Choice: of two rows that share more than this part of the smaller one's spots, one is kept."""
ACROSS_DEG: Final = 45.0
"""Choice: a character is nearer to standing across a row than along it."""
MOST_SEEDS: Final = 24
"""Choice: spots that rows are grown from."""


@dataclass(frozen=True, slots=True)
class Row:
    """A line of spots in photo pixels."""

    spots: tuple[Spot, ...]
    """In order along the reading direction."""
    x: float
    y: float
    """Middle of the row."""
    height_px: float
    length_px: float
    """From the first to the last spot's centre."""
    angle_deg: float
    """Of the up direction, counter-clockwise from the picture's up, -180..180; which of the two
    ends of the axis is up is the reader's to find."""
    mirrored: bool
    bend_per_px: float
    """Curvature: offset along the up direction is ``bend_per_px`` times the squared distance from
    the middle."""
    score: float
    """Sum of the spots' scores, less a price for characters that stand far apart."""


def link_rows(spots: tuple[Spot, ...]) -> tuple[Row, ...]:
    """Row candidates, best first; rows that cross may share a spot."""
    grown: dict[frozenset[int], float] = {}
    for seed in range(min(len(spots), MOST_SEEDS)):
        if spots[seed].score < SEED_SCORE:
            break
        for axis in _axes(spots, seed):
            members = frozenset(_along(spots, seed, axis))
            grown[members] = max(grown.get(members, 0.0), _agreement(spots, members, axis))
    kept: list[tuple[frozenset[int], Row]] = []
    for members in sorted(grown, key=lambda m: (-grown[m], sorted(m))):
        if len(kept) == MOST_ROWS:
            break
        row = _fit([spots[i] for i in sorted(members)], grown[members], mirrored=False)
        if not any(_same_row(members, row, *other) for other in kept):
            kept.append((members, row))
    return tuple(row for _, row in kept)


def _same_row(members: frozenset[int], row: Row, others: frozenset[int], other: Row) -> bool:
    """Whether a row says nothing that another one does not say.

    A character alone that stands across the row it is in may be a row of its own: a mark of one
    character over another.
    """
    across = abs(math.remainder(row.angle_deg - other.angle_deg, 180.0)) > ACROSS_DEG
    return not (len(members) == 1 and across) and len(members & others) > SAME_ROW * len(members)


def _axes(spots: tuple[Spot, ...], seed: int) -> list[float]:
    """Directions in radians a row through the seed may have: its own and to each neighbour."""
    first = spots[seed]
    axes = [math.radians(-first.angle_deg)]
    for second in spots:
        distance = math.hypot(second.x - first.x, second.y - first.y)
        if not 0.35 * first.height_px < distance < NEIGHBOUR_GAP * first.height_px:
            continue
        axes.append(math.atan2(second.y - first.y, second.x - first.x))
    return axes


def _agreement(spots: tuple[Spot, ...], members: frozenset[int], axis: float) -> float:
    """Sum of scores, less a price for characters that stand far apart or across the line."""
    chosen = [spots[i] for i in sorted(members)]
    total = sum(spot.score for spot in chosen)
    for spot in chosen:
        off = math.sin(axis + math.radians(spot.angle_deg)) ** 2
        total -= AXIS_PRICE * spot.score * spot.axis_certainty * off
    if len(chosen) < 2:
        return total
    along = sorted(spot.x * math.cos(axis) + spot.y * math.sin(axis) for spot in chosen)
    height = sum(spot.height_px for spot in chosen) / len(chosen)
    pitch = (along[-1] - along[0]) / (len(chosen) - 1) / height
    return total - WIDE_PRICE * len(chosen) * max(0.0, pitch - USUAL_PITCH)


def axis_offence(row: Row) -> float:
    """How far the characters stand across their row by the spotter's own axes, 0..1.

    Mean squared sine between each spot's axis and the row's, weighted with the spot's score; an
    axis that the spotter is not certain of counts less.
    """
    weight = sum(spot.score for spot in row.spots)
    across = sum(
        spot.score
        * spot.axis_certainty
        * math.sin(math.radians(spot.angle_deg - row.angle_deg)) ** 2
        for spot in row.spots
    )
    return across / weight if weight else 0.0


def _along(spots: tuple[Spot, ...], seed: int, axis: float) -> set[int]:
    members = {seed}
    for direction in (1.0, -1.0):
        here, heading = spots[seed], axis
        while True:
            best, best_cost = -1, math.inf
            for i, spot in enumerate(spots):
                if i in members:
                    continue
                dx, dy = spot.x - here.x, spot.y - here.y
                size = (spot.height_px + here.height_px) / 2
                along = direction * (dx * math.cos(heading) + dy * math.sin(heading)) / size
                across = abs(dy * math.cos(heading) - dx * math.sin(heading)) / size
                ratio = spot.height_px / here.height_px
                if (
                    0.35 < along < NEIGHBOUR_GAP
                    and across < NEIGHBOUR_ACROSS * max(1.0, along * 0.8)
                    and 1 / HEIGHT_RATIO < ratio < HEIGHT_RATIO
                ):
                    cost = along + 2 * across - 0.5 * spot.score
                    if cost < best_cost:
                        best, best_cost = i, cost
            if best < 0:
                break
            step = math.atan2(
                direction * (spots[best].y - here.y), direction * (spots[best].x - here.x)
            )
            # Follow a bend, but do not let one loose die turn the row.
            turn = math.remainder(step - heading, math.pi)
            heading += 0.4 * turn
            here = spots[best]
            members.add(best)
    return members


def _fit(spots: list[Spot], score: float, *, up_deg: float | None = None, mirrored: bool) -> Row:
    """Line, direction and bend of a row of spots; upright in the picture unless told."""
    weight = np.array([spot.score for spot in spots])
    xy = np.array([(spot.x, spot.y) for spot in spots])
    heights = np.array([spot.height_px for spot in spots])
    height = float(np.exp(np.average(np.log(heights), weights=weight)))
    sure = weight * [spot.axis_certainty for spot in spots]
    twice = np.radians([2 * spot.angle_deg for spot in spots])
    axis = math.atan2(float(sure @ np.sin(twice)), float(sure @ np.cos(twice))) / 2
    angle = axis if up_deg is None else math.radians(up_deg)
    up = np.array([-math.sin(angle), -math.cos(angle)])
    middle = np.average(xy, axis=0, weights=weight)
    if len(spots) > 1:
        _, _, axes = np.linalg.svd((xy - middle) * np.sqrt(weight)[:, None], full_matrices=False)
        across = np.array([axes[0][1], -axes[0][0]])
        towards = up if up_deg is not None else np.array([0.0, -1.0])
        up = across if across @ towards >= 0 else -across
    up = up / (np.linalg.norm(up) + 1e-9)
    right = np.array([-up[1], up[0]]) * (-1.0 if mirrored else 1.0)
    s = (xy - middle) @ right
    order = np.argsort(s)
    ends = (s[order[0]] + s[order[-1]]) / 2
    centre = middle + right * ends
    bend = 0.0
    if len(spots) >= 4:
        offset = (xy - centre) @ up
        t = s - ends
        curve = np.polyfit(t, offset, 2, w=np.sqrt(weight))
        bend = float(np.clip(curve[0], -0.03 / height, 0.03 / height))
        centre = centre + up * float(np.average(offset - bend * t**2, weights=weight))
    else:
        centre = centre + up * float(np.average((xy - centre) @ up, weights=weight))
    return Row(
        spots=tuple(spots[i] for i in order),
        x=float(centre[0]),
        y=float(centre[1]),
        height_px=height,
        length_px=float(s[order[-1]] - s[order[0]]),
        angle_deg=math.degrees(math.atan2(-up[0], -up[1])),
        mirrored=mirrored,
        bend_per_px=bend,
        score=score,
    )


def row_through(
    points: Sequence[tuple[float, float]],
    heights_px: Sequence[float],
    *,
    angle_deg: float,
    mirrored: bool,
    score: float,
) -> Row:
    """A row laid again through characters the reader found.

    Parameters
    ----------
    points, heights_px : centres in photo pixels in reading order, and sizes
    angle_deg, mirrored : how the characters stand
    """
    spots = [
        Spot(x=x, y=y, height_px=h, angle_deg=angle_deg, axis_certainty=1.0, score=1.0)
        for (x, y), h in zip(points, heights_px, strict=True)
    ]
    return _fit(spots, score, up_deg=angle_deg, mirrored=mirrored)
