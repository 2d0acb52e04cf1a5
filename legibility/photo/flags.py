"""The one registry of flags: what is wrong with a photo and what a person can do about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from legibility.containers import Flag


@dataclass(frozen=True, slots=True)
class FlagInfo:
    """One flag as people and files see it."""

    flag: Flag
    name: str
    """Name in JSON and on the command line."""
    sentence: str
    """What is wrong."""
    remedy: str
    """What a person beside the animal can do, in one sentence."""
    prevents_reading: bool
    """True when a photo with this flag must not be read or graded."""

    @property
    def bit(self) -> int:
        """Value in a stored integer of flags."""
        return int(self.flag)


FLAGS: Final[tuple[FlagInfo, ...]] = (
    FlagInfo(
        Flag.BLURRED,
        "blurred",
        "The picture is out of focus where the mark is.",
        "Tap on the mark to focus, or step back a hand's breadth and photograph again.",
        True,
    ),
    FlagInfo(
        Flag.MOTION,
        "motion",
        "The animal or the camera moved while the picture was taken.",
        "Hold the ear still with one hand, add light, and photograph again.",
        True,
    ),
    FlagInfo(
        Flag.TOO_DARK,
        "too_dark",
        "The picture is too dark to tell ink from skin.",
        "Add light from the side, or hold a torch behind the ear.",
        True,
    ),
    FlagInfo(
        Flag.TOO_BRIGHT,
        "too_bright",
        "Much of the picture is burnt out to white.",
        "Turn the flash off, shade the ear, or tap on the brightest skin to lower the exposure.",
        True,
    ),
    FlagInfo(
        Flag.GLARE,
        "glare",
        "Wet or shiny skin reflects the light over the mark.",
        "Dry the ear, and move the light or the camera a little to the side.",
        False,
    ),
    FlagInfo(
        Flag.HAIR,
        "hair",
        "Hair lies over the mark.",
        "Clip the hair, or brush it flat away from the mark, and photograph again.",
        False,
    ),
    FlagInfo(
        Flag.MARK_SMALL,
        "mark_small",
        "The mark is too small in the picture for its needles to be told apart.",
        "Go closer until the mark fills at least a third of the picture's width.",
        True,
    ),
    FlagInfo(
        Flag.MARK_CUT_OFF,
        "mark_cut_off",
        "The mark runs out of the picture.",
        "Step back or turn the camera until the whole mark is in the picture with skin around it.",
        True,
    ),
    FlagInfo(
        Flag.LOW_CONTRAST,
        "low_contrast",
        "The picture is flat and grey all over.",
        "Wipe the lens, keep the sun or the torch out of the lens, and photograph again.",
        False,
    ),
    FlagInfo(
        Flag.SMALL_PICTURE,
        "small_picture",
        "The picture has few pixels.",
        "Send the original from the camera, not a preview or a copy from a messenger.",
        False,
    ),
    FlagInfo(
        Flag.NO_MARK,
        "no_mark",
        "No mark was found in the picture.",
        "Clean and clip the ear, light it from behind, and fill the picture with the marked part.",
        True,
    ),
    FlagInfo(
        Flag.TOO_MANY_ROWS,
        "too_many_rows",
        "More rows of characters, or longer ones, were found than one mark can have.",
        "Photograph one ear alone, with no printed tag or writing in the picture.",
        False,
    ),
    FlagInfo(
        Flag.NO_SECOND_READER,
        "no_second_reader",
        "The second reader was not available, so its opinion is missing.",
        "Install the program tesseract to have every reading checked by a second reader.",
        False,
    ),
    FlagInfo(
        Flag.READERS_DISAGREE,
        "readers_disagree",
        "The readers do not agree on every character.",
        "Take another photo from another angle, and compare the named characters by eye.",
        False,
    ),
    FlagInfo(
        Flag.SEEN_MIRRORED,
        "seen_mirrored",
        "The mark was read as a mirror image, as it looks from the back of the ear.",
        "Nothing needs to be done if the photo was taken from behind; otherwise check for a "
        "selfie-style mirrored picture.",
        False,
    ),
)
"""Every flag, in the order of their bits."""

PREVENTS_READING: Final = Flag(sum(info.flag for info in FLAGS if info.prevents_reading))
"""All flags with which a photo must be taken again."""


def describe(flags: Flag) -> tuple[FlagInfo, ...]:
    """What is known of each flag that is set, in the order of their bits.

    Examples
    --------
    >>> [info.name for info in describe(Flag.HAIR | Flag.BLURRED)]
    ['blurred', 'hair']
    """
    return tuple(info for info in FLAGS if info.flag & flags)


def names(flags: Flag) -> tuple[str, ...]:
    """Names of the flags that are set, in the order of their bits.

    Examples
    --------
    >>> names(Flag.NONE)
    ()
    """
    return tuple(info.name for info in describe(flags))
