"""Risk of confusion as a page: rival graph and heat map, drawn from what the page carries."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, NO_CHARACTER
from legibility.misreadings import AnimalRisk, HerdRisk, WatchedPair
from legibility.probability import percent
from legibility.report.page import Renderer, render_page
from legibility.report.risk import copied_sentence
from legibility.report.writing import write_text

GRAPH_WIDTH: Final = 1080
NODE_HEIGHT: Final = 30
LETTER: Final = 9.6
"""Width of one character of a mark in the graph, pixels."""
GAP: Final = 26
SPOKE: Final = 128
"""Choice: distance of neighbours on a circle, at least."""
PAIRS_DRAWN: Final = 40
"""Choice: more do not fit a page that can be read."""
ANIMALS_LISTED: Final = 40
RIVALS_LISTED: Final = 4
CELL: Final = 25
MARGIN: Final = 34

HEAT: Final = ("#f7f9fb", "#d6e4ef", "#a9c8e0", "#6fa3c9", "#35789f", "#124a6e")
"""One hue from pale to dark, so that it reads in grey and with any colour vision; figures are
printed in the cells too."""
HEAT_LIMITS: Final = (0.0, 0.001, 0.01, 0.05, 0.2, 0.5)


@dataclass(frozen=True, slots=True)
class Node:
    """An animal in the graph."""

    x: float
    y: float
    width: float
    mark: str
    animal_id: str


@dataclass(frozen=True, slots=True)
class Edge:
    """A pair of animals one of which is taken for the other."""

    x1: float
    y1: float
    x2: float
    y2: float
    label: str
    kind: str
    """"strong", "middle" or "weak": thickness and dashes."""
    words: str


@dataclass(frozen=True, slots=True)
class Graph:
    """The rival graph, laid out."""

    width: float
    height: float
    nodes: tuple[Node, ...]
    edges: tuple[Edge, ...]


@dataclass(frozen=True, slots=True)
class HeatCell:
    """One cell of the kernel."""

    x: float
    y: float
    fill: str
    text: str
    ink: str
    words: str


def rival_graph(pairs: Sequence[WatchedPair]) -> Graph:
    """Groups of animals that are taken for each other, each group on its own circle."""
    marks = {pair.first: pair.first_mark for pair in pairs}
    marks |= {pair.second: pair.second_mark for pair in pairs}
    groups = _groups(pairs)
    centres: dict[str, tuple[float, float]] = {}
    x, y, line_height = 0.0, 0.0, 0.0
    for group in groups:
        widest = max(_width(marks[name]) for name in group)
        spots, width, height = _circle(len(group), widest)
        if x > 0 and x + width > GRAPH_WIDTH:
            x, y, line_height = 0.0, y + line_height + GAP, 0.0
        for name, (dx, dy) in zip(group, spots, strict=True):
            centres[name] = (x + dx, y + dy)
        x += width + GAP
        line_height = max(line_height, height)
    nodes = tuple(
        Node(cx, cy, _width(marks[name]), marks[name], name) for name, (cx, cy) in centres.items()
    )
    edges = []
    for pair in sorted(pairs, key=lambda pair: pair.there):
        (x1, y1), (x2, y2) = centres[pair.first], centres[pair.second]
        kind = "strong" if pair.there >= 0.1 else "middle" if pair.there >= 0.01 else "weak"
        words = (
            f"{pair.first} taken for {pair.second}: {percent(pair.there)}; the other way round "
            f"{percent(pair.back)}. {pair.mechanism}"
        )
        edges.append(Edge(x1, y1, x2, y2, percent(pair.there), kind, words))
    return Graph(GRAPH_WIDTH, max(y + line_height, 1.0), nodes, tuple(edges))


def _groups(pairs: Sequence[WatchedPair]) -> list[list[str]]:
    """Animals joined by pairs, largest group first, within it in the order of a walk."""
    near: dict[str, list[str]] = {}
    for pair in pairs:
        near.setdefault(pair.first, []).append(pair.second)
        near.setdefault(pair.second, []).append(pair.first)
    groups: list[list[str]] = []
    seen: set[str] = set()
    for start in near:
        if start in seen:
            continue
        group, waiting = [], [start]
        while waiting:
            name = waiting.pop()
            if name not in seen:
                seen.add(name)
                group.append(name)
                waiting += [other for other in reversed(near[name]) if other not in seen]
        groups.append(group)
    return sorted(groups, key=len, reverse=True)


def _circle(count: int, widest: float) -> tuple[list[tuple[float, float]], float, float]:
    """Places of so many nodes, and the size of the box around them."""
    half = NODE_HEIGHT / 2
    if count == 2:
        width = 2 * widest + 78
        return [(widest / 2, half), (width - widest / 2, half)], width, NODE_HEIGHT
    need = max(SPOKE, widest + 14) / (2 * math.sin(math.pi / max(count, 3)))
    radius_x, radius_y = need, max(0.62 * need, 46.0)
    spots = []
    for index in range(count):
        angle = 2 * math.pi * index / count - math.pi / 2
        spots.append(
            (
                widest / 2 + radius_x * (1 + math.cos(angle)),
                half + radius_y * (1 + math.sin(angle)),
            )
        )
    return spots, 2 * radius_x + widest, 2 * radius_y + NODE_HEIGHT


def _width(mark: str) -> float:
    return LETTER * max(len(mark), 2) + 18


def heat_cells(
    matrix: NDArray[np.float64], interval: tuple[NDArray[np.float64], NDArray[np.float64]]
) -> tuple[HeatCell, ...]:
    """Cells of the kernel: a row for each pressed character, a column for each that is read."""
    low, high = interval
    cells = []
    for true in range(N_CHARACTERS):
        for read in range(matrix.shape[1]):
            value = float(matrix[true, read])
            shade = int(np.searchsorted(HEAT_LIMITS, value, side="right")) - 1
            shown = "not read" if read == NO_CHARACTER else f"read as {CHARACTERS[read]}"
            cells.append(
                HeatCell(
                    x=MARGIN + CELL * read + (6 if read == NO_CHARACTER else 0),
                    y=MARGIN + CELL * true,
                    fill=HEAT[shade],
                    text=f"{100 * value:.0f}" if value >= HEAT_LIMITS[2] else "",
                    ink="#ffffff" if shade >= 4 else "#1d2226",
                    words=(
                        f"{CHARACTERS[true]} {shown}: {percent(value)} (95 % interval "
                        f"{percent(low[true, read])} to {percent(high[true, read])})"
                    ),
                )
            )
    return tuple(cells)


def risk_page(
    *,
    herd: HerdRisk,
    worst: Sequence[AnimalRisk],
    matrix: NDArray[np.float64],
    interval: tuple[NDArray[np.float64], NDArray[np.float64]],
    grade: float,
    render: Renderer = render_page,
    **values: Any,
) -> str:
    """The page: one file, nothing else is needed to open it.

    Parameters
    ----------
    herd : HerdRisk
    worst : sequence of AnimalRisk
        Worst first.
    matrix : ndarray, (36, 37)
        Kernel at ``grade``.
    interval : (ndarray, ndarray), each (36, 37)
        Its interval, low and high.
    """
    edge = MARGIN + CELL * (N_CHARACTERS + 1) + 12
    return render(
        "risk.html",
        herd=herd,
        copied=copied_sentence(herd),
        worst=[animal for animal in worst if animal.rivals][:ANIMALS_LISTED],
        rivals_listed=RIVALS_LISTED,
        graph=rival_graph(herd.pairs_to_watch),
        heat=heat_cells(np.asarray(matrix, dtype=np.float64), interval),
        heat_width=edge,
        heat_height=MARGIN + CELL * N_CHARACTERS + 8,
        cell=CELL,
        margin=MARGIN,
        node_height=NODE_HEIGHT,
        characters=CHARACTERS,
        legend=[
            (HEAT[i], f"{100 * low:g} %", "#ffffff" if i >= 4 else "#1d2226")
            for i, low in enumerate(HEAT_LIMITS)
        ],
        grade=grade,
        **values,
    )


def write_risk_page(path: Path, **drawn: Any) -> None:
    """Write :func:`risk_page`, from its arguments.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_text(path, risk_page(**drawn))
