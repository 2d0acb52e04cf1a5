"""Needle patterns of many die sets as a bank of small templates, ready for one matrix product.

A template is the set of places where a die's needles stand, drawn as soft dots on a coarse grid
and divided by the area of one dot, so that correlating it with a map of log-likelihood ratios
adds up about one value a needle. Touching needles share their area instead of counting twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import Points
from legibility.dies.layout import needle_layout
from legibility.dies.strokes import GlyphSource
from legibility.read.cells import CHARACTER_HEIGHT_PX

GRID_STEP_PX: Final = 2.0
"""Choice: spacing of the template grid at nominal character height; a dot is 3 to 5 px wide."""

GRID_ROWS: Final = 20
GRID_COLUMNS: Final = 22
"""Choice: 40 x 44 px, the widest glyph (1.2 times its height) with a margin."""

DOT_SIGMA_PX: Final = 1.6
"""Choice: radius (standard deviation) of a needle's soft dot at nominal character height."""

NEEDLE_COUNTS: Final = (9, 13)
"""Choice: layouts tried for each glyph source; dies carry 8 to 16 needles."""

RANK: Final = 128
"""Choice: principal directions kept of the bank (see ``tests/read/test_needle_bank.py``)."""


@dataclass(frozen=True, slots=True)
class DieLayout:
    """Where the needles of one die set stand."""

    name: str
    needles: tuple[Points, ...]
    """For each of the 36 characters (n, 2): x, y in units of the character's height; y 0..1."""

    def __post_init__(self) -> None:
        if len(self.needles) != N_CHARACTERS:
            raise ValueError(
                f"die set {self.name!r} has {len(self.needles)} characters; expected {N_CHARACTERS}"
            )
        for character, points in zip(CHARACTERS, self.needles, strict=True):
            if points.ndim != 2 or points.shape[1] != 2 or len(points) == 0:
                raise ValueError(
                    f"die {character} of set {self.name!r} has needles of shape {points.shape}; "
                    "expected (n, 2) with n >= 1"
                )
            if not np.all(np.isfinite(points)):
                raise ValueError(f"die {character} of set {self.name!r} has a needle at no place")


@dataclass(frozen=True, slots=True)
class NeedleBank:
    """Templates of all characters of all layouts, factored to a low rank."""

    layouts: tuple[DieLayout, ...]
    centred: tuple[tuple[Points, ...], ...]
    """Needles as in ``layouts``, in pixels about the character's centre at nominal height."""
    coefficients: NDArray[np.float32]
    """(n_layouts * 36, rank)."""
    basis: NDArray[np.float32]
    """(rank, GRID_ROWS * GRID_COLUMNS)."""
    grid: NDArray[np.float64]
    """(GRID_ROWS * GRID_COLUMNS, 2): x, y of the grid about the centre, nominal pixels."""


def layouts_from_sources(
    sources: Sequence[GlyphSource], *, needle_counts: Sequence[int] = NEEDLE_COUNTS
) -> tuple[DieLayout, ...]:
    """Undisturbed needle layouts of glyph sources, one for each needle count."""
    if not sources:
        raise ValueError("no glyph sources given; expected at least one")
    layouts = []
    for source in sources:
        for count in needle_counts:
            rng = np.random.default_rng(0)  # without jitter only ties depend on it
            needles = tuple(
                np.asarray(needle_layout(strokes, needles=count, jitter=0.0, rng=rng), np.float64)
                for strokes in source.strokes
            )
            layouts.append(DieLayout(name=f"{source.name}/{count}", needles=needles))
    return tuple(layouts)


def build_bank(layouts: Sequence[DieLayout], *, rank: int = RANK) -> NeedleBank:
    """Draw all templates and keep their first ``rank`` principal directions.

    Parameters
    ----------
    layouts : sequence of DieLayout
        At least one.
    rank : int
        Directions kept; the scores are exact when it reaches the number of templates.

    Returns
    -------
    NeedleBank
    """
    if not layouts:
        raise ValueError("no die layouts given; expected at least one")
    centred = tuple(tuple(centre_needles(points) for points in die.needles) for die in layouts)
    grid = template_grid()
    templates = np.stack([draw_template(points, grid) for die in centred for points in die])
    # Right singular vectors through the small Gram matrix: (grid, grid), cheap for any bank.
    _, vectors = np.linalg.eigh(templates.T @ templates)
    basis = vectors[:, ::-1][:, :rank].T
    return NeedleBank(
        layouts=tuple(layouts),
        centred=centred,
        coefficients=np.ascontiguousarray(templates @ basis.T, dtype=np.float32),
        basis=np.ascontiguousarray(basis, dtype=np.float32),
        grid=grid,
    )


def centre_needles(points: Points) -> Points:
    """Needles in nominal pixels about the middle of their width and of the unit height."""
    values = np.asarray(points, dtype=np.float64)
    middle_x = 0.5 * (values[:, 0].min() + values[:, 0].max())
    return (values - np.array([middle_x, 0.5])) * CHARACTER_HEIGHT_PX


def template_grid() -> NDArray[np.float64]:
    """Places of the template grid, (rows * columns, 2), x and y about the centre."""
    x = (np.arange(GRID_COLUMNS) - (GRID_COLUMNS - 1) / 2) * GRID_STEP_PX
    y = (np.arange(GRID_ROWS) - (GRID_ROWS - 1) / 2) * GRID_STEP_PX
    columns, rows = np.meshgrid(x, y)
    return np.stack([columns.ravel(), rows.ravel()], axis=1)


def draw_template(points: Points, grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Soft dots at the needles; each place of the grid is used at most once.

    Returns
    -------
    ndarray, shape (n_grid,), float64
        Sums to about the number of needles when they stand apart.
    """
    return needle_shares(points, grid).sum(axis=0)


def needle_shares(points: Points, grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Part of the template that belongs to each needle, (n_needles, n_grid)."""
    squared = ((points[:, None, :] - grid[None, :, :]) ** 2).sum(axis=2)
    dots = np.exp(-squared / (2 * DOT_SIGMA_PX**2))
    crowded = np.maximum(dots.sum(axis=0), 1.0)
    area = 2 * np.pi * DOT_SIGMA_PX**2 / GRID_STEP_PX**2
    return np.asarray(dots / crowded / area, dtype=np.float64)
