"""The file of die shapes."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from legibility.errors import ModelError, OutputError
from legibility.read.needle_bank import PROTOTYPES, DieLayout
from legibility.read.needle_file import DEFAULT_PATH, load_layouts, save_layouts


def _layouts() -> list[DieLayout]:
    rng = np.random.default_rng(1)
    sizes = rng.integers(1, 9, 72)
    return [
        DieLayout("one", tuple(rng.random((n, 2)) for n in sizes[:36])),
        DieLayout("two", tuple(rng.random((n, 2)) for n in sizes[36:]), usual_needles=11),
    ]


def test_what_is_saved_is_loaded(tmp_path: Path) -> None:
    path = tmp_path / "needles.npz"
    save_layouts(_layouts(), path)
    loaded, sha256 = load_layouts(path)
    assert sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert [(d.name, d.usual_needles) for d in loaded] == [("one", None), ("two", 11)]
    for ours, theirs in zip(_layouts(), loaded, strict=True):
        for a, b in zip(ours.needles, theirs.needles, strict=True):
            assert_allclose(a, b, atol=6e-4)
    assert os.listdir(tmp_path) == ["needles.npz"]


def test_the_shipped_shapes_are_complete_and_small() -> None:
    layouts, _ = load_layouts()
    assert len(layouts) == PROTOTYPES
    assert DEFAULT_PATH.stat().st_size < 200_000
    for die in layouts:
        for points in die.needles:
            assert points[:, 1].min() > -0.05
            assert points[:, 1].max() < 1.05


def test_damaged_files_are_refused_and_named(tmp_path: Path) -> None:
    path = tmp_path / "needles.npz"
    with pytest.raises(ModelError, match=r"needles\.npz"):
        load_layouts(path)
    save_layouts(_layouts(), path)
    data = path.read_bytes()
    for bad in (b"", b"PK", data[: len(data) // 2], b"\x93NUMPY"):
        path.write_bytes(bad)
        with pytest.raises(ModelError, match=r"needles\.npz"):
            load_layouts(path)
    with np.load(DEFAULT_PATH) as arrays:
        parts = dict(arrays)
    for key, value in (
        ("counts", parts["counts"][:, :-1]),
        ("points", parts["points"][:-1]),
        ("names", parts["names"][:-1]),
        ("usual_needles", -parts["usual_needles"]),
    ):
        np.savez(path, **{**parts, key: value})
        with pytest.raises(ModelError, match="expected"):
            load_layouts(path)
    np.savez(path, names=parts["names"])
    with pytest.raises(ModelError, match="cannot be read"):
        load_layouts(path)


def test_a_failed_write_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "needles.npz").mkdir()
    (tmp_path / "needles.npz" / "kept").touch()
    with pytest.raises(OutputError, match="cannot be written"):
        save_layouts(_layouts(), tmp_path / "needles.npz")
    assert os.listdir(tmp_path) == ["needles.npz"]
