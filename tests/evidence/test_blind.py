"""Blind sets: orders that say nothing, keys, and sequential unmasking."""

from __future__ import annotations

import hashlib
from collections import Counter
from pathlib import Path

import pytest

from legibility.errors import EvidenceError
from legibility.evidence.blind import (
    REPEAT_GAP,
    KeyPhoto,
    draw_key,
    key_text,
    load_key,
    text_sha256,
)
from legibility.evidence.sheets import sheet_csv, sheet_json
from tests.evidence.blind_builder import BEFORE, small_key

NOW = "2026-01-01T00:00:00+00:00"
PHOTOS = [KeyPhoto(f"J{i}42.jpg", f"{i:064x}") for i in range(12)]


def test_every_mark_is_shown_and_a_share_of_them_twice() -> None:
    key = draw_key(PHOTOS, ["one", "two"], repeats=0.25, at=NOW, seed=1)
    for sheet in key.sheets:
        shown = Counter(item.photo for item in sheet.items)
        assert set(shown) == set(range(12))
        assert sorted(shown.values()) == [1] * 9 + [2] * 3
        assert sum(item.repeat for item in sheet.items) == 3
        places = {}
        for item in sheet.items:
            if item.repeat:
                assert item.position - places[item.photo] > REPEAT_GAP
            places[item.photo] = item.position


def test_readers_have_orders_and_codes_of_their_own() -> None:
    key = draw_key(PHOTOS, ["one", "two"], repeats=0.0, at=NOW, seed=1)
    first, second = key.sheets
    assert [i.photo for i in first.items] != [i.photo for i in second.items]
    codes = [i.item for sheet in key.sheets for i in sheet.items]
    assert len(set(codes)) == len(codes)


def test_a_sheet_says_nothing_of_photo_or_mark() -> None:
    key = draw_key(PHOTOS, ["one"], repeats=0.5, at=NOW, seed=1)
    for text in (sheet_csv(key.sheets[0], claims=False), sheet_json(key.sheets[0], claims=False)):
        assert all(p.photo not in text for p in PHOTOS)
        assert all(p.sha256 not in text for p in PHOTOS)
        assert "repeat" not in text


def test_without_a_seed_the_order_cannot_be_repeated() -> None:
    drawn = {key_text(draw_key(PHOTOS, ["one"], repeats=0.5, at=NOW)) for _ in range(3)}
    assert len(drawn) == 3
    repeated = {key_text(draw_key(PHOTOS, ["one"], repeats=0.5, at=NOW, seed=7)) for _ in range(3)}
    assert len(repeated) == 1


def test_the_digest_on_the_sheet_is_that_of_the_key_file(tmp_path: Path) -> None:
    key = small_key()
    path = tmp_path / "key.json"
    path.write_bytes(key_text(key).encode())
    again, digest = load_key(path)
    assert again == key
    assert digest == text_sha256(key_text(key)) == hashlib.sha256(path.read_bytes()).hexdigest()


def test_nobody_sees_a_claim_first() -> None:
    with pytest.raises(EvidenceError, match="after the first readings"):
        draw_key(PHOTOS, ["one"], repeats=0.0, at=NOW, claims=["J342", "J341"])
    key = draw_key(PHOTOS, ["one"], repeats=0.0, at=NOW, claims=["J342"], before=BEFORE)
    assert [step.what for step in key.order] == ["sheet received", "sheets with claims made"]


@pytest.mark.parametrize(
    ("photos", "readers"), [([], ["one"]), (PHOTOS, []), (PHOTOS, ["a", "a"]), (PHOTOS, [" "])]
)
def test_sets_nobody_can_read_are_refused(photos: list[KeyPhoto], readers: list[str]) -> None:
    with pytest.raises(EvidenceError, match="reader"):
        draw_key(photos, readers, repeats=0.0, at=NOW)


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"format": 1, "photos": 3}'])
def test_what_is_no_key_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "key.json"
    path.write_text(text, "utf-8")
    with pytest.raises(EvidenceError, match="key"):
        load_key(path)
