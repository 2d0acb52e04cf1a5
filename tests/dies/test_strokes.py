"""Shipped glyph sources: counts, bounds, disjoint families, damaged files."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.dies import strokes
from legibility.dies.strokes import (
    GlyphSource,
    GlyphSourceError,
    load_sources,
    load_sources_from,
    save_sources,
)

EVALUATION = strokes.DATA.parents[2] / "evaluate" / "data" / "strokes.npz"


def test_split_sizes() -> None:
    assert len(load_sources(split="train")) >= 60
    assert len(load_sources(split="held_out")) == 8
    evaluation = load_sources_from(EVALUATION)
    assert len(evaluation) >= 10
    assert {source.split for source in evaluation} == {"evaluation"}
    assert sum(source.kind == "grid" for source in evaluation) >= 2
    assert sum(source.kind == "stroke" for source in evaluation) >= 2


def test_no_family_is_in_two_splits() -> None:
    families = [
        {source.origin for source in sources}
        for sources in (
            load_sources(split="train"),
            load_sources(split="held_out"),
            load_sources_from(EVALUATION),
        )
    ]
    assert not families[0] & families[1]
    assert not families[0] & families[2]
    assert not families[1] & families[2]


def test_every_source_states_origin_and_licence() -> None:
    for source in load_sources() + load_sources_from(EVALUATION):
        assert source.origin
        assert source.licence
        assert source.kind in {"skeleton", "stroke", "grid"}


def test_evaluation_sources_are_not_shipped_for_training() -> None:
    assert {source.split for source in load_sources()} == {"train", "held_out"}


@pytest.mark.parametrize("path", [strokes.DATA, EVALUATION], ids=["dies", "evaluate"])
def test_glyphs_fill_the_unit_box(path: Path) -> None:
    assert path.stat().st_size < 600_000
    for source in load_sources_from(path):
        assert len(source.strokes) == N_CHARACTERS
        for glyph in source.strokes:
            points = np.concatenate(glyph)
            assert points.dtype == np.float32
            assert points.shape[1] == 2
            assert points.min() == 0.0
            assert points[:, 0].min() == 0.0
            assert points[:, 1].max() == 1.0
            assert points[:, 0].max() <= strokes.MAX_ASPECT + 1e-4
            assert max(len(line) for line in glyph) <= 40


def test_all_letters_of_a_source_differ_except_where_die_sets_share_them() -> None:
    """Common practice, no source: O and 0, and I and 1, may be one die; nothing else may."""
    shared = {frozenset("O0"), frozenset("I1"), frozenset("S5"), frozenset("Q0")}
    for source in load_sources() + load_sources_from(EVALUATION):
        drawn: dict[bytes, str] = {}
        for character, glyph in zip(CHARACTERS, source.strokes, strict=True):
            key = b"|".join(line.tobytes() for line in glyph)
            if key in drawn:
                assert frozenset(drawn[key] + character) in shared, source.name
            drawn[key] = character


def test_some_die_sets_share_o_and_zero_and_some_do_not() -> None:
    same = [
        np.array_equal(*(np.concatenate(source.strokes[CHARACTERS.index(c)]) for c in "O0"))
        for source in load_sources(split="train")
    ]
    assert any(same)
    assert not all(same)


def test_written_sources_come_back(tmp_path: Path) -> None:
    first = load_sources()[0]
    path = tmp_path / "one.npz"
    save_sources(path, [first])
    (again,) = load_sources_from(path)
    assert again.name == first.name
    for a, b in zip(first.strokes, again.strokes, strict=True):
        for line_a, line_b in zip(a, b, strict=True):
            np.testing.assert_array_equal(line_a, line_b)
    assert [file.name for file in tmp_path.iterdir()] == ["one.npz"]


def test_unknown_split_is_named() -> None:
    with pytest.raises(GlyphSourceError, match="evaluation"):
        load_sources(split="evaluation")


@pytest.mark.parametrize("content", [b"", b"not an archive", b"PK\x03\x04 cut off"])
def test_damaged_file_is_named(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.npz"
    path.write_bytes(content)
    with pytest.raises(GlyphSourceError, match=r"bad\.npz"):
        load_sources_from(path)


def test_archive_without_a_field_is_named(tmp_path: Path) -> None:
    path = tmp_path / "short.npz"
    np.savez(path, names=np.array(["a"]))
    with pytest.raises(GlyphSourceError, match="no field kinds"):
        load_sources_from(path)


def test_archive_with_counts_that_do_not_fit(tmp_path: Path) -> None:
    path = tmp_path / "counts.npz"
    text = np.array(["a"])
    np.savez(
        path,
        names=text,
        kinds=text,
        splits=text,
        origins=text,
        licences=text,
        n_lines=np.ones((1, N_CHARACTERS), np.uint8),
        n_points=np.ones(N_CHARACTERS, np.uint8),
        xy=np.zeros((3, 2), np.int16),
    )
    with pytest.raises(GlyphSourceError, match="do not fit"):
        load_sources_from(path)


def test_loading_needs_numpy_alone() -> None:
    """Neither module names a picture library; training runs where only numpy and torch are."""
    for name in ("strokes", "layout"):
        spec = importlib.util.find_spec(f"legibility.dies.{name}")
        assert spec is not None
        assert spec.origin is not None
        text = Path(spec.origin).read_text("utf-8")
        assert not any(word in text for word in ("import cv2", "skimage", "scipy", "PIL"))


def test_sources_are_frozen() -> None:
    source: GlyphSource = load_sources()[0]
    with pytest.raises(AttributeError):
        source.name = "other"  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        source.strokes[0][0][0, 0] = 1.0
