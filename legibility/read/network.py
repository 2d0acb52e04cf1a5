"""The reader network on row strips: characters and ink under each way to see the strip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.containers import ColorImage, GrayImage
from legibility.networks import normalise, run_network
from legibility.probability import normalise_log
from legibility.read.cells import CellBox

SIGMA_BLOCKS: Final = 2.0
"""As in training."""
STRIDE: Final = 4
N_POSES: Final = 4
"""Upright, turned by 180 degrees, mirrored, both; each undoes itself."""
CENTRE_FLOOR: Final = 0.06
"""Choice: places less likely than this to hold a character are not looked at."""
NEAREST: Final = 0.42
"""Choice: smallest distance of two characters in heights (narrow dies stand 0.5 apart)."""
OFF_LINE_PX: Final = 11.0
"""Choice: a character this far from the strip's middle line belongs to another row."""
UNIT_HEIGHT_PX: Final = 32.0
NOTHING: Final = -20.0
"""Choice: logit of presence and of ink where the strip was not looked at; 2e-9."""
_CENTRE: Final = N_CHARACTERS
_DX, _DY, _SIZE = N_CHARACTERS + 1, N_CHARACTERS + 2, N_CHARACTERS + 3
_POSE: Final = slice(N_CHARACTERS + 4, N_CHARACTERS + 8)


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the strip that may hold a character."""

    box: CellBox
    presence: float
    """0..1, raw output of the network."""
    logp: NDArray[np.float64]
    """(36,) log-probability of each character, raw output of the network."""


@dataclass(frozen=True, slots=True)
class StripView:
    """What the network made of one strip in one pose."""

    places: tuple[Place, ...]
    """From left to right."""
    pose_logp: NDArray[np.float64]
    """(4,) log-probability that the strip *as shown to the network* is upright, turned, ..."""
    ink: GrayImage
    """(48, 384), 0..1."""


def flip(pixels: ColorImage, pose: int) -> ColorImage:
    """The strip with a pose undone (or done: each pose is its own inverse)."""
    if pose == 1:
        return pixels[::-1, ::-1]
    if pose == 2:
        return pixels[:, ::-1]
    if pose == 3:
        return pixels[::-1]
    return pixels


def view_strips(
    strips: Sequence[ColorImage], *, rooms_px: Sequence[int] | None = None
) -> tuple[StripView, ...]:
    """Run the reader on strips.

    Parameters
    ----------
    strips : (48, 384, 3) uint8 RGB each, as they are to be seen
    rooms_px : columns about the middle of each strip that the network is run on, multiples of 32;
        what is outside counts as empty. The whole strips by default.
    """
    rooms = [strip.shape[1] for strip in strips] if rooms_px is None else list(rooms_px)
    views: dict[int, StripView] = {}
    for room in sorted(set(rooms)):
        chosen = [i for i, own in enumerate(rooms) if own == room]
        for i, view in zip(chosen, _middles_viewed([strips[i] for i in chosen], room), strict=True):
            views[i] = view
    return tuple(views[i] for i in range(len(strips)))


def _middles_viewed(strips: Sequence[ColorImage], room: int) -> list[StripView]:
    """Strips of which the middle ``room`` columns are looked at."""
    edge = (strips[0].shape[1] - room) // 2
    inputs = np.stack([normalise(strip, sigma_blocks=SIGMA_BLOCKS) for strip in strips])
    columns, ink = run_network(
        "reader", inputs[..., edge : edge + room], outputs=["columns", "ink"]
    )
    outside = (edge // STRIDE, edge // STRIDE)
    views = []
    for column, dots in zip(columns[:, :, 0].astype(np.float64), ink[:, 0], strict=True):
        # What a character at the edge is, is asked of the columns beside it, too.
        whole = np.pad(column, ((0, 0), outside), mode="edge")
        whole[_CENTRE] = np.pad(column[_CENTRE], outside, constant_values=NOTHING)
        shown = np.pad(dots, ((0, 0), (edge, edge)), constant_values=NOTHING)
        views.append(_view(whole, shown))
    return views


def _view(columns: NDArray[np.float64], ink: NDArray[np.float32]) -> StripView:
    presence = 1 / (1 + np.exp(-columns[_CENTRE]))
    places = _places(columns, presence)
    weight = np.zeros_like(presence)
    for place in places:
        weight[int(np.clip(round((place.box.x_center + 0.5) / STRIDE - 0.5), 0, 95))] = (
            place.presence
        )
    # With nothing found the pose is asked of the whole strip.
    weight = weight if weight.sum() > 0 else presence
    pose = (columns[_POSE] * weight).sum(axis=1) / weight.sum()
    return StripView(
        places=places,
        pose_logp=normalise_log(pose),
        ink=np.asarray(1 / (1 + np.exp(-ink)), dtype=np.float32),
    )


def _places(columns: NDArray[np.float64], presence: NDArray[np.float64]) -> tuple[Place, ...]:
    padded = np.pad(presence, 1)
    peak = (presence >= padded[:-2]) & (presence > padded[2:]) & (presence > CENTRE_FLOOR)
    found: list[Place] = []
    for column in sorted(np.nonzero(peak)[0], key=lambda c: -presence[c]):
        dx, dy, size = columns[[_DX, _DY, _SIZE], column]
        x = (column + float(np.clip(dx, -1.5, 1.5)) + 0.5) * STRIDE - 0.5
        y = 23.5 + 8 * float(dy)
        height = UNIT_HEIGHT_PX * float(np.exp(np.clip(size / 2, -0.7, 0.7)))
        if abs(y - 23.5) > OFF_LINE_PX:
            continue
        if any(abs(x - p.box.x_center) < NEAREST * min(height, p.box.height_px) for p in found):
            continue
        near = [c for c in (column - 1, column, column, column + 1) if 0 <= c < len(presence)]
        logits = columns[:N_CHARACTERS, near].mean(axis=1)
        found.append(
            Place(
                box=CellBox(x_center=x, y_center=y, height_px=height, width_px=0.85 * height),
                presence=float(presence[column]),
                logp=normalise_log(logits),
            )
        )
    return tuple(sorted(found, key=lambda p: p.box.x_center))
