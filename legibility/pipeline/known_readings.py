"""Readings of photos whose mark is known, kept in a file so that no photo is read twice.

Only what identification uses is kept: hypotheses, their cells' log-probabilities, and "no mark".
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile

import numpy as np

from legibility.alphabet import N_CLASSES
from legibility.containers import CellReading, Hypothesis, NeedleEvidence, Reading
from legibility.errors import ModelError
from legibility.identify.decision import NO_MARK_PROBABILITY

SCHEMA: Final = 1
_COUNTS: Final = ("hypotheses", "rows", "cells")
_NO_QUAD: Final = np.zeros((4, 2))


@dataclass(frozen=True, slots=True)
class KnownReading:
    """One photo's reading beside the truth."""

    photo: str
    mark: str
    """Empty when the ear carries none."""
    condition: str
    """How worn the mark is, in words."""
    reading: Reading

    @property
    def usable(self) -> bool:
        """Whether identification goes on from here: a mark is there and one was read."""
        no_mark = math.exp(min(0.0, self.reading.logp_no_mark))
        return bool(self.mark and self.reading.hypotheses and no_mark < NO_MARK_PROBABILITY)


def save_known_readings(readings: Sequence[KnownReading], path: Path, *, origin: str) -> None:
    """Write readings to a NumPy archive under a temporary name, then rename it.

    Parameters
    ----------
    origin : str
        What the photos were, in words.
    """
    hypotheses = [h for known in readings for h in known.reading.hypotheses]
    rows = [row for hypothesis in hypotheses for row in hypothesis.rows]
    cells = [cell.logp for row in rows for cell in row]
    temporary = path.with_name(path.name + ".part")
    with temporary.open("wb") as file:
        np.savez_compressed(
            file,
            schema=SCHEMA,
            origin=origin,
            photo=np.array([known.photo for known in readings], dtype=np.str_),
            mark=np.array([known.mark for known in readings], dtype=np.str_),
            condition=np.array([known.condition for known in readings], dtype=np.str_),
            no_mark=np.array([known.reading.logp_no_mark for known in readings]),
            hypotheses=np.array([len(k.reading.hypotheses) for k in readings], dtype=np.int64),
            weight=np.array([hypothesis.logp for hypothesis in hypotheses]),
            rows=np.array([len(hypothesis.rows) for hypothesis in hypotheses], dtype=np.int64),
            cells=np.array([len(row) for row in rows], dtype=np.int64),
            logp=np.array(cells, dtype=np.float32).reshape(-1, N_CLASSES),
        )
    temporary.replace(path)


def load_known_readings(path: Path) -> tuple[tuple[KnownReading, ...], str]:
    """Readings that :func:`save_known_readings` wrote, and their origin.

    Raises
    ------
    ModelError
        If the file cannot be read, has another schema, or its counts do not fit.
    """
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as archive:
            values = {name: archive[name] for name in archive.files}
    except (OSError, ValueError, EOFError, BadZipFile) as error:
        raise ModelError(f"{path}: cannot be read as stored readings: {error}") from error
    if int(values.get("schema", np.array(-1))) != SCHEMA:
        raise ModelError(f"{path}: is no file of stored readings of schema {SCHEMA}")
    sizes = [values["photo"].size, values["weight"].size, values["cells"].size]
    wanted = [*(int(values[name].sum()) for name in _COUNTS)]
    if wanted != [*sizes[1:], len(values["logp"])] or sizes[0] != values["hypotheses"].size:
        raise ModelError(f"{path}: is damaged: its counts of hypotheses, rows, cells do not fit")
    return tuple(_readings(values)), str(values["origin"])


def _readings(values: dict[str, Any]) -> Iterator[KnownReading]:
    logp = values["logp"].astype(np.float64)
    row = cell = hypothesis = 0
    for photo in range(values["photo"].size):
        found = []
        for _ in range(int(values["hypotheses"][photo])):
            rows = []
            for _ in range(int(values["rows"][hypothesis])):
                count = int(values["cells"][row])
                rows.append(tuple(_cell(line) for line in logp[cell : cell + count]))
                cell, row = cell + count, row + 1
            weight = float(values["weight"][hypothesis])
            found.append(Hypothesis(weight, tuple(rows), 0.0, False))
            hypothesis += 1
        yield KnownReading(
            photo=str(values["photo"][photo]),
            mark=str(values["mark"][photo]),
            condition=str(values["condition"][photo]),
            reading=Reading(tuple(found), float(values["no_mark"][photo])),
        )


def _cell(logp: Any) -> CellReading:
    return CellReading(
        logp=logp,
        quad=_NO_QUAD,
        needles=NeedleEvidence(0, 0.0),
        ink_contrast=float("nan"),
        seen_share=float("nan"),
    )
