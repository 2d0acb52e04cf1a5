"""How sure the characters of a reading are, as one number."""

from __future__ import annotations

import math

import numpy as np

from legibility.containers import Reading


def reading_certainty(reading: Reading) -> float:
    """How sure the characters of the best hypothesis are on average, 0..1.

    The mean over its cells of the largest probability; 0 when nothing was read.
    """
    if not reading.hypotheses:
        return 0.0
    cells = [cell for row in reading.hypotheses[0].rows for cell in row]
    if not cells:
        return 0.0
    return float(np.mean([math.exp(min(0.0, float(np.max(cell.logp)))) for cell in cells]))
