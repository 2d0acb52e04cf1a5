"""Does the punched card show the mark that is meant, and if not, what is wrong with the dies?

The orders that the dies may stand in are weighed in :mod:`legibility.risk.card_orders`.

Wrong dies are rare, and a look-alike is one of 35: that prior alone would outweigh a card that
plainly shows 8 where B is meant, which is the very thing a proof is for. So no card is right
against what is seen: where another character explains a place better than the one that is meant,
the answer is a wrong die, a die upside down or "cannot tell", whatever the prior says. A die upside
down is held to the same: unless its dots look the same either way, they must speak for upright.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from legibility.alphabet import CHARACTERS, LOOK_ALIKE, ROW_SEPARATOR, index_of, split_mark
from legibility.risk.card import (
    SAME_EITHER_WAY,
    UNJUDGED,
    CardPlace,
    CardView,
    DieFinding,
    Proof,
    Verdict,
)
from legibility.risk.card_orders import Explained, explain, findings, neighbours
from legibility.risk.card_words import listed, needle_words, swap_place, where
from legibility.risk.other_side import fault_of_other_side
from legibility.settings import Settings

SURE: Final = 0.95
"""Choice: a card is called right from this probability on; a wrong die is for life, another photo
takes a minute."""
DOUBT: Final = 0.10
"""Choice: below this probability of being right a card is called wrong and the likeliest fault is
named; between the two another photo is asked for."""
LOG_SEEN: Final = math.log(SURE / (1.0 - SURE))
"""Log-likelihood of another character over the one that is meant that makes a die wrong."""
LOG_UPRIGHT: Final = math.log(3.0)
"""Choice: log-likelihood by which a die must stand upright rather than upside down. Characters such
as 2, 3 and 5 are nearly the same either way, and a few dots lost turn one into the other."""
PLAIN_PLACE: Final = 0.5
"""Choice: least probability of the likeliest character at every place of a card of which it is said
that it has another number of dies; else a place was split or two were joined."""
UNTOLD: Final = 0.5
"""Choice: chance of being right that is stated where the dies could not be told apart."""


@dataclass(frozen=True, slots=True)
class _Rival:
    """What the dots of a place speak for rather than the die that is meant, upright."""

    die: DieFinding
    found: str
    log_ratio: float
    """Log-likelihood of it over the die that is meant, upright."""
    turned: bool
    """The die that is meant, upside down, explains the place about as well: that is likelier."""


def prove(mark: str, views: Sequence[CardView], *, settings: Settings | None = None) -> Proof:
    """Compare a card with the mark that is meant.

    Parameters
    ----------
    mark : str
        As it is meant, ``AB/123``.
    views : sequence of CardView
        Ways to see the card; their rows may differ in number and length.
    settings : Settings, optional
        Chances of swapped, wrong and turned dies.

    Returns
    -------
    Proof

    Raises
    ------
    ValueError
        If the mark is not well formed or there is no view.
    """
    rows = split_mark(mark)
    if not views:
        raise ValueError("no view of the card given; expected at least one")
    wanted = [len(row) for row in rows]
    fitting = [view for view in views if [len(row) for row in view.rows] == wanted]
    if not fitting:
        return _layout(mark, rows, max(views, key=lambda view: view.logp))
    chances = settings or Settings()
    explained = [
        explain(view, rows, swapped, chances)
        for view in fitting
        for swapped in (None, *neighbours(rows))
    ]
    total = float(np.logaddexp.reduce([item.logp for item in explained]))
    right = float(
        np.logaddexp.reduce([item.log_right for item in explained if item.swapped is None])
    )
    p_right = min(math.exp(min(right - total, 0.0)), 1.0)
    best = max(explained, key=lambda item: item.logp)
    if p_right >= 0.5:
        best = max((i for i in explained if i.swapped is None), key=lambda item: item.log_right)
    p_order = math.exp(best.logp - total)
    dies = findings(rows, best)
    return _answer(mark, dies, best, p_right, p_order)


def _rivals(dies: tuple[DieFinding, ...], best: Explained) -> list[_Rival]:
    """Places at which the dots alone do not speak for the die that is expected there, upright.

    Characters that many die sets make alike (O and 0, I and 1) are no rivals of each other.
    """
    out = []
    for die, (_, _, expected) in zip(dies, best.options, strict=True):
        if die.found != expected:
            continue
        place = best.view.rows[die.row - 1][die.cell - 1]
        seen = place.upright.copy()
        own = stands = float(seen[index_of(expected)])
        if twin := LOOK_ALIKE.get(expected):
            stands = max(own, float(seen[index_of(twin)]))
            seen[index_of(twin)] = -np.inf
        top = int(np.argmax(seen))
        shows = expected not in SAME_EITHER_WAY and not place.same_turned
        over = float(place.turned[index_of(expected)]) if shows else -math.inf
        if seen[top] > own:
            is_turned = over > float(seen[top]) - LOG_SEEN
            out.append(_Rival(die, CHARACTERS[top], float(seen[top]) - own, is_turned))
        elif over > stands - LOG_UPRIGHT:
            out.append(_Rival(die, expected, over - stands, True))
    return out


def _answer(
    mark: str, dies: tuple[DieFinding, ...], best: Explained, p_right: float, p_order: float
) -> Proof:
    two_rows = ROW_SEPARATOR in mark
    other_side = fault_of_other_side(split_mark(mark))
    swapped = None if best.swapped is None else (best.swapped[0] + 1, best.swapped[1] + 1)
    verdict, sentence = Verdict.CANNOT_TELL, ""
    unclear = [die for die in dies if die.probability < SURE]
    turned = [die for die in dies if die.turned]
    # A wrong die shows against the order the dies stand in.
    wrong = [
        die
        for die, (_, _, expected) in zip(dies, best.options, strict=True)
        if not die.turned and die.found != expected
    ]
    rivals = _rivals(dies, best) if p_right > DOUBT else []
    plain = [rival for rival in rivals if rival.log_ratio >= LOG_SEEN]
    if plain:
        verdict = Verdict.TURNED if all(r.turned for r in plain) else Verdict.WRONG_DIE
        sentence = "probably " + "; ".join(
            f"{where(r.die, two_rows)} ({r.die.meant}) is upside down{_or_found(r)}"
            if r.turned
            else f"wrong {where(r.die, two_rows)} ({r.found} where {r.die.meant} is meant)"
            for r in plain
        )
        p_right = min(p_right, math.prod(1 / (1 + math.exp(r.log_ratio)) for r in plain))
        instead = {(r.die.row, r.die.cell): r for r in plain}
        dies = tuple(_instead(die, instead.get((die.row, die.cell))) for die in dies)
    elif rivals:
        doubted = ", ".join(
            f"{where(r.die, two_rows)} ({r.die.found} or {_rival_words(r)})" for r in rivals
        )
        sentence = f"cannot tell {doubted}: look at the die, and photograph the card again"
        p_right = min(p_right, math.prod(1 / (1 + math.exp(r.log_ratio)) for r in rivals))
    elif p_right >= SURE and best.view.mirrored and other_side:
        sentence = (
            f"right if the photo shows the back of the card, {other_side} if it shows the front: "
            "photograph the front"
        )
        p_right = min(p_right, 0.5)
    elif p_right >= SURE:
        faulty = [die for die in dies if die.needles.faulty]
        verdict = Verdict.NEEDLE if faulty else Verdict.RIGHT
        sentence = "; ".join(needle_words(die, two_rows) for die in faulty)
        sentence = sentence or "the card shows the mark that is meant"
        if other_side:
            sentence += f", if this is its front (from behind: {other_side})"
        unjudged = [die for die in dies if not die.needles.judged]
        if unjudged and not faulty:
            place = "any die" if len(unjudged) == len(dies) else listed(unjudged, two_rows)
            sentence += (
                f"; cannot tell whether a needle is missing or bent in {place}: no card has taught "
                "that pattern yet (--learn), so count the needles yourself"
            )
    elif p_right > DOUBT or not (swapped or wrong or turned):
        doubtful = listed(unclear, two_rows)
        sentence = "cannot tell" + (f" {doubtful}" if doubtful else " the order of the dies")
        sentence += ": photograph again, from straight above and nearer"
    else:
        parts = []
        if swapped:
            parts.append(f"order swapped at {swap_place(swapped, two_rows)}")
        parts += [f"wrong {where(d, two_rows)} ({d.found} where {d.meant} is meant)" for d in wrong]
        parts += [
            f"{where(die, two_rows)} ({die.meant}) is upside down{_or_upright(die, best)}"
            for die in turned
        ]
        sentence = ("probably " if unclear or p_order < SURE else "") + "; ".join(parts)
        if swapped:
            verdict = Verdict.SWAPPED
        if turned:
            verdict = Verdict.TURNED
        if wrong:
            verdict = Verdict.WRONG_DIE
    found = _written(mark, dies)
    return Proof(
        mark=mark,
        verdict=verdict,
        found=found,
        sentence=sentence,
        probability=p_right,
        dies=_doubted(dies, [rival for rival in rivals if rival not in plain]),
        seen_mirrored=best.view.mirrored,
        swapped=swapped if verdict is not Verdict.CANNOT_TELL else None,
    )


def _or_found(rival: _Rival) -> str:
    return "" if rival.found == rival.die.found else f", or {rival.found} stands there"


def _rival_words(rival: _Rival) -> str:
    turned = rival.found == rival.die.found
    return f"{rival.found} upside down" if turned else rival.found


def _or_upright(die: DieFinding, best: Explained) -> str:
    """The other character that would look like a die upside down, where one does."""
    place = best.view.rows[die.row - 1][die.cell - 1]
    top = int(np.argmax(place.upright))
    near = float(place.upright[top] - place.turned[index_of(die.found)]) > -LOG_SEEN
    return f", or {CHARACTERS[top]} stands there" if near and CHARACTERS[top] != die.found else ""


def _instead(die: DieFinding, rival: _Rival | None) -> DieFinding:
    if rival is None:
        return die
    odds = 1 / (1 + math.exp(-rival.log_ratio))
    found = die.found if rival.turned else rival.found
    return replace(die, found=found, turned=rival.turned, needles=UNJUDGED, probability=odds)


def _doubted(dies: tuple[DieFinding, ...], rivals: Sequence[_Rival]) -> tuple[DieFinding, ...]:
    """The dies with the odds that their dots alone leave them."""
    odds = {(r.die.row, r.die.cell): 1 / (1 + math.exp(r.log_ratio)) for r in rivals}
    return tuple(
        replace(die, probability=min(die.probability, odds.get((die.row, die.cell), 1.0)))
        for die in dies
    )


def _written(mark: str, dies: tuple[DieFinding, ...]) -> str:
    """The mark as it stands, with "?" for a die that is not clear."""
    text, row = "", 1
    for die in dies:
        if die.row != row:
            text, row = text + ROW_SEPARATOR, die.row
        text += die.found if die.probability >= 0.5 else "?"
    return text


def _layout(mark: str, rows: tuple[str, ...], view: CardView) -> Proof:
    found = ROW_SEPARATOR.join(
        "".join(CHARACTERS[int(np.argmax(place.upright))] for place in row) for row in view.rows
    )
    if len(view.rows) != len(rows):
        words = {1: "one row", 2: "two rows"}
        seen = f"{words.get(len(view.rows), f'{len(view.rows)} rows')} ({found})"
        meant = words[len(rows)]
    else:
        index = next(k for k, row in enumerate(view.rows) if len(row) != len(rows[k]))
        at = f" in row {index + 1}" if len(rows) > 1 else ""
        seen, meant = f"{len(view.rows[index])} dies{at} ({found})", str(len(rows[index]))
    plain = view.whole and all(_is_plain(place) for row in view.rows for place in row)
    shared = _may_be_shared_out_otherwise(rows, view)
    if plain and not shared:
        sentence = f"the card shows {seen}, the mark {mark} has {meant}"
        return Proof(mark, Verdict.LAYOUT, found, sentence, 0.0, (), view.mirrored)
    doubt = "dies may stand in other rows than they seem to" if plain else "not every dot is plain"
    sentence = (
        f"cannot tell: the card seems to show {seen}, the mark {mark} has {meant}, but {doubt}; "
        "count the dies, and photograph again, upright, from straight above and nearer"
    )
    return Proof(mark, Verdict.CANNOT_TELL, found, sentence, UNTOLD, (), view.mirrored)


def _may_be_shared_out_otherwise(rows: tuple[str, ...], view: CardView) -> bool:
    """Whether the dies are as many as meant and only stand otherwise, which a slant may feign.

    One of two rows longer and the other shorter: a die between them was given to the wrong one. Two
    dies in all stand beside or above each other according to how the camera was held.
    """
    number = sum(map(len, rows))
    same = number == sum(map(len, view.rows))
    return same and (number == 2 or len(rows) == len(view.rows))


def _is_plain(place: CardPlace) -> bool:
    share = place.upright.max() - np.logaddexp.reduce(place.upright)
    return bool(share >= math.log(PLAIN_PLACE))
