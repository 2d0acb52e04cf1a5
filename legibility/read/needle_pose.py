"""Where a row's dies may lie in their cells, and the average over all of it.

Scale, slant and die set are shared by the cells of a row (one set of dies, one pair of tongs);
every character may besides be shifted on its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.containers import Points
from legibility.probability import normalise_log
from legibility.read.cells import CHARACTER_HEIGHT_PX, CellBox
from legibility.read.needle_bank import NeedleBank

SCALES: Final = (0.87, 1.0, 1.15)
SLANTS: Final = (-0.13, 0.0, 0.13)
"""Choice: sizes relative to the cell's height and sideways shift for each pixel of height."""

OUTER_LOG_PRIOR: Final = -1.0
"""Choice: log weight of each scale or slant other than the middle one."""

SHIFTS_PX: Final = (-3.0, -1.5, 0.0, 1.5, 3.0)
SHIFT_SIGMA_PX: Final = 1.8
"""Choice: shifts tried in x and y, and the spread of their prior."""

POSE_TRUST: Final = 0.2
"""Choice: power on what the other cells say of scale and slant."""

DIE_TRUST: Final = 0.5
"""Choice: power on what the other cells say of the die set, where the sets are real ones."""


@dataclass(frozen=True, slots=True)
class SharedPose:
    """What the cells of a row have in common."""

    scale: float
    slant: float
    logp: float
    """Log prior."""


@dataclass(frozen=True, slots=True)
class PoseFit:
    """The best pose of one character in one cell."""

    layout: int
    pose: int
    """Index into ``shared_poses()``."""
    shift: tuple[float, float]


@dataclass(frozen=True, slots=True)
class RowScores:
    """Characters of all cells, averaged over poses and die sets."""

    loglik: NDArray[np.float64]
    """(n_cells, 36) log p(ink | character) - log p(ink | bare skin)."""
    layout_logp: NDArray[np.float64]
    """(n_layouts,) log posterior of the die sets given the whole row."""
    fits: tuple[tuple[PoseFit, ...], ...]
    """For each cell and character the pose with the largest share."""


@cache
def shared_poses() -> tuple[SharedPose, ...]:
    """All combinations of scale and slant with normalised priors."""
    raw = [
        (scale, slant, OUTER_LOG_PRIOR * ((scale != 1.0) + (slant != 0.0)))
        for scale in SCALES
        for slant in SLANTS
    ]
    logp = normalise_log([row[2] for row in raw])
    return tuple(
        SharedPose(scale=scale, slant=slant, logp=float(prior))
        for (scale, slant, _), prior in zip(raw, logp, strict=True)
    )


@cache
def shifts() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shifts (n, 2) in strip pixels and their normalised log prior (n,)."""
    places = np.array([(x, y) for x in SHIFTS_PX for y in SHIFTS_PX])
    return places, normalise_log(-0.5 * (places**2).sum(axis=1) / SHIFT_SIGMA_PX**2)


def place(points: Points, cell: CellBox, pose: SharedPose, shift: tuple[float, float]) -> Points:
    """Nominal pixels about the character's centre -> strip pixels."""
    size = cell.height_px / CHARACTER_HEIGHT_PX * pose.scale
    x = cell.x_center + shift[0] + size * (points[:, 0] - pose.slant * points[:, 1])
    y = cell.y_center + shift[1] + size * points[:, 1]
    return np.stack([x, y], axis=1)


def sample(llr: NDArray[np.float32], points: Points) -> NDArray[np.float32]:
    """Bilinear values of a strip map at points (n, 2); 0 outside the strip."""
    at = np.ascontiguousarray(points, dtype=np.float32)
    values = cv2.remap(
        llr, at[:, 0:1], at[:, 1:2], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
    )
    return np.asarray(values[:, 0], dtype=np.float32)


def score_row(
    llr: NDArray[np.float32],
    cells: Sequence[CellBox],
    bank: NeedleBank,
    *,
    pose_trust: float = POSE_TRUST,
    die_trust: float = DIE_TRUST,
) -> RowScores:
    """Score all characters in all cells of a row.

    Parameters
    ----------
    llr : ndarray, shape (n_nodes, 48, 384), float32
        Evidence for ink (:class:`InkEvidence`).
    cells : sequence of CellBox
    bank : NeedleBank
    pose_trust, die_trust : float
        Powers on the other cells' evidence for scale and slant, and for the die set; with 0 each
        cell has its own.

    Returns
    -------
    RowScores
    """
    poses = shared_poses()
    n_layouts, n_poses = len(bank.layouts), len(poses)
    # (cell, layout, character, pose) after the average over shifts, and the best shift.
    scores = np.empty((len(cells), n_layouts, N_CHARACTERS, n_poses), np.float32)
    best_shift = np.empty(scores.shape, np.uint8)
    for index, cell in enumerate(cells):
        scores[index], best_shift[index] = _score_cell(llr, cell, bank, poses)
    prior = np.array([pose.logp for pose in poses]) - np.log(n_layouts)
    # How well each die set, and each pose, explains a cell whatever its character.
    fit = log_sum(scores, axis=2) - np.log(N_CHARACTERS) + prior
    die_fit, pose_fit = log_sum(fit, axis=2), log_sum(fit, axis=1)
    die_row, pose_row = die_fit.sum(axis=0), pose_fit.sum(axis=0)
    loglik = np.empty((len(cells), N_CHARACTERS))
    fits = []
    places, _ = shifts()
    for index in range(len(cells)):
        others = (
            die_trust * (die_row - die_fit[index])[:, None]
            + pose_trust * (pose_row - pose_fit[index])
            + prior
        )
        others -= log_sum(others.ravel(), axis=0)
        weighted = scores[index] + others[:, None, :]
        by_character = weighted.transpose(1, 0, 2).reshape(N_CHARACTERS, -1)
        loglik[index] = log_sum(by_character, axis=1)
        flat = by_character.argmax(axis=1)
        layout, pose = np.unravel_index(flat, (n_layouts, n_poses))
        shift = places[best_shift[index][layout, np.arange(N_CHARACTERS), pose]]
        fits.append(
            tuple(
                PoseFit(layout=int(a), pose=int(b), shift=(float(s[0]), float(s[1])))
                for a, b, s in zip(layout, pose, shift, strict=True)
            )
        )
    layout_logp = normalise_log(die_trust * die_row)
    return RowScores(loglik=loglik, layout_logp=layout_logp, fits=tuple(fits))


def _score_cell(
    llr: NDArray[np.float32], cell: CellBox, bank: NeedleBank, poses: tuple[SharedPose, ...]
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    places, prior = shifts()
    points = np.concatenate(
        [place(bank.grid, cell, pose, (0.0, 0.0)) for pose in poses], dtype=np.float32
    )
    # cv2.remap takes any shape: one row of points for each shift.
    x = points[None, :, 0] + places[:, 0:1].astype(np.float32)
    y = points[None, :, 1] + places[:, 1:2].astype(np.float32)
    # (node, shift and pose, grid) -> (shift and pose, node and grid), as the basis has it.
    values = np.stack(
        [
            cv2.remap(node, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT).reshape(
                len(places) * len(poses), len(bank.grid)
            )
            for node in llr
        ],
        axis=1,
    )
    patches = values.reshape(len(values), -1)
    all_scores = bank.coefficients @ (bank.basis @ patches.T)
    all_scores = all_scores.reshape(-1, len(places), len(poses))
    all_scores += prior.astype(np.float32)[None, :, None]
    best = all_scores.argmax(axis=1)
    shape = (len(bank.layouts), N_CHARACTERS, len(poses))
    return log_sum(all_scores, axis=1).reshape(shape), best.astype(np.uint8).reshape(shape)


def log_sum(values: NDArray[Any], *, axis: int) -> NDArray[Any]:
    """Log of a sum of exponentials of finite values, several times faster than scipy's."""
    top = values.max(axis=axis, keepdims=True)
    total = np.log(np.exp(values - top).sum(axis=axis))
    return np.asarray(total + top.squeeze(axis))
