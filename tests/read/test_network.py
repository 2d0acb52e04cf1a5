"""The reader network: decoding of hand-made columns, and real printed digits it was never shown."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
import sklearn.datasets
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import ColorImage
from legibility.read import network
from legibility.read.network import StripView, flip, view_strips
from tests.opencv_doc import opencv_doc_rgb

COLUMNS = 96
MIDDLE_X = 191.5
DIGITS = [CHARACTERS.index(character) for character in "0123456789"]


def quiet() -> NDArray[np.float64]:
    """Columns of a strip without characters."""
    columns = np.zeros((N_CHARACTERS + 8, COLUMNS))
    columns[N_CHARACTERS] = -9
    return columns


def put(
    columns: NDArray[np.float64],
    x: float,
    character: str,
    *,
    y: float = 23.5,
    height: float = 32.0,
    logit: float = 3.0,
    pose: int = 0,
) -> None:
    """Write a character as the loss of the training asks for it."""
    position = (x + 0.5) / 4 - 0.5
    column = round(position)
    for near in (column - 1, column, column + 1):
        columns[CHARACTERS.index(character), near] = 6.0
    columns[N_CHARACTERS : N_CHARACTERS + 4, column] = (
        logit,
        position - column,
        (y - 23.5) / 8,
        2 * math.log(height / 32),
    )
    columns[N_CHARACTERS + 4 + pose, column] = 5.0


def viewed(columns: NDArray[np.float64]) -> StripView:
    return network._view(columns, np.zeros((48, 384), np.float32))


def text_of(view: StripView) -> str:
    return "".join(CHARACTERS[int(place.logp.argmax())] for place in view.places)


def test_places_come_back_from_left_to_right() -> None:
    columns = quiet()
    put(columns, 250.2, "B", height=28.0, logit=1.0)
    put(columns, 100.7, "7", y=26.0)
    put(columns, 131.0, "A", logit=4.0)
    view = viewed(columns)
    assert text_of(view) == "7AB"
    first, _, last = view.places
    assert first.box.x_center == pytest.approx(100.7)
    assert first.box.y_center == pytest.approx(26.0)
    assert last.box.height_px == pytest.approx(28.0)
    assert last.presence == pytest.approx(1 / (1 + math.exp(-1)))
    assert np.exp(first.logp).sum() == pytest.approx(1.0)
    np.testing.assert_allclose(view.ink, 0.5)


def test_one_character_has_one_place() -> None:
    columns = quiet()
    put(columns, 100, "K", logit=3.0)
    put(columns, 109, "X", logit=2.0)  # less than .42 heights further
    assert text_of(viewed(columns)) == "K"


def test_another_row_is_left_to_its_own_strip() -> None:
    columns = quiet()
    put(columns, 100, "K")
    put(columns, 200, "X", y=8.0)
    assert text_of(viewed(columns)) == "K"


def test_unlikely_places_are_not_looked_at() -> None:
    columns = quiet()
    put(columns, 100, "K", logit=-3.5)  # .03
    assert viewed(columns).places == ()


@pytest.mark.parametrize("pose", range(4))
def test_the_pose_is_asked_where_characters_are(pose: int) -> None:
    columns = quiet()
    columns[N_CHARACTERS + 4 + (pose + 1) % 4] = 3.0  # what bare columns say
    for x in (100, 140, 180):
        columns[N_CHARACTERS + 4 :, round((x + 0.5) / 4 - 0.5)] = 0
        put(columns, x, "K", pose=pose)
    assert int(viewed(columns).pose_logp.argmax()) == pose


@pytest.mark.parametrize("pose", range(4))
def test_each_pose_undoes_itself(pose: int) -> None:
    strip = np.random.default_rng(1).integers(0, 256, (48, 384, 3)).astype(np.uint8)
    np.testing.assert_array_equal(flip(flip(strip, pose), pose), strip)


def test_no_strips_no_views() -> None:
    assert view_strips([]) == ()


def test_what_lies_outside_the_room_is_not_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    columns = quiet()
    for x, character in ((20, "A"), (180, "B"), (200, "C"), (370, "D")):
        put(columns, x, character)

    def run(
        name: str, inputs: NDArray[np.float32], *, outputs: list[str]
    ) -> tuple[NDArray[np.float32], ...]:
        # A network that finds what stands in the columns it is shown.
        edge = (384 - inputs.shape[3]) // 2
        shown = columns[:, edge // 4 : 96 - edge // 4].astype(np.float32)
        ink = np.zeros((len(inputs), 1, *inputs.shape[2:]), np.float32)
        return np.repeat(shown[None, :, None], len(inputs), axis=0), ink

    monkeypatch.setattr(network, "run_network", run)
    strips = [np.full((48, 384, 3), 120, np.uint8)] * 3
    wide, narrow, again = view_strips(strips, rooms_px=[384, 192, 384])
    assert text_of(wide) == text_of(again) == "ABCD"
    assert text_of(narrow) == "BC"
    assert [p.box.x_center for p in narrow.places] == pytest.approx([180.0, 200.0])
    assert wide.ink[:, 0] == pytest.approx(0.5)
    assert narrow.ink[:, [0, 95, 288, 383]].max() < 1e-6
    assert narrow.ink[:, 96:288] == pytest.approx(0.5)


def said_in_the_middle(strips: list[ColorImage]) -> str:
    """Character nearest the middle of each strip; "-" where none is."""
    said = ""
    for view in view_strips(strips):
        near = [p for p in view.places if abs(p.box.x_center - MIDDLE_X) < 16]
        best = max(near, key=lambda p: p.presence, default=None)
        said += "-" if best is None else CHARACTERS[int(best.logp.argmax())]
    return said


GRID = (
    "...6.47..",
    "7.6.....9",
    ".....5.8.",
    ".7..2..93",
    "8.......5",
    "43..1..7.",
    ".5.2.....",
    "3.....2.8",
    "..23.1...",
)
"""opencv-doc, sudoku.png, read off the picture; the puzzle has exactly one solution."""
CORNERS = ((74, 86), (490, 70), (520, 517), (36, 514))
"""Of the grid in the picture, by eye: top left, top right, bottom right, bottom left."""
CELL = 96


def printed_digits() -> tuple[str, list[ColorImage]]:
    """The 26 given digits of the puzzle, each upright at 31 px on its own paper."""
    square = np.array([(0, 0), (9, 0), (9, 9), (0, 9)], np.float32) * CELL
    to_grid = cv2.getPerspectiveTransform(np.array(CORNERS, np.float32), square)
    picture = opencv_doc_rgb("data/sudoku.png")
    flat = cv2.warpPerspective(picture, to_grid, (9 * CELL, 9 * CELL), flags=cv2.INTER_CUBIC)
    truth, strips = "", []
    for row, line in enumerate(GRID):
        for column, character in enumerate(line):
            if character == ".":
                continue
            # A little more than the cell: the paper is bent.
            top, left = max(0, row * CELL - 8), max(0, column * CELL - 8)
            truth += character
            strips.append(
                on_own_paper(flat[top : (row + 1) * CELL + 8, left : (column + 1) * CELL + 8])
            )
    return truth, strips


def on_own_paper(cell: ColorImage) -> ColorImage:
    """The digit of a cell, 31 px high in the middle of a strip of the cell's paper."""
    gray = cv2.cvtColor(cell, cv2.COLOR_RGB2GRAY)
    dark = (gray < 0.65 * np.median(gray)).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(dark)
    # Grid lines are longer or thinner than digits, and pieces of neighbours lie outside the middle.
    left, top, width, height = min(
        (
            (int(x), int(y), int(w), int(h))
            for x, y, w, h, _ in stats
            if 35 < h < 75 and 10 < w < 60
        ),
        key=lambda box: abs(box[0] + box[2] / 2 - cell.shape[1] / 2),
    )
    digit = cell[top - 4 : top + height + 4, left - 4 : left + width + 4]
    scale = 31.0 / height
    small = cv2.resize(digit, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    strip = np.empty((48, 384, 3), np.uint8)
    strip[:] = np.quantile(digit.reshape(-1, 3), 0.7, axis=0)
    y, x = (48 - small.shape[0]) // 2, (384 - small.shape[1]) // 2
    strip[y : y + small.shape[0], x : x + small.shape[1]] = small
    return strip


def test_printed_digits_are_read() -> None:
    truth, strips = printed_digits()
    assert len(truth) == 26
    said = said_in_the_middle(strips)
    # Measured: all 26.
    assert sum(a == b for a, b in zip(truth, said, strict=True)) >= 25, said


def test_printed_digits_are_seen_upright_where_they_can_be() -> None:
    truth, strips = printed_digits()
    for digit, view in zip(truth, view_strips(strips), strict=True):
        upright = float(np.exp(view.pose_logp[0]))
        if digit in "23457":
            assert upright > 0.7, digit
        if digit in "69":
            # Upright or turned, they are the same two characters.
            assert float(np.exp(view.pose_logp[[0, 1]]).sum()) > 0.9
            assert upright < 0.9


def test_handwritten_digits_are_read_better_than_by_chance() -> None:
    # scikit-learn's digits (UCI, Alpaydin & Kaynak 1998): 8 x 8 grey values 0..16 of handwriting,
    # far from any die; told that there is a digit in the middle.
    data = sklearn.datasets.load_digits()
    strips = []
    for picture in data.images[:100]:
        ink = cv2.resize(picture.astype(np.float32) / 16, (32, 32), interpolation=cv2.INTER_CUBIC)
        strip = np.full((48, 384, 3), 205, np.float32)
        strip[8:40, 176:208] -= 150 * ink.clip(0, 1)[..., None]
        strips.append(strip.astype(np.uint8))
    right = 0
    for view, truth in zip(view_strips(strips), data.target, strict=False):
        near = [p for p in view.places if abs(p.box.x_center - MIDDLE_X) < 16]
        if near:
            best = max(near, key=lambda p: p.presence)
            right += int(best.logp[DIGITS].argmax()) == truth
    # Measured: 73 of 100.
    assert right >= 65
