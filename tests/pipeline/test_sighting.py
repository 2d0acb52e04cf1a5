"""Which rows are the mark, and which way round: drawn marks, and poses as a group."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, index_of
from legibility.containers import RowStrip
from legibility.dies.layout import needle_layout
from legibility.dies.strokes import load_sources
from legibility.locate.rows import Row, row_through
from legibility.pipeline import poses, print_rows, sighting
from legibility.pipeline.poses import pose_scores
from legibility.pipeline.reading import load_mark_model
from legibility.pipeline.second_row import _like, is_beside
from legibility.pipeline.seen_rows import Picture, SeenRow, place_evidence, posed_row
from legibility.pipeline.sighting import Sighting, sight_mark
from legibility.read.cells import CellBox
from legibility.read.network import Place, StripView, flip

BOX = CellBox(x_center=100.0, y_center=24.0, height_px=31.0, width_px=26.0)


def view(pose_logp, places=()):
    return StripView(
        places=tuple(places),
        pose_logp=np.asarray(pose_logp, dtype=float),
        ink=np.zeros((48, 384), np.float32),
    )


def certain(pose: int) -> np.ndarray:
    return np.log(np.where(np.arange(4) == pose, 0.97, 0.01))


UPRIGHT = np.log([0.997, 0.001, 0.001, 0.001])


def seen_row(pixels=None, seen=None):
    row = row_through(
        [(10.0, 20.0), (40.0, 20.0)], [30.0] * 2, angle_deg=0, mirrored=False, score=1
    )
    shown = np.zeros((48, 384, 3), np.uint8) if pixels is None else pixels
    strip = RowStrip(shown, np.zeros((48, 384), bool), np.eye(3), 1.0, ())
    return SeenRow(row, strip, view(UPRIGHT) if seen is None else seen)


@pytest.mark.parametrize("first", range(4))
@pytest.mark.parametrize("second", range(4))
def test_two_flips_are_the_flip_of_their_exclusive_or(first, second):
    picture = np.arange(48 * 384 * 3, dtype=np.uint32).reshape(48, 384, 3)
    np.testing.assert_array_equal(flip(flip(picture, first), second), flip(picture, first ^ second))


@pytest.mark.parametrize("true_pose", range(4))
def test_views_that_agree_name_the_pose(true_pose):
    views = {undone: view(certain(true_pose ^ undone)) for undone in range(4)}
    assert int(np.argmax(pose_scores(views))) == true_pose


def test_a_preference_for_upright_alone_names_no_pose():
    # Every view claims to be upright: that says nothing, whatever the strength of the claim.
    scores = pose_scores({pose: view(certain(0)) for pose in range(4)})
    np.testing.assert_allclose(scores, scores[0])


def test_a_pose_not_looked_at_is_no_better_for_it():
    clear = Place(box=BOX, presence=1.0, logp=np.where(np.arange(36) == 3, 0.0, -40.0))
    flat = np.log(np.full(4, 0.25))
    scores = pose_scores({0: view(flat), 2: view(flat, [clear])})
    np.testing.assert_allclose(scores - scores[0], [0.0, 0.0, poses.EVIDENCE_WEIGHT, 0.0])


@pytest.mark.parametrize("true_pose", range(4))
@pytest.mark.parametrize("sure", [True, False])
def test_a_glance_asks_no_more_poses_than_it_must(true_pose, sure, monkeypatch):
    asked = []

    def shown(pose):
        share = 0.999 if sure else 0.9
        return view(np.log(np.where(np.arange(4) == true_pose ^ pose, share, (1 - share) / 3)))

    def view_strips(strips, *, rooms_px):
        # Each pose shows another corner of the strip first.
        seen = [int(strip[0, 0, 0]) for strip in strips]
        asked.extend(seen)
        return tuple(shown(pose) for pose in seen)

    monkeypatch.setattr(poses, "view_strips", view_strips)
    pixels = np.zeros((48, 384, 3), np.uint8)
    for pose in range(4):
        flip(pixels, pose)[0, 0] = pose
    (posed,) = poses.glance(Picture(pixels), [seen_row(pixels, shown(0))])
    assert posed.best == true_pose
    # A row that claims to stand upright must say so turned, too.
    assert sorted(asked) == ([true_pose or poses.CONTROL] if sure else [1, 2, 3])
    assert sorted(posed.views) == sorted({0, *asked})


def test_a_network_that_always_claims_upright_settles_nothing(monkeypatch):
    monkeypatch.setattr(
        poses, "view_strips", lambda strips, *, rooms_px: tuple(view(UPRIGHT) for _ in strips)
    )
    (posed,) = poses.glance(Picture(np.zeros((48, 384, 3), np.uint8)), [seen_row()])
    assert sorted(posed.views) == [0, 1, 2, 3]
    assert float(posed.logp.max()) < np.log(0.9)


@pytest.mark.parametrize("pose", range(4))
def test_a_row_posed_twice_is_the_row(pose):
    row = row_through(
        [(10.0, 20.0), (40.0, 24.0), (70.0, 27.0)],
        [30.0, 30.0, 30.0],
        angle_deg=10.0,
        mirrored=False,
        score=1.0,
    )
    again = posed_row(posed_row(row, pose), pose)
    assert again.mirrored == row.mirrored
    assert again.angle_deg == pytest.approx(row.angle_deg)
    assert again.spots == row.spots


def test_evidence_counts_readable_characters():
    sharp = np.full(36, -40.0)
    sharp[3] = 0.0
    flat = np.log(np.full(36, 1 / 36))
    clear = Place(box=BOX, presence=1.0, logp=sharp)
    vague = Place(box=BOX, presence=1.0, logp=flat)
    assert place_evidence([clear, clear]) == pytest.approx(2.0)
    assert place_evidence([vague]) == pytest.approx(0.0, abs=1e-9)


def drawn(rows: list[str], *, skin, ink, seed: int = 3, height: int = 64) -> np.ndarray:
    """Photo of a mark pressed by one held-out die set, upright, on even skin with noise."""
    rng = np.random.default_rng(seed)
    source = load_sources(split="held_out")[0]
    picture = np.full((480, 640, 3), skin, np.float64)
    y, x = np.mgrid[0:480, 0:640]
    cover = np.zeros((480, 640))
    for r, text in enumerate(rows):
        for k, character in enumerate(text):
            unit = needle_layout(
                source.strokes[index_of(character)], needles=13, jitter=0.0, rng=rng
            )
            left = 320 + (k - (len(text) - 1) / 2) * 0.95 * height - 0.3 * height
            top = 240 + (r - (len(rows) - 1) / 2) * 1.45 * height - height / 2
            for px, py in unit * height + (left, top):
                reach = ((x - px) ** 2 + (y - py) ** 2) / (2 * (0.05 * height) ** 2)
                cover = np.maximum(cover, np.exp(-(reach**2)))
    picture += cover[..., None] * (np.array(ink, np.float64) - skin) * 0.9
    picture += rng.normal(0, 2.0, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def words(sighting: Sighting) -> str:
    return "/".join(
        "".join(CHARACTERS[int(p.logp.argmax())] for p in row.view.places if p.presence > 0.5)
        for row in sighting.rows
    )


BROWN, GREEN = np.array([118.0, 78.0, 62.0]), np.array([58.0, 112.0, 52.0])


def test_ink_as_bright_as_the_skin_is_found_by_its_colour():
    pixels = drawn(["K4E7"], skin=BROWN, ink=GREEN)
    # ITU-R BT.601: the two colours differ by less than four grey values of 255.
    luma = np.array([0.299, 0.587, 0.114])
    assert abs(luma @ BROWN - luma @ GREEN) < 4
    assert words(sight_mark(pixels)) == "K4E7"
    grey = np.repeat(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=2)
    assert words(sight_mark(grey)) != "K4E7"


@pytest.mark.parametrize(
    "rows",
    [["78", "69"], ["U", "4"], ["SF", "E"], ["E", "512"], ["3", "3"], ["R", "3"], ["GR", "8"]],
)
def test_rows_of_a_short_mark_are_no_columns(rows):
    sighting = sight_mark(drawn(rows, skin=(205, 160, 150), ink=(60, 55, 60)))
    assert [len(row) for row in words(sighting).split("/")] == [len(row) for row in rows]
    assert all(abs(seen.row.angle_deg) < 15 for seen in sighting.rows)


def test_wrinkles_beside_a_row_are_no_second_row():
    pixels = drawn(["K4E7"], skin=(205, 160, 150), ink=(60, 55, 60))
    for x in range(200, 440, 30):
        cv2.line(pixels, (x, 340), (x + 14, 330 + x % 40), (188, 145, 136), 2)
    assert len(sight_mark(pixels).rows) == 1


def test_a_row_candidate_is_turned_like_the_first_row():
    def row(x: float, y: float, angle: float) -> Row:
        points = [(x - 20.0, y), (x + 20.0, y)]
        laid = row_through(points, [40.0, 40.0], angle_deg=angle, mirrored=False, score=1.0)
        return replace(laid, angle_deg=angle)

    first = replace(row(100, 100, 5.0), mirrored=True)
    below = row(110, 158, -178.0)
    assert is_beside(first, below)
    turned = _like(first, below)
    assert turned.angle_deg == pytest.approx(2.0)
    assert turned.mirrored
    assert not is_beside(first, row(100, 110, 0.0))  # the row itself
    assert not is_beside(first, row(100, 230, 0.0))  # too far away
    assert not is_beside(first, row(100, 158, 40.0))  # not parallel
    assert not is_beside(first, row(300, 158, 0.0))  # beyond both ends


SKIN, INK = (205, 160, 150), (60, 55, 60)


@pytest.mark.parametrize(
    ("rows", "height", "print_like"),
    [
        (["K4E7MW2X"], 60, False),
        (["SF7L", "E92"], 60, False),
        (["K4E7MW2XH6TA"], 40, True),
        (["K4E7M", "W2XH6", "TA93F"], 60, True),
    ],
)
def test_more_characters_or_rows_than_a_mark_has_are_print(rows, height, print_like):
    assert sight_mark(drawn(rows, skin=SKIN, ink=INK, height=height)).page_like is print_like


def test_people_read_the_usual_one_of_two_ways_round_and_the_evidence_stays(monkeypatch):
    def shows(text):
        places = []
        for character in text:
            logp = np.full(36, np.log(0.01 / 35))
            logp[index_of(character)] = np.log(0.99)
            places.append(Place(box=BOX, presence=1.0, logp=logp))
        return view(certain(0), places)

    pixels = drawn(["K4E7"], skin=SKIN, ink=INK)
    found = sight_mark(pixels).rows
    logp = np.log([0.6, 0.01, 0.38, 0.01])
    views = dict(enumerate(shows(text) for text in ("58HP", "QQQQ", "9482", "QQQQ")))
    posed = poses.PosedStrip(views, logp, np.zeros(4))
    monkeypatch.setattr(poses, "look", lambda *_: [posed])
    rows, said = poses.best_way_round(Picture(pixels), found)
    assert rows[0].row.mirrored != found[0].row.mirrored
    assert rows[0].view is views[2]
    np.testing.assert_allclose(np.exp(said), [0.38, 0.01, 0.6, 0.01])


@pytest.mark.parametrize(
    ("rows", "lines", "expected"),
    [
        (1, (), False),
        (1, ("above",), False),
        (1, ("below",), False),
        (1, ("above", "below"), True),
        (2, (), False),
        (2, ("above",), True),
        (2, ("below",), True),
        (1, ("far above",), True),
        (1, ("far below",), True),
        (2, ("far below",), True),
    ],
)
def test_more_lines_than_a_mark_has_are_print(rows, lines, expected, monkeypatch):
    found = [seen_row() for _ in range(rows)]

    def shows(picture, *probes):
        def name(probe):
            heights = (found[0].row.y - probe.y) / probe.height_px
            side = "above" if heights > 0 else "below"
            return f"far {side}" if abs(heights) > 2.2 else side

        return any(name(probe) in lines for probe in probes)

    monkeypatch.setattr(print_rows, "_shows_line", shows)
    picture = Picture(np.zeros((48, 384, 3), np.uint8))
    assert print_rows._is_between_lines(picture, found) is expected


def test_a_row_without_characters_is_no_rival_in_any_pose(monkeypatch):
    asked = []
    monkeypatch.setattr(sighting, "glance", lambda picture, rows: asked.extend(rows) or [])
    assert sighting._marks(Picture(np.zeros((48, 384, 3), np.uint8)), [seen_row()]) == []
    assert asked == []


def test_a_page_is_told_though_no_row_holds_a_character(monkeypatch):
    monkeypatch.setattr(sighting, "_rows_through", lambda picture, spots: (spots, (), []))
    monkeypatch.setattr(sighting, "is_page", lambda rows: True)
    found = sight_mark(np.full((200, 300, 3), 200, np.uint8))
    assert found.rows == ()
    assert found.page_like


def test_what_is_not_asked_whether_it_is_print_is_refused():
    # At the evidence from which print is asked about, the clearest places and pose are no mark.
    refused = load_mark_model().log_no_mark((sighting.HOPELESS, 1.0, 1.0))
    assert refused > np.log(0.5)
