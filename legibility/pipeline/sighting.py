"""Which rows of the picture are the mark, and which way round: locate and read, taking turns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.containers import ColorImage, Mask, RowStrip, Spot
from legibility.locate.rectify import STRIP_WIDTH_PX, cut_strip
from legibility.locate.rows import Row, link_rows, row_through
from legibility.locate.spotter import find_spots
from legibility.probability import normalise_log
from legibility.read.network import N_POSES, Place, StripView, flip, view_strips

PRESENT: Final = 0.35
"""Choice: a place this likely to hold a character counts when rows are laid again."""
POSE_FLOOR: Final = 0.02
"""Choice: poses less probable than this are not looked at."""
SECOND_ROW_EVIDENCE: Final = 0.6
"""Choice: what a second row must show; about one clear character."""
SECOND_ROW_STEP: Final = 1.45
"""Choice: heights from the first row to a second one; the strip shows 1.1 to 1.8."""
PROBE_LENGTH: Final = 3.0
"""Choice: least length in heights that is searched for a second row."""
PAGE_ROWS: Final = 4
"""Choice: a mark has one or two rows; this many parallel ones are print."""
PAGE_ROW_SPOTS: Final = 3


@dataclass(frozen=True, slots=True)
class SeenRow:
    """One row of a mark as the reader saw it in the best pose."""

    row: Row
    strip: RowStrip
    view: StripView


@dataclass(frozen=True, slots=True)
class Sighting:
    """A mark candidate, upright in its most probable pose."""

    rows: tuple[SeenRow, ...]
    """From top to bottom; empty when nothing was found."""
    pose_logp: NDArray[np.float64]
    """(4,) log-probability of each pose relative to the rows as given."""
    evidence: float
    """Sum over places of presence times certainty, about the number of readable characters."""
    spots: tuple[Spot, ...]
    tried: tuple[RowStrip, ...]
    """Strips of all row candidates, for a person to see."""
    page_like: bool
    """The picture holds many parallel rows, as print does and no ear."""


def place_evidence(places: Sequence[Place]) -> float:
    """Presence times certainty (1 - relative entropy of the character), summed."""
    total = 0.0
    for place in places:
        entropy = -float((np.exp(place.logp) * place.logp).sum())
        total += place.presence * (1 - entropy / math.log(N_CHARACTERS))
    return total


def sight_mark(pixels: ColorImage, *, not_seen: Mask | None = None) -> Sighting:
    """Find the mark of a photo.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB
    not_seen : mask over the photo at any scale, True under glare or hair
    """
    spots = find_spots(pixels)
    rows = link_rows(spots)
    nothing = np.log(np.full(N_POSES, 1 / N_POSES))
    if not rows:
        return Sighting((), nothing, 0.0, spots, (), False)
    strips = [cut_strip(pixels, row, not_seen=not_seen) for row in rows]
    upright = _upright_rows(pixels, rows, strips, not_seen)
    leader = max(upright, key=lambda seen: place_evidence(seen.view.places))
    (first,) = _refined(pixels, (leader,), not_seen)
    turn = int(np.argmax(first.view.pose_logp))
    if turn != 0:
        # The row laid again looks better another way round: look at it that way.
        (first,) = view_rows(pixels, (_posed(first.row, turn),), not_seen)
    seen = _with_second_row(pixels, first, not_seen)
    pose = normalise_log(np.sum([row.view.pose_logp for row in seen], axis=0))
    evidence = sum(place_evidence(row.view.places) for row in seen)
    return Sighting(
        rows=seen,
        pose_logp=pose,
        evidence=evidence,
        spots=spots,
        tried=tuple(strips),
        page_like=_is_page(rows),
    )


def posed_rows(sighting: Sighting, pose: int) -> tuple[Row, ...]:
    """The sighted rows with a pose undone, from top to bottom."""
    rows = tuple(_posed(seen.row, pose) for seen in sighting.rows)
    return rows[::-1] if pose in (1, 3) else rows


def _posed(row: Row, pose: int) -> Row:
    """The row with a pose undone: 1 turns it, 2 mirrors it, 3 does both."""
    turned, mirrored = pose in (1, 3), pose in (2, 3)
    angle = math.remainder(row.angle_deg + (180.0 if turned else 0.0), 360.0)
    return replace(
        row,
        angle_deg=angle,
        mirrored=row.mirrored != mirrored,
        bend_per_px=-row.bend_per_px if turned else row.bend_per_px,
        spots=row.spots if pose in (0, 3) else row.spots[::-1],
    )


def _upright_rows(
    pixels: ColorImage, rows: Sequence[Row], strips: Sequence[RowStrip], not_seen: Mask | None
) -> list[SeenRow]:
    """Each row in its own most probable pose."""
    views = list(view_strips([strip.pixels for strip in strips]))
    poses = [int(np.argmax(view.pose_logp)) for view in views]
    again = [i for i, pose in enumerate(poses) if pose != 0]
    flipped = view_strips([flip(strips[i].pixels, poses[i]) for i in again])
    out = []
    turned = dict(zip(again, flipped, strict=True))
    for i, row in enumerate(rows):
        view = turned.get(i, views[i])
        seen = SeenRow(_posed(row, poses[i]), strips[i], view)
        if i in turned:
            seen = replace(seen, strip=cut_strip(pixels, seen.row, not_seen=not_seen))
        out.append(seen)
    return out


def _with_second_row(
    pixels: ColorImage, first: SeenRow, not_seen: Mask | None
) -> tuple[SeenRow, ...]:
    """The row and, where there is one, its neighbour above or below, from top to bottom."""
    angle = math.radians(first.row.angle_deg)
    up = np.array([-math.sin(angle), -math.cos(angle)])
    step = SECOND_ROW_STEP * first.row.height_px
    probes = tuple(
        replace(
            first.row,
            x=first.row.x + side * step * float(up[0]),
            y=first.row.y + side * step * float(up[1]),
            length_px=max(first.row.length_px, PROBE_LENGTH * first.row.height_px),
        )
        for side in (1.0, -1.0)
    )
    looked = view_rows(pixels, probes, not_seen)
    strengths = [place_evidence(seen.view.places) for seen in looked]
    side = int(np.argmax(strengths))
    if strengths[side] < SECOND_ROW_EVIDENCE:
        return (first,)
    (second,) = _refined(pixels, (looked[side],), not_seen)
    if place_evidence(second.view.places) < SECOND_ROW_EVIDENCE or not _apart(first, second):
        return (first,)
    return (second, first) if side == 0 else (first, second)


def _apart(first: SeenRow, second: SeenRow) -> bool:
    """Whether the second row, laid again, still lies beside the first and not upon it."""
    gap = math.hypot(first.row.x - second.row.x, first.row.y - second.row.y)
    return gap > 0.8 * min(first.row.height_px, second.row.height_px)


def strip_to_photo(strip: RowStrip, x: float, y: float) -> tuple[float, float]:
    """Photo coordinates of a strip point."""
    straight = y - strip.bend_per_px * (x - (STRIP_WIDTH_PX - 1) / 2) ** 2
    point = strip.to_photo @ np.array([x, straight, 1.0])
    return float(point[0] / point[2]), float(point[1] / point[2])


def _refined(
    pixels: ColorImage, rows: tuple[SeenRow, ...], not_seen: Mask | None
) -> tuple[SeenRow, ...]:
    """Rows laid again through the characters the reader found in them."""
    laid = []
    for seen in rows:
        strip = cut_strip(pixels, seen.row, not_seen=not_seen)
        places = [place for place in seen.view.places if place.presence >= PRESENT]
        if not places:
            laid.append(seen.row)
            continue
        scale = float(np.linalg.norm(strip.to_photo[:2, 1]))
        laid.append(
            row_through(
                [strip_to_photo(strip, p.box.x_center, p.box.y_center) for p in places],
                [p.box.height_px * scale for p in places],
                angle_deg=seen.row.angle_deg,
                mirrored=seen.row.mirrored,
                score=seen.row.score,
            )
        )
    return view_rows(pixels, tuple(laid), not_seen)


def view_rows(
    pixels: ColorImage, rows: tuple[Row, ...], not_seen: Mask | None
) -> tuple[SeenRow, ...]:
    """Rows cut out and read as they stand."""
    strips = [cut_strip(pixels, row, not_seen=not_seen) for row in rows]
    views = view_strips([strip.pixels for strip in strips])
    return tuple(
        SeenRow(row, strip, view) for row, strip, view in zip(rows, strips, views, strict=True)
    )


def _is_page(rows: Sequence[Row]) -> bool:
    """Whether many rows of print lie parallel."""
    long = [row for row in rows if len(row.spots) >= PAGE_ROW_SPOTS]
    if len(long) < PAGE_ROWS:
        return False
    first = long[0]
    parallel = [
        row
        for row in long
        if abs(math.remainder(row.angle_deg - first.angle_deg, 180.0)) < 12.0
        and 1 / 1.6 < row.height_px / first.height_px < 1.6
    ]
    return len(parallel) >= PAGE_ROWS
