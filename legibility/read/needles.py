"""The needle model: which needles of which die are inked, and what that says of a character.

It needs no training: a die set is a list of needle places, the ink map is turned into evidence
for "a needle stood here" (:mod:`legibility.read.needle_ink`), and every character of every known
die set is laid over each cell in every likely pose (:mod:`legibility.read.needle_pose`). Ink where
no needle of a die stands counts against that die by what it fails to explain: all scores are
ratios against bare skin, so a die that leaves ink unexplained scores lower by exactly that much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, index_of
from legibility.containers import GrayImage, Mask, NeedleEvidence, Points
from legibility.dies.strokes import GlyphSource
from legibility.read.cells import CellBox
from legibility.read.needle_bank import (
    DieLayout,
    NeedleBank,
    build_bank,
    choose_prototypes,
    draw_template,
    layouts_from_sources,
)
from legibility.read.needle_file import load_layouts
from legibility.read.needle_ink import InkEvidence, ink_evidence
from legibility.read.needle_pose import (
    DIE_TRUST,
    PoseFit,
    place,
    sample,
    score_row,
    shared_poses,
)

SPACING_PX: Final = 4.2
"""Choice: needles of a die of unknown layout stand at least this far apart, at nominal height
(about 1.25 mm on a 9.5 mm die)."""

BLANK_SPACING_PX: Final = 7.0
"""Choice: a needle without ink is only reported where no other stands within this distance; dies
with few needles would otherwise seem to have lost those that they never had."""


@dataclass(frozen=True, slots=True)
class NeedleFit:
    """One die laid over one cell in its best pose."""

    character: str
    die_set: str
    positions: Points
    """(n, 2) needles in strip pixels."""
    inked: NDArray[np.float64]
    """(n,) probability that the needle shows ink, 0..1."""

    @property
    def evidence(self) -> NeedleEvidence:
        """Needles of the die and how many of them are expected to show ink."""
        return NeedleEvidence(expected=len(self.inked), inked=float(self.inked.sum()))


@dataclass(frozen=True, slots=True)
class NeedleScores:
    """What the needle model says of one row."""

    cells: tuple[CellBox, ...]
    loglik: NDArray[np.float64]
    """(n_cells, 36) log p(ink | character) - log p(ink | bare skin), natural logs."""
    best: tuple[NeedleFit, ...]
    """For each cell the best character's needles."""
    layout_logp: NDArray[np.float64]
    """(n_layouts,) log posterior of the die sets."""
    ink: InkEvidence
    fits: tuple[tuple[PoseFit, ...], ...]
    """For each cell and character the pose with the largest share."""

    @property
    def condition(self) -> NDArray[np.float64]:
        """Share of the best die's needles that show ink times how clearly ink stands out of skin,
        (n_cells,), 0 (lost) .. 1 (as new); the scalar the calibration goes by."""
        inked = [fit.evidence.inked / fit.evidence.expected for fit in self.best]
        clear = self.ink.contrast / (self.ink.contrast + 3.0 * self.ink.spread)
        return clear * np.array(inked, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class NeedleVote:
    """One needle of one of two compared dies."""

    character: str
    x: float
    y: float
    inked: float
    """Probability that it shows ink."""
    logratio: float
    """Its part of log p(ink | character) - log p(ink | alternative); > 0 speaks for the first."""


@dataclass(frozen=True, slots=True)
class NeedleExplanation:
    """Why one character explains a cell better than another: rows add up to the total."""

    character: str
    alternative: str
    votes: tuple[NeedleVote, ...]
    other_poses: float
    """What the average over other poses and die sets adds to the best pose of each."""
    total: float
    """loglik(character) - loglik(alternative)."""


class NeedleModel:
    """Scores the characters of a row by their needle patterns.

    Parameters
    ----------
    sources : sequence of GlyphSource
        Glyph sources from which needle places are made; the more varied, the better, since only
        the most typical shapes of each character are kept.

    Notes
    -----
    Immutable after construction; one instance may serve many threads.
    """

    def __init__(self, sources: Sequence[GlyphSource]) -> None:
        self._bank = build_bank(choose_prototypes(layouts_from_sources(sources)))
        # Prototypes are mixed from many sources: one character says nothing of another's shape.
        self._die_trust = 0.0

    @classmethod
    def from_layouts(
        cls, layouts: Sequence[DieLayout], *, die_trust: float = DIE_TRUST
    ) -> NeedleModel:
        """A model of given die sets.

        Parameters
        ----------
        layouts : sequence of DieLayout
            At least one.
        die_trust : float
            How far all characters of a row are taken to come from one of them; 0 for mixed sets.
        """
        model = cls.__new__(cls)
        model._bank = build_bank(layouts)
        model._die_trust = die_trust
        return model

    @classmethod
    def from_bank(cls, bank: NeedleBank, *, die_trust: float = 0.0) -> NeedleModel:
        """A model of templates that are ready."""
        model = cls.__new__(cls)
        model._bank = bank
        model._die_trust = die_trust
        return model

    @classmethod
    def default(cls) -> NeedleModel:
        """The shipped shapes; a third of a second, so keep the model.

        Raises
        ------
        ModelError
            If the file is missing or damaged.
        """
        return cls.from_layouts(load_layouts()[0], die_trust=0.0)

    @property
    def bank(self) -> NeedleBank:
        """Templates in use."""
        return self._bank

    def score(
        self,
        ink: GrayImage,
        cells: Sequence[CellBox],
        *,
        not_seen: Mask | None = None,
    ) -> NeedleScores:
        """Score every character in every cell of a row.

        Parameters
        ----------
        ink : ndarray, shape (48, 384), float32
            0 (skin) .. 1 (ink).
        cells : sequence of CellBox
            May be empty.
        not_seen : ndarray of bool, shape (48, 384), optional
            Places that say nothing.

        Returns
        -------
        NeedleScores

        Raises
        ------
        ValueError
            If a shape is wrong, a value is not finite.
        """
        evidence = ink_evidence(ink, cells, not_seen=not_seen)
        row = score_row(evidence.llr, cells, self._bank, die_trust=self._die_trust)
        best = tuple(
            self._fit(evidence, cell, fits[character], character)
            for cell, fits, character in zip(
                cells, row.fits, row.loglik.argmax(axis=1), strict=True
            )
        )
        return NeedleScores(
            cells=tuple(cells),
            loglik=row.loglik,
            best=best,
            layout_logp=row.layout_logp,
            ink=evidence,
            fits=row.fits,
        )

    def fit(self, scores: NeedleScores, *, cell: int, character: str) -> NeedleFit:
        """Needles of any character in its best pose in a cell."""
        index = index_of(character)
        return self._fit(scores.ink, scores.cells[cell], scores.fits[cell][index], index)

    def explain(
        self, scores: NeedleScores, *, cell: int, character: str, alternative: str
    ) -> NeedleExplanation:
        """Which needles speak for a character against an alternative, strongest first.

        Needles of the character count as they are, needles of the alternative with the opposite
        sign: a needle of the alternative without ink speaks for the character.
        """
        votes = self._votes(scores, cell, character, 1.0)
        votes += self._votes(scores, cell, alternative, -1.0)
        votes.sort(key=lambda vote: -abs(vote.logratio))
        total = float(
            scores.loglik[cell, index_of(character)] - scores.loglik[cell, index_of(alternative)]
        )
        return NeedleExplanation(
            character=character,
            alternative=alternative,
            votes=tuple(votes),
            other_poses=total - sum(vote.logratio for vote in votes),
            total=total,
        )

    def _fit(self, ink: InkEvidence, cell: CellBox, fit: PoseFit, character: int) -> NeedleFit:
        chosen, inked = self._needles(ink, cell, fit, character)
        positions = self._laid(cell, fit, self._bank.centred[fit.layout][character])
        return NeedleFit(
            character=CHARACTERS[character],
            die_set=self._bank.layouts[fit.layout].name,
            positions=positions[chosen],
            inked=inked[chosen],
        )

    def _laid(self, cell: CellBox, fit: PoseFit, points: Points) -> Points:
        return place(points, cell, shared_poses()[fit.pose], fit.shift)

    def _needles(
        self, ink: InkEvidence, cell: CellBox, fit: PoseFit, character: int
    ) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """Which of the shown places hold the needles, and the probability of ink at all places."""
        points = self._bank.centred[fit.layout][character]
        inked = sample(ink.inked, self._laid(cell, fit, points)).astype(np.float64)
        die = self._bank.layouts[fit.layout]
        if die.usual_needles is None or character in die.exact:
            return np.arange(len(points)), inked
        return likeliest_needles(points, inked, most=die.usual_needles), inked

    def _votes(
        self, scores: NeedleScores, cell: int, character: str, sign: float
    ) -> list[NeedleVote]:
        index = index_of(character)
        fit, box = scores.fits[cell][index], scores.cells[cell]
        points, grid = self._bank.centred[fit.layout][index], self._bank.grid
        template = draw_template(
            points, grid, weight=self._bank.layouts[fit.layout].weight(index)
        ).reshape(-1, len(grid))
        laid = self._laid(box, fit, grid)
        parts = sum(
            row * sample(node, laid) for row, node in zip(template, scores.ink.llr, strict=True)
        )
        chosen, inked = self._needles(scores.ink, box, fit, index)
        squared = ((points[chosen][:, None, :] - grid[None, :, :]) ** 2).sum(axis=2)
        votes = np.bincount(squared.argmin(axis=0), parts, minlength=len(chosen))
        return [
            NeedleVote(
                character=character,
                x=float(x),
                y=float(y),
                inked=float(inked[needle]),
                logratio=sign * float(vote),
            )
            for needle, vote, (x, y) in zip(
                chosen, votes, self._laid(box, fit, points)[chosen], strict=True
            )
        ]


def likeliest_needles(
    points: Points,
    inked: NDArray[np.float64],
    *,
    most: int,
    spacing_px: float = SPACING_PX,
    blank_spacing_px: float = BLANK_SPACING_PX,
) -> NDArray[np.intp]:
    """Pick the places where the needles of a die of unknown layout stand.

    The most inked place is taken first; places closer than ``spacing_px`` to it cannot hold
    another needle, nor places without ink closer than ``blank_spacing_px``; and so on until
    ``most`` are taken or no place is left.

    Returns
    -------
    ndarray of int, shape (n,)
        Indices into ``points``, in rising order.
    """
    least = np.where(inked > 0.5, spacing_px, blank_spacing_px) ** 2
    free = np.ones(len(points), dtype=bool)
    chosen: list[int] = []
    while len(chosen) < most and free.any():
        best = int(np.where(free, inked, -1.0).argmax())
        chosen.append(best)
        free &= ((points - points[best]) ** 2).sum(axis=1) >= least
    return np.sort(np.array(chosen, dtype=np.intp))
