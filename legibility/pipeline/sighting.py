"""Which rows of the picture are the mark, and which way round: locate and read, taking turns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, Mask, RowStrip, Spot
from legibility.locate.rows import Row, axis_offence, link_rows
from legibility.locate.spotter import Pyramid, look_coarsely
from legibility.pipeline.poses import best_way_round, glance, uprighted
from legibility.pipeline.print_rows import PAGE_ROWS, is_page, is_print, long_rows
from legibility.pipeline.second_row import is_beside, stacked_rows, with_second_row
from legibility.pipeline.seen_rows import (
    Picture,
    SeenRow,
    evidence_of,
    from_top,
    place_evidence,
    posed_row,
    presence,
    refined,
    view_rows,
)
from legibility.read.network import N_POSES, StripView

ROWS_TRIED: Final = 6
"""Choice: row candidates the reader looks at; where characters are shows in any pose, so each
costs one run."""
RIVAL_ROWS: Final = 4
"""Choice: most row candidates looked at in other poses."""
RIVAL_SHARE: Final = 0.5
"""Choice: a row that promises this share of what the best one does is its rival: a column through
the rows of a short mark shows as many characters as a row."""
NOTHING_SEEN: Final = 0.3
"""Choice: a row that holds fewer characters than this is none in any pose."""
LEFT_BEHIND: Final = 0.6
"""Choice: a rival that is worth less than this share of the best one is not looked at further."""
AXIS_WEIGHT: Final = 0.5
"""Choice: share of its evidence that a mark loses whose characters all stand across its rows."""
COARSE_EVIDENCE: Final = 1.6
"""Choice: with less than about two clear characters the finest level is looked at, too."""
HOPELESS: Final = 0.6
"""Choice: evidence below this is refused as no mark (``mark.json``); whether it is print is not
asked, and the photo is looked at by redness, too."""
SMALL_PX: Final = 640
"""Choice: pictures up to this side are looked at on all levels, as it costs little."""
SETTLED_POSE: Final = 0.999
"""Choice: a pose this probable is not asked for again when the row is laid anew."""
POSE_FLOOR: Final = 0.02
"""Choice: poses less probable than this are not looked at."""
DOUBTFUL: Final = 0.75
"""Choice: with less evidence per character than this, another layout is tried."""
WRONG_CLEARNESS: Final = 0.35
"""Choice: about what a place shows that is no character."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """A mark candidate, upright in the pose that people read."""

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
    """The picture holds many parallel rows, or a longer one than marks have, as print does."""
    by_redness: bool = False
    """The mark was found in the redness of the photo, not in its colours."""


def sight_mark(pixels: ColorImage, *, not_seen: Mask | None = None) -> Sighting:
    """Find the mark of a photo.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB
    not_seen : mask over the photo at any scale, True under glare or hair
    """
    plain = _sight(Picture(pixels, not_seen))
    if plain.page_like or plain.evidence >= COARSE_EVIDENCE:
        return plain
    other = _sight(Picture(pixels, not_seen, by_redness=True))
    return other if other.evidence > plain.evidence else plain


def _sight(picture: Picture) -> Sighting:
    """The mark in one way to see the photo."""
    pyramid = look_coarsely(picture.pixels, shown=picture.shown)
    spots, seen, marks = _rows_through(picture, pyramid.coarse)
    evidence = max((mark.worth for mark in marks), default=0.0)
    if evidence < COARSE_EVIDENCE or _finest_is_due(pyramid):
        everything = pyramid.all_spots()
        if everything != spots:
            spots, seen, marks = _rows_through(picture, everything)
    tried, page = tuple(row.strip for row in seen), is_page(link_rows(spots))
    if not marks:
        uniform = np.log(np.full(N_POSES, 1 / N_POSES))
        return Sighting((), uniform, 0.0, spots, tried, page, picture.by_redness)
    best = max(marks, key=lambda mark: mark.worth)
    if _doubtful(best.rows):
        best = max([best, *_stacked(picture, best.rows)], key=_clear_worth)
    found, pose = best.rows, best.pose_logp
    if len(found) > 1 or float(pose.max()) < math.log(SETTLED_POSE):
        found, pose = best_way_round(picture, found)
    shown = evidence_of(found)
    return Sighting(
        rows=found,
        pose_logp=pose,
        evidence=shown,
        spots=spots,
        tried=tried,
        page_like=page or (shown >= HOPELESS and is_print(picture, found)),
        by_redness=picture.by_redness,
    )


def _finest_is_due(pyramid: Pyramid) -> bool:
    """Whether the finest level costs little, or the picture may be a page of print."""
    lines = len(long_rows(link_rows(pyramid.coarse)))
    return max(pyramid.finest.shape[:2]) <= SMALL_PX or lines >= PAGE_ROWS - 1


@dataclass(frozen=True, slots=True)
class _Mark:
    """A candidate for the mark."""

    rows: tuple[SeenRow, ...]
    """In their best pose."""
    pose_logp: NDArray[np.float64]
    """(4,) log-probability of each pose then."""
    worth: float
    """Evidence, less where the spotter's axes stand across the row."""


def _rows_through(
    picture: Picture, spots: tuple[Spot, ...]
) -> tuple[tuple[Spot, ...], tuple[SeenRow, ...], list[_Mark]]:
    """The spots, the row candidates through them as seen, and the likeliest marks of these."""
    seen = view_rows(picture, link_rows(spots)[:ROWS_TRIED])
    return spots, seen, _marks(picture, seen)


def _marks(picture: Picture, seen: Sequence[SeenRow]) -> list[_Mark]:
    """The likeliest marks among row candidates, each with what it is worth."""
    promised = [_promise(row, seen) for row in seen]
    ranked = sorted(range(len(seen)), key=lambda i: -promised[i])[:RIVAL_ROWS]
    rivals = [
        seen[i]
        for i in ranked
        if promised[i] >= RIVAL_SHARE * promised[ranked[0]] and presence(seen[i]) >= NOTHING_SEEN
    ]
    looked = glance(picture, rivals)
    worth = [
        _worth(row.row, [posed.views[posed.best]])
        for row, posed in zip(rivals, looked, strict=True)
    ]
    marks: list[_Mark] = []
    for row, posed, alone in zip(rivals, looked, worth, strict=True):
        if alone < LEFT_BEHIND * max(worth):
            continue
        upright = uprighted(picture, row.row, posed.best, posed.views[posed.best])
        (first,) = refined(picture, (upright,))
        found = with_second_row(picture, first, beside=[other.row for other in seen])
        whole = _worth(row.row, [one.view for one in found])
        marks.append(_Mark(found, posed.logp[np.arange(N_POSES) ^ posed.best], whole))
    return marks


def _doubtful(rows: Sequence[SeenRow]) -> bool:
    """Whether the characters are too unclear for the way they were laid."""
    return evidence_of(rows) < DOUBTFUL * sum(map(presence, rows))


def _stacked(picture: Picture, rows: Sequence[SeenRow]) -> list[_Mark]:
    """The other layout of the same dots, when it is one."""
    laid = stacked_rows(picture, rows)
    if not laid:
        return []
    found, pose = best_way_round(picture, laid)
    return [_Mark(found, pose, evidence_of(found))]


def _clear_worth(mark: _Mark) -> float:
    """Evidence of a mark, less what as many places of a wrong layout would show."""
    return mark.worth - WRONG_CLEARNESS * sum(map(presence, mark.rows))


def _worth(candidate: Row, views: Sequence[StripView]) -> float:
    """Evidence of the rows found, less where the candidate's spots stand across it."""
    evidence = sum(place_evidence(view.places) for view in views)
    return evidence * (1 - AXIS_WEIGHT * axis_offence(candidate))


def _promise(seen: SeenRow, others: Sequence[SeenRow]) -> float:
    """What the reader finds in a row, and in a second row beside it, and what the spotter found."""
    beside = [_alone(other) for other in others if is_beside(seen.row, other.row)]
    return _alone(seen) + max(beside, default=0.0)


def _alone(seen: SeenRow) -> float:
    found = presence(seen) * (1 - AXIS_WEIGHT * axis_offence(seen.row))
    return found + max(0.0, seen.row.score)


def posed_rows(sighting: Sighting, pose: int) -> tuple[Row, ...]:
    """The sighted rows with a pose undone, from top to bottom."""
    rows = tuple(posed_row(seen.row, pose) for seen in sighting.rows)
    return from_top(rows, pose)
