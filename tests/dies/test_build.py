"""Making sources: drawn shapes with known middle lines, the text formats, Hershey records."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS
from legibility.dies import lettering
from legibility.dies.build import normalised
from legibility.dies.skeleton import trace


def traced(filled: np.ndarray) -> list[np.ndarray]:
    return trace(filled, prune=12, close=14, tolerance=1.5)


def test_bar_has_one_straight_middle_line() -> None:
    filled = np.zeros((120, 60), dtype=bool)
    filled[10:110, 25:36] = True
    (line,) = traced(filled)
    assert abs(line[:, 0] - 30).max() <= 2
    assert np.ptp(line[:, 1]) == pytest.approx(100, abs=12)


def test_cross_meets_in_one_point() -> None:
    filled = np.zeros((121, 121), dtype=bool)
    filled[10:111, 55:66] = True
    filled[55:66, 10:111] = True
    lines = traced(filled)
    assert len(lines) == 4
    middles = [min((line[0], line[-1]), key=lambda p: np.hypot(*(p - 60))) for line in lines]
    np.testing.assert_allclose(middles, 60, atol=2)


def test_ring_is_one_closed_line_of_the_middle_radius() -> None:
    row, column = np.mgrid[:121, :121] - 60
    radius = np.hypot(row, column)
    lines = traced((radius > 40) & (radius < 50))
    assert len(lines) == 1
    np.testing.assert_allclose(lines[0][0], lines[0][-1], atol=1.5)
    np.testing.assert_allclose(np.hypot(*(lines[0] - 60).T), 45, atol=2.5)


def test_normalised_height_is_one_and_wide_glyphs_are_squeezed() -> None:
    (line,) = normalised([np.array([[3.0, 5.0], [33.0, 15.0]])])
    np.testing.assert_allclose(line, [[0, 0], [1.2, 1]])
    with pytest.raises(ValueError, match="without lines"):
        normalised([])
    with pytest.raises(ValueError, match="without height"):
        normalised([np.array([[0.0, 0.0], [1.0, 0.0]])])


def test_lines_are_cut_where_they_cross_and_touch() -> None:
    cross = [np.array([[0.0, 0.0], [4.0, 4.0]]), np.array([[4.0, 0.0], [0.0, 4.0]])]
    assert len(lettering.cut_where_met(cross)) == 4
    tee = [np.array([[0.0, 0.0], [4.0, 0.0]]), np.array([[2.0, 0.0], [2.0, 4.0]])]
    assert len(lettering.cut_where_met(tee)) == 3


def test_stroke_file_with_base_curve_and_errors(tmp_path: Path) -> None:
    path = tmp_path / "letters.txt"
    rows = "\n".join(f"{character} 0,0 1,6" for character in CHARACTERS)
    path.write_text(f"[one]\n{rows}\n[two : one] width 2\nO 2,0 ~4,0 4,3 2,6  # bent\n", "utf-8")
    glyphs = lettering.stroke_glyphs(path, "two")
    np.testing.assert_allclose(glyphs[0][0][-1], [2 / 6, 1], atol=1e-4)
    bent = glyphs[CHARACTERS.index("O")][0]
    # Middle of a quadratic Bezier curve: (p0 + 2 p1 + p2) / 4 = (3.5, 0.75), from the definition.
    expected = np.array([(3.5 - 2) * 2, 0.75]) / 6
    assert np.hypot(*(bent - expected).T).min() < 1e-3
    path.write_text("[one]\nA 0,0 1,1\n", "utf-8")
    with pytest.raises(ValueError, match="no 'B'"):
        lettering.stroke_glyphs(path, "one")
    path.write_text("[one]\n?? 0,0\n", "utf-8")
    with pytest.raises(ValueError, match="line 2"):
        lettering.stroke_glyphs(path, "one")


def test_grid_file_reads_bits_from_the_left(tmp_path: Path) -> None:
    path = tmp_path / "grid.txt"
    path.write_text("[g] 3\n" + "\n".join(f"{c} 4 1" for c in CHARACTERS), "utf-8")
    glyph = lettering.grid_glyphs(path, "g")[0]
    np.testing.assert_allclose(np.concatenate(glyph), [[0, 0], [1.2, 1]])


def test_hershey_record_layout(tmp_path: Path) -> None:
    """Coordinates are characters less 'R', " R" lifts the pen (Hershey 1967, NBS SP 424)."""
    path = tmp_path / "plain.jhf"
    record = f"{1:5d}{6:3d}JZRFRZ RNZVZ"
    path.write_text("\n".join([record] * 96), "ascii")
    glyph = lettering.hershey_glyphs(path)[0]
    points = np.concatenate(glyph)
    assert points[:, 1].max() == 1
    assert len(glyph) == 3
