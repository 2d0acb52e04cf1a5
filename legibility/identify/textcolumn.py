"""A column of short texts in two arrays, for registries of a million rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class TextColumn:
    """Texts back to back as UTF-8."""

    data: bytes
    ends: NDArray[np.int64]
    """(n,) end of each text in ``data``."""

    def __len__(self) -> int:
        return int(self.ends.size)

    def __getitem__(self, index: int) -> str:
        start = int(self.ends[index - 1]) if index > 0 else 0
        return self.data[start : int(self.ends[index])].decode("utf-8")

    def find(self, text: str) -> int:
        """Index of the first entry with exactly this text; -1 when there is none."""
        if not text:
            return next((k for k in range(len(self)) if not self[k]), -1)
        wanted, start = text.encode("utf-8"), 0
        while (place := self.data.find(wanted, start)) >= 0:
            index = int(np.searchsorted(self.ends, place, side="right"))
            if self[index] == text:
                return index
            start = place + 1
        return -1

    def codes(self, texts: Sequence[str]) -> NDArray[np.uint8]:
        """(n,) 1 + index of each entry among ``texts``, which differ in length; 0 for others.

        Entries are told apart by their first byte and length, so that a million take no loop.
        """
        starts = np.concatenate([np.zeros(1, dtype=np.int64), self.ends[:-1]])
        lengths = self.ends - starts
        data = np.frombuffer(self.data or b"\0", dtype=np.uint8)
        first = data[np.minimum(starts, data.size - 1)]
        codes = np.zeros(len(self), dtype=np.uint8)
        for number, text in enumerate(texts, start=1):
            coded = text.encode("utf-8")
            codes[(lengths == len(coded)) & (first == coded[0])] = number
        return codes

    def distinct(self) -> tuple[list[str], NDArray[np.int64]]:
        """Different texts, and (n,) which of them each entry is."""
        known: dict[str, int] = {}
        found = np.fromiter(
            (known.setdefault(self[index], len(known)) for index in range(len(self))),
            dtype=np.int64,
            count=len(self),
        )
        return list(known), found


def text_column(texts: Sequence[str]) -> TextColumn:
    """Column of the given texts."""
    together = "".join(texts)
    data = together.encode("utf-8")
    parts = texts if len(data) == len(together) else [text.encode("utf-8") for text in texts]
    lengths = np.fromiter(map(len, parts), dtype=np.int64, count=len(texts))
    return TextColumn(data, np.cumsum(lengths))


def joined(parts: list[TextColumn]) -> TextColumn:
    """Columns one after the other."""
    offsets = np.cumsum([0, *(len(part.data) for part in parts)])
    ends = [part.ends + offset for part, offset in zip(parts, offsets[:-1], strict=True)]
    return TextColumn(
        b"".join(part.data for part in parts),
        np.concatenate(ends) if ends else np.zeros(0, dtype=np.int64),
    )
