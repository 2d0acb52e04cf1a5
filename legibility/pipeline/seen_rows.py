"""Row strips of a photo as the reader sees them, laid again and turned."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.containers import ColorImage, Mask, RowStrip
from legibility.locate.rectify import STRIP_WIDTH_PX, cut_strip, halved
from legibility.locate.rows import Row, row_through
from legibility.networks import redness
from legibility.read.network import Place, StripView, view_strips

TURNED: Final = (1, 3)
MIRRORED: Final = (2, 3)
"""Poses that turn a row by 180 degrees, and that mirror it."""
_Item = TypeVar("_Item")
PRESENT: Final = 0.35
"""Choice: a place this likely to hold a character counts when rows are laid again."""


@dataclass(frozen=True)
class Picture:
    """A photo, and how the networks are shown it."""

    pixels: ColorImage
    """(height, width, 3) uint8 RGB."""
    not_seen: Mask | None = None
    """Over the photo at any scale, True under glare or hair."""
    by_redness: bool = False
    """The networks see redness instead of colour: ink that is as bright as the skin."""

    @cached_property
    def levels(self) -> tuple[ColorImage, ...]:
        """The photo and its smaller copies."""
        return halved(self.pixels)

    def shown(self, pixels: ColorImage) -> ColorImage:
        """A part of the photo as the networks are shown it."""
        return redness(pixels) if self.by_redness else pixels


@dataclass(frozen=True, slots=True)
class SeenRow:
    """One row of a mark as the reader saw it in the best pose."""

    row: Row
    strip: RowStrip
    view: StripView


def strip_to_photo(strip: RowStrip, x: float, y: float) -> tuple[float, float]:
    """Photo coordinates of a strip point."""
    straight = y - strip.bend_per_px * (x - (STRIP_WIDTH_PX - 1) / 2) ** 2
    point = strip.to_photo @ np.array([x, straight, 1.0])
    return float(point[0] / point[2]), float(point[1] / point[2])


def view_rows(picture: Picture, rows: tuple[Row, ...]) -> tuple[SeenRow, ...]:
    """Rows cut out and read as they stand."""
    strips = [cut_strip(picture.levels, row, not_seen=picture.not_seen) for row in rows]
    views = view_strips(
        [picture.shown(strip.pixels) for strip in strips],
        rooms_px=[strip.room_px for strip in strips],
    )
    return tuple(
        SeenRow(row, strip, view) for row, strip, view in zip(rows, strips, views, strict=True)
    )


def refined(picture: Picture, rows: tuple[SeenRow, ...]) -> tuple[SeenRow, ...]:
    """Rows laid again through the characters the reader found in them."""
    laid = []
    for seen in rows:
        places = [place for place in seen.view.places if place.presence >= PRESENT]
        if not places:
            laid.append(seen.row)
            continue
        scale = float(np.linalg.norm(seen.strip.to_photo[:2, 1]))
        laid.append(
            row_through(
                [strip_to_photo(seen.strip, p.box.x_center, p.box.y_center) for p in places],
                [p.box.height_px * scale for p in places],
                angle_deg=seen.row.angle_deg,
                mirrored=seen.row.mirrored,
                score=seen.row.score,
            )
        )
    return view_rows(picture, tuple(laid))


def posed_row(row: Row, pose: int) -> Row:
    """The row with a pose undone: 1 turns it, 2 mirrors it, 3 does both."""
    turned, mirrored = pose in TURNED, pose in MIRRORED
    angle = math.remainder(row.angle_deg + (180.0 if turned else 0.0), 360.0)
    return replace(
        row,
        angle_deg=angle,
        mirrored=row.mirrored != mirrored,
        bend_per_px=-row.bend_per_px if turned else row.bend_per_px,
        spots=row.spots if pose in (0, 3) else row.spots[::-1],
    )


def from_top(items: Sequence[_Item], pose: int) -> tuple[_Item, ...]:
    """What belongs to the rows of a mark, from top to bottom once a pose is undone."""
    return tuple(items[::-1] if pose in TURNED else items)


def moved_up(row: Row, heights: float) -> Row:
    """The row moved towards its characters' tops by so many of their heights."""
    distance = heights * row.height_px
    x, y = up(row.angle_deg)
    return replace(row, x=row.x + distance * float(x), y=row.y + distance * float(y))


def up(angle_deg: float) -> NDArray[np.float64]:
    """Up direction in the picture, whose y points down."""
    angle = math.radians(angle_deg)
    return np.array([-math.sin(angle), -math.cos(angle)])


def place_evidence(places: Sequence[Place]) -> float:
    """Presence times certainty (1 - relative entropy of the character), summed."""
    return sum(map(clearness, places))


def clearness(place: Place) -> float:
    """Presence times certainty of one place."""
    entropy = -float((np.exp(place.logp) * place.logp).sum())
    return place.presence * (1 - entropy / math.log(N_CHARACTERS))


def presence(seen: SeenRow) -> float:
    """About the number of characters in a row, readable or not."""
    return sum(place.presence for place in seen.view.places)


def evidence_of(found: Sequence[SeenRow]) -> float:
    """About the number of readable characters in all rows."""
    return sum(place_evidence(row.view.places) for row in found)
