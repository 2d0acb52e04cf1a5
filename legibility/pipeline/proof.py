"""A photo of a punched card: dots, the reader, the herd's dies, and the mark that is meant."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, index_of
from legibility.containers import Points
from legibility.errors import PhotoError
from legibility.locate.rectify import STRIP_HEIGHT_PX, STRIP_WIDTH_PX
from legibility.photo.load import load_photo
from legibility.pipeline.card_or_ear import is_surely_card
from legibility.pipeline.seen_rows import PRESENT, Picture, SeenRow, view_rows
from legibility.pipeline.sighting import Sighting, posed_rows, sight_mark
from legibility.read.card_dots import find_dots, redraw
from legibility.read.card_ink import LEAST_INK, ink_at
from legibility.read.die_match import DieMatch, match_die, same_turned, turned, unknown_loglik
from legibility.read.learned_dies import LearnedDies, merge
from legibility.read.network import Place, StripView, flip, view_strips
from legibility.risk.card import UNJUDGED, CardPlace, CardView, NeedleState, Proof, Verdict
from legibility.risk.proof import UNTOLD, prove
from legibility.settings import Settings

POSE_FLOOR: Final = math.log(1e-3)
"""Choice: ways round less probable than this are not compared."""
NETWORK_FLOOR: Final = math.log(1e-6)
"""Choice: the reader alone rules no character out further than this."""
OWNED_SHARE: Final = 0.97
"""Choice: share of a card's dots that belong to its dies, where it is said how many there are."""
LEAST_PAIRS: Final = 4
"""Choice: dots, and half of a die's needles, by which its others are looked for in the photo."""
UNEVEN: Final = 1.9
"""Choice: between dies of a row the widest step over the narrowest; a missed die leaves 2."""
OTHER_DIE: Final = 0.05
"""Choice: chance that the herd owns another die of a character than those it was taught."""


@dataclass(frozen=True, slots=True)
class CardProof:
    """The answer and what the card teaches."""

    photo: str
    sha256: str
    proof: Proof
    learned: LearnedDies
    """The known dies and those this card shows without doubt."""
    new: str
    """Characters whose die this card taught or confirmed."""
    said_of_mark: tuple[str, ...] = ()
    """Who carries the mark already, and whether it is of a form in use; a sentence each."""


def prove_card(
    path: Path,
    mark: str,
    *,
    dies: LearnedDies | None = None,
    settings: Settings | None = None,
) -> CardProof:
    """Compare the photo of a punched card with the mark that is meant.

    Parameters
    ----------
    path : Path
        Photo of the card: dots of ink or holes, any angle, from the front or the back.
    mark : str
        As it is meant, ``AB/123``.
    dies : LearnedDies, optional
        The herd's dies, as far as earlier cards taught them.
    settings : Settings, optional

    Raises
    ------
    PhotoError
        If the file cannot be used as a photo, or shows no card with dots.
    ValueError
        If the mark is not well formed.
    """
    settings = settings or Settings()
    known = dies or LearnedDies()
    photo = load_photo(path, settings=settings)
    dots = find_dots(photo.pixels)
    surely_card = is_surely_card(photo.name, dots, side_px=max(photo.pixels.shape[:2]))
    pixels, scale, origin = redraw(dots)
    sighting = sight_mark(pixels)
    points = (dots.centres - np.array(origin)) * scale
    if not sighting.rows:
        raise PhotoError(
            f"{photo.name}: {len(dots.centres)} dots, but no characters among them; photograph "
            "the punched card from straight above, with the mark alone in the picture"
        )
    seen = _Dots(points, dots.centres, partial(ink_at, photo.pixels, dots))
    looks = [_look(pixels, sighting, pose, seen, known) for pose in _poses(sighting)]
    views = [view for view, _ in looks]
    proof = prove(mark, views, settings=settings)
    proof = proof if surely_card else _untold(proof)
    taught = _teaches(proof, looks)
    return CardProof(
        photo=photo.name,
        sha256=photo.sha256,
        proof=proof,
        learned=merge(known, taught),
        new="".join(character for character, _ in taught),
    )


def _untold(proof: Proof) -> Proof:
    """The answer where a photo may show an ear: no verdict on dies, whatever was read."""
    return replace(
        proof,
        verdict=Verdict.CANNOT_TELL,
        sentence=(
            "cannot tell whether this is a card: no corner of it is in the picture, and the ground "
            "between the dots is not as even as plain paper; photograph it again with two of its "
            "corners in view, on a table of another colour (for ears: legibility read)"
        ),
        probability=min(proof.probability, UNTOLD),
        dies=(),
        swapped=None,
    )


def _poses(sighting: Sighting) -> list[int]:
    order = np.argsort(-sighting.pose_logp, kind="stable")
    return [int(k) for k in order if sighting.pose_logp[k] > POSE_FLOOR or k == order[0]]


_Cells = list[tuple[int, int, Points]]


@dataclass(frozen=True, slots=True)
class _Dots:
    """The dots of a card or of one die."""

    points: Points
    """(n, 2) in the picture drawn anew, or for one die in heights of its row's characters."""
    centres: Points
    """(n, 2) the same dots in the photo."""
    ink: Callable[[Points], NDArray[np.float64]]
    """How much of a dot is seen at points of the photo, 1 for a usual one."""


def _look(
    pixels: NDArray[np.uint8], sighting: Sighting, pose: int, dots: _Dots, known: LearnedDies
) -> tuple[CardView, dict[tuple[int, int], Points]]:
    """One way to see the card, and the dots of each place in heights."""
    rows = view_rows(Picture(pixels), posed_rows(sighting, pose))
    kept = [row for row in rows if any(place.presence >= PRESENT for place in row.view.places)]
    cells = _dots_of_cells(kept, dots)
    placed, shown = [], {}
    for r, row in enumerate(kept):
        over = view_strips([flip(row.strip.pixels, 1)], rooms_px=[row.strip.room_px])[0]
        places = [place for place in row.view.places if place.presence >= PRESENT]
        line: list[CardPlace] = []
        for i, place in enumerate(places):
            own = cells[r][i]
            if len(own.points) < 2:
                continue
            shown[(r + 1, len(line) + 1)] = own.points
            line.append(_card_place(place, _turned_logp(over, place), own, known))
        placed.append(tuple(line))
    view = CardView(
        float(sighting.pose_logp[pose]),
        tuple(row for row in placed if row),
        mirrored=bool(kept and kept[0].row.mirrored),
        whole=_is_whole(kept, sum(map(len, shown.values())), len(dots.points)),
    )
    return view, shown


def _is_whole(rows: Sequence[SeenRow], owned: int, dots: int) -> bool:
    """Whether places own nearly all dots and stand evenly, so that none was missed or split."""
    if owned < OWNED_SHARE * dots:
        return False
    for row in rows:
        middles = [place.box.x_center for place in row.view.places if place.presence >= PRESENT]
        gaps = np.diff(np.sort(middles))
        if len(gaps) > 1 and gaps.max() > UNEVEN * gaps.min():
            return False
    return True


def _turned_logp(over: StripView, place: Place) -> NDArray[np.float64]:
    """What the reader sees at a place of the strip turned by 180 degrees."""
    x = STRIP_WIDTH_PX - 1 - place.box.x_center
    near = [p for p in over.places if abs(p.box.x_center - x) < 0.4 * place.box.height_px]
    if not near:
        return np.full(N_CHARACTERS, -math.log(N_CHARACTERS))
    return min(near, key=lambda p: abs(p.box.x_center - x)).logp


def _dots_of_cells(rows: Sequence[SeenRow], dots: _Dots) -> list[list[_Dots]]:
    """For each row and present place its dots, in heights of the row's characters."""
    across, along, heights = [], [], []
    for row in rows:
        inverse = np.linalg.inv(row.strip.to_photo)
        strip = dots.points @ inverse[:2, :2].T + inverse[:2, 2]
        bent = strip[:, 1] + row.strip.bend_per_px * (strip[:, 0] - (STRIP_WIDTH_PX - 1) / 2) ** 2
        along.append(np.stack([strip[:, 0], bent], axis=1))
        across.append(np.abs(bent - (STRIP_HEIGHT_PX - 1) / 2) / _height(row))
        heights.append(_height(row))
    nearest = np.argmin(across, axis=0)
    out = []
    for r, row in enumerate(rows):
        index = np.flatnonzero((nearest == r) & (across[r] < 0.9))
        mine = along[r][index]
        middles = np.array([p.box.x_center for p in row.view.places if p.presence >= PRESENT])
        gap = np.abs(mine[:, 0:1] - middles[None, :])
        owner = gap.argmin(axis=1) if len(mine) else np.zeros(0, np.intp)
        close = gap.min(axis=1) < 0.75 * heights[r] if len(mine) else np.zeros(0, bool)
        groups = [np.flatnonzero((owner == i) & close) for i in range(len(middles))]
        # The dies of a set are equally high; the middle one of the row is the measure.
        spans = [float(np.ptp(mine[group, 1])) for group in groups if len(group) > 3]
        size = max(float(np.median(spans)) if spans else heights[r], 1e-6)
        out.append(
            [_Dots(mine[group] / size, dots.centres[index[group]], dots.ink) for group in groups]
        )
    return out


def _height(row: SeenRow) -> float:
    return float(np.median([p.box.height_px for p in row.view.places if p.presence >= PRESENT]))


def _card_place(
    place: Place, over: NDArray[np.float64], own: _Dots, known: LearnedDies
) -> CardPlace:
    """Likelihoods of a place: the reader's, and those of the dies that are known."""
    points = own.points
    unknown = unknown_loglik(len(points))
    upright = np.maximum(place.logp, NETWORK_FLOOR) + unknown
    upside = np.maximum(over, NETWORK_FLOOR) + unknown
    needles = [UNJUDGED] * N_CHARACTERS
    for character in known.characters:
        index = index_of(character)
        matches = [(match_die(points, die.needles), die) for die in known.of(character)]
        over_matches = [match_die(points, turned(die.needles)) for die in known.of(character)]
        best, die = max(matches, key=lambda one: one[0].loglik)
        other = math.log(OTHER_DIE)
        plain = best.loglik > upright[index] + other
        upright[index] = np.logaddexp(best.loglik, upright[index] + other)
        over_best = max(match.loglik for match in over_matches)
        upside[index] = np.logaddexp(over_best, upside[index] + other)
        if plain:
            needles[index] = _state(best, die.needles, own)
    return CardPlace(upright, upside, tuple(needles), same_turned(points))


def _state(match: DieMatch, needles: Points, own: _Dots) -> NeedleState:
    """What became of the needles; where there is ink a dot was only not found by itself."""
    if match.stray and not match.missing and not match.bent:
        # It has more needles than its pattern: that was learned from a photo which lacked some.
        return UNJUDGED
    lost = np.array(match.missing, dtype=np.intp)
    inked = np.zeros(len(lost), dtype=np.bool_)
    if len(lost) and len(match.pairs) < max(LEAST_PAIRS, len(needles) / 2):
        return UNJUDGED
    if len(lost):
        paired, at = np.array(match.pairs).T
        sides = [np.column_stack([needles[k], np.ones(len(k))]) for k in (paired, lost)]
        to_photo, *_ = np.linalg.lstsq(sides[0], own.centres[at], rcond=None)
        inked = own.ink(sides[1] @ to_photo) >= LEAST_INK
    return NeedleState(
        judged=True,
        expected=len(match.pairs) + len(lost) + len(match.bent),
        missing=int((~inked).sum()),
        bent=len(match.bent),
        together=int(inked.sum()),
    )


def _teaches(
    proof: Proof, looks: Sequence[tuple[CardView, dict[tuple[int, int], Points]]]
) -> list[tuple[str, Points]]:
    """Dies of a card that is right; one with a needle bent or not seen apart teaches nothing."""
    if proof.verdict not in (Verdict.RIGHT, Verdict.NEEDLE):
        return []
    wanted = [sum(die.row == r for die in proof.dies) for r in sorted({d.row for d in proof.dies})]
    fitting = [look for look in looks if [len(row) for row in look[0].rows] == wanted]
    _, shown = max(fitting, key=lambda look: look[0].logp)
    return [
        (die.found, shown[(die.row, die.cell)])
        for die in proof.dies
        if not die.needles.faulty and not die.needles.together and die.found in CHARACTERS
    ]
