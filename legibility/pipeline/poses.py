"""Which way round a row of characters stands: upright, turned, mirrored, or both."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.locate.rectify import cut_strip
from legibility.locate.rows import Row
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
SURE_VOTE: Final = 0.99
"""Choice: probability at which a view is sure of the way round."""
CONTROL: Final = 1
"""Choice: the pose that a row is also seen in when its view says that it stands upright."""


@dataclass(frozen=True, slots=True)
class PosedStrip:
    """A strip looked at in all four poses, or in as many as settle the way round."""

    views: Mapping[int, StripView]
    """What was seen in each pose looked at, the best one among them."""
    logp: NDArray[np.float64]
    """(4,) log-probability of each pose of the strip."""
    prior: NDArray[np.float64]
    """(4,) the part of it that is not from this strip."""

    @property
    def best(self) -> int:
        return int(np.argmax(self.logp))


def pose_scores(views: Mapping[int, StripView]) -> NDArray[np.float64]:
    """(4,) unnormalised log-probability of each pose from views of one strip.

    Poses form Klein's four-group, so the view that undoes pose ``j`` of a strip in pose ``k`` is in
    pose ``j ^ k``: each view votes on all four. Averaged over all views, the votes have no
    preference for the pose the network saw most in training. What is readable upright seldom is
    readable another way round, so the evidence of the characters counts too; a pose not looked at
    is taken to show as much as the one that showed least.

    Parameters
    ----------
    views : pose -> what was seen in it; one at least
    """
    votes = [[view.pose_logp[k ^ j] for k in range(N_POSES)] for j, view in views.items()]
    seen = {j: place_evidence(view.places) for j, view in views.items()}
    evidence = np.array([seen.get(k, min(seen.values())) for k in range(N_POSES)])
    return np.asarray(np.mean(votes, axis=0) + EVIDENCE_WEIGHT * evidence)


def look(picture: Picture, rows: Sequence[SeenRow]) -> list[PosedStrip]:
    """Rows that were seen as they stand, in all poses."""
    views = [{0: seen.view} for seen in rows]
    _view_poses(picture, rows, views, [range(N_POSES)] * len(rows))
    return _posed(rows, views)


def glance(picture: Picture, rows: Sequence[SeenRow]) -> list[PosedStrip]:
    """Rows that were seen as they stand, in no more poses than settle the way round.

    Where a view is sure of the way round, the pose that it names is looked at too, or the row
    turned where it is that pose already; when that view is as sure of the same, no others are.
    """
    views = [{0: seen.view} for seen in rows]
    named = [_named(seen.view) for seen in rows]
    second = [0 if k is None else k or CONTROL for k in named]
    _view_poses(picture, rows, views, [(pose,) for pose in second])
    settled = [
        k is not None and _named(seen[pose]) == k ^ pose
        for k, pose, seen in zip(named, second, views, strict=True)
    ]
    _view_poses(picture, rows, views, [() if done else range(N_POSES) for done in settled])
    return _posed(rows, views)


def _named(view: StripView) -> int | None:
    """The pose that a view is sure of."""
    best = int(np.argmax(view.pose_logp))
    return best if view.pose_logp[best] >= math.log(SURE_VOTE) else None


def _view_poses(
    picture: Picture,
    rows: Sequence[SeenRow],
    views: Sequence[dict[int, StripView]],
    poses: Sequence[Iterable[int]],
) -> None:
    """Add to each row's views those of its poses that are not among them."""
    missing = [(i, k) for i, asked in enumerate(poses) for k in asked if k not in views[i]]
    seen = view_strips(
        [flip(picture.shown(rows[i].strip.pixels), k) for i, k in missing],
        rooms_px=[rows[i].strip.room_px for i, _ in missing],
    )
    for (i, k), view in zip(missing, seen, strict=True):
        views[i][k] = view


def _posed(rows: Sequence[SeenRow], views: Sequence[Mapping[int, StripView]]) -> list[PosedStrip]:
    posed = []
    for row, seen in zip(rows, views, strict=True):
        prior = _mirrored_prior(row.row.mirrored)
        posed.append(PosedStrip(seen, normalise_log(pose_scores(seen) + prior), prior))
    return posed


def _mirrored_prior(cut_mirrored: bool) -> NDArray[np.float64]:
    """(4,) log prior of the poses: a strip cut as mirrored is undone by poses 2 and 3."""
    undone = np.array([False, False, True, True])
    mirrored = undone != cut_mirrored
    return np.where(mirrored, math.log(MIRRORED_PRIOR), math.log(1 - MIRRORED_PRIOR))


def best_way_round(
    picture: Picture, found: tuple[SeenRow, ...]
) -> tuple[tuple[SeenRow, ...], NDArray[np.float64]]:
    """The rows in the common pose that people read, and the log-probability of each pose then.

    People read the pose that is most probable when the usual ways to write marks count, too
    (``marks.usual``). The log-probabilities do without: they are evidence for one animal or
    another.
    """
    posed = look(picture, found)
    # Two rows of one ear share the way they were photographed: its prior counts once.
    logp = normalise_log(np.sum([p.logp - p.prior for p in posed], axis=0) + posed[0].prior)
    usual = [_log_usual(from_top([p.views[k] for p in posed], k)) for k in range(N_POSES)]
    best = int(np.argmax(logp + usual))
    upright = tuple(
        uprighted(picture, seen.row, best, looked.views[best])
        for seen, looked in zip(found, posed, strict=True)
    )
    return from_top(upright, best), logp[np.arange(N_POSES) ^ best]


def uprighted(picture: Picture, row: Row, pose: int, view: StripView) -> SeenRow:
    """A row with a pose undone, and what was seen in that pose."""
    upright = posed_row(row, pose)
    return SeenRow(upright, cut_strip(picture.levels, upright, not_seen=picture.not_seen), view)


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
