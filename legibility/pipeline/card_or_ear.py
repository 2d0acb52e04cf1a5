"""Card or ear: what its dots and the ground between them say of a photo given as a card's.

Ears have dots of one size, too, and patches between an ear and the table may look like cards. By
what is measured in :mod:`legibility.read.card_dots` three answers are told apart: a card; no card;
and photos of which it cannot be told, since rough paper without an edge and the smoothest ears are
alike.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from legibility.containers import Points
from legibility.errors import PhotoError
from legibility.read.card_dots import CardDots

MOST_CLUTTER: Final = 0.15
"""Choice: more between the dots of a card whose corners are seen is no paper."""
MOST_CLUTTER_ONE_EDGE: Final = 0.05
"""Choice: the same, of all the ground within the edge, where one straight edge is seen and no
corner; a table's or a knee's edge may be straight, too."""
MOST_CLUTTER_NO_EDGE: Final = 0.045
"""Choice between what was measured where no straight edge is seen: the smoothest ears of the
evaluation have 0.055 or more, cards 0.01 to 0.08."""
LEAST_CLUTTER_EAR: Final = 0.10
"""Choice: where no corner is seen, from the limits above to here lie rough cards and the smoothest
ears: it is not said which it is. More is no card."""
LEAST_DOTS: Final = 14
"""Choice: two dies have 16 needles or more (8 to 16 each: common practice, no source), and two dots
may be missed; fewer specks are no mark, as where a patch between an ear and the table looks like
a card."""
FEW_CORNERS: Final = 2
"""Choice: corners of a card seen where fewer dots, or all on a line, are taken for a die alone."""
FEW_CLUTTER: Final = 0.05
"""Choice: most between the dots of such a die."""
LEAST_SPAN: Final = 0.12
"""Choice: length of a mark over the picture's longest side; the tool asks for half. Cards of the
evaluation have 0.28 or more."""
LEAST_WIDE: Final = 0.07
"""Choice: spread of the dots across their longest way, of that along it; a hair or an edge has
less. A row of 16 characters has 0.1."""


def is_surely_card(name: str, dots: CardDots, *, side_px: int) -> bool:
    """Whether dots lie on a card.

    Parameters
    ----------
    name : str
        Of the photo, for messages.
    dots : CardDots
    side_px : int
        Longest side of the photo.

    Returns
    -------
    bool
        False where that cannot be told.

    Raises
    ------
    PhotoError
        If they do not, or are too few.
    """
    clutter = dots.ground.clutter
    alone = dots.corners >= FEW_CORNERS and clutter <= FEW_CLUTTER
    found = "no dots" if not len(dots.centres) else f"only {len(dots.centres)} dots"
    if not len(dots.centres) or (len(dots.centres) < LEAST_DOTS and not alone):
        raise PhotoError(
            f"{name}: {found} or holes of one size found, too few for a mark; photograph the "
            "punched card so that the mark fills half the picture, with two of its corners, or "
            "hold it against the light (for ears: legibility read)"
        )
    if not _is_wide(dots.centres, side_px) or not (alone or _is_no_line(dots.centres)):
        raise PhotoError(
            f"{name}: {len(dots.centres)} dots found, but all on one line or in a small part of "
            "the picture; photograph the punched card so that the mark fills half the picture, "
            "with two of its corners (for ears: legibility read)"
        )
    if dots.corners and clutter <= MOST_CLUTTER:
        return True
    if not dots.corners:
        if clutter <= (MOST_CLUTTER_ONE_EDGE if dots.edged else MOST_CLUTTER_NO_EDGE):
            return True
        if clutter <= LEAST_CLUTTER_EAR:
            return False
    ground = (
        f"between its {len(dots.centres)} spots lies more than paper has ({clutter:.0%} of their "
        "contrast)"
    )
    if dots.corners:
        raise PhotoError(
            f"{name}: no clear dots: {ground}, such as dots that run together, print or hair; "
            "photograph the card sharp, nearer and in even light (for ears: legibility read)"
        )
    raise PhotoError(
        f"{name}: this does not look like a punched card: {ground}, and no corner of a card is in "
        "the picture; photograph the card with two of its corners, on a table of another colour "
        "(for ears: legibility read)"
    )


def _is_wide(centres: Points, side_px: int) -> bool:
    """Whether dots take enough of the picture to be read."""
    return bool(np.ptp(centres, axis=0).max() >= LEAST_SPAN * side_px)


def _is_no_line(centres: Points) -> bool:
    """Whether dots spread both ways."""
    long, wide = np.linalg.svd(centres - centres.mean(axis=0), compute_uv=False)
    return bool(wide >= LEAST_WIDE * long)
