"""How often is a punched card answered rightly? Cards of the evaluation's own scenes.

``python -m legibility.evaluate.proof --cards N --seed S``. Each way to load the pliers gets as many
cards; above all else counts how often a card with a fault is called right. A wrong die is never one
that many die sets make alike (O and 0, I and 1), and a die upside down never one that looks the
same. Needles are judged against a set of dies that right cards taught, as ``--learn`` does. Last,
ears of the evaluation are given as cards, with the mark they really bear.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import cv2
import numpy as np

from legibility.alphabet import CHARACTERS, LOOK_ALIKE, ROW_SEPARATOR, split_mark
from legibility.containers import ColorImage
from legibility.errors import PhotoError
from legibility.evaluate.cards import CardScene, Fault, card_photo, card_scene, same_dies
from legibility.evaluate.marks import LOOK_ALIKES, random_mark
from legibility.evaluate.scene import marked_ear
from legibility.intervals import Rate, rate
from legibility.pipeline.proof import CardProof, prove_card
from legibility.read.learned_dies import LearnedDies
from legibility.risk.card import SAME_EITHER_WAY, Verdict

NO_CARD: Final = "no card"
"""The photo was refused."""
TEACHING_PHOTOS: Final = 3
"""Choice: photos of a right card until one teaches its dies; who is asked for another takes it."""
EAR: Final = "an ear"
"""Case in which no card is photographed."""
BENT: Final = (0.12, 0.2)
"""Choice: how far a bent needle goes off, character heights."""
CASES: Final[dict[str, str]] = {
    "right": Verdict.RIGHT,
    "wrong die": Verdict.WRONG_DIE,
    "look-alike die": Verdict.WRONG_DIE,
    "swapped": Verdict.SWAPPED,
    "upside down": Verdict.TURNED,
    "die left out": Verdict.LAYOUT,
    "needle missing": Verdict.NEEDLE,
    "needle bent": Verdict.NEEDLE,
    "right, dies known": Verdict.RIGHT,
    EAR: NO_CARD,
}
"""Ways to load the pliers, and what is no card -> the answer that is due."""


@dataclass(frozen=True, slots=True)
class Answered:
    """One card."""

    case: str
    meant: str
    verdict: str
    """``NO_CARD`` or a verdict of ``legibility proof``."""
    probability: float
    told: bool = True
    """False: it is said that needles of some die cannot be judged."""


def answers(cards: int, *, seed: int, cases: Sequence[str] = tuple(CASES)) -> Iterator[Answered]:
    """Answers for ``cards`` cards of each case.

    Parameters
    ----------
    cards : int
    seed : int
        Card ``i`` of a case depends on these and the case alone.
    cases : sequence of str
        Keys of ``CASES``.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "card.png"
        for case in cases:
            for k in range(cards):
                rng = np.random.default_rng((seed, list(CASES).index(case), k))
                yield _answer(case, rng, path)


def _answer(case: str, rng: np.random.Generator, path: Path) -> Answered:
    if case == EAR:
        return _answer_to_ear(rng, path)
    meant, loaded, at = _loading(case, rng)
    scene = card_scene(rng, mark=loaded)
    known = LearnedDies()
    if case in ("needle missing", "needle bent", "right, dies known"):
        for _ in range(TEACHING_PHOTOS):
            good = _proof(same_dies(scene, rng, mark=meant), meant, known, path)
            if good and good.new:
                known = good.learned
                break
    if case != "right, dies known":
        scene = replace(scene, faults=_faults(case, scene, at, rng))
    return _answered(case, meant, _proof(scene, meant, known, path))


def _answer_to_ear(rng: np.random.Generator, path: Path) -> Answered:
    ear = marked_ear(rng=rng, name=EAR)
    mark = ear.truth.mark
    return _answered(EAR, mark, _proof_of(ear.pixels, mark, LearnedDies(), path))


def _answered(case: str, meant: str, found: CardProof | None) -> Answered:
    if found is None:
        return Answered(case, meant, NO_CARD, 0.0)
    told = all(die.needles.judged for die in found.proof.dies)
    return Answered(case, meant, str(found.proof.verdict), found.proof.probability, told)


def _loading(case: str, rng: np.random.Generator) -> tuple[str, str, int]:
    """The mark that is meant, what is loaded, and which die has the fault."""
    while True:
        meant = random_mark(rng=rng)
        rows = split_mark(meant)
        flat = "".join(rows)
        at = int(rng.integers(len(flat)))
        other = flat
        if case == "wrong die":
            free = [c for c in CHARACTERS if c not in (flat[at], LOOK_ALIKE.get(flat[at]))]
            other = flat[:at] + str(rng.choice(free)) + flat[at + 1 :]
        elif case == "look-alike die":
            pairs = [p for p in LOOK_ALIKES if p[1] != LOOK_ALIKE.get(p[0])]
            near = [p.replace(flat[at], "", 1) for p in pairs if flat[at] in p]
            if not near:
                continue
            other = flat[:at] + str(rng.choice(near)) + flat[at + 1 :]
        elif case == "swapped":
            places = [i for i in _neighbours(rows) if flat[i] != LOOK_ALIKE.get(flat[i + 1])]
            if not places:
                continue
            at = int(rng.choice(places))
            other = flat[:at] + flat[at + 1] + flat[at] + flat[at + 2 :]
        elif case == "upside down" and flat[at] in SAME_EITHER_WAY:
            continue
        elif case == "die left out":
            row = at >= len(rows[0])
            if len(rows[row]) < 2 or len(flat) < 3:
                continue
            short = list(rows)
            cut = at - row * len(rows[0])
            short[row] = short[row][:cut] + short[row][cut + 1 :]
            return meant, ROW_SEPARATOR.join(short), at
        cut = len(rows[0])
        return meant, ROW_SEPARATOR.join(filter(None, (other[:cut], other[cut:]))), at


def _neighbours(rows: tuple[str, ...]) -> list[int]:
    """First places of neighbouring dies of one row that differ."""
    first = len(rows[0])
    flat = "".join(rows)
    return [i for i in range(len(flat) - 1) if i != first - 1 and flat[i] != flat[i + 1]]


def _faults(case: str, scene: CardScene, at: int, rng: np.random.Generator) -> dict[int, Fault]:
    if case == "upside down":
        return {at: Fault(turned=True)}
    if not case.startswith("needle"):
        return {}
    count = len(scene.pose.dies[CHARACTERS.index(scene.pose.cells[at].character)])
    needle = int(rng.integers(count))
    if case == "needle missing":
        return {at: Fault(missing=(needle,))}
    angle, far = rng.uniform(0, 2 * np.pi), rng.uniform(*BENT)
    bent = (needle, float(far * np.cos(angle)), float(far * np.sin(angle)))
    return {at: Fault(bent=(bent,))}


def _proof(scene: CardScene, mark: str, known: LearnedDies, path: Path) -> CardProof | None:
    return _proof_of(card_photo(scene), mark, known, path)


def _proof_of(pixels: ColorImage, mark: str, known: LearnedDies, path: Path) -> CardProof | None:
    cv2.imwrite(str(path), np.ascontiguousarray(pixels[..., ::-1]))
    try:
        return prove_card(path, mark, dies=known)
    except PhotoError:
        return None


def false_right(found: Sequence[Answered]) -> Rate:
    """Share of cards with a fault that are called right."""
    faulty = [one for one in found if CASES[one.case] != Verdict.RIGHT and one.case != EAR]
    return rate(sum(map(_is_false_right, faulty)), len(faulty))


def taken_for_card(found: Sequence[Answered]) -> Rate:
    """Share of ears of whose mark something is said as of a card's."""
    ears = [one for one in found if one.case == EAR]
    refused = (NO_CARD, Verdict.CANNOT_TELL)
    return rate(sum(one.verdict not in refused for one in ears), len(ears))


def _is_false_right(one: Answered) -> bool:
    return one.verdict == Verdict.RIGHT and CASES[one.case] != Verdict.RIGHT


def lines(found: Sequence[Answered]) -> Iterator[str]:
    """The answers as a table: for each case how many got which answer."""
    columns = [str(verdict) for verdict in Verdict] + [NO_CARD]
    yield f"{'loaded':<18}" + "".join(f"{name:>12}" for name in columns)
    for case in dict.fromkeys(one.case for one in found):
        counts = Counter(one.verdict for one in found if one.case == case)
        yield f"{case:<18}" + "".join(f"{counts[name] or '.':>12}" for name in columns)
    yield ""
    for case in dict.fromkeys(one.case for one in found):
        own = [one for one in found if one.case == case]
        due = sum(one.verdict == CASES[case] for one in own)
        yield f"{case + ' answered as it should be:':<45} {_words(rate(due, len(own)))}"
    if any(one.case != EAR and CASES[one.case] != Verdict.RIGHT for one in found):
        yield f"{'a card with a fault is called right:':<45} {_words(false_right(found))}"
    passed = [one for one in found if _is_false_right(one) and one.case != EAR]
    untold = sum(one.case.startswith("needle") and not one.told for one in passed)
    if untold:
        yield f"{'  of these, needles said to be unjudged:':<45} {untold} of {len(passed)}"
    if sure := [one for one in found if one.verdict == Verdict.RIGHT]:
        real = sum(CASES[one.case] == Verdict.RIGHT for one in sure)
        yield f"{'a card called right is right:':<45} {_words(rate(real, len(sure)))}"
    if any(one.case == EAR for one in found):
        yield f"{'an ear is taken for a card:':<45} {_words(taken_for_card(found))}"


def _words(share: Rate) -> str:
    return (
        f"{share.count} of {share.total} ({100 * share.low:.1f} to {100 * share.high:.1f} %, "
        "95 % interval)"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m legibility.evaluate.proof", description=__doc__
    )
    parser.add_argument("--cards", type=int, default=20, help="cards of each case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--case", action="append", choices=CASES, help="only this one")
    options = parser.parse_args(arguments)
    found = list(answers(options.cards, seed=options.seed, cases=options.case or tuple(CASES)))
    print("\n".join(lines(found)))


if __name__ == "__main__":
    main()
