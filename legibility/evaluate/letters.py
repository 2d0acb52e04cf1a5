"""Does the reader confuse the letters that people find similar?

``python -m legibility.evaluate.letters MATRIX.csv`` compares the kernel's letter part with a
published matrix of letter similarity (26 x 26, a heading and a name in each row): Spearman's rank
correlation over the 325 pairs, at each named condition. Such matrices are not shipped: the terms
of their supplements are not known. The one meant is that of Simpson, Mousikou, Montoya & Defior
2013, Behav. Res. Methods 45:431-439 (capitals).
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.errors import SettingsError
from legibility.risk.kernel import NAMED, ConditionLike, Kernel, load_kernel

LETTERS = 26


def similarity_matrix(path: Path) -> NDArray[np.float64]:
    """(26, 26) similarities from a CSV file; the diagonal may be empty.

    Raises
    ------
    SettingsError
        If the file is no such matrix.
    """
    try:
        rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SettingsError(f"{path}: cannot be read: {error}") from error
    rows = [row for row in rows if any(row)]
    wanted = list(CHARACTERS[:LETTERS])
    if len(rows) != LETTERS + 1 or rows[0][1:] != wanted or [r[0] for r in rows[1:]] != wanted:
        raise SettingsError(f"{path}: expected a heading A to Z and a row for each of them")
    try:
        return np.array([[float(cell or "nan") for cell in row[1:]] for row in rows[1:]])
    except ValueError as error:
        raise SettingsError(f"{path}: {error}; expected numbers") from error


def letter_correlation(
    kernel: Kernel, similarity: NDArray[np.float64], condition: ConditionLike
) -> float:
    """Spearman's correlation of similarity and confusion, both ways averaged, -1..1.

    Confusions are those of the letters among what was read.
    """
    from scipy.stats import spearmanr

    read = kernel.at(condition)[:, :N_CHARACTERS]
    share = (read / read.sum(axis=1, keepdims=True))[:LETTERS, :LETTERS]
    pairs = np.triu_indices(LETTERS, 1)
    return float(spearmanr(similarity[pairs], (share + share.T)[pairs]).statistic)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the correlation at each named condition."""
    parser = argparse.ArgumentParser(prog="python -m legibility.evaluate.letters")
    parser.add_argument("matrix", type=Path)
    options = parser.parse_args(arguments)
    similarity, kernel = similarity_matrix(options.matrix), load_kernel()
    for condition in NAMED:
        print(f"{condition}: {letter_correlation(kernel, similarity, condition):.3f}")


if __name__ == "__main__":
    main()
