"""How sharp a picture is: the width of its edges, and how evenly detail lies in all directions.

The width of an edge is told by blurring the picture once more by a known amount and seeing how
much its gradient falls (Zhuo and Sim 2011, doi:10.1016/j.patcog.2011.03.009). Unlike the variance
of the Laplacian, this does not depend on how much texture or contrast the scene has, and it is in
pixels, so that it can be set against the height of a character. Differences from the paper: the
ratio is taken of sums over the strongest edges, not pixel by pixel, so that noise averages out;
and wide edges are measured on a reduced copy.

Movement takes fine detail away in one direction only. Asking of every direction how much the
second blur takes from its gradient, not how much gradient it has, makes parallel hair or a row of
straight strokes count little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage

PRE_BLUR_PX: Final = 0.8
"""Choice: against noise; its share is taken off the result."""
RE_BLUR_PX: Final = 2.0
"""Choice: of the order of the widths told apart."""
DIFFERENCE_VARIANCE: Final = 1 / 3
"""Variance of the box two pixels wide that a central difference averages over; taken off too."""
EDGE_SHARE: Final = 0.005
"""Choice: share of the pixels that are taken as edges, on the crests of the gradient."""
MIN_EDGES: Final = 40
"""Choice: fewer edge pixels than this tell nothing."""
NOISE_FACTOR: Final = 5.0
"""Choice: an edge is a gradient above this many times the noise left after both blurs; noise alone
exceeds it at 4 in a million pixels (Rayleigh)."""
MAX_SIGMA_PX: Final = 12.0
"""Choice: widest edge that is told at one scale; also when the gradient does not fall at all."""
ACCEPTED_SIGMA_PX: Final = 2.0
"""Choice: edges of at least this width are measured at the reduced scale, where noise is lower."""
REDUCTIONS: Final = 3
"""Choice: halvings for the coarsest scale, as long as both sides keep ``MIN_SIDE_PX``."""
MIN_SIDE_PX: Final = 20
"""Choice."""
LAPLACIAN: Final = np.array([[0, 1, 0], [1, -4, 1], [0, 1, 0]], np.float32)


@dataclass(frozen=True, slots=True)
class DirectionalDetail:
    """Gradient energy before / after the second blur, in the weakest and strongest direction.

    1: no detail finer than the blur is left; sharp pictures have 2 to 20.
    """

    weakest: float
    strongest: float

    @property
    def anisotropy(self) -> float:
        """Strongest / weakest, >= 1."""
        return self.strongest / self.weakest


def variance_of_laplacian(gray: GrayImage) -> float:
    """Classical measure of focus (Pech-Pacheco et al. 2000, doi:10.1109/ICPR.2000.903548).

    Depends on the scene as much as on its sharpness; reported, never judged by. The border is
    continued by reflection.
    """
    response = cv2.filter2D(gray.astype(np.float32), cv2.CV_32F, LAPLACIAN)
    return float(response.astype(np.float64).var())


def noise_sigma(gray: GrayImage) -> float:
    """Standard deviation of the noise (Immerkaer 1996, doi:10.1006/cviu.1996.0060), robust form.

    The median of the absolute response stands for its mean, so that edges count less.
    """
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = np.abs(cv2.filter2D(gray, cv2.CV_32F, kernel)[::3, ::3])
    return float(np.median(response)) / (0.6745 * 6.0)


def edge_sigma(gray: GrayImage) -> float:
    """Width of the strongest edges of a picture.

    Parameters
    ----------
    gray
        (height, width) float32 in any unit.

    Returns
    -------
    float
        Gaussian sigma in pixels: 0 to 0.5 for a sharp step, the sigma of the blur for a step
        convolved with a Gaussian, less for small dots and thin lines (about 0.7 of it for the
        needle dots of a mark). nan when nothing stands out from the noise.
    """
    pyramid = [gray]
    while len(pyramid) <= REDUCTIONS and min(pyramid[-1].shape) >= 2 * MIN_SIDE_PX:
        height, width = pyramid[-1].shape
        size = (width // 2, height // 2)
        pyramid.append(cv2.resize(pyramid[-1], size, interpolation=cv2.INTER_AREA))
    found = float("nan")
    for level in range(len(pyramid) - 1, -1, -1):
        sigma = _edge_sigma_at(pyramid[level])
        if not np.isnan(sigma):
            found = sigma * 2**level
            if sigma >= ACCEPTED_SIGMA_PX:
                break
    return found


def directional_detail(gray: GrayImage) -> DirectionalDetail:
    """How much fine detail there is in the direction that has least and in that which has most.

    Parameters
    ----------
    gray
        (height, width) float32 in any unit.

    Returns
    -------
    DirectionalDetail
        Extreme generalised eigenvalues of the structure tensor before against that after the
        second blur, both less the energy of white noise; at least 1.
    """
    base, again = _blurred(gray)
    sigma = noise_sigma(gray)
    before = _structure(base, sigma, PRE_BLUR_PX)
    after = _structure(again, sigma, float(np.hypot(PRE_BLUR_PX, RE_BLUR_PX)))
    if np.linalg.eigvalsh(after)[0] <= 1e-12:
        return DirectionalDetail(1.0, 1.0)
    low, high = np.sort(np.linalg.eigvals(np.linalg.solve(after, before)).real)
    return DirectionalDetail(max(1.0, float(low)), max(1.0, float(high)))


def _edge_sigma_at(gray: GrayImage) -> float:
    base, again = _blurred(gray)
    gx1, gy1 = _gradient(again)
    strength = cv2.magnitude(gx1, gy1)
    floor = NOISE_FACTOR * _noise_gradient(
        noise_sigma(gray), float(np.hypot(PRE_BLUR_PX, RE_BLUR_PX))
    )
    edges = _crests(strength, gx1, gy1, max(floor, 1e-6 * float(np.abs(gray).max())))
    if edges.size < MIN_EDGES:
        return float("nan")
    strength = strength.ravel()
    wanted = max(MIN_EDGES, int(EDGE_SHARE * gray.size))
    if edges.size > wanted:
        edges = edges[np.argpartition(strength[edges], -wanted)[-wanted:]]
    gx0, gy0 = _gradient(base)
    gx1, gy1, length = gx1.ravel()[edges], gy1.ravel()[edges], strength[edges]
    along = (gx0.ravel()[edges] * gx1 + gy0.ravel()[edges] * gy1) / length
    ratio = float(along.sum(dtype=np.float64) / length.sum(dtype=np.float64))
    if ratio <= 1.0:
        return MAX_SIGMA_PX
    # A step of variance t has the gradient 1 / sqrt(2 pi t); the second blur adds to t.
    variance = RE_BLUR_PX**2 / (ratio**2 - 1.0) - PRE_BLUR_PX**2 - DIFFERENCE_VARIANCE
    return float(min(np.sqrt(max(variance, 0.0)), MAX_SIGMA_PX))


def _crests(strength: GrayImage, gx: GrayImage, gy: GrayImage, floor: float) -> NDArray[np.intp]:
    """Flat indices where the gradient is above the floor and no smaller than both neighbours
    across the edge, along the axis nearer to the gradient."""
    width = strength.shape[1]
    inner = np.zeros(strength.shape, np.bool_)
    inner[1:-1, 1:-1] = strength[1:-1, 1:-1] > floor
    chosen = np.flatnonzero(inner)
    across = np.where(np.abs(gx).ravel()[chosen] >= np.abs(gy).ravel()[chosen], 1, width)
    flat = strength.ravel()
    here = flat[chosen]
    return chosen[(here >= flat[chosen - across]) & (here >= flat[chosen + across])]


def _blurred(gray: GrayImage) -> tuple[GrayImage, GrayImage]:
    base = cv2.GaussianBlur(gray, (0, 0), PRE_BLUR_PX)
    return base, cv2.GaussianBlur(base, (0, 0), RE_BLUR_PX)


def _gradient(gray: GrayImage) -> tuple[GrayImage, GrayImage]:
    gx = cv2.Sobel(gray, cv2.CV_32F, 1, 0, ksize=1, scale=0.5)
    gy = cv2.Sobel(gray, cv2.CV_32F, 0, 1, ksize=1, scale=0.5)
    return gx, gy


def _structure(gray: GrayImage, noise: float, blur_px: float) -> NDArray[np.float64]:
    """(2, 2) mean of the gradient's outer product, less that of white noise before the blur."""
    gx, gy = _gradient(gray)
    xx, xy, yy = (
        float(np.mean(a * b, dtype=np.float64)) for a, b in ((gx, gx), (gx, gy), (gy, gy))
    )
    return np.array([[xx, xy], [xy, yy]]) - np.eye(2) * _noise_gradient(noise, blur_px) ** 2


def _noise_gradient(noise: float, blur_px: float) -> float:
    """Standard deviation of one gradient component of white noise after a Gaussian blur."""
    return noise / (float(np.sqrt(8 * np.pi)) * blur_px**2)
