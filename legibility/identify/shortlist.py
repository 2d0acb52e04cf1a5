"""The few animals that matter of a large registry, exactly; all others as one sum.

:mod:`legibility.identify.rough` gives every animal's likelihood to about 1e-5 of itself. The most
likely animals are then computed anew, exactly. Of all others only the sum of their likelihoods is
used, which single precision gives closely enough: probabilities differ from those of a full pass by
less than 1e-6. Where that, or the order of the candidates, or the candidate set, is not sure, there
is no shortlist, and the full pass is made.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Reading
from legibility.identify.herd_marks import HerdMarks
from legibility.identify.layouts import LayoutPrior
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import MarkTable
from legibility.identify.rough import Rough
from legibility.identify.short_rows import THREADS, parts
from legibility.settings import Settings

KEPT: Final = 512
"""Choice: animals computed exactly; candidate sets of more than 30 are not listed anyway."""
KEPT_MORE: Final = 16_384
"""Choice: likewise, where the first ones do not hold enough of the probability."""
TOLERANCE: Final = 1e-7
"""Choice: most of the sum that may be left out."""
ROUNDING: Final = 1e-3
"""Arithmetic: single precision is closer than this."""
_TINY: Final = np.finfo(np.float32).tiny


@dataclass(frozen=True, slots=True)
class Shortlist:
    """A registry's likelihoods, most of them summed up."""

    animals: NDArray[np.int64]
    """(k,) ascending indices of the most likely animals."""
    log_likelihood: NDArray[np.float64]
    """(k,) exact."""
    others: NDArray[np.float32]
    """(m,) logs of approximate likelihoods, less ``log_scale``; ``-inf`` for ``animals``."""
    shared: tuple[NDArray[np.int64], NDArray[np.int64]]
    """(k,) others that stand for several animals, and for how many more than one."""
    other_rows: NDArray[np.int64] | None
    """(m,) different row of the table that each of the others is of; None: they are animals."""
    registered: int
    log_scale: float
    log_others: float
    """Log of the most that any of the others may have."""
    left_out: float
    """Most that is missing from all likelihoods together, over ``exp(log_scale)``."""

    @property
    def count(self) -> int:
        """Animals that are summed up."""
        return self.registered - int(self.animals.size)

    def log_sum(self, exponent: float) -> float:
        """Log of the sum of the others' likelihoods raised to a power."""
        places, more = self.shared
        top = np.float32(self.log_others - self.log_scale)  # Their powers may pass float32's range.

        def raised(others: NDArray[np.float32]) -> NDArray[np.float32]:
            powers = (others - top) * np.float32(exponent)
            return np.asarray(np.exp(powers, out=powers))

        def work(part: slice) -> float:
            return float(raised(self.others[part]).sum(dtype=np.float64))

        with ThreadPoolExecutor(THREADS) as threads:
            total = sum(threads.map(work, parts(slice(0, self.others.size))))
        total += float(raised(self.others[places]) @ more)
        return float(np.log(max(total, 1e-300))) + exponent * self.log_others

    def log_shared(self, herd: HerdMarks) -> float:
        """Log of the others' sum of likelihood times probability among the herds' marks."""
        rows = self.other_rows
        shares = herd.animal_share if rows is None else herd.row_share[rows]
        total = float(np.sum(shares * np.exp(self.others), dtype=np.float64))
        return float(np.log(max(total, 1e-300))) + self.log_scale

    def is_close(self, exponent: float) -> bool:
        """Whether what was left out cannot matter."""
        best = float(np.exp(np.max(self.log_likelihood) - self.log_scale))
        return self.left_out <= best * share_left_out(exponent, self.registered)


def share_left_out(exponent: float, registered: int) -> float:
    """What may be missing from all likelihoods together, over the largest one.

    So that the sum of the likelihoods raised to a power changes by no more than ``TOLERANCE`` of
    the largest summand. With d missing from n likelihoods of at most 1, that sum changes by at most
    t d for a power t of 1 or more (by its derivative), and by at most n**(1 - t) d**t below
    (concavity, and the inequality of the power means).
    """
    if exponent >= 1.0:
        return TOLERANCE / exponent
    return float((TOLERANCE / registered ** (1.0 - exponent)) ** (1.0 / exponent))


def shortlist(
    rough: Rough,
    reading: Reading,
    table: MarkTable,
    *,
    settings: Settings,
    kept: int = KEPT,
    layouts: LayoutPrior | None = None,
) -> Shortlist | None:
    """The most likely animals of a registry; None where too many are alike."""
    values = rough.values
    kept = min(kept, values.size)
    least = float(np.partition(values, values.size - kept)[values.size - kept])
    if least <= _TINY * 1e3:
        return None
    best = np.flatnonzero(values >= least)
    animals = rough.animals(best, table)
    if animals.size > 2 * kept:
        return None
    most = max(least * (1.0 + ROUNDING) + rough.left_out_each, rough.passed_over)
    others = rough.log_values.copy()
    others[best] = -np.inf
    return Shortlist(
        animals=animals,
        log_likelihood=registry_log_likelihood(
            reading, table, settings=settings, animals=animals, layouts=layouts
        ),
        others=others,
        shared=rough.shared,
        other_rows=rough.rows(),
        registered=len(table),
        log_scale=rough.log_scale,
        log_others=float(np.log(most)) + rough.log_scale,
        left_out=rough.left_out,
    )
