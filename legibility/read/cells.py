"""Where the characters of a row lie in its strip: the geometry the three readers share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

STRIP_HEIGHT_PX: Final = 48
"""Rows of a strip; choice shared with ``containers.RowStrip``."""

STRIP_WIDTH_PX: Final = 384
"""Columns of a strip; choice shared with ``containers.RowStrip``."""

CHARACTER_HEIGHT_PX: Final = 32.0
"""Choice: height of an upright character in a strip (22 to 38 occur), centred vertically."""


@dataclass(frozen=True, slots=True)
class CellBox:
    """One place of a row where a character was pressed, in strip pixels."""

    x_center: float
    y_center: float
    height_px: float
    """Height of the character, not of the strip."""
    width_px: float
    """Width the cell claims, about one pitch of the row."""

    def __post_init__(self) -> None:
        if not (self.height_px > 0 and self.width_px > 0):
            raise ValueError(
                f"cell is {self.width_px} x {self.height_px} pixels; expected positive sizes"
            )

    @property
    def left(self) -> float:
        """Smallest x of the cell."""
        return self.x_center - self.width_px / 2

    @property
    def right(self) -> float:
        """Largest x of the cell."""
        return self.x_center + self.width_px / 2
