"""The needle patterns of two claims laid over a photo's rows: needle by needle, and as pictures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from legibility.containers import ColorImage, GrayImage
from legibility.evidence.comparison import DecisiveCell
from legibility.evidence.contributions import CharacterPart
from legibility.evidence.needles import NeedlePlace, owners
from legibility.pipeline.cells import needle_model
from legibility.pipeline.claim_scores import PhotoOpinions
from legibility.read.needles import NeedleVote
from legibility.report.needle_picture import ClaimNeedle, draw_claims

CLAIM_STEPS: Final = ("row cut out", "ink separated from skin", "needles of claims drawn")
"""What :func:`claim_pictures` do to a decoded photo."""


def decisive_cells(seen: PhotoOpinions, parts: Sequence[CharacterPart]) -> tuple[DecisiveCell, ...]:
    """Needles of both claims in every cell in which both have a character and not the same one."""
    cells = []
    for part in parts:
        kept = seen.kept[part.row]
        scores = seen.rows[kept.row].needles
        if part.first == part.second or not part.first or not part.second or scores is None:
            continue
        place = kept.places[part.cell]
        why = needle_model().explain(
            scores, cell=place, character=part.first, alternative=part.second
        )
        height = seen.rows[kept.row].boxes[place].height_px
        cells.append(
            DecisiveCell(
                row=part.row,
                cell=part.cell,
                first=part.first,
                second=part.second,
                height_px=height,
                places=_places(why.votes, part.first, height),
                other_poses=why.other_poses,
                total=why.total,
            )
        )
    return tuple(cells)


def _places(votes: Sequence[NeedleVote], first: str, height: float) -> tuple[NeedlePlace, ...]:
    own = [v for v in votes if v.character == first]
    others = [v for v in votes if v.character != first]
    whose = owners([(v.x, v.y) for v in own], [(v.x, v.y) for v in others], height_px=height)
    places = [
        NeedlePlace("first", o, v.x, v.y, v.inked, v.logratio)
        for v, o in zip(own, whose[0], strict=True)
    ]
    places += [
        NeedlePlace("second", o, v.x, v.y, v.inked, v.logratio)
        for v, o in zip(others, whose[1], strict=True)
    ]
    return tuple(sorted(places, key=lambda p: (p.owner == "both", -abs(p.logratio))))


def claim_pictures(
    seen: PhotoOpinions, parts: Sequence[CharacterPart], cells: Sequence[DecisiveCell]
) -> tuple[ColorImage, ...]:
    """Both claims' needles over the ink map, a picture a row."""
    pictures = []
    for number, kept in enumerate(seen.kept):
        scores = seen.rows[kept.row].needles
        if scores is None:
            continue
        panels: list[list[ClaimNeedle]] = [[], []]
        for part in (p for p in parts if p.row == number):
            place = kept.places[part.cell]
            decisive = next((c for c in cells if (c.row, c.cell) == (part.row, part.cell)), None)
            for side, character in enumerate((part.first, part.second)):
                if decisive is not None:
                    whose = ("first", "second")[side]
                    panels[side] += [
                        ClaimNeedle(p.x, p.y, p.inked, only=p.owner != "both")
                        for p in decisive.places
                        if p.claim == whose
                    ]
                elif character:
                    fit = needle_model().fit(scores, cell=place, character=character)
                    alone = part.first != part.second
                    panels[side] += [
                        ClaimNeedle(float(x), float(y), float(i), only=alone)
                        for (x, y), i in zip(fit.positions, fit.inked, strict=True)
                    ]
        ink: GrayImage = seen.sighting.rows[kept.row].view.ink
        boxes = [seen.rows[kept.row].boxes[place] for place in kept.places]
        span = (min(b.left for b in boxes), max(b.right for b in boxes))
        pictures.append(draw_claims(ink, panels[0], panels[1], span=span))
    return tuple(pictures)
