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
