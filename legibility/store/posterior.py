"""A reading's full posterior as bytes and back, bit for bit.

Layout, little-endian: 4 bytes ``LPR1``; float64 log-probability of "no mark"; uint16 number of
hypotheses; for each: float64 log-probability, float64 rotation in degrees, uint8 mirrored, uint8
number of rows, uint16 cells of each row; then for each cell of each row of each hypothesis 50
float64: 37 log-probabilities, the quad (8), needles expected, needles inked, ink contrast, seen
share, separation.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from legibility.alphabet import N_CLASSES
from legibility.containers import CellReading, Flag, Hypothesis, NeedleEvidence, Reading
from legibility.errors import StoreError

MAGIC: Final = b"LPR1"
_HEAD: Final = struct.Struct("<4sdH")
_HYPOTHESIS: Final = struct.Struct("<ddBB")
_CELL: Final = N_CLASSES + 13


def encode(reading: Reading) -> bytes:
    """Bytes of a reading; its flags and the second opinion are kept elsewhere."""
    parts = [_HEAD.pack(MAGIC, reading.logp_no_mark, len(reading.hypotheses))]
    cells: list[CellReading] = []
    for hypothesis in reading.hypotheses:
        rows = hypothesis.rows
        parts.append(
            _HYPOTHESIS.pack(
                hypothesis.logp, hypothesis.rotation_deg, hypothesis.mirrored, len(rows)
            )
        )
        parts.append(struct.pack(f"<{len(rows)}H", *(len(row) for row in rows)))
        cells.extend(cell for row in rows for cell in row)
    table = np.empty((len(cells), _CELL), dtype="<f8")
    for index, cell in enumerate(cells):
        table[index] = _row_of(cell)
    parts.append(table.tobytes())
    return b"".join(parts)


def decode(data: bytes, *, second_opinion: tuple[str, ...] = (), flags: int = 0) -> Reading:
    """The reading that :func:`encode` was given.

    Raises
    ------
    StoreError
        If the bytes are not such a posterior.
    """
    try:
        return _decode(data, second_opinion, flags)
    except (struct.error, ValueError, IndexError) as error:
        raise StoreError(f"a stored posterior is damaged ({error})") from error


def _decode(data: bytes, second_opinion: tuple[str, ...], flags: int) -> Reading:
    magic, logp_no_mark, n_hypotheses = _HEAD.unpack_from(data)
    if magic != MAGIC:
        raise ValueError(f"begins with {magic!r}, expected {MAGIC!r}")
    at = _HEAD.size
    heads: list[tuple[float, float, bool, tuple[int, ...]]] = []
    for _ in range(n_hypotheses):
        logp, rotation_deg, mirrored, n_rows = _HYPOTHESIS.unpack_from(data, at)
        at += _HYPOTHESIS.size
        lengths = struct.unpack_from(f"<{n_rows}H", data, at)
        at += 2 * n_rows
        heads.append((logp, rotation_deg, bool(mirrored), lengths))
    wanted = sum(sum(head[3]) for head in heads)
    table = np.frombuffer(data, dtype="<f8", offset=at).astype(np.float64).reshape(-1, _CELL)
    if len(table) != wanted:
        raise ValueError(f"has {len(table)} cells, expected {wanted}")
    cells = iter([_cell(row) for row in table])
    hypotheses = tuple(
        Hypothesis(
            logp, tuple(tuple(next(cells) for _ in range(n)) for n in lengths), rotation, mirrored
        )
        for logp, rotation, mirrored, lengths in heads
    )
    return Reading(hypotheses, logp_no_mark, second_opinion, Flag(flags))


def _cell(row: np.ndarray) -> CellReading:
    expected, inked, contrast, seen, separation = (float(v) for v in row[N_CLASSES + 8 :])
    return CellReading(
        logp=row[:N_CLASSES],
        quad=row[N_CLASSES : N_CLASSES + 8].reshape(4, 2),
        needles=NeedleEvidence(int(expected), inked),
        ink_contrast=contrast,
        seen_share=seen,
        separation=separation,
    )


def as_plain(data: bytes) -> dict[str, Any]:
    """A posterior as strict JSON holds it: floats as such, not a number and infinities as words.

    ``cells`` of a hypothesis hold, row by row, 50 figures each in the order of the layout above.
    """
    reading = decode(data)
    return {
        "logp_no_mark": _figure(reading.logp_no_mark),
        "hypotheses": [
            {
                "logp": _figure(hypothesis.logp),
                "rotation_deg": _figure(hypothesis.rotation_deg),
                "mirrored": hypothesis.mirrored,
                "rows": [
                    [[_figure(v) for v in _row_of(cell)] for cell in row] for row in hypothesis.rows
                ],
            }
            for hypothesis in reading.hypotheses
        ],
    }


def from_plain(plain: Mapping[str, Any]) -> bytes:
    """Bytes of what :func:`as_plain` gave.

    Raises
    ------
    KeyError, TypeError, ValueError
        If it is something else.
    """
    hypotheses = tuple(
        Hypothesis(
            logp=float(item["logp"]),
            rows=tuple(
                tuple(_cell(np.array([float(v) for v in cell])) for cell in row)
                for row in item["rows"]
            ),
            rotation_deg=float(item["rotation_deg"]),
            mirrored=bool(item["mirrored"]),
        )
        for item in plain["hypotheses"]
    )
    return encode(Reading(hypotheses, float(plain["logp_no_mark"])))


def _row_of(cell: CellReading) -> list[float]:
    needles = cell.needles
    return [
        *cell.logp.tolist(),
        *cell.quad.ravel().tolist(),
        float(needles.expected),
        needles.inked,
        cell.ink_contrast,
        cell.seen_share,
        cell.separation,
    ]


def _figure(value: float) -> float | str:
    return value if math.isfinite(value) else str(value)
