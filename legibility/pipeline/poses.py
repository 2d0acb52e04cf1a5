"""Which way round a row of characters stands: upright, turned, mirrored, or both."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import RowStrip
from legibility.locate.rectify import cut_strip
from legibility.marks.usual import log_usual
from legibility.pipeline.seen_rows import (
    PRESENT,
    Picture,
    SeenRow,
    from_top,
    place_evidence,
    posed_row,
)
from legibility.probability import normalise_log
from legibility.read.network import N_POSES, StripView, flip, view_strips

MIRRORED_PRIOR: Final = 0.3
"""Choice: share of photos taken from behind, with light through the ear."""
EVIDENCE_WEIGHT: Final = 1.0
"""Choice: weight of each readable character in the log-probability of a pose."""


@dataclass(frozen=True, slots=True)
class PosedStrip:
    """A strip looked at in all four poses."""

    views: tuple[StripView, ...]
    logp: NDArray[np.float64]
    """(4,) log-probability of each pose of the strip."""
    prior: NDArray[np.float64]
    """(4,) the part of it that is not from this strip."""

    @property
    def best(self) -> int:
        return int(np.argmax(self.logp))


def pose_scores(views: Sequence[StripView]) -> NDArray[np.float64]:
    """(4,) unnormalised log-probability of each pose from the views of one strip in all poses.

    Poses form Klein's four-group, so the view that undoes pose ``j`` of a strip in pose ``k`` is in
    pose ``j ^ k``: each view votes on all four. Averaged, the votes have no preference for the pose
    the network saw most in training. What is readable upright seldom is readable another way round,
    so the evidence of the characters counts too.
    """
    votes = [[views[j].pose_logp[k ^ j] for k in range(N_POSES)] for j in range(N_POSES)]
    evidence = np.array([place_evidence(view.places) for view in views])
    return np.asarray(np.mean(votes, axis=0) + EVIDENCE_WEIGHT * evidence)


def look(
    picture: Picture,
    strips: Sequence[RowStrip],
    mirrored: NDArray[np.bool_],
    known: Sequence[tuple[int, StripView]] = (),
) -> list[PosedStrip]:
    """All strips in all poses.

    Parameters
    ----------
    mirrored : which strips were cut as seen in a mirror
    known : for each strip, a pose it was looked at already and what was seen
    """
    have = [dict([known[i]]) if known else {} for i in range(len(strips))]
    missing = [(i, k) for i in range(len(strips)) for k in range(N_POSES) if k not in have[i]]
    for (i, k), view in zip(
        missing,
        view_strips(
            [flip(picture.shown(strips[i].pixels), k) for i, k in missing],
            rooms_px=[strips[i].room_px for i, _ in missing],
        ),
        strict=True,
    ):
        have[i][k] = view
    posed = []
    for i, views in enumerate(have):
        own = tuple(views[k] for k in range(N_POSES))
        prior = _mirrored_prior(bool(mirrored[i]))
        posed.append(PosedStrip(own, normalise_log(pose_scores(own) + prior), prior))
    return posed


def _mirrored_prior(cut_mirrored: bool) -> NDArray[np.float64]:
    """(4,) log prior of the poses: a strip cut as mirrored is undone by poses 2 and 3."""
    undone = np.array([False, False, True, True])
    mirrored = undone != cut_mirrored
    return np.where(mirrored, math.log(MIRRORED_PRIOR), math.log(1 - MIRRORED_PRIOR))


def mirrored_rows(rows: Sequence[SeenRow]) -> NDArray[np.bool_]:
    """Which rows were cut as seen in a mirror."""
    return np.array([seen.row.mirrored for seen in rows], dtype=np.bool_)


def best_way_round(
    picture: Picture, found: tuple[SeenRow, ...]
) -> tuple[tuple[SeenRow, ...], NDArray[np.float64]]:
    """The rows in the common pose that people read, and the log-probability of each pose then.

    People read the pose that is most probable when the usual ways to write marks count, too
    (``marks.usual``). The log-probabilities do without: they are evidence for one animal or
    another.
    """
    rows = [seen.row for seen in found]
    strips = [seen.strip for seen in found]
    posed = look(picture, strips, mirrored_rows(found), [(0, s.view) for s in found])
    # Two rows of one ear share the way they were photographed: its prior counts once.
    logp = normalise_log(np.sum([p.logp - p.prior for p in posed], axis=0) + posed[0].prior)
    usual = [_log_usual(from_top([p.views[k] for p in posed], k)) for k in range(N_POSES)]
    best = int(np.argmax(logp + usual))
    upright = tuple(
        SeenRow(
            posed_row(row, best),
            cut_strip(picture.pixels, posed_row(row, best), not_seen=picture.not_seen),
            looked.views[best],
        )
        for row, looked in zip(rows, posed, strict=True)
    )
    return from_top(upright, best), logp[np.arange(N_POSES) ^ best]


def _log_usual(views: Sequence[StripView]) -> float:
    """How well rows, from top to bottom, fit the usual ways to write marks, log-ratio."""
    return log_usual(
        [
            np.append(place.logp, -np.inf)
            for view in views
            for place in view.places
            if place.presence >= PRESENT
        ]
    )
