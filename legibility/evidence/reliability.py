"""How often a reader names a character rightly, with known marks or from agreement alone."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from legibility.alphabet import N_CHARACTERS
from legibility.errors import EvidenceError
from legibility.evidence.agreement import Share, exact_share

PRIOR: Final = (8.0, 2.0)
"""Choice: as if each reader had read 8 characters rightly and 2 wrongly before; keeps estimates of
few characters away from 0 and 1."""
ROUNDS: Final = 500
TOLERANCE: Final = 1e-9
LARGEST_FILE: Final = 4 * 2**20
"""Choice: bytes of a file of readers' reliability."""


@dataclass(frozen=True, slots=True)
class ReaderReliability:
    """One reader's record."""

    reader: str
    read: int
    """Characters named."""
    unread: int
    """Places given up."""
    accuracy: float
    """Probability that a named character is right."""
    right: Share | None
    """Against known marks, with its exact interval; None where no mark is known."""


def accuracy_by_agreement(reads: Sequence[Sequence[str | None]]) -> tuple[float, ...]:
    """Accuracy of each reader when no truth is known, by expectation and maximisation.

    A reader names the true character with probability a, each other one with (1 - a) / 35; which
    it is, and every a, are estimated in turn. Dawid & Skene 1979, Appl. Stat. 28:20-28,
    doi:10.2307/2346806, with one number a reader in place of a table, since readers read few
    characters.

    Parameters
    ----------
    reads : sequence of sequence of str or None
        One sequence a reader over the same places; None where nothing was named.

    Notes
    -----
    Readers who make the same mistakes look better than they are; two readers of one set cannot be
    told apart.
    """
    labels = sorted({c for row in reads for c in row if c is not None})
    place = {c: i for i, c in enumerate(labels)}
    said = np.array([[-1 if c is None else place[c] for c in row] for row in reads])
    said = said.reshape(len(reads), -1)
    accuracy = np.full(len(reads), PRIOR[0] / sum(PRIOR))
    if said.size == 0 or not labels:
        return tuple(map(float, accuracy))
    given = said >= 0
    hits = said[:, :, None] == np.arange(len(labels))
    for _ in range(ROUNDS):
        right, wrong = np.log(accuracy), np.log((1 - accuracy) / (N_CHARACTERS - 1))
        score = np.where(hits, right[:, None, None], wrong[:, None, None]) * given[:, :, None]
        logp = score.sum(axis=0)
        # Characters nobody named share one more line.
        nobody = (wrong[:, None] * given).sum(axis=0) + np.log(
            max(N_CHARACTERS - len(labels), 1e-300)
        )
        top = np.maximum(logp.max(axis=1), nobody)
        truth = np.exp(logp - top[:, None])
        truth /= (truth.sum(axis=1) + np.exp(nobody - top))[:, None]
        expected = (hits * truth[None]).sum(axis=(1, 2))
        updated = (expected + PRIOR[0]) / (given.sum(axis=1) + sum(PRIOR))
        done = float(np.abs(updated - accuracy).max()) < TOLERANCE
        accuracy = updated
        if done:
            break
    return tuple(map(float, accuracy))


def accuracy_by_truth(
    reads: Sequence[str | None], truth: Sequence[str | None]
) -> tuple[float, Share]:
    """Accuracy and its exact interval where the true characters are known.

    The accuracy is drawn towards ``PRIOR``; the interval is of the bare count.
    """
    pairs = [(c, t) for c, t in zip(reads, truth, strict=True) if c is not None and t is not None]
    right = sum(c == t for c, t in pairs)
    return (right + PRIOR[0]) / (len(pairs) + sum(PRIOR)), exact_share(right, len(pairs))


def reliability_record(readers: Sequence[ReaderReliability]) -> dict[str, Any]:
    """What a file of readers' reliability holds."""
    return {
        "format": 1,
        "readers": {
            r.reader: {
                "accuracy": round(r.accuracy, 6),
                "read": r.read,
                "unread": r.unread,
                "right": None if r.right is None else r.right.count,
                "of": None if r.right is None else r.right.total,
                "low": None if r.right is None else round(r.right.low, 6),
                "high": None if r.right is None else round(r.right.high, 6),
            }
            for r in readers
        },
    }


def load_reliability(path: Path) -> Mapping[str, tuple[float, str]]:
    """Accuracy of each reader, and what it rests on in words, from :func:`reliability_record`.

    Raises
    ------
    EvidenceError
        If the file cannot be read, or a field of it is missing or out of range.
    """
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise EvidenceError(f"{path}: is larger than {LARGEST_FILE} bytes")
        held = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise EvidenceError(f"{path}: cannot be read as readers' reliability: {error}") from error
    readers = held.get("readers") if isinstance(held, dict) else None
    if not isinstance(readers, dict) or held.get("format") != 1:
        raise EvidenceError(
            f"{path}: holds no readers' reliability; expected a file of "
            "legibility blind score --reliability"
        )
    found = {}
    for reader, values in readers.items():
        values = values if isinstance(values, dict) else {}
        accuracy, read = values.get("accuracy"), values.get("read")
        if not isinstance(accuracy, (int, float)) or not 0.0 <= accuracy <= 1.0:
            raise EvidenceError(
                f"{path}: readers: {reader[:40]!r}: accuracy: found {accuracy!r}; expected 0 to 1"
            )
        if not isinstance(read, int) or read < 0:
            raise EvidenceError(
                f"{path}: readers: {reader[:40]!r}: read: found {read!r}; expected a count"
            )
        against = "known marks" if values.get("of") else "the other readers"
        found[reader] = (float(accuracy), f"{read} characters against {against}")
    return found
