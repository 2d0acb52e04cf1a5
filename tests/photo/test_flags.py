"""The registry of flags covers every flag once and says something useful about it."""

from __future__ import annotations

import re

from legibility.containers import Flag
from legibility.photo.flags import FLAGS, PREVENTS_READING, describe, names


def test_each_flag_has_exactly_one_entry() -> None:
    assert [info.flag for info in FLAGS] == list(Flag)


def test_entries_are_complete_sentences_with_a_remedy() -> None:
    for info in FLAGS:
        assert re.fullmatch(r"[a-z]+(_[a-z]+)*", info.name)
        assert info.name == info.flag.name.lower()
        assert info.bit == 1 << (info.bit.bit_length() - 1)
        for text in (info.sentence, info.remedy):
            assert text[0].isupper()
            assert text.endswith(".")
            assert len(text) < 120


def test_describe_and_names_keep_the_order_of_bits() -> None:
    flags = Flag.SEEN_MIRRORED | Flag.BLURRED | Flag.HAIR
    assert names(flags) == ("blurred", "hair", "seen_mirrored")
    assert tuple(info.flag for info in describe(flags)) == (
        Flag.BLURRED,
        Flag.HAIR,
        Flag.SEEN_MIRRORED,
    )
    assert names(Flag.NONE) == ()


def test_what_prevents_reading_is_a_fault_of_the_photo_not_of_the_tool() -> None:
    assert Flag.BLURRED & PREVENTS_READING
    assert not Flag.NO_SECOND_READER & PREVENTS_READING
    assert not Flag.READERS_DISAGREE & PREVENTS_READING
    assert not Flag.SEEN_MIRRORED & PREVENTS_READING
