"""Middle lines of a filled glyph as a graph of polylines.

The thinned picture is walked pixel by pixel; short branches that thinning grows at corners are cut
off, crossings that thinning tears into two junctions are closed again, and the rest is simplified
(Douglas and Peucker 1973, doi:10.3138/FM57-6770-U75U-7727).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Line = NDArray[np.float64]
_STEPS: Final = ((-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1))


@dataclass(slots=True)
class Edge:
    """A line between two nodes, its points including both."""

    a: int
    b: int
    points: Line

    @property
    def length(self) -> float:
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())


def trace(
    filled: NDArray[np.bool_], *, prune: float, close: float, tolerance: float, serif: float = 0.0
) -> list[Line]:
    """Lines of a filled shape.

    Parameters
    ----------
    filled
        (height, width), bool.
    prune
        Branches shorter than this many pixels are cut off.
    close
        Junctions nearer than this many pixels along a line become one.
    tolerance
        Largest distance in pixels between a line and its simplified form.
    serif
        Branches shorter than this many pixels are cut off all at once, before a pair of them can
        be taken for one line.

    Returns
    -------
    list of arrays (n, 2)
        x, y in pixels; lines meet at their ends only.
    """
    from skimage.morphology import skeletonize

    edges = _walk(skeletonize(filled))
    edges = _close_junctions(edges, close)
    edges = _join(edges)
    spurs = _spurs(edges, serif)
    edges = _join([edge for edge in edges if not any(edge is spur for spur in spurs)])
    edges = _prune(edges, prune)
    edges = _close_junctions(edges, close)
    edges = _join(edges)
    return [_simplify(edge.points, tolerance) for edge in edges]


def _walk(thin: NDArray[np.bool_]) -> list[Edge]:
    pixels = {(int(row), int(column)) for row, column in np.argwhere(thin)}
    near: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for row, column in pixels:
        found = []
        for down, right in _STEPS:
            other = (row + down, column + right)
            if other not in pixels:
                continue
            if (
                down
                and right
                and ((row + down, column) in pixels or (row, column + right) in pixels)
            ):
                continue
            found.append(other)
        near[(row, column)] = found
    node_of: dict[tuple[int, int], int] = {}
    places: list[Line] = []
    for pixel in sorted(pixels):
        if len(near[pixel]) == 2 or pixel in node_of:
            continue
        cluster, stack = [], [pixel]
        node_of[pixel] = len(places)
        while stack:
            here = stack.pop()
            cluster.append(here)
            for other in near[here]:
                if len(near[other]) > 2 and len(near[here]) > 2 and other not in node_of:
                    node_of[other] = len(places)
                    stack.append(other)
        places.append(np.mean(np.array(cluster, float)[:, ::-1], axis=0))
    edges: list[Edge] = []
    used: set[tuple[int, int]] = set()
    for pixel in sorted(node_of):
        start = node_of[pixel]
        if not near[pixel]:
            edges.append(Edge(start, start, places[start][None]))
        for first in near[pixel]:
            if first in used or node_of.get(first) == start:
                continue
            path, before, here = [], pixel, first
            while here not in node_of:
                used.add(here)
                path.append((here[1], here[0]))
                onward = [other for other in near[here] if other != before]
                before, here = here, onward[0]
            stop = node_of[here]
            if not path and stop < start:
                continue
            edges.append(Edge(start, stop, _line(places[start], path, places[stop])))
    for pixel in sorted(pixels - used - set(node_of)):
        if pixel in used:
            continue
        path, before, here = [], pixel, pixel
        while here not in used:
            used.add(here)
            path.append((here[1], here[0]))
            onward = [other for other in near[here] if other != before and other not in used]
            before, here = here, onward[0] if onward else here
        start = len(places)
        places.append(np.array(path[0], float))
        edges.append(Edge(start, start, _line(places[start], path[1:], places[start])))
    return edges


def _line(first: Line, path: list[tuple[int, int]], last: Line) -> Line:
    return np.vstack([first[None], np.array(path, float).reshape(-1, 2), last[None]])


def _degrees(edges: list[Edge]) -> dict[int, int]:
    degrees: dict[int, int] = defaultdict(int)
    for edge in edges:
        if len(edge.points) > 1:
            degrees[edge.a] += 1
            degrees[edge.b] += 1
    return degrees


def _close_junctions(edges: list[Edge], close: float) -> list[Edge]:
    edges = list(edges)
    while True:
        degrees = _degrees(edges)
        short = [
            edge
            for edge in edges
            if edge.a != edge.b
            and degrees[edge.a] > 2
            and degrees[edge.b] > 2
            and edge.length < close
        ]
        if not short:
            return [
                edge
                for edge in edges
                if edge.a != edge.b or edge.length > 2 * close or len(edge.points) == 1
            ]
        gone = min(short, key=lambda edge: edge.length)
        middle = (gone.points[0] + gone.points[-1]) / 2
        edges = [edge for edge in edges if edge is not gone]
        for edge in edges:
            points = edge.points.copy()
            if edge.a in (gone.a, gone.b):
                edge.a, points[0] = gone.a, middle
            if edge.b in (gone.a, gone.b):
                edge.b, points[-1] = gone.a, middle
            edge.points = _ease(points, close)


def _ease(points: Line, close: float) -> Line:
    """Drop the points next to a moved end, so that the line runs straight into it."""
    if len(points) < 5:
        return points
    from_start = np.hypot(*(points - points[0]).T)
    from_stop = np.hypot(*(points - points[-1]).T)
    keep = (from_start > close / 2) & (from_stop > close / 2)
    keep[[0, -1]] = True
    eased: Line = points[keep]
    return eased


def _spurs(edges: list[Edge], shorter: float) -> list[Edge]:
    degrees = _degrees(edges)
    return [
        edge
        for edge in edges
        if len(edge.points) > 1
        and edge.length < shorter
        and min(degrees[edge.a], degrees[edge.b]) == 1
        and max(degrees[edge.a], degrees[edge.b]) > 2
    ]


def _prune(edges: list[Edge], prune: float) -> list[Edge]:
    edges = list(edges)
    while spurs := _spurs(edges, prune):
        gone = min(spurs, key=lambda edge: edge.length)
        edges = _join([edge for edge in edges if edge is not gone])
    return edges


def _join(edges: list[Edge]) -> list[Edge]:
    """Make one line of two that meet where nothing else does."""
    edges = list(edges)
    while True:
        degrees = _degrees(edges)
        at: dict[int, list[Edge]] = defaultdict(list)
        for edge in edges:
            if edge.a != edge.b:
                at[edge.a].append(edge)
                at[edge.b].append(edge)
        node = next((n for n, met in at.items() if len(met) == 2 and degrees[n] == 2), None)
        if node is None:
            return edges
        first, second = at[node]
        head = first.points if first.b == node else first.points[::-1]
        tail = second.points if second.a == node else second.points[::-1]
        start = first.a if first.b == node else first.b
        stop = second.b if second.a == node else second.a
        edges = [edge for edge in edges if edge is not first and edge is not second]
        edges.append(Edge(start, stop, np.vstack([head, tail[1:]])))


def _simplify(points: Line, tolerance: float) -> Line:
    if len(points) < 3:
        return points
    first, last = points[0], points[-1]
    along = last - first
    span = float(np.hypot(*along))
    if span < 1e-9:
        away = np.hypot(*(points - first).T)
    else:
        offset = points - first
        away = np.abs(offset[:, 0] * along[1] - offset[:, 1] * along[0]) / span
    split = int(np.argmax(away))
    if away[split] <= tolerance or split in (0, len(points) - 1):
        return points[[0, -1]]
    head, tail = _simplify(points[: split + 1], tolerance), _simplify(points[split:], tolerance)
    return np.vstack([head, tail[1:]])
