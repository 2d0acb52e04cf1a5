"""Does the punched card show the mark that is meant, and if not, what is wrong with the dies?

Explanations of the card, given the mark that is meant:

* the dies stand in the right order, or two neighbours of a row were swapped;
* in that order each die is the right one, another one, or the right one upside down.

Order by order the places are independent, so all combinations are summed exactly:

``P(card, order) = P(order) * prod_i [(1 - w - t) L(i, right) + w mean_c L(i, c) + t L(i, turned)]``

with ``w`` and ``t`` the chance of a wrong and of a turned die and ``L`` the likelihoods that the
reader gives for each place.

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
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import (
    CHARACTERS,
    LOOK_ALIKE,
    N_CHARACTERS,
    ROW_SEPARATOR,
    index_of,
    split_mark,
)
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
SAME_EITHER_WAY: Final = frozenset("08HINOSXZ")
"""Characters that look the same when turned by half a circle, by their usual shape."""
UNTOLD: Final = 0.5
"""Choice: chance of being right that is stated where the dies could not be told apart."""
UNLIKELY: Final = 1e-4
"""Choice: least prior of a fault, so that settings of zero leave room for what is plain to see."""


class Verdict(StrEnum):
    """What the card says; each has its exit code."""

    RIGHT = "right"
    WRONG_DIE = "wrong die"
    SWAPPED = "swapped"
    TURNED = "upside down"
    NEEDLE = "needle"
    CANNOT_TELL = "cannot tell"
    LAYOUT = "layout"


EXIT_CODES: Final[dict[Verdict, int]] = {
    Verdict.RIGHT: 0,
    Verdict.WRONG_DIE: 20,
    Verdict.SWAPPED: 21,
    Verdict.TURNED: 22,
    Verdict.NEEDLE: 23,
    Verdict.CANNOT_TELL: 24,
    Verdict.LAYOUT: 25,
}


@dataclass(frozen=True, slots=True)
class NeedleState:
    """Needles of one die against its pattern."""

    judged: bool
    """False: the pattern of this die is not known, or this is another die of that character."""
    expected: int = 0
    missing: int = 0
    bent: int = 0
    together: int = 0
    """Needles whose dots run together with others, or are faint: there, but not seen apart."""

    @property
    def faulty(self) -> bool:
        """Whether a needle is missing or bent."""
        return self.missing > 0 or self.bent > 0


UNJUDGED: Final = NeedleState(judged=False)


@dataclass(frozen=True, slots=True)
class CardPlace:
    """One die's place on the card."""

    upright: NDArray[np.float64]
    """(36,) log-likelihood of each character, any common offset with ``turned``."""
    turned: NDArray[np.float64]
    """(36,) the same for each character upside down."""
    needles: tuple[NeedleState, ...] = (UNJUDGED,) * N_CHARACTERS
    """Needles, should the place hold that character upright."""
    same_turned: bool = False
    """Its dots lie as they would upside down: no fault then, the ear looks the same too."""


@dataclass(frozen=True, slots=True)
class CardView:
    """The card seen one way round."""

    logp: float
    """Log-probability of this way round."""
    rows: tuple[tuple[CardPlace, ...], ...]
    mirrored: bool = False
    whole: bool = True
    """Every dot of the card belongs to a place, and places stand evenly: none was missed."""


@dataclass(frozen=True, slots=True)
class DieFinding:
    """What one die of the card turned out to be."""

    row: int
    cell: int
    """Counted from 1, as people count."""
    meant: str
    found: str
    turned: bool
    needles: NeedleState
    probability: float
    """That this die is what is said here, 0..1."""


@dataclass(frozen=True, slots=True)
class Proof:
    """Answer for one card."""

    mark: str
    """As it is meant."""
    verdict: Verdict
    found: str
    """As it stands on the card; "?" where that is not clear."""
    sentence: str
    probability: float
    """That the card shows the mark that is meant, 0..1 (needles apart). Where the dots speak
    against a die, no more than they leave it at even odds."""
    dies: tuple[DieFinding, ...]
    seen_mirrored: bool
    swapped: tuple[int, int] | None = None
    """Row and first of the two swapped dies, counted from 1."""

    @property
    def exit_code(self) -> int:
        """What ``legibility proof`` returns."""
        return EXIT_CODES[self.verdict]


@dataclass(frozen=True, slots=True)
class _Rival:
    """What the dots of a place speak for rather than the die that is meant, upright."""

    die: DieFinding
    found: str
    log_ratio: float
    """Log-likelihood of it over the die that is meant, upright."""
    turned: bool
    """The die that is meant, upside down, explains the place about as well: that is likelier."""


@dataclass(frozen=True, slots=True)
class _Explained:
    """One order of the dies in one view, summed over what each die may be."""

    view: CardView
    swapped: tuple[int, int] | None
    logp: float
    log_right: float
    """Part of it in which every die is the right one, upright."""
    options: tuple[tuple[NDArray[np.float64], float, str], ...]
    """For each place: (36,) log share of each character upright, log share of the die turned, and
    the character expected there."""


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
        _explain(view, rows, swapped, chances)
        for view in fitting
        for swapped in (None, *_neighbours(rows))
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
    dies = _findings(rows, best)
    return _answer(mark, dies, best, p_right, p_order)


def _neighbours(rows: tuple[str, ...]) -> list[tuple[int, int]]:
    """Pairs of neighbours whose swap shows, as (row, first place)."""
    return [
        (r, i) for r, row in enumerate(rows) for i in range(len(row) - 1) if row[i] != row[i + 1]
    ]


def _explain(
    view: CardView, rows: tuple[str, ...], swapped: tuple[int, int] | None, settings: Settings
) -> _Explained:
    pairs = max(len(_neighbours(rows)), 1)
    p_swap = max(settings.p_swap, UNLIKELY)
    order = math.log(p_swap) if swapped else math.log1p(-min(pairs * p_swap, 0.5))
    wrong, turned = max(settings.p_wrong_die, UNLIKELY), max(settings.p_turned_die, UNLIKELY)
    logp = log_right = view.logp + order
    options = []
    for r, row in enumerate(rows):
        expected = list(row)
        if swapped and swapped[0] == r:
            i = swapped[1]
            expected[i], expected[i + 1] = expected[i + 1], expected[i]
        for place, character in zip(view.rows[r], expected, strict=True):
            prior = np.full(N_CHARACTERS, wrong / (N_CHARACTERS - 1))
            prior[index_of(character)] = 1 - wrong - turned
            upright = np.log(prior) + place.upright
            # The same either way: upside down it looks as it does upright, whatever is read.
            ways = place.upright if character in SAME_EITHER_WAY else place.turned
            over = math.log(turned) + float(ways[index_of(character)])
            at_place = float(np.logaddexp(np.logaddexp.reduce(upright), over))
            logp += at_place
            log_right += float(upright[index_of(character)])
            options.append((upright - at_place, over - at_place, character))
    return _Explained(view, swapped, logp, log_right, tuple(options))


def _findings(rows: tuple[str, ...], best: _Explained) -> tuple[DieFinding, ...]:
    out = []
    flat = [(r, i) for r, row in enumerate(rows) for i in range(len(row))]
    for (r, i), (upright, over, expected) in zip(flat, best.options, strict=True):
        top = int(np.argmax(upright))
        is_turned = over > upright[top]
        found = expected if is_turned else CHARACTERS[top]
        out.append(
            DieFinding(
                row=r + 1,
                cell=i + 1,
                meant=rows[r][i],
                found=found,
                turned=is_turned,
                needles=UNJUDGED if is_turned else best.view.rows[r][i].needles[top],
                probability=math.exp(float(over if is_turned else upright[top])),
            )
        )
    return tuple(out)


def _rivals(dies: tuple[DieFinding, ...], best: _Explained) -> list[_Rival]:
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
    mark: str, dies: tuple[DieFinding, ...], best: _Explained, p_right: float, p_order: float
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
            f"{_where(r.die, two_rows)} ({r.die.meant}) is upside down{_or_found(r)}"
            if r.turned
            else f"wrong {_where(r.die, two_rows)} ({r.found} where {r.die.meant} is meant)"
            for r in plain
        )
        p_right = min(p_right, math.prod(1 / (1 + math.exp(r.log_ratio)) for r in plain))
        instead = {(r.die.row, r.die.cell): r for r in plain}
        dies = tuple(_instead(die, instead.get((die.row, die.cell))) for die in dies)
    elif rivals:
        doubted = ", ".join(
            f"{_where(r.die, two_rows)} ({r.die.found} or {_rival_words(r)})" for r in rivals
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
        sentence = "; ".join(_needle_words(die, two_rows) for die in faulty)
        sentence = sentence or "the card shows the mark that is meant"
        if other_side:
            sentence += f", if this is its front (from behind: {other_side})"
        unjudged = [die for die in dies if not die.needles.judged]
        if unjudged and not faulty:
            where = "any die" if len(unjudged) == len(dies) else _list(unjudged, two_rows)
            sentence += (
                f"; cannot tell whether a needle is missing or bent in {where}: no card has taught "
                "that pattern yet (--learn), so count the needles yourself"
            )
    elif p_right > DOUBT or not (swapped or wrong or turned):
        doubtful = _list(unclear, two_rows)
        sentence = "cannot tell" + (f" {doubtful}" if doubtful else " the order of the dies")
        sentence += ": photograph again, from straight above and nearer"
    else:
        parts = []
        if swapped:
            parts.append(f"order swapped at {_pair(swapped, two_rows)}")
        parts += [
            f"wrong {_where(d, two_rows)} ({d.found} where {d.meant} is meant)" for d in wrong
        ]
        parts += [
            f"{_where(die, two_rows)} ({die.meant}) is upside down{_or_upright(die, best)}"
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


def _or_upright(die: DieFinding, best: _Explained) -> str:
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


def _where(die: DieFinding, two_rows: bool) -> str:
    return f"die {die.cell} of row {die.row}" if two_rows else f"die {die.cell}"


def _list(dies: Sequence[DieFinding], two_rows: bool) -> str:
    return ", ".join(_where(die, two_rows) for die in dies)


def _pair(swapped: tuple[int, int], two_rows: bool) -> str:
    row, cell = swapped
    return f"{cell}-{cell + 1}" + (f" of row {row}" if two_rows else "")


def _needle_words(die: DieFinding, two_rows: bool) -> str:
    state = die.needles
    parts = []
    if state.missing:
        parts.append(f"{state.missing} needle{'s' * (state.missing > 1)} missing")
    if state.bent:
        parts.append(f"{state.bent} needle{'s' * (state.bent > 1)} bent")
    return f"{' and '.join(parts)} in {_where(die, two_rows)} ({die.found})"
