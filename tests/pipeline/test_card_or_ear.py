"""No ear is said to be a card; cards are, whatever their colour and the table beneath them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from legibility.containers import ColorImage
from legibility.errors import PhotoError
from legibility.evaluate.cards import card_photo, card_scene
from legibility.evaluate.scene import evaluation_set
from legibility.pipeline.card_or_ear import is_surely_card
from legibility.pipeline.proof import prove_card
from legibility.read.card_dots import CardDots, find_dots
from legibility.read.card_signs import Ground
from legibility.risk.card import Verdict
from legibility.simulate import render, sample_scene
from tests.sample_cards import render_card, sample_card

WARM_LAMP = np.array([1.0, 0.86, 0.62])
"""Choice: a lamp of about 3000 K without white balance."""


def written(pixels: ColorImage, path: Path) -> Path:
    cv2.imwrite(str(path), np.ascontiguousarray(pixels[..., ::-1]))
    return path


def said_of(photo: Path) -> tuple[Verdict | None, str]:
    """None where the photo is refused; a card that is not surely one teaches nothing."""
    try:
        found = prove_card(photo, "K417")
    except PhotoError as error:
        return None, str(error)
    assert found.proof.verdict is not Verdict.CANNOT_TELL or not found.new
    return found.proof.verdict, found.proof.sentence


def dots_at(*places: tuple[float, float], corners: int = 1, clutter: float = 0.02) -> CardDots:
    centres = np.array(places, dtype=np.float64).reshape(-1, 2)
    return CardDots(
        centres, np.full(len(centres), 5.0), False, 0.5, 0.01, 0, 1.0, corners=corners,
        edged=corners > 0, ground=Ground(clutter, clutter),
    )  # fmt: skip


FIELD = tuple((100.0 + 30 * i, 100.0 + 30 * j) for i in range(8) for j in range(4))
LINE = tuple((100.0 + 20 * i, 100.0 + 10 * i) for i in range(20))


@pytest.mark.parametrize(
    ("dots", "words"),
    [
        (dots_at(), "no dots or holes"),
        (dots_at(*FIELD[:10]), "only 10 dots"),
        (dots_at(*FIELD[:10], corners=4, clutter=0.1), "only 10 dots"),
        (dots_at(*LINE), "all on one line"),
        (dots_at(*((x / 3, y / 3) for x, y in FIELD)), "a small part of the picture"),
        (dots_at(*FIELD, clutter=0.2), "no clear dots"),
        (dots_at(*FIELD, corners=0, clutter=0.2), "no corner of a card"),
    ],
)
def test_what_is_no_mark_on_a_card_is_refused_with_its_reason(dots: CardDots, words: str) -> None:
    with pytest.raises(PhotoError, match=words) as told:
        is_surely_card("photo.jpg", dots, side_px=1000)
    assert "for ears: legibility read" in str(told.value)


def test_a_mark_or_one_die_on_a_plain_card_is_one() -> None:
    assert is_surely_card("photo.jpg", dots_at(*FIELD), side_px=1000)
    assert is_surely_card("photo.jpg", dots_at(*FIELD[::3], corners=4), side_px=1000)
    assert is_surely_card("photo.jpg", dots_at(*LINE[:9], corners=3), side_px=1000)
    assert not is_surely_card("photo.jpg", dots_at(*FIELD, corners=0, clutter=0.08), side_px=1000)


@pytest.mark.parametrize("nth", [3, 8])
def test_an_ear_with_clear_dots_on_smooth_skin_is_never_said_to_be_a_card(
    tmp_path: Path, nth: int
) -> None:
    (ear,) = evaluation_set(n=1, seed=11, first=nth)
    verdict, words = said_of(written(ear.pixels, tmp_path / "ear.png"))
    assert verdict in (None, Verdict.CANNOT_TELL)
    assert "for ears: legibility read" in words


def test_a_hairy_ear_is_refused(tmp_path: Path) -> None:
    spec = sample_scene(np.random.default_rng(5), split="held_out", hair=0.5, width_px=800)
    photo = written(render(spec).pixels, tmp_path / "ear.png")
    with pytest.raises(PhotoError, match=r"for ears: legibility read"):
        prove_card(photo, "K417")


def test_rough_paper_without_an_edge_is_asked_for_its_edges(tmp_path: Path) -> None:
    scene = card_scene(np.random.default_rng(17), mark="SP4EFM", width_px=900)
    found = prove_card(written(card_photo(scene), tmp_path / "card.png"), "SP4EFM")
    assert found.proof.verdict is Verdict.CANNOT_TELL
    assert "two of its corners" in found.proof.sentence
    assert found.proof.probability <= 0.5
    assert not found.proof.dies
    assert not found.new


@pytest.mark.parametrize("edges", [True, False])
def test_brown_cardboard_under_a_warm_lamp_is_a_card(edges: bool) -> None:
    spec = sample_card(
        np.random.default_rng(8), mark="HB26", kind="ink", paper="kraft", mark_share=0.5,
        width_px=900,
    )  # fmt: skip
    if not edges:
        spec = replace(spec, margin_mm=(500.0, 500.0))
    photo = render_card(spec)
    lit = np.clip(photo.pixels * WARM_LAMP, 0, 255).astype(np.uint8)
    dots = find_dots(lit)
    assert is_surely_card("card", dots, side_px=900)
    assert len(dots.centres) == len(np.vstack(photo.dots_px))
    assert dots.edged == edges


@pytest.mark.parametrize(
    ("mark", "seed", "surely"),
    [
        ("IXGHLAV", 1, True),
        # Rough paper without an edge in the picture: it may as well be an ear.
        ("SP4EFM", 17, False),
        ("SP4EFM", 21, True),
    ],
)
def test_what_lies_around_a_card_is_not_taken_for_its_dots(
    mark: str, seed: int, surely: bool
) -> None:
    scene = card_scene(np.random.default_rng(seed), mark=mark, width_px=900)
    photo = card_photo(scene)
    dots = find_dots(photo)
    assert is_surely_card("card", dots, side_px=max(photo.shape[:2])) == surely
    corners = scene.pose.corners()
    low, high = corners.min(axis=0) - 10, corners.max(axis=0) + 10
    assert len(dots.centres) >= 5 * len(mark)
    assert ((dots.centres >= low) & (dots.centres <= high)).all()
