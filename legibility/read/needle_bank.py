"""Needle patterns of many die sets as a bank of small templates, ready for one matrix product.

A template says, for each place of a coarse grid about a character, how likely it is to be inked
when that die was pressed: high near its needles, the share of clutter elsewhere. How many needles
a die has and where along its strokes they start is not known for a strange die set, so layouts
made from glyph sources have needles as dense as they can stand, each counting for less than one.

The probability enters the score through a few nodes with linear interpolation between them
(:mod:`legibility.read.needle_ink` explains why), so that a score is linear in the template.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
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

INK_SIGMA_PX: Final = 1.4
"""Choice: spread of a needle's ink about where its layout says: radius of the dot and error of
the place, nominal pixels."""

INK_AREA_PX: Final = 12.0
"""Choice: area a needle inks at nominal character height, square pixels."""

SHOWS_SHARE: Final = 0.75
"""Choice: chance that a needle left ink to be seen, before the row is looked at."""

CLUTTER_SHARE: Final = 0.05
"""Choice: chance that a place away from all needles looks inked; bounds what one speck can do."""

NODES: Final = (0.25, 0.7)
"""Choice: probabilities of ink at which evidence is computed, besides ``CLUTTER_SHARE``."""

USUAL_NEEDLES: Final = 12
"""Needles expected of a die of unknown layout; dies carry 8 to 16 (common practice, no source)."""

DENSE_NEEDLES: Final = 40
"""Choice: needles asked for when a source is to be covered as densely as they can stand."""

PROTOTYPES: Final = 16
"""Measured on held-out sources (``tests/read/dots.py``): shapes kept of each character; with 8 the
log-loss a cell is 0.03 to 0.09 higher, with 24 it is 0.02 to 0.03 lower and a fifth slower."""

RANK: Final = 240
"""Choice: principal directions kept of the bank (see ``tests/read/test_needle_bank.py``)."""


@dataclass(frozen=True, slots=True)
class DieLayout:
    """Where the needles of one die set stand."""

    name: str
    needles: tuple[Points, ...]
    """For each of the 36 characters (n, 2): x, y in units of the character's height; y 0..1."""
    usual_needles: int | None = None
    """Needles a die really has when ``needles`` shows all places they may have; None: as shown."""
    exact: frozenset[int] = frozenset()
    """Characters (by index) whose needles stand as shown, whatever ``usual_needles`` says."""

    def __post_init__(self) -> None:
        if len(self.needles) != N_CHARACTERS:
            raise ValueError(
                f"die set {self.name!r} has {len(self.needles)} characters; expected {N_CHARACTERS}"
            )
        if self.usual_needles is not None and self.usual_needles < 1:
            raise ValueError(
                f"die set {self.name!r} has {self.usual_needles} needles; expected >= 1"
            )
        for character, points in zip(CHARACTERS, self.needles, strict=True):
            if points.ndim != 2 or points.shape[1] != 2 or len(points) == 0:
                raise ValueError(
                    f"die {character} of set {self.name!r} has needles of shape {points.shape}; "
                    "expected (n, 2) with n >= 1"
                )
            if not np.all(np.isfinite(points)):
                raise ValueError(f"die {character} of set {self.name!r} has a needle at no place")

    def weight(self, character: int) -> float:
        """How many real needles each shown place of a character stands for, at most one."""
        if self.usual_needles is None or character in self.exact:
            return 1.0
        return min(1.0, self.usual_needles / len(self.needles[character]))


@dataclass(frozen=True, slots=True)
class NeedleBank:
    """Templates of all characters of all layouts, factored to a low rank."""

    layouts: tuple[DieLayout, ...]
    centred: tuple[tuple[Points, ...], ...]
    """Needles as in ``layouts``, in pixels about the character's centre at nominal height."""
    coefficients: NDArray[np.float32]
    """(n_layouts * 36, rank)."""
    basis: NDArray[np.float32]
    """(rank, n_nodes * n_grid)."""
    grid: NDArray[np.float64]
    """(n_grid, 2): x, y of the grid about the centre, nominal pixels."""


def layouts_from_sources(sources: Sequence[GlyphSource]) -> tuple[DieLayout, ...]:
    """For each glyph source all places where its needles may stand."""
    if not sources:
        raise ValueError("no glyph sources given; expected at least one")
    layouts = []
    for source in sources:
        rng = np.random.default_rng(0)  # without jitter nothing is drawn from it
        needles = tuple(
            np.asarray(
                needle_layout(strokes, needles=DENSE_NEEDLES, jitter=0.0, rng=rng), np.float64
            )
            for strokes in source.strokes
        )
        layouts.append(DieLayout(source.name, needles, usual_needles=USUAL_NEEDLES))
    return tuple(layouts)


def choose_prototypes(
    layouts: Sequence[DieLayout], *, count: int = PROTOTYPES
) -> tuple[DieLayout, ...]:
    """Few mixed die sets that hold the most typical shapes of every character.

    Many faces draw a character alike. For each character the shapes are taken one by one so that
    every shape of all layouts has a similar one among those taken (greedy facility location on
    the correlation of templates; Nemhauser, Wolsey and Fisher 1978, doi:10.1007/BF01588971).
    The ``k``-th result holds the ``k``-th shape of each character, so it is no set of one maker.
    """
    if len(layouts) <= count:
        return tuple(layouts)
    grid = template_grid()
    order = []
    for character in range(N_CHARACTERS):
        shapes = np.stack(
            [
                ink_probability(
                    centre_needles(die.needles[character]), grid, weight=die.weight(character)
                )
                for die in layouts
            ]
        )
        shapes -= CLUTTER_SHARE
        shapes /= np.linalg.norm(shapes, axis=1, keepdims=True)
        similar = shapes @ shapes.T
        covered = np.zeros(len(layouts))
        taken: list[int] = []
        for _ in range(count):
            gain = np.maximum(similar, covered[:, None]).sum(axis=0)
            gain[taken] = -np.inf
            taken.append(int(gain.argmax()))
            covered = np.maximum(covered, similar[:, taken[-1]])
        order.append(taken)
    return tuple(
        DieLayout(
            name=f"prototype-{k + 1:02d}",
            needles=tuple(layouts[order[c][k]].needles[c] for c in range(N_CHARACTERS)),
            usual_needles=USUAL_NEEDLES,
        )
        for k in range(count)
    )


def build_bank(layouts: Sequence[DieLayout], *, rank: int = RANK) -> NeedleBank:
    """Draw all templates and keep their first ``rank`` principal directions.

    Parameters
    ----------
    layouts : sequence of DieLayout
        At least one.
    rank : int
        Directions kept; the scores are exact when it reaches ``n_nodes * n_grid``.

    Returns
    -------
    NeedleBank
    """
    if not layouts:
        raise ValueError("no die layouts given; expected at least one")
    centred = tuple(tuple(centre_needles(points) for points in die.needles) for die in layouts)
    grid = template_grid()
    templates = np.stack(
        [
            draw_template(points, grid, weight=die.weight(character))
            for die, dies in zip(layouts, centred, strict=True)
            for character, points in enumerate(dies)
        ]
    )
    # Right singular vectors through the Gram matrix, small whatever the size of the bank.
    _, vectors = np.linalg.eigh(templates.T @ templates)
    basis = vectors[:, ::-1][:, :rank].T
    return NeedleBank(
        layouts=tuple(layouts),
        centred=centred,
        coefficients=np.ascontiguousarray(templates @ basis.T, dtype=np.float32),
        basis=np.ascontiguousarray(basis, dtype=np.float32),
        grid=grid,
    )


def with_known_needles(bank: NeedleBank, known: Mapping[int, Sequence[Points]]) -> NeedleBank:
    """The bank with the needles of some characters known; the others stay as they are.

    The basis is lengthened by what the known templates need, which is far quicker than choosing
    it anew. Several dies of one character take turns among the layouts, so each has its share.

    Parameters
    ----------
    bank : NeedleBank
    known : mapping
        Character's index -> needles of each of its dies, as in :class:`DieLayout`.
    """
    if not known:
        return bank
    layouts, centred = [], []
    for k, layout in enumerate(bank.layouts):
        own = {c: np.asarray(dies[k % len(dies)], np.float64) for c, dies in known.items()}
        needles = tuple(own.get(c, points) for c, points in enumerate(layout.needles))
        layouts.append(replace(layout, needles=needles, exact=frozenset(known)))
        centred.append(
            tuple(
                centre_needles(own[c]) if c in own else points
                for c, points in enumerate(bank.centred[k])
            )
        )
    turns = [(c, die) for c in sorted(known) for die in range(len(known[c]))]
    templates = np.stack(
        [draw_template(centre_needles(known[c][die]), bank.grid) for c, die in turns]
    )
    beyond = templates - (templates @ bank.basis.T) @ bank.basis
    directions = np.linalg.qr(beyond.T)[0].T
    basis = np.concatenate([bank.basis, directions.astype(np.float32)])
    coefficients = np.zeros((len(bank.coefficients), len(basis)), np.float32)
    coefficients[:, : len(bank.basis)] = bank.coefficients
    own_coefficients = dict(zip(turns, templates @ basis.T, strict=True))
    for k in range(len(layouts)):
        for c, dies in known.items():
            coefficients[k * N_CHARACTERS + c] = own_coefficients[(c, k % len(dies))]
    return NeedleBank(tuple(layouts), tuple(centred), coefficients, basis, bank.grid)


def centre_needles(points: Points) -> Points:
    """Needles in nominal pixels about the middle of their width and of the unit height."""
    values = np.asarray(points, dtype=np.float64)
    middle_x = 0.5 * (values[:, 0].min() + values[:, 0].max())
    return np.asarray((values - np.array([middle_x, 0.5])) * CHARACTER_HEIGHT_PX, np.float64)


def template_grid() -> NDArray[np.float64]:
    """Places of the template grid, (rows * columns, 2), x and y about the centre."""
    x = (np.arange(GRID_COLUMNS) - (GRID_COLUMNS - 1) / 2) * GRID_STEP_PX
    y = (np.arange(GRID_ROWS) - (GRID_ROWS - 1) / 2) * GRID_STEP_PX
    columns, rows = np.meshgrid(x, y)
    return np.stack([columns.ravel(), rows.ravel()], axis=1)


def ink_rates(points: Points, grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Expected ink at each place from each needle alone, (n_needles, n_grid)."""
    squared = ((points[:, None, :] - grid[None, :, :]) ** 2).sum(axis=2)
    peak = SHOWS_SHARE * INK_AREA_PX / (2 * np.pi * INK_SIGMA_PX**2)
    return np.asarray(peak * np.exp(-squared / (2 * INK_SIGMA_PX**2)), dtype=np.float64)


def ink_probability(
    points: Points, grid: NDArray[np.float64], *, weight: float = 1.0
) -> NDArray[np.float64]:
    """Chance that each place of the grid is inked when this die was pressed, (n_grid,), 0..1."""
    missed = np.exp(-weight * ink_rates(points, grid).sum(axis=0))
    return np.asarray(1.0 - (1.0 - CLUTTER_SHARE) * missed, dtype=np.float64)


def draw_template(
    points: Points, grid: NDArray[np.float64], *, weight: float = 1.0
) -> NDArray[np.float64]:
    """Weights of the evidence at each node and place, (n_nodes * n_grid,), 0..1.

    Places away from all needles have none: there the die says what bare skin says.
    """
    probability = ink_probability(points, grid, weight=weight)
    nodes = (CLUTTER_SHARE, *NODES)
    units = np.eye(len(nodes))[1:]
    return np.concatenate([np.interp(probability, nodes, unit) for unit in units])
