"""New marks for a herd: registry, rules and kernel from their files, advice, and the proposal."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from legibility.alphabet import N_CHARACTERS, ROW_SEPARATOR, index_of
from legibility.errors import RegistryError, SettingsError
from legibility.identify.registry import Registry, load_registry
from legibility.marks.check_characters import DIGITS, LETTERS, SCHEMES, check_characters
from legibility.marks.rules import Rules, layouts_of
from legibility.marks.rules_file import load_rules
from legibility.marks.space import count_marks, iter_marks, sample_marks
from legibility.read.learned_dies import load_dies
from legibility.risk.alphabet_choice import LeftOut, leave_out
from legibility.risk.assign import (
    EXHAUSTIVE,
    RIVAL_REACH,
    Proposal,
    propose,
    sampled_capacity,
)
from legibility.risk.bounds import code_bounds
from legibility.risk.kernel import Matrix, condition_words, grade_of, load_kernel
from legibility.risk.misreading import Channel, Errors, channel
from legibility.risk.needle_count import CAPACITY, needles_of
from legibility.settings import Settings

CONDITION: Final = "worn"
"""Choice: marks should still be told apart after some years."""
BOUND: Final = 1e-3
"""Choice: one reading in a thousand of any pair."""
BUDGET: Final = 8
"""Choice: most characters that leaving out is worked out for."""
SAMPLE: Final = 6_000
"""Choice: marks drawn to estimate how many exist."""
PLENTY: Final = 10.0
"""Choice: with so many times the marks asked for there is no need of a check character."""
GAIN: Final = 1.1
"""Choice: a gain in marks below a tenth is within the error of the sample and no reason."""
LEFT_STATUSES: Final = frozenset({"dead", "died", "sold", "culled", "slaughtered", "lost", "left"})
"""Choice: words of the registry's column status for animals that are gone."""


@dataclass(frozen=True, slots=True)
class AlphabetStep:
    """The herd without some characters."""

    left_out: str
    step: LeftOut | None
    marks: float
    """How many marks exist without conflicts for sure (Turán), registered ones not looked at."""


@dataclass(frozen=True, slots=True)
class CheckAdvice:
    """Whether a check character is worth its needles."""

    scheme: str
    """Empty: the rules have one already."""
    without: float
    """Marks without conflicts that exist for sure without it."""
    with_check: float
    needles_without: float
    """Mean needles of a mark."""
    needles_with: float
    worth: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Assignment:
    """New marks with all that a manager wants to know about them."""

    proposal: Proposal
    registered: int
    """Registered marks that count."""
    released: int
    """Marks of animals that left, outside the reuse window: free again."""
    condition: str
    bound: float
    needles_max: int
    alphabet: tuple[AlphabetStep, ...]
    check: CheckAdvice
    codes: tuple[tuple[int, int, int, int], ...]
    """Of the commonest kind of mark: distance, Gilbert-Varshamov, Hamming, Singleton bound."""

    @property
    def advised_out(self) -> str:
        """Characters to leave out: the shortest list that gives nearly the most marks."""
        most = max(step.marks for step in self.alphabet)
        return next(step.left_out for step in self.alphabet if step.marks * GAIN >= most)

    def records(self) -> Iterator[dict[str, Any]]:
        """One JSON object a mark."""
        for mark in self.proposal.marks:
            yield asdict(mark)

    def summary(self) -> dict[str, Any]:
        """Everything besides the marks, for the table."""
        marks = self.proposal.marks
        worst = max(marks, key=lambda mark: mark.probability, default=None)
        return {
            "registered": self.registered,
            "released": self.released,
            "condition": self.condition,
            "bound": self.bound,
            "needles_max": self.needles_max,
            "space": asdict(self.proposal.space),
            "complete": self.proposal.complete,
            "least_named": self.bound * RIVAL_REACH,
            "worst": None if worst is None else asdict(worst),
            "flagged": sum(mark.too_many_needles for mark in marks),
            "alphabet": [
                {
                    "left_out": step.left_out,
                    "marks": step.marks,
                    "confused_with": step.step.confused_with if step.step else "",
                    "probability": step.step.probability if step.step else 0.0,
                }
                for step in self.alphabet
            ],
            "advised_out": self.advised_out,
            "check": asdict(self.check),
            "codes": [list(row) for row in self.codes],
        }


def new_marks(
    registry: Path | Registry,
    *,
    rules: Path | Rules,
    count: int,
    bound: float = BOUND,
    condition: str = "",
    seed: int = 1,
    needles_max: int = CAPACITY,
    dies: Path | None = None,
    reuse_window: int = 0,
    year: int = 0,
    counts: Path | None = None,
    older: Iterable[str] = (),
    settings: Settings | None = None,
) -> Assignment:
    """Propose new marks for a herd.

    Parameters
    ----------
    registry : Path or Registry
        Registry, or its CSV file; every mark in it counts, dead animals' too, but see
        ``reuse_window``.
    rules : Path or Rules
        Herd's rules, or their TOML file.
    count : int
        Marks wanted.
    bound : float
        No two marks are read as one another with this probability or more.
    condition : str
        "new", "mild", "worn", "faint", "lost" or a grade 4..0; "worn" when empty.
    seed : int
        The same seed gives the same marks.
    needles_max : int
        What the pliers hold.
    dies : Path, optional
        The herd's dies as ``legibility proof --learn`` wrote them; their needles are counted.
    reuse_window : int
        Years after which the mark of an animal that left (column ``status``) is free again,
        counted from its birth; 0: never.
    year : int
        Present year; taken from the clock when 0.
    counts : Path, optional
        Own verified readings, blended with the kernel: a CSV file, or a herd's record, of which
        the transponder-confirmed photos are counted.
    older : iterable of str
        Marks that the registry does not name and that count, too: animals' earlier ones.

    Raises
    ------
    RegistryError, SettingsError, StoreError
        If a file cannot be used, the rules allow nothing, or fewer marks exist than are wanted.
    """
    if not 0.0 < bound < 1.0:
        raise SettingsError(f"--bound is {bound}; expected a probability between 0 and 1")
    if count < 1 or needles_max < 1:
        raise SettingsError(f"count {count}, needles {needles_max}; expected 1 or more of each")
    known_rules = load_rules(rules) if isinstance(rules, Path) else rules
    where = str(rules) if isinstance(rules, Path) else "the rules"
    allowed = _allowed_count(where, known_rules)
    herd = load_registry(registry) if isinstance(registry, Path) else registry
    year = year or datetime.datetime.now(tz=datetime.UTC).year
    marks, released = _counting(herd, older, reuse_window, year)
    settings = settings or Settings()
    grade = grade_of(condition or CONDITION)
    matrix = load_kernel().at(grade)
    if counts is not None:
        from legibility.pipeline.herd_confirmed import own_counts

        matrix = own_counts(counts).blend(matrix)
    ch = channel(matrix, Errors(settings.p_swap, settings.p_wrong_die, settings.p_turned_die))
    own = _own_needles(dies)

    def needles(mark: str) -> int:
        return needles_of(mark, own)

    if count > allowed:
        raise SettingsError(
            f"{count} marks are asked for; {where} allows {allowed} in all: allow more characters "
            "or longer rows"
        )
    proposal = propose(
        known_rules,
        marks,
        ch,
        count=count,
        bound=bound,
        seed=seed,
        needles=needles,
        needles_max=needles_max,
    )
    if len(proposal.marks) < count:
        raise SettingsError(
            _too_few(proposal, count, bound, condition_words(condition or CONDITION))
        )
    alphabet = tuple(_alphabet(known_rules, matrix, ch, bound, seed))
    return Assignment(
        proposal=proposal,
        registered=len(marks),
        released=released,
        condition=condition_words(condition or CONDITION),
        bound=bound,
        needles_max=needles_max,
        alphabet=alphabet,
        check=_check_advice(
            known_rules, ch, bound, seed, needles, needles_max, count, alphabet[0].marks
        ),
        codes=_codes(known_rules),
    )


def _allowed_count(where: str, rules: Rules) -> int:
    try:
        allowed = count_marks(rules)
    except ValueError as error:
        raise SettingsError(f"{where}: {error}") from error
    if allowed == 0:
        raise SettingsError(
            f"{where}: these rules allow no mark at all; see legibility rules for what they mean"
        )
    return allowed


def _too_few(proposal: Proposal, count: int, bound: float, condition: str) -> str:
    space = proposal.space
    looked = "all marks were tried" if proposal.complete else "the search found no more"
    free = f"{space.free.value:.0f}" if space.free.exact else f"about {space.free.value:.0f}"
    return (
        f"{count} marks are asked for, {len(proposal.marks)} exist under these conditions "
        f"({looked}): the rules allow {space.allowed}, {free} of them are not confused with a "
        f"registered one, and no pair may be confused with probability {bound:g} or more when "
        f"{condition}; ask for fewer, raise --bound, or allow longer rows"
    )


def _counting(
    herd: Registry, older: Iterable[str], window: int, year: int
) -> tuple[list[str], int]:
    """Marks that count, in alphabetical order, and how many are free again."""
    kept = set(older)
    gone: set[str] = set()
    for animal in herd:
        left = animal.status.strip().lower() in LEFT_STATUSES
        old = animal.birth_year > 0 and year - animal.birth_year > window
        (gone if window > 0 and left and old else kept).add(animal.mark)
    if not kept and not gone:
        raise RegistryError(f"{herd.name}: no animal with a mark")
    return sorted(kept), len(gone - kept)


def _own_needles(dies: Path | None) -> dict[str, int]:
    if dies is None:
        return {}
    known = load_dies(dies)
    # Of several dies of one character the one with most needles: the plier must hold it.
    return {c: max(len(die.needles) for die in known.of(c)) for c in known.characters}


def _sample(rules: Rules, seed: int) -> tuple[list[str], int]:
    number = count_marks(rules)
    if number <= min(SAMPLE, EXHAUSTIVE):
        return list(iter_marks(rules)), number
    return sample_marks(rules, np.random.default_rng(seed), SAMPLE, distinct=True), number


def _alphabet(
    rules: Rules, matrix: Matrix, ch: Channel, bound: float, seed: int
) -> Iterator[AlphabetStep]:
    """Leaving out no character, one, two, ...: how many marks remain."""
    sample, number = _sample(rules, seed)
    yield AlphabetStep("", None, sampled_capacity(sample, ch, bound=bound, number=number)[0])
    steps = leave_out(matrix, characters=rules.in_use, budget=BUDGET, together=places_shared(rules))
    out = ""
    for step in steps:
        out += step.character
        fewer = replace(rules, exclude=rules.exclude + out)
        try:
            sample, number = _sample(fewer, seed)
        except ValueError:
            # A form or prefix needs this character.
            return
        if not number:
            return
        marks = sampled_capacity(sample, ch, bound=bound, number=number)[0]
        yield AlphabetStep(out, step, marks)


def places_shared(rules: Rules) -> np.ndarray:
    """(36, 36) share of places at which both of two characters are allowed, over all layouts."""
    shared = np.zeros((N_CHARACTERS, N_CHARACTERS))
    places = [place for layout in layouts_of(rules) for place in layout.places]
    for place in places:
        allowed = [index_of(c) for c in place.allowed]
        shared[np.ix_(allowed, allowed)] += 1.0
    return shared / max(len(places), 1)


def _check_advice(
    rules: Rules,
    ch: Channel,
    bound: float,
    seed: int,
    needles: Any,
    needles_max: int,
    count: int,
    without: float,
) -> CheckAdvice:
    sample, number = _sample(rules, seed)
    mean = float(np.mean([needles(mark) for mark in sample]))
    if any(layout.scheme is not None for layout in layouts_of(rules)):
        words = "the rules have a check character already"
        return CheckAdvice("", without, without, mean, mean, False, words)
    used = set("".join(sample)) - {ROW_SEPARATOR}
    name = "mod-37-36"
    if used <= set(DIGITS):
        name = "damm"
    elif used <= set(LETTERS):
        name = "mod-27-26"
    checked = []
    for mark in sample:
        written = check_characters(SCHEMES[name], mark.replace(ROW_SEPARATOR, ""))
        if written:
            checked.append(mark + written)
    gained, _ = sampled_capacity(checked, ch, bound=bound, number=number)
    longer = float(np.mean([needles(mark) for mark in checked]))
    fits = longer <= needles_max
    worth = gained > without * GAIN and fits and without < PLENTY * count
    if not fits:
        words = f"not worth it: {longer:.0f} needles on average, the pliers hold {needles_max}"
    elif gained <= without * GAIN:
        words = "not worth it: it makes no room for more marks"
    elif without >= PLENTY * count:
        words = f"not needed: {int(without):,} safe marks exist without it, {count} are asked for"
    else:
        words = f"worth it: room for {gained:.0f} marks instead of {without:.0f}"
    return CheckAdvice(name, without, gained, mean, longer, worth, words)


def _codes(rules: Rules) -> tuple[tuple[int, int, int, int], ...]:
    """Bounds for the kind of mark of which there are most."""
    sizes = max(
        ([len(place.allowed) for place in layout.places] for layout in layouts_of(rules)),
        key=lambda places: float(np.prod(np.array(places, dtype=float))),
    )
    rows = [code_bounds(sizes, distance) for distance in range(1, min(len(sizes), 4) + 1)]
    return tuple((row.distance, row.at_least, row.hamming, row.singleton) for row in rows)
