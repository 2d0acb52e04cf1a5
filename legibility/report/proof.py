"""What a punched card shows, as lines for a terminal and as a page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from legibility.containers import ColorImage
from legibility.probability import percent
from legibility.report.drawing import shrink
from legibility.report.layout import columns, wrapped
from legibility.report.page import Renderer, jpeg_address, render_page

CAUTION: Final = (
    "This is advice about a card. Look at the dies in the pliers yourself before they go",
    "through skin; the attending veterinarian and the registry authority decide.",
)

AS_THEY_ARE: Final = (
    "A die is learned as it is on the card: a needle that it lacked there is not",
    "missed later. Count the needles of the dies once.",
)

ANSWERS: Final = {
    "right": "right",
    "wrong die": "a wrong die",
    "swapped": "dies swapped",
    "upside down": "a die upside down",
    "needle": "a needle missing or bent",
    "cannot tell": "cannot tell, photograph it again",
    "layout": "another number of dies or rows than meant",
}
"""Each verdict in words."""
CHANCE: Final = "Chance that the dies are right, needles apart"
PICTURE_PX: Final = 900
"""Choice: longest side of the card's picture on its page; the photo itself is kept whole."""


def proof_lines(record: Mapping[str, Any]) -> list[str]:
    """The answer, each die, and the caution, from a record of the proof."""
    seen = " (seen from behind)" if record["mirrored"] else ""
    lines = [
        f"Meant        {record['mark']}",
        f"On the card  {record['found']}{seen}",
        *wrapped(record["sentence"], first="Answer       ", indent="             "),
        f"{CHANCE}: {percent(record['probability'])}",
    ]
    for said in record["said_of_mark"]:
        lines += wrapped(said, first="The mark     ", indent="             ")
    if record["dies"]:
        heading = ("Row", "Die", "Meant", "On the card", "Certainty", "Needles")
        rows = [_die_row(die) for die in record["dies"]]
        wide = (3, 3, 5, 16, 9, 34)
        lines += ["", *columns([heading, *rows], limits=wide, right=frozenset({0, 1, 4}))]
    if record["learned"]:
        lines += ["", f"Dies learned or confirmed: {' '.join(record['learned'])}", *AS_THEY_ARE]
    return [*lines, "", *CAUTION]


def proof_page(
    record: Mapping[str, Any], pixels: ColorImage, *, render: Renderer = render_page
) -> str:
    """The same as a page that opens offline, with the photo of the card.

    Parameters
    ----------
    record : mapping
        Of the proof, as for :func:`proof_lines`.
    pixels : (height, width, 3) uint8
        The photo of the card.
    """
    return render(
        "proof.html",
        record=record,
        # On a page nobody types options.
        told=record["sentence"].replace(" (--learn)", ""),
        two_rows=any(die["row"] > 1 for die in record["dies"]),
        answer=answer_of(record),
        chance=CHANCE,
        dies=[_die_row(die) for die in record["dies"]],
        as_they_are=" ".join(AS_THEY_ARE),
        proof_caution=" ".join(CAUTION),
        picture=jpeg_address(shrink(pixels, max_height_px=PICTURE_PX, max_width_px=PICTURE_PX)),
    )


def _die_row(die: Mapping[str, Any]) -> tuple[str, ...]:
    return (
        str(die["row"]),
        str(die["die"]),
        die["meant"],
        f"{die['found']}, upside down" if die["upside_down"] else die["found"],
        percent(die["probability"]),
        _needles(die["needles"]),
    )


def _needles(state: Mapping[str, Any]) -> str:
    if not state["judged"]:
        return "cannot tell: pattern not known"
    faults = [f"{state[name]} {name}" for name in ("missing", "bent") if state[name]]
    if not faults:
        apart = f", {state['together']} not apart" if state["together"] else ""
        return f"all {state['expected']}{apart}"
    return f"{' and '.join(faults)} of {state['expected']}"


def answer_of(record: Mapping[str, Any]) -> str:
    """The verdict in words; of a right card also in how many dies needles cannot be judged."""
    answer = ANSWERS[record["verdict"]]
    dies = record["dies"]
    unjudged = sum(not die["needles"]["judged"] for die in dies)
    if record["verdict"] != "right" or not unjudged:
        return answer
    if unjudged == len(dies):
        return f"{answer}, but its needles cannot be judged"
    return f"{answer}, but needles of {unjudged} of its {len(dies)} dies cannot be judged"
