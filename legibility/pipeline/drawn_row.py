"""A row that a person drew: two points say where the reader has to look."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, Mask
from legibility.locate.rows import Row, row_through
from legibility.pipeline.poses import EVIDENCE_WEIGHT, MIRRORED_PRIOR
from legibility.pipeline.second_row import with_second_row
from legibility.pipeline.seen_rows import (
    PRESENT,
    Picture,
    SeenRow,
    place_evidence,
    strip_to_photo,
    view_rows,
)
from legibility.pipeline.sighting import Sighting, posed_rows
from legibility.probability import normalise_log
from legibility.read.network import N_POSES

Drawn: TypeAlias = tuple[tuple[float, float], tuple[float, float]]
"""Start and end in photo pixels, along the characters, from the first to the last."""

LENGTHS_IN_HEIGHTS: Final = (0.9, 1.4, 2.0, 2.8, 3.8, 5.0, 6.5)
"""Choice: drawn lengths in character heights that are tried: two to eight characters."""
AS_DRAWN: Final = 0.9
"""Choice: probability that the line was drawn in the reading direction, as the page asks."""
SHORTEST_PX: Final = 8.0
"""Choice: a shorter line has no direction."""


def sight_along(pixels: ColorImage, drawn: Drawn, *, not_seen: Mask | None = None) -> Sighting:
    """The mark along a drawn line, upright in its most probable pose.

    The size of the characters is not known from two points: several are looked at, the one in
    which the reader finds most is laid again through the characters found.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB
    drawn : two points in photo pixels
    not_seen : mask over the photo at any scale, True under glare or hair

    Raises
    ------
    ValueError
        If the points are closer than ``SHORTEST_PX``.
    """
    (x0, y0), (x1, y1) = drawn
    length = math.hypot(x1 - x0, y1 - y0)
    if length < SHORTEST_PX:
        raise ValueError(f"the line is {length:.0f} pixels long; expected {SHORTEST_PX:g} or more")
    angle = math.degrees(math.atan2(y0 - y1, x1 - x0))
    rows = tuple(
        _row([(x0, y0), (x1, y1)], [length / times] * 2, angle) for times in LENGTHS_IN_HEIGHTS
    )
    picture = Picture(pixels, not_seen)
    tried = view_rows(picture, rows)
    uniform = np.log(np.full(N_POSES, 1 / N_POSES))
    best: tuple[SeenRow, NDArray[np.float64]] | None = None
    for seen in sorted(tried, key=_evidence, reverse=True)[:2]:
        found = _best_pose(picture, _laid_again(picture, seen))
        if best is None or _evidence(found[0]) > _evidence(best[0]):
            best = found
    strips = tuple(seen.strip for seen in tried)
    if best is None or not best[0].view.places:
        return Sighting((), uniform, 0.0, (), strips, False)
    row, pose = best
    rows_found = with_second_row(picture, row)
    return Sighting(rows_found, pose, sum(map(_evidence, rows_found)), (), strips, False)


def _row(points: Sequence[tuple[float, float]], heights: Sequence[float], angle: float) -> Row:
    return row_through(points, heights, angle_deg=angle, mirrored=False, score=0.0)


def _evidence(seen: SeenRow) -> float:
    return place_evidence(seen.view.places)


def _laid_again(picture: Picture, seen: SeenRow) -> SeenRow:
    places = [place for place in seen.view.places if place.presence >= PRESENT]
    if not places:
        return seen
    scale = float(np.linalg.norm(seen.strip.to_photo[:2, 1]))
    row = _row(
        [strip_to_photo(seen.strip, p.box.x_center, p.box.y_center) for p in places],
        [p.box.height_px * scale for p in places],
        seen.row.angle_deg,
    )
    return max((*view_rows(picture, (row,)), seen), key=_evidence)


def _best_pose(picture: Picture, seen: SeenRow) -> tuple[SeenRow, NDArray[np.float64]]:
    """The row in its most probable pose, and the log-probability of each pose from there."""
    start = Sighting((seen,), np.zeros(N_POSES), 0.0, (), (), False)
    rows = tuple(posed_rows(start, pose)[0] for pose in range(N_POSES))
    views = view_rows(picture, rows)
    votes = [
        np.mean([views[j].view.pose_logp[k ^ j] for j in range(N_POSES)]) for k in range(N_POSES)
    ]
    evidence = np.array([_evidence(view) for view in views])
    logp = normalise_log(np.array(votes) + EVIDENCE_WEIGHT * evidence + _prior())
    best = int(np.argmax(logp))
    return views[best], logp[np.arange(N_POSES) ^ best]


def _prior() -> NDArray[np.float64]:
    """(4,) upright and turned-and-mirrored are read in the direction that was drawn."""
    as_drawn = np.array([AS_DRAWN, 1 - AS_DRAWN, 1 - AS_DRAWN, AS_DRAWN])
    mirrored = np.array([False, False, True, True])
    handedness = np.where(mirrored, MIRRORED_PRIOR, 1 - MIRRORED_PRIOR)
    return np.asarray(np.log(as_drawn) + np.log(handedness))
