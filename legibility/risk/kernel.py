"""Which character is read where another one was pressed, by condition: p(read c' | true c).

Measured on the project's own reader (``python -m legibility.evaluate.kernel``) over a grid of
needle conditions, and shipped as ``legibility/models/kernel.npz``. A condition is three numbers:
the share of needles that hold ink, the share of the ink's contrast that is left, and the share of
the ink that wandered (bleed). Named conditions and grades lie in that grid.

In use::

    kernel = load_kernel()
    matrix = kernel.at("worn")          # (36, 37), rows sum to one; last column: not read at all
    matrix = kernel.at(2.5)             # by grade, 4 as new .. 0 lost
    matrix = kernel.at(Condition(needles=0.8, contrast=0.5, bleed=0.2))
    matrix[index_of("8"), index_of("B")]                    # p(read B | true 8)

It says what becomes of a character in a row that is read at all; of rows of which less than half
is read, ``row_unread_at`` gives the share.

It is asymmetric: row = the character that was pressed, column = what is read.

Rare confusions: with counts n(c' | c) and the reader's mean probabilities q(c' | c) over the same
cells, the estimate is the mean of a Dirichlet posterior with prior ``prior_strength * q``,

    p(c' | c) = (n(c' | c) + s q(c' | c)) / (sum n + s)

so that what never happened in the sample is as rare as the reader itself says, not impossible.
"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, N_CLASSES
from legibility.errors import ModelError, SettingsError

DEFAULT_PATH: Final = Path(__file__).resolve().parents[1] / "models" / "kernel.npz"

PRIOR_STRENGTH: Final = 10.0
"""Choice: the reader's own mean probabilities count as much as so many readings a character."""

LEAST: Final = 1e-7
"""Choice: nothing is impossible; a thousandth of what matters in a herd."""

Matrix: TypeAlias = NDArray[np.float64]
"""(36, 37): p(read | true), rows sum to one; the last column is "no character read"."""


@dataclass(frozen=True, slots=True)
class Condition:
    """How a mark's needles look now."""

    needles: float
    """Share of needles that hold ink, 0..1."""
    contrast: float
    """Share of the fresh ink's contrast that is left, 0..1."""
    bleed: float
    """Share of the ink that wandered into the skin, 0..1."""


NAMED: Final[dict[str, Condition]] = {
    "new": Condition(needles=0.99, contrast=0.95, bleed=0.15),
    "mild": Condition(needles=0.96, contrast=0.78, bleed=0.25),
    "worn": Condition(needles=0.89, contrast=0.52, bleed=0.30),
    "faint": Condition(needles=0.78, contrast=0.28, bleed=0.35),
    "lost": Condition(needles=0.60, contrast=0.15, bleed=0.40),
}
"""Choice: middles of the simulator's wear levels (``simulate.wear.WEAR_LEVELS``); best first."""

ConditionLike: TypeAlias = "str | float | Condition"


def condition_of(value: ConditionLike) -> Condition:
    """A condition from its name, a grade (4 as new .. 0 lost) or as it is.

    Raises
    ------
    SettingsError
        If the name is unknown or a number is out of range.

    Examples
    --------
    >>> condition_of("worn") == condition_of(2.0)
    True
    """
    if isinstance(value, Condition):
        numbers = (value.needles, value.contrast, value.bleed)
        if not all(0.0 <= number <= 1.0 for number in numbers):
            raise SettingsError(f"condition {value}: expected shares from 0 to 1")
        return value
    if isinstance(value, str):
        text = value.strip().lower()
        if text in NAMED:
            return NAMED[text]
        try:
            value = float(text)
        except ValueError:
            raise SettingsError(
                f"condition {text!r} is not known; expected {', '.join(NAMED)}, "
                "or a grade from 4 (as new) to 0 (lost)"
            ) from None
    if not 0.0 <= value <= 4.0:
        raise SettingsError(f"condition {value}: a grade is from 4 (as new) to 0 (lost)")
    rungs = np.array([[c.needles, c.contrast, c.bleed] for c in reversed(NAMED.values())])
    at = [float(np.interp(value, range(5), rungs[:, axis])) for axis in range(3)]
    return Condition(*at)


def grade_of(value: str | float) -> float:
    """Grade of a named condition or of a number as text.

    Raises
    ------
    SettingsError
        If the name is unknown or a number is out of range.

    Examples
    --------
    >>> grade_of("new"), grade_of("1.5")
    (4.0, 1.5)
    """
    condition_of(value)
    text = str(value).strip().lower()
    names = list(reversed(NAMED))
    return float(names.index(text)) if text in names else float(text)


def condition_words(value: str) -> str:
    """A condition for people to read, by its name and grade or by its grade alone.

    Examples
    --------
    >>> condition_words("worn"), condition_words("1.5")
    ('worn (grade 2.0 of 4)', 'of grade 1.5 (of 4)')
    """
    name, grade = value.strip().lower(), grade_of(value)
    return f"{name} (grade {grade:.1f} of 4)" if name in NAMED else f"of grade {grade:.1f} (of 4)"


@dataclass(frozen=True, slots=True)
class Kernel:
    """Measured confusions at a grid of conditions."""

    needles: NDArray[np.float64]
    """(a,) grid of the share of needles that hold ink, increasing."""
    contrast: NDArray[np.float64]
    """(b,) grid of the contrast left, increasing."""
    bleed: NDArray[np.float64]
    """(d,) grid of bleed, increasing."""
    counts: NDArray[np.float64]
    """(C, 36, 37) readings, C = a * b * d, in the order of ``conditions``."""
    expected: NDArray[np.float64]
    """(C, 36, 37) the reader's mean probabilities over the same cells; rows sum to one."""
    row_unread: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    """(C,) share of rows of which less than half was read; they are not counted. Empty: none."""
    origin: str = ""
    """How it was measured, in words, with the command."""
    prior_strength: float = PRIOR_STRENGTH

    @property
    def conditions(self) -> tuple[Condition, ...]:
        """The C conditions of the grid; needles change slowest, bleed fastest."""
        return tuple(
            Condition(float(n), float(c), float(b))
            for n in self.needles
            for c in self.contrast
            for b in self.bleed
        )

    @property
    def labels(self) -> tuple[str, ...]:
        """A name for each condition of the grid."""
        return tuple(
            f"needles {c.needles:.0%}, contrast {c.contrast:.0%}, bleed {c.bleed:.0%}"
            for c in self.conditions
        )

    @property
    def probabilities(self) -> NDArray[np.float64]:
        """(C, 36, 37): p(read | true) at each condition of the grid."""
        total = self.counts.sum(axis=2, keepdims=True)
        prior = self.prior_strength * self.expected
        return np.asarray((self.counts + prior) / (total + self.prior_strength), np.float64)

    def weights(self, condition: ConditionLike) -> NDArray[np.float64]:
        """(C,) weights of the grid's conditions in a condition; they sum to one.

        Linear between the grid's values along each axis; outside the nearest value holds.
        """
        wanted = condition_of(condition)
        axes = (
            _hat(self.needles, wanted.needles),
            _hat(self.contrast, wanted.contrast),
            _hat(self.bleed, wanted.bleed),
        )
        return np.asarray(np.einsum("a,b,c->abc", *axes).ravel(), dtype=np.float64)

    def at(self, condition: ConditionLike) -> Matrix:
        """p(read | true) at a condition: (36, 37) float64, positive, rows sum to one.

        Parameters
        ----------
        condition : str, float or Condition
            "new", "mild", "worn", "faint", "lost"; a grade 4..0; or the three shares.

        Raises
        ------
        SettingsError
            If the condition is not known.
        """
        mixed = np.tensordot(self.weights(condition), self.probabilities, axes=1)
        mixed = np.maximum(mixed, LEAST)
        return np.asarray(mixed / mixed.sum(axis=1, keepdims=True), dtype=np.float64)

    def sample_at(self, condition: ConditionLike) -> NDArray[np.float64]:
        """(36,) readings behind each row of ``at``, the prior's worth included.

        Between grid points it is a weighted mean: no more than one of them has is claimed.
        """
        return np.asarray(self.counts_at(condition).sum(axis=1) + self.prior_strength, np.float64)

    def row_unread_at(self, condition: ConditionLike) -> float:
        """Share of rows that are not read at all at a condition, 0..1."""
        if not len(self.row_unread):
            return 0.0
        return float(self.weights(condition) @ self.row_unread)

    def counts_at(self, condition: ConditionLike) -> NDArray[np.float64]:
        """(36, 37) readings behind a condition: the grid's counts in its weights."""
        return np.asarray(np.tensordot(self.weights(condition), self.counts, axes=1), np.float64)


def beta_interval(
    mean: NDArray[np.float64], sample: NDArray[np.float64], *, confidence: float = 0.95
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Credible intervals of single probabilities of a Dirichlet distribution: its Beta margins.

    Parameters
    ----------
    mean : ndarray of float64
        0..1, not at the ends.
    sample : ndarray of float64
        Readings the mean rests on, the prior's worth included; broadcast against ``mean``.

    Returns
    -------
    low, high : ndarray of float64
    """
    from scipy.special import betaincinv

    own, rest = sample * mean, sample * (1.0 - mean)
    tail = (1.0 - confidence) / 2
    low, high = betaincinv(own, rest, tail), betaincinv(own, rest, 1.0 - tail)
    return np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)


def load_kernel(path: Path = DEFAULT_PATH) -> Kernel:
    """The shipped kernel, or one that was measured again.

    Raises
    ------
    ModelError
        If the file is missing or is no kernel.
    """
    try:
        with np.load(path, allow_pickle=False) as data:
            kernel = Kernel(
                needles=data["needles"].astype(np.float64),
                contrast=data["contrast"].astype(np.float64),
                bleed=data["bleed"].astype(np.float64),
                counts=data["counts"].astype(np.float64),
                expected=data["expected"].astype(np.float64),
                row_unread=data["row_unread"].astype(np.float64),
                origin=str(data["origin"]),
            )
    except (OSError, KeyError, ValueError, EOFError, zipfile.BadZipFile) as error:
        raise ModelError(f"{path}: cannot be read as a confusion kernel: {error}") from error
    _check(kernel, path)
    return kernel


def save_kernel(kernel: Kernel, path: Path) -> None:
    """Write a kernel under a temporary name, then rename it into place."""
    temporary = path.with_name(f".{path.name}.tmp.npz")
    np.savez_compressed(
        temporary,
        needles=kernel.needles,
        contrast=kernel.contrast,
        bleed=kernel.bleed,
        counts=kernel.counts.astype(np.float32),
        expected=kernel.expected.astype(np.float32),
        row_unread=kernel.row_unread,
        origin=np.array(kernel.origin),
    )
    temporary.replace(path)


def _check(kernel: Kernel, path: Path) -> None:
    axes = (kernel.needles, kernel.contrast, kernel.bleed)
    if any(axis.ndim != 1 or not len(axis) or np.any(np.diff(axis) <= 0) for axis in axes):
        raise ModelError(f"{path}: a grid of conditions does not increase")
    shape = (int(np.prod([len(axis) for axis in axes])), N_CHARACTERS, N_CLASSES)
    for name, array in (("counts", kernel.counts), ("expected", kernel.expected)):
        if array.shape != shape or not np.all(np.isfinite(array)) or np.any(array < 0):
            raise ModelError(f"{path}: {name} is {array.shape}; expected {shape}, none below 0")

    if kernel.row_unread.shape not in ((0,), shape[:1]):
        raise ModelError(f"{path}: row_unread is {kernel.row_unread.shape}; expected {shape[:1]}")


def _hat(grid: NDArray[np.float64], value: float) -> NDArray[np.float64]:
    return np.array([np.interp(value, grid, unit) for unit in np.eye(len(grid))])
