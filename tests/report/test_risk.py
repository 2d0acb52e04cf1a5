"""Risk as table and page."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path

import numpy as np

from legibility.misreadings import AnimalRisk, HerdRisk, Rival, WatchedPair
from legibility.report.risk import risk_table
from legibility.report.risk_page import heat_cells, rival_graph, write_risk_page

ANIMAL = AnimalRisk(
    animal_id="=1+1",
    mark="K417",
    grade=2.0,
    right=0.6,
    risk=0.11,
    unregistered=0.09,
    unread=0.2,
    rivals=(
        Rival("<b>G2</b>", "K411", 0.1, "7 read as 1 at 4 (needles lost (6 of 12))"),
        Rival("G3", "K471", 0.01, "dies 3 and 4 swapped"),
    ),
)
PAIR = WatchedPair("=1+1", "K417", "<b>G2</b>", "K411", 0.1, 0.002, "7 read as 1 at 4")
HERD = HerdRisk(
    animals=3,
    marks=3,
    shared_marks=0,
    pairs=2,
    least=1e-4,
    mean_right=0.6,
    mean_risk=0.11,
    mean_unregistered=0.09,
    mean_unread=0.2,
    above={"1 %": 2, "5 %": 1},
    condition="all marks worn (grade 2.0 of 4)",
    kernel="measured",
    row_unread=0.07,
    pairs_to_watch=(PAIR, replace(PAIR, first="G4", first_mark="B1", there=0.02)),
    notices=("mark K417 is carried by 2 animals",),
)


def test_table_fits_100_columns_and_names_what_matters() -> None:
    long = replace(
        ANIMAL, animal_id="A" * 60, rivals=(replace(ANIMAL.rivals[0], mechanism="x " * 90),)
    )
    text = risk_table(HERD, [ANIMAL, long])
    assert max(map(len, text.splitlines())) <= 100
    for said in ("K417", "K411", "11 %", "1 % or more: 2", "Pairs to watch", "7.0 %", "carried by"):
        assert said in text
    nobody = risk_table(replace(HERD, pairs_to_watch=()), [replace(ANIMAL, rivals=())])
    assert "No animal is taken for another" in nobody


def test_page_is_one_file_with_everything_escaped(tmp_path: Path) -> None:
    matrix = np.full((36, 37), 0.1 / 36)
    np.fill_diagonal(matrix, 0.9)
    write_risk_page(
        tmp_path / "r.html",
        herd=HERD,
        worst=[ANIMAL],
        matrix=matrix,
        interval=(matrix / 2, matrix),
        grade=2.0,
    )
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "<b>G2</b>" not in page
    assert "&lt;b&gt;G2&lt;/b&gt;" in page
    assert not re.search(r"(src|href)=[\"']?http", page)
    assert "<script" not in page
    assert page.count('class="node"') == 3
    assert page.count(">90</text>") == 36
    assert "stroke-dasharray" in page  # not by colour alone


def test_graph_keeps_nodes_apart_and_on_the_page() -> None:
    names = [f"G{i}" for i in range(14)]
    pairs = [
        WatchedPair(a, f"M{a[1:]}", b, f"M{b[1:]}", 0.2 / (i + 1), 0.0, "")
        for i, (a, b) in enumerate(itertools.pairwise(names[:10]))
    ]
    pairs.append(WatchedPair("G12", "M12", "G13", "M13", 0.001, 0.0, ""))
    graph = rival_graph(pairs)
    assert len(graph.nodes) == 12
    for i, a in enumerate(graph.nodes):
        assert a.x - a.width / 2 >= 0
        assert a.x + a.width / 2 <= graph.width
        assert 0 <= a.y <= graph.height
        for b in graph.nodes[:i]:
            assert abs(a.x - b.x) >= (a.width + b.width) / 2 or abs(a.y - b.y) >= 30
    assert {edge.kind for edge in graph.edges} == {"strong", "middle", "weak"}
    assert rival_graph([]).nodes == ()


def test_shades_are_ordered_in_grey_too() -> None:
    values = np.zeros((36, 37))
    values[0, :6] = (0.0, 0.002, 0.02, 0.1, 0.3, 0.9)
    fills = [cell.fill for cell in heat_cells(values, (values, values))[:6]]
    grey = [
        sum(int(f[i : i + 2], 16) * w for i, w in ((1, 0.3), (3, 0.59), (5, 0.11))) for f in fills
    ]
    assert grey == sorted(grey, reverse=True)
    assert min(a - b for a, b in itertools.pairwise(grey)) > 12
