"""Dots or holes in paper: every needle of a punched card with its place to a part of a pixel.

Paper is even, so a dot is a blob of one size on a plain ground. Blobs are extremes, in place and
size, of the difference of Gaussians (Lowe 2004, doi:10.1023/B:VISI.0000029664.99615.94); the mark
is the largest group of blobs of like size and strength that stand near each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage, Points
from legibility.read.card_ground import Patch, even_patches
from legibility.read.card_signs import (
    AROUND_RADII,
    FAR_RADII,
    NO_GROUND,
    Ground,
    ground_of,
)

SIDE_PX: Final = 1600
"""Choice: longest side of the picture in which dots are looked for."""
FAR_PX: Final = 500
"""Choice: the same where no clear group was found at first."""
SIGMAS: Final = tuple(1.0 * 2 ** (k / 3) for k in range(14))
"""Choice: sizes looked for, pixels; a disc of radius r answers most at sigma r / sqrt(2)."""
LEAST_RESPONSE: Final = 0.006
"""Choice: weakest blob kept, as a share of the picture's brightness range."""
SIZE_RATIO: Final = 1.45
"""Choice: dots of one set of dies differ in radius by less than this from their median."""
LOOSE_RATIO: Final = 1.75
"""Choice: how much smaller they may be beside dots of the mark."""
SMALL_RATIO: Final = 2.6
"""Choice: the same on paper so clean that a speck on it is a needle that hardly pricked."""
SPECKLESS: Final = 50.0
"""Choice: dots that stand out of their paper by so many times its unevenness are on such paper."""
SPREAD_RATIO: Final = 2.2
"""Choice: how much wider; ink that spreads makes a dot twice as wide as its neighbours."""
BESIDE_RADII: Final = 9.0
"""Choice: dots that touch seem larger; beside dots of the mark the size counts for less."""
STRENGTH_SHARE: Final = 0.4
"""Choice: dots weaker than this share of the group's median are stains of the paper."""
LINK_RADII: Final = 44.0
"""Choice: dots of one mark stand nearer than this to their neighbour; narrow dies leave gaps of up
to 1.1 heights, and a hole's radius is 1/40 of a height or more."""
CLEAN_ENOUGH: Final = 12.0
"""Choice: dots that stand out of the paper by this many times its unevenness are as clear as can
be; groups that stand out less count for less."""
LEAST_CLEAR: Final = 5.0
"""Measured on cards that lie on photographed gravel, bricks, grass and the like: nine dots of ten
stand out of the ground around them by 5.5 to 58 times its unevenness, half of the table's blobs by
less than 3.6 times."""
LEAST_CLEAR_EVEN: Final = 2.5
"""Choice: on an even patch there is no gravel; dots out of focus count."""
LEAST_DOTS: Final = 5
"""Choice: a die has no fewer needles."""
LEAST_GROUND: Final = 20
"""Choice: pixels needed to judge the ground around a blob."""
SMOOTH_RADII: Final = 0.5
"""Choice: blur before the unevenness of paper is measured, in radii of a dot."""
LEAST_SPREAD: Final = 0.004
"""Arithmetic: one of 256 levels of brightness."""
UNLIKE: Final = 0.45
"""Choice: dots of one card are alike; a group whose log-strengths spread as far counts for less."""
MOST_OF_MARK: Final = 250
"""Choice: four times the needles of a full mark (64: common practice, no source); more are
texture."""
CLUTTER: Final = 0.1
"""Choice: a group counts half where so much is seen between its dots."""
FRAMED: Final = 2.0
"""Choice: how much each corner adds to the worth of a group."""
NEAR_SHARE: Final = 0.7
"""Choice: a card that takes less of the picture's longest side is looked at once more, nearer."""
AROUND: Final = 0.06
"""Choice: what is cut out around it, of its own longest side."""
MOST_ENLARGED: Final = 2.0
"""Choice: dots of few pixels are looked for in a picture enlarged so far at most."""
NEARER: Final = 0.8
"""Choice: the nearer look counts unless what it finds is worth so much less."""
JUDGED: Final = 8
"""Choice: of the groups of a patch, those of most and strongest dots are judged."""
SEEDS: Final = 60
"""Choice: strongest blobs from which groups are grown."""
MOST_DOTS: Final = 400
"""Choice: strongest blobs looked at; a full mark has 64 (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class CardDots:
    """Dots of the mark on a card, in photo pixels."""

    centres: Points
    """(n, 2); empty when no group of dots was found."""
    radii_px: NDArray[np.float64]
    """(n,)."""
    shining: bool
    """Holes with light from behind, brighter than the paper."""
    contrast: float
    """Median difference between dot and paper, 0..1 of the brightness range."""
    unevenness: float
    """Spread of the paper's brightness between the dots, 0..1 of the brightness range."""
    stray: int
    """Blobs of the dots' size and strength that belong to no group: print, stains, texture."""
    worth: float
    """Number of dots, up to 80, times contrast times how clear they are, more with corners and less
    with clutter; compares groups."""
    corners: int = 0
    """Corners within the picture of the even patch on which they stand."""
    edged: bool = False
    """Whether a corner or a long straight side of that patch is in the picture."""
    share: float = 0.0
    """Share of the picture that the patch fills."""
    ground: Ground = NO_GROUND
    """What is seen between the dots."""

    @property
    def clean(self) -> float:
        """How far dots stand out of the paper, in units of its unevenness."""
        return self.contrast / max(self.unevenness, 1e-3)


def find_dots(pixels: ColorImage) -> CardDots:
    """The dots of the mark on a card.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB

    Returns
    -------
    CardDots
        Dark dots or shining holes, whichever stand out more; empty when there is no group.
    """
    whole = (slice(0, pixels.shape[0]), slice(0, pixels.shape[1]))
    best, card = _look(pixels, whole)
    if card is not None:
        near, _ = _look(pixels, card)
        best = near if near.corners and near.worth > NEARER * best.worth else best
    if best.ground.clutter > CLUTTER / 2:
        # Two large characters: their dots are wider than what was looked for.
        far, _ = _look(pixels, whole, side_px=FAR_PX)
        best = far if far.worth > best.worth else best
    return best


def _look(
    pixels: ColorImage, part: tuple[slice, slice], *, side_px: int = SIDE_PX
) -> tuple[CardDots, tuple[slice, slice] | None]:
    """The dots in a part of the picture, and where in it a card deserves a nearer look."""
    cut = pixels[part]
    scale = min(side_px / max(cut.shape[:2]), MOST_ENLARGED)
    if part[0].stop - part[0].start == pixels.shape[0] and part[1].stop == pixels.shape[1]:
        scale = min(scale, 1.0)
    small = _resized(cut, scale)
    gray = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY) / np.float32(255), dtype=np.float32)
    response = _responses(gray)
    patches = even_patches(small)
    best = CardDots(np.zeros((0, 2)), np.zeros(0), False, 0.0, 1.0, 0, 0.0)
    everywhere = np.ones(gray.shape, dtype=np.bool_)
    for shining, bright in ((False, 1.0 - gray), (True, gray)):
        answer = response if shining else -response
        peaks = _peaks(answer)
        for patch in patches:
            found = _group(bright, answer, peaks, patch, shining)
            if not len(found.centres):
                continue
            # Without an edge the picture must be of nothing but the card.
            inside = patch.inside if patch.edged else everywhere
            ground = ground_of(
                small,
                found.centres,
                found.radii_px,
                inside,
                around_radii=AROUND_RADII if patch.corners else FAR_RADII,
            )
            share = float(patch.inside.sum() / scale**2 / (pixels.shape[0] * pixels.shape[1]))
            worth = found.worth * (1 + FRAMED * found.corners)
            worth /= 1 + (ground.clutter / CLUTTER) ** 4
            if worth > best.worth:
                best = replace(found, worth=worth, ground=ground, share=share)
    corner = np.array([part[1].start, part[0].start])
    best = replace(
        best,
        centres=(best.centres + 0.5) / scale - 0.5 + corner,
        radii_px=best.radii_px / scale,
    )
    return best, _small_card(patches, scale)


def _small_card(patches: list[Patch], scale: float) -> tuple[slice, slice] | None:
    """The surroundings of the patch with most corners, where it is small."""
    framed = [patch for patch in patches if patch.corners > 1]
    if not framed:
        return None
    inside = max(framed, key=lambda patch: patch.corners).inside
    rows, columns = (np.flatnonzero(inside.any(axis=k)) for k in (1, 0))
    room = AROUND * max(np.ptp(rows), np.ptp(columns))
    if max(np.ptp(rows), np.ptp(columns)) + 2 * room > NEAR_SHARE * max(inside.shape):
        return None
    sides = []
    for places in (rows, columns):
        first, last = (places[0] - room) / scale, (places[-1] + room) / scale
        sides.append(slice(max(int(first), 0), int(last) + 1))
    return sides[0], sides[1]


def redraw(
    dots: CardDots, *, dot_radius_px: float = 4.0, paper: tuple[int, int, int] = (214, 176, 160)
) -> tuple[ColorImage, float, tuple[float, float]]:
    """The dots alone, dark on a plain ground of the colour of skin, as the reader knows marks.

    Returns
    -------
    pixels : (height, width, 3) uint8 RGB
    scale : float
        Pixels of this picture per photo pixel.
    origin : (float, float)
        Photo point at the middle of this picture's first pixel.
    """
    scale = dot_radius_px / float(np.median(dots.radii_px))
    low, high = dots.centres.min(axis=0), dots.centres.max(axis=0)
    room = 0.6 * float((high - low).max()) + 12.0 * dot_radius_px / scale
    span = float((high - low).max()) + 2 * room
    scale = min(scale, SIDE_PX / span)
    origin = (low + high) / 2 - span / 2
    side = math.ceil(span * scale)
    # Drawn four times as large: no dot loses its place to the grid.
    fine = np.zeros((4 * side, 4 * side), np.uint8)
    radius = float(np.median(dots.radii_px)) * scale
    for x, y in (dots.centres - origin) * scale:
        centre = (round((x + 0.5) * 4 - 0.5), round((y + 0.5) * 4 - 0.5))
        cv2.circle(fine, centre, max(1, round(4 * radius)), 255, -1)
    ink = cv2.resize(fine, (side, side), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    ink = cv2.GaussianBlur(ink, (0, 0), 0.8)[..., None]
    ground = np.array(paper, np.float32)
    grain = np.random.default_rng(0).normal(0.0, 2.0, (side, side, 1)).astype(np.float32)
    drawn = ground * (1 - ink) + np.array([38.0, 42.0, 52.0], np.float32) * ink + grain
    return (
        np.clip(drawn, 0, 255).astype(np.uint8),
        scale,
        (float(origin[0]), float(origin[1])),
    )


def _resized(pixels: ColorImage, scale: float) -> ColorImage:
    if scale == 1.0:
        return pixels
    size = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
    way = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(pixels, size, interpolation=way), dtype=np.uint8)


def _responses(gray: GrayImage) -> NDArray[np.float32]:
    """(sizes, height, width) difference of Gaussians; bright blobs answer above 0."""
    blurred = cv2.GaussianBlur(gray, (0, 0), SIGMAS[0])
    out = np.empty((len(SIGMAS) - 1, *gray.shape), np.float32)
    for k, (one, two) in enumerate(pairwise(SIGMAS)):
        # Each blur goes on from the one before: variances add.
        wider = cv2.GaussianBlur(blurred, (0, 0), math.sqrt(two**2 - one**2))
        np.subtract(blurred, wider, out=out[k])
        blurred = wider
    return out


def _group(
    bright: GrayImage,
    response: NDArray[np.float32],
    peaks: tuple[NDArray[np.intp], ...],
    patch: Patch,
    shining: bool,
) -> CardDots:
    """The best group of bright dots on a patch."""
    layer, row, column = peaks
    on = patch.inside[row, column]
    places, sigmas, strengths = _blobs(response, (layer[on], row[on], column[on]))
    least = LEAST_CLEAR_EVEN if patch.even else LEAST_CLEAR
    plain = _clear(bright, places, sigmas * math.sqrt(2.0)) >= least
    if plain.sum() >= LEAST_DOTS:
        places, sigmas, strengths = places[plain], sigmas[plain], strengths[plain]
    nothing = CardDots(np.zeros((0, 2)), np.zeros(0), shining, 0.0, 1.0, len(places), 0.0)
    if len(places) < LEAST_DOTS:
        return nothing
    radii = sigmas * math.sqrt(2.0)
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    found: dict[tuple[int, ...], float] = {}
    for index in np.argsort(-strengths, kind="stable")[:SEEDS]:
        alike = (np.abs(np.log(radii / radii[index])) < math.log(SIZE_RATIO)) & (
            strengths > STRENGTH_SHARE * strengths[index]
        )
        reach = LINK_RADII * float(np.median(radii[alike]))
        members = _linked(apart, reach, int(index), alike)
        if LEAST_DOTS <= len(members) <= MOST_OF_MARK:
            found[tuple(int(k) for k in members)] = min(len(members), 80) * float(
                strengths[members].mean()
            )
    groups: dict[tuple[int, ...], tuple[float, float, float]] = {}
    for key in sorted(found, key=lambda k: -found[k])[:JUDGED]:
        members = np.array(key)
        contrast, unevenness = _paper(
            bright, patch.inside, places[members], float(np.median(radii[members]))
        )
        clear = min(contrast / max(unevenness, 1e-3), CLEAN_ENOUGH) / CLEAN_ENOUGH
        unlike = float(np.std(np.log(strengths[members]))) / UNLIKE
        worth = min(len(members), 80) * contrast * (clear * math.exp(-(unlike**2))) ** 2
        groups[key] = (worth, contrast, unevenness)
    if not groups:
        return nothing
    key = max(groups, key=lambda k: groups[k][0])
    best, (worth, contrast, unevenness) = np.array(key), groups[key]
    size = float(np.median(radii[best]))
    strong = strengths > STRENGTH_SHARE * float(np.median(strengths[best]))
    smaller = SMALL_RATIO if contrast > SPECKLESS * max(unevenness, 1e-3) else LOOSE_RATIO
    alike = (radii > size / smaller) & (radii < size * SPREAD_RATIO) & strong
    best = np.flatnonzero(alike & (apart[:, best].min(axis=1) < BESIDE_RADII * size))
    return CardDots(
        centres=places[best],
        radii_px=radii[best],
        shining=shining,
        contrast=contrast,
        unevenness=unevenness,
        stray=max(int(alike.sum()) - len(best), 0),
        worth=worth,
        corners=patch.corners,
        edged=patch.edged,
    )


def _blobs(
    response: NDArray[np.float32], peaks: tuple[NDArray[np.intp], ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Places (n, 2), sigmas (n,) and strengths (n,) of bright blobs, strongest first."""
    layer, row, column = peaks
    strength = response[layer, row, column].astype(np.float64)
    order = np.argsort(-strength, kind="stable")[:MOST_DOTS]
    places = np.zeros((len(order), 2))
    sigmas, strengths = np.zeros(len(order)), np.zeros(len(order))
    n = 0
    for k in order:
        place = _refined(response[layer[k]], int(row[k]), int(column[k]))
        sigma = SIGMAS[layer[k]] * 2 ** (1 / 6)
        if not _inside(place, math.sqrt(2.0) * sigma, response.shape[1:]):
            continue
        gap = np.hypot(places[:n, 0] - place[0], places[:n, 1] - place[1])
        if (gap < 1.2 * np.maximum(sigmas[:n], sigma)).any():
            continue
        places[n], sigmas[n], strengths[n] = place, sigma, strength[k]
        n += 1
    return places[:n], sigmas[:n], strengths[:n]


def _peaks(response: NDArray[np.float32]) -> tuple[NDArray[np.intp], ...]:
    """(layer, row, column) of what is highest among its neighbours in place and size."""
    kernel = np.ones((3, 3), np.uint8)
    highest = [cv2.dilate(layer, kernel).ravel() for layer in response]
    found: list[NDArray[np.intp]] = []
    for k, layer in enumerate(response.reshape(len(response), -1)):
        high = np.flatnonzero((layer > LEAST_RESPONSE) & (layer >= highest[k]))
        for other in {max(k - 1, 0), min(k + 1, len(response) - 1)} - {k}:
            high = high[layer[high] >= highest[other][high]]
        found.append(high + k * layer.size)
    return np.unravel_index(np.concatenate(found), response.shape)


def _inside(place: tuple[float, float], radius: float, shape: tuple[int, ...]) -> bool:
    """Whether a blob lies whole in the picture; what the edge cuts is no dot."""
    x, y = place
    return radius <= x <= shape[1] - 1 - radius and radius <= y <= shape[0] - 1 - radius


def _refined(layer: NDArray[np.float32], row: int, column: int) -> tuple[float, float]:
    """Place of a peak to a part of a pixel: parabola through three values, each way."""
    height, width = layer.shape
    x, y = float(column), float(row)
    if 0 < column < width - 1:
        a, b, c = (float(layer[row, column + d]) for d in (-1, 0, 1))
        x += 0.5 * (a - c) / min(a - 2 * b + c, -1e-9)
    if 0 < row < height - 1:
        a, b, c = (float(layer[row + d, column]) for d in (-1, 0, 1))
        y += 0.5 * (a - c) / min(a - 2 * b + c, -1e-9)
    return float(np.clip(x, column - 1, column + 1)), float(np.clip(y, row - 1, row + 1))


def _clear(
    bright: GrayImage, places: NDArray[np.float64], radii: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(n,) how far each blob stands out of the ground around it, in units of its unevenness."""
    blob = np.zeros(bright.shape, np.uint8)
    for (x, y), radius in zip(places, radii, strict=True):
        cv2.circle(blob, (round(x), round(y)), max(2, math.ceil(1.6 * radius)), 1, -1)
    out = np.zeros(len(places))
    for k, ((x, y), radius) in enumerate(zip(places, radii, strict=True)):
        reach = math.ceil(5.0 * radius) + 2
        part = (
            slice(max(int(y) - reach, 0), int(y) + reach + 1),
            slice(max(int(x) - reach, 0), int(x) + reach + 1),
        )
        step = max(1, reach // 16)
        ground = bright[part][::step, ::step][blob[part][::step, ::step] == 0]
        if len(ground) >= LEAST_GROUND:
            middle = float(np.median(ground))
            spread = 1.4826 * float(np.median(np.abs(ground - middle)))
            out[k] = (float(bright[round(y), round(x)]) - middle) / max(spread, LEAST_SPREAD)
    return out


def _linked(
    apart: NDArray[np.float64], reach: float, start: int, alike: NDArray[np.bool_]
) -> NDArray[np.intp]:
    """Blobs that a chain of short steps joins to the first; ``apart`` (n, n) are distances."""
    member = np.zeros(len(apart), dtype=bool)
    member[start] = True
    edge = [start]
    while edge:
        near = alike & ~member & (apart[edge.pop()] < reach)
        member |= near
        edge.extend(int(k) for k in np.flatnonzero(near))
    return np.flatnonzero(member)


def _paper(
    bright: GrayImage, inside: NDArray[np.bool_], places: NDArray[np.float64], radius: float
) -> tuple[float, float]:
    """Contrast of dots and unevenness of the paper between them."""
    height, width = bright.shape
    pad = 6 * radius
    left, top = (max(int(v - pad), 0) for v in places.min(axis=0))
    right = min(int(places[:, 0].max() + pad) + 1, width)
    bottom = min(int(places[:, 1].max() + pad) + 1, height)
    # Unevenness as wide as dots matters; noise of pixels does not.
    part = cv2.GaussianBlur(bright[top:bottom, left:right], (0, 0), SMOOTH_RADII * radius)
    near = np.where(inside[top:bottom, left:right], 0, 1).astype(np.uint8)
    core = np.zeros(part.shape, np.uint8)
    for x, y in places - np.array([left, top]):
        cv2.circle(near, (round(x), round(y)), max(2, math.ceil(2.2 * radius)), 1, -1)
        cv2.circle(core, (round(x), round(y)), max(1, round(0.5 * radius)), 1, -1)
    ground = part[near == 0]
    if ground.size < 30:
        return 0.0, 1.0
    free = np.flatnonzero(near == 0)
    pick = free if len(free) <= 20_000 else np.random.default_rng(0).choice(free, 20_000)
    # Light falls off unevenly: what a smooth change explains is no unevenness of the paper.
    y, x = (at / max(part.shape) for at in np.divmod(pick, part.shape[1]))
    light = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    values = part.ravel()[pick].astype(np.float64)
    fit, *_ = np.linalg.lstsq(light, values, rcond=None)
    rest = values - light @ fit
    spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    return float(np.median(part[core > 0]) - np.median(ground)), spread
