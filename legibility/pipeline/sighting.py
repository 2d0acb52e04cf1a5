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
from legibility.locate.rows import HEIGHT_RATIO, Row, axis_offence, link_rows, row_through
from legibility.locate.spotter import Pyramid, look_coarsely
from legibility.networks import redness
from legibility.probability import normalise_log
from legibility.read.network import N_POSES, Place, StripView, flip, view_strips

PRESENT: Final = 0.35
"""Choice: a place this likely to hold a character counts when rows are laid again."""
ROWS_TRIED: Final = 6
"""Choice: row candidates the reader looks at; where characters are shows in any pose, so each
costs one run."""
RIVAL_ROWS: Final = 4
"""Choice: most row candidates looked at in the other three poses."""
RIVAL_SHARE: Final = 0.5
"""Choice: a row that promises this share of what the best one does is its rival: a column through
the rows of a short mark shows as many characters as a row."""
LEFT_BEHIND: Final = 0.6
"""Choice: a rival that is worth less than this share of the best one is not looked at further."""
AXIS_WEIGHT: Final = 0.5
"""Choice: share of its evidence that a mark loses whose characters all stand across its rows."""
COARSE_EVIDENCE: Final = 1.6
"""Choice: with less than about two clear characters the finest level is looked at, too."""
SMALL_PX: Final = 640
"""Choice: pictures up to this side are looked at on all levels, as it costs little."""
SETTLED_POSE: Final = 0.999
"""Choice: a pose this probable is not asked for again when the row is laid anew."""
MIRRORED_PRIOR: Final = 0.3
"""Choice: share of photos taken from behind, with light through the ear."""
EVIDENCE_WEIGHT: Final = 1.0
"""Choice: weight of each readable character in the log-probability of a pose."""
POSE_FLOOR: Final = 0.02
"""Choice: poses less probable than this are not looked at."""
SECOND_ROW_EVIDENCE: Final = 0.6
"""Choice: what a second row must show; about one clear character."""
SECOND_ROW_CLEAR: Final = 0.55
"""Choice: presence times certainty that one of its characters must reach; wrinkles sum up to a
row, too, but none of them is clear."""
SECOND_ROW_STEP: Final = 1.45
"""Choice: heights from the first row to a second one; the strip shows 1.1 to 1.8."""
BESIDE_STEPS: Final = (0.9, 2.2)
"""Choice: heights from one row's line to the middle of the other."""
BESIDE_TURN_DEG: Final = 15.0
"""Choice: turn between the two rows of a mark, which are pressed one after the other."""
PROBE_LENGTH: Final = 3.0
"""Choice: least length in heights that is searched for a second row."""
PAGE_ROWS: Final = 4
"""Choice: a mark has one or two rows; this many parallel ones are print."""
PAGE_ROW_SPOTS: Final = 3


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo, and how the networks are shown it."""

    pixels: ColorImage
    """(height, width, 3) uint8 RGB."""
    not_seen: Mask | None = None
    """Over the photo at any scale, True under glare or hair."""
    by_redness: bool = False
    """The networks see redness instead of colour: ink that is as bright as the skin."""

    def shown(self, pixels: ColorImage) -> ColorImage:
        """A part of the photo as the networks are shown it."""
        return redness(pixels) if self.by_redness else pixels


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
    by_redness: bool = False
    """The mark was found in the redness of the photo, not in its colours."""


def place_evidence(places: Sequence[Place]) -> float:
    """Presence times certainty (1 - relative entropy of the character), summed."""
    return sum(map(_clearness, places))


def _clearness(place: Place) -> float:
    entropy = -float((np.exp(place.logp) * place.logp).sum())
    return place.presence * (1 - entropy / math.log(N_CHARACTERS))


@dataclass(frozen=True, slots=True)
class _Posed:
    """A strip looked at in all four poses."""

    views: tuple[StripView, ...]
    logp: NDArray[np.float64]
    """(4,) log-probability of each pose of the strip."""
    prior: NDArray[np.float64]
    """(4,) the part of it that is not from this strip."""

    @property
    def best(self) -> int:
        return int(np.argmax(self.logp))


def _pose_scores(views: Sequence[StripView]) -> NDArray[np.float64]:
    """(4,) unnormalised log-probability of each pose from the views of one strip in all poses.

    Poses form Klein's four-group, so the view that undoes pose ``j`` of a strip in pose ``k`` is in
    pose ``j ^ k``: each view votes on all four. Averaged, the votes have no preference for the pose
    the network saw most in training. What is readable upright seldom is readable another way round,
    so the evidence of the characters counts too.
    """
    votes = [[views[j].pose_logp[k ^ j] for k in range(N_POSES)] for j in range(N_POSES)]
    evidence = np.array([place_evidence(view.places) for view in views])
    return np.asarray(np.mean(votes, axis=0) + EVIDENCE_WEIGHT * evidence)


def _look(
    picture: Picture,
    strips: Sequence[RowStrip],
    mirrored: NDArray[np.bool_],
    known: Sequence[tuple[int, StripView]] = (),
) -> list[_Posed]:
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
        view_strips([flip(picture.shown(strips[i].pixels), k) for i, k in missing]),
        strict=True,
    ):
        have[i][k] = view
    posed = []
    for i, views in enumerate(have):
        own = tuple(views[k] for k in range(N_POSES))
        prior = _mirrored_prior(bool(mirrored[i]))
        posed.append(_Posed(own, normalise_log(_pose_scores(own) + prior), prior))
    return posed


def _mirrored_prior(cut_mirrored: bool) -> NDArray[np.float64]:
    """(4,) log prior of the poses: a strip cut as mirrored is undone by poses 2 and 3."""
    undone = np.array([False, False, True, True])
    mirrored = undone != cut_mirrored
    return np.where(mirrored, math.log(MIRRORED_PRIOR), math.log(1 - MIRRORED_PRIOR))


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
        spots, seen, marks = _rows_through(picture, pyramid.all_spots())
    rows = link_rows(spots)
    if not marks:
        uniform = np.log(np.full(N_POSES, 1 / N_POSES))
        return Sighting((), uniform, 0.0, spots, (), False, picture.by_redness)
    best = max(marks, key=lambda mark: mark.worth)
    found, pose = best.rows, best.pose_logp
    if len(found) > 1 or float(pose.max()) < math.log(SETTLED_POSE):
        found, pose = _best_way_round(picture, found)
    return Sighting(
        rows=found,
        pose_logp=pose,
        evidence=_evidence(found),
        spots=spots,
        tried=tuple(row.strip for row in seen),
        page_like=_is_page(rows),
        by_redness=picture.by_redness,
    )


def _mirrored(rows: Sequence[SeenRow]) -> NDArray[np.bool_]:
    return np.array([seen.row.mirrored for seen in rows], dtype=np.bool_)


def _presence(seen: SeenRow) -> float:
    return sum(place.presence for place in seen.view.places)


def _evidence(found: Sequence[SeenRow]) -> float:
    return sum(place_evidence(row.view.places) for row in found)


def _finest_is_due(pyramid: Pyramid) -> bool:
    """Whether the finest level costs little, or the picture may be a page of print."""
    long = [row for row in link_rows(pyramid.coarse) if len(row.spots) >= PAGE_ROW_SPOTS]
    return max(pyramid.finest.shape[:2]) <= SMALL_PX or len(long) >= PAGE_ROWS - 1


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
    ranked = sorted(seen, key=_promise, reverse=True)[:RIVAL_ROWS]
    rivals = [row for row in ranked if _promise(row) >= RIVAL_SHARE * _promise(ranked[0])]
    strips = [row.strip for row in rivals]
    looked = _look(picture, strips, _mirrored(rivals), [(0, r.view) for r in rivals])
    worth = [
        _worth(row.row, [posed.views[posed.best]])
        for row, posed in zip(rivals, looked, strict=True)
    ]
    marks = []
    for row, posed, alone in zip(rivals, looked, worth, strict=True):
        if alone < LEFT_BEHIND * max(worth):
            continue
        upright = _uprighted(picture, row.row, posed)
        (first,) = _refined(picture, (upright,))
        found = with_second_row(picture, first, beside=[other.row for other in seen])
        whole = _worth(row.row, [one.view for one in found])
        marks.append(_Mark(found, posed.logp[np.arange(N_POSES) ^ posed.best], whole))
    return marks


def _worth(candidate: Row, views: Sequence[StripView]) -> float:
    """Evidence of the rows found, less where the candidate's spots stand across it."""
    evidence = sum(place_evidence(view.places) for view in views)
    return evidence * (1 - AXIS_WEIGHT * axis_offence(candidate))


def _promise(seen: SeenRow) -> float:
    """What the reader finds in a row and what the spotter found."""
    return _presence(seen) + max(0.0, seen.row.score)


def _uprighted(picture: Picture, row: Row, posed: _Posed) -> SeenRow:
    """A row in its most probable pose."""
    upright = _posed(row, posed.best)
    strip = cut_strip(picture.pixels, upright, not_seen=picture.not_seen)
    return SeenRow(upright, strip, posed.views[posed.best])


def _best_way_round(
    picture: Picture, found: tuple[SeenRow, ...]
) -> tuple[tuple[SeenRow, ...], NDArray[np.float64]]:
    """The rows in their most probable common pose, and the log-probability of each pose then."""
    rows = [seen.row for seen in found]
    strips = [seen.strip for seen in found]
    posed = _look(picture, strips, _mirrored(found), [(0, s.view) for s in found])
    # Two rows of one ear share the way they were photographed: its prior counts once.
    logp = normalise_log(np.sum([p.logp - p.prior for p in posed], axis=0) + posed[0].prior)
    best = int(np.argmax(logp))
    upright = tuple(
        SeenRow(
            _posed(row, best),
            cut_strip(picture.pixels, _posed(row, best), not_seen=picture.not_seen),
            looked.views[best],
        )
        for row, looked in zip(rows, posed, strict=True)
    )
    turned = best in (1, 3)
    return upright[::-1] if turned else upright, logp[np.arange(N_POSES) ^ best]


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


def with_second_row(
    picture: Picture, first: SeenRow, *, beside: Sequence[Row] = ()
) -> tuple[SeenRow, ...]:
    """The row and, where there is one, its neighbour above or below, from top to bottom.

    Parameters
    ----------
    picture
    first : a row in its pose
    beside : row candidates in any pose; those that lie beside the first are tried, too
    """
    up = _up(first.row)
    step = SECOND_ROW_STEP * first.row.height_px
    probes = [
        replace(
            first.row,
            x=first.row.x + side * step * float(up[0]),
            y=first.row.y + side * step * float(up[1]),
            length_px=max(first.row.length_px, PROBE_LENGTH * first.row.height_px),
        )
        for side in (1.0, -1.0)
    ]
    probes += [_like(first.row, row) for row in beside if _is_beside(first.row, row)]
    looked = view_rows(picture, tuple(probes))
    strongest = max(looked, key=lambda seen: place_evidence(seen.view.places))
    if place_evidence(strongest.view.places) < SECOND_ROW_EVIDENCE:
        return (first,)
    (second,) = _refined(picture, (strongest,))
    clearest = max(map(_clearness, second.view.places), default=0.0)
    weak = place_evidence(second.view.places) < SECOND_ROW_EVIDENCE
    if weak or clearest < SECOND_ROW_CLEAR or not _apart(first, second):
        return (first,)
    return (second, first) if _height_above(first.row, second.row) > 0 else (first, second)


def _up(row: Row) -> NDArray[np.float64]:
    angle = math.radians(row.angle_deg)
    return np.array([-math.sin(angle), -math.cos(angle)])


def _height_above(first: Row, other: Row) -> float:
    """How far another row's middle lies above the first's line, in heights."""
    offset = np.array([other.x - first.x, other.y - first.y])
    return float(offset @ _up(first)) / first.height_px


def _is_beside(first: Row, other: Row) -> bool:
    """Whether a row candidate may be the other row of a mark of two."""
    turn = abs(math.remainder(other.angle_deg - first.angle_deg, 180.0))
    away = abs(_height_above(first, other))
    apart = math.hypot(other.x - first.x, other.y - first.y)
    reach = (first.length_px + other.length_px) / 2 + 2 * first.height_px
    ratio = other.height_px / first.height_px
    return (
        turn < BESIDE_TURN_DEG
        and BESIDE_STEPS[0] < away < BESIDE_STEPS[1]
        and apart < reach
        and 1 / HEIGHT_RATIO < ratio < HEIGHT_RATIO
    )


def _like(first: Row, other: Row) -> Row:
    """Another row in the pose of the first."""
    turned = abs(math.remainder(other.angle_deg - first.angle_deg, 360.0)) > 90.0
    upright = _posed(other, 1) if turned else other
    return replace(upright, mirrored=first.mirrored)


def _apart(first: SeenRow, second: SeenRow) -> bool:
    """Whether the second row, laid again, still lies beside the first and not upon it."""
    gap = math.hypot(first.row.x - second.row.x, first.row.y - second.row.y)
    return gap > 0.8 * min(first.row.height_px, second.row.height_px)


def strip_to_photo(strip: RowStrip, x: float, y: float) -> tuple[float, float]:
    """Photo coordinates of a strip point."""
    straight = y - strip.bend_per_px * (x - (STRIP_WIDTH_PX - 1) / 2) ** 2
    point = strip.to_photo @ np.array([x, straight, 1.0])
    return float(point[0] / point[2]), float(point[1] / point[2])


def _refined(picture: Picture, rows: tuple[SeenRow, ...]) -> tuple[SeenRow, ...]:
    """Rows laid again through the characters the reader found in them."""
    laid = []
    for seen in rows:
        strip = cut_strip(picture.pixels, seen.row, not_seen=picture.not_seen)
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
    return view_rows(picture, tuple(laid))


def view_rows(picture: Picture, rows: tuple[Row, ...]) -> tuple[SeenRow, ...]:
    """Rows cut out and read as they stand."""
    strips = [cut_strip(picture.pixels, row, not_seen=picture.not_seen) for row in rows]
    views = view_strips([picture.shown(strip.pixels) for strip in strips])
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
