"""Noted heads: written, read again, and refused when they are none."""

from __future__ import annotations

from pathlib import Path

import pytest

from legibility.errors import EvidenceError
from legibility.evidence.custody import Anchor, anchor_text, load_anchor

HEAD = "ab" * 32


def test_a_head_survives_its_file_and_its_line(tmp_path: Path) -> None:
    anchor = Anchor(12, HEAD, "2024-05-01T12:00:00Z", "herd")
    file = tmp_path / "head.json"
    file.write_text(anchor_text(anchor), "utf-8")
    assert load_anchor(file) == anchor
    # As a person would keep it: a line in a letter.
    file.write_text(f"Dear Bo,\n\n{anchor.line}\n\nAda\n", "utf-8")
    assert load_anchor(file) == Anchor(12, HEAD)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "holds 0 lines"),
        (f"1 {HEAD}\n2 {HEAD}\n", "holds 2 lines"),
        (f'{{"format": 1, "entries": true, "head": "{HEAD}"}}', "number of entries"),
        (f'{{"format": 1, "entries": -1, "head": "{HEAD}"}}', "number of entries"),
        ('{"format": 1, "entries": 3, "head": "abc"}', "64 hex digits"),
        ("{" * 5000, "cannot be read"),
        ("x" * 200_000, "too large"),
    ],
)
def test_what_is_no_head(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "head.txt"
    file.write_text(text, "utf-8")
    with pytest.raises(EvidenceError, match=said):
        load_anchor(file)
