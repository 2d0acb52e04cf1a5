"""Rank correlation of confusions with a matrix of similarity."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from legibility.errors import SettingsError
from legibility.evaluate.letters import letter_correlation, main, similarity_matrix
from legibility.risk.kernel import load_kernel

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def written(path: Path, values: np.ndarray) -> Path:
    rows = [",".join(["", *LETTERS])]
    for i, letter in enumerate(LETTERS):
        cells = ["" if i == j else f"{value:.9g}" for j, value in enumerate(values[i])]
        rows.append(",".join([letter, *cells]))
    path.write_text("﻿" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_the_kernel_agrees_with_itself_and_not_with_its_opposite(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kernel = load_kernel()
    share = kernel.at("worn")[:26, :36]
    share = (share / share.sum(axis=1, keepdims=True))[:, :26]
    similarity = similarity_matrix(written(tmp_path / "m.csv", share + share.T))
    assert letter_correlation(kernel, similarity, "worn") > 0.999
    assert letter_correlation(kernel, -similarity, "worn") < -0.999
    main([str(tmp_path / "m.csv")])
    assert "worn: 1.000" in capsys.readouterr().out


def test_what_is_no_matrix(tmp_path: Path) -> None:
    (tmp_path / "m.csv").write_text(",A,B\nA,,1\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="A to Z"):
        similarity_matrix(tmp_path / "m.csv")
    with pytest.raises(SettingsError, match="cannot be read"):
        similarity_matrix(tmp_path / "no.csv")
    bad = written(tmp_path / "b.csv", np.ones((26, 26))).read_text("utf-8").replace("1,", "x,")
    (tmp_path / "b.csv").write_text(bad, encoding="utf-8")
    with pytest.raises(SettingsError, match="expected numbers"):
        similarity_matrix(tmp_path / "b.csv")
