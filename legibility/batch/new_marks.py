"""New marks for a herd: registry, rules and kernel from their files, advice, and the proposal."""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

from legibility.alphabet import ROW_SEPARATOR
from legibility.errors import RegistryError, SettingsError
from legibility.identify.learned_forms import forms_of
from legibility.identify.registry import Registry, load_registry
from legibility.marks.numbering import Coming, coming_marks, rules_of_year
from legibility.marks.rules import Rules, layouts_of, of_marks
from legibility.marks.rules_file import load_rules
from legibility.marks.space import count_marks
from legibility.read.learned_dies import load_dies
from legibility.risk.advice import Advice, advice_on
from legibility.risk.assign import RIVAL_REACH, Proposal, propose
from legibility.risk.kernel import condition_words, grade_of, load_kernel
from legibility.risk.misreading import Errors, channel
from legibility.risk.needle_count import CAPACITY, needles_of
from legibility.settings import Settings

CONDITION: Final = "worn"
"""Choice: marks should still be told apart after some years."""
BOUND: Final = 1e-3
"""Choice: one reading in a thousand of any pair."""
WIDER: Final = (3e-3, 1e-2, 3e-2, 1e-1)
"""Choice: bounds that are tried one after the other where learned forms have no room for
``BOUND``."""
AHEAD: Final = 30
"""Choice: numbers that are tried for each mark wanted, before others are drawn."""
LEFT_STATUSES: Final = frozenset({"dead", "died", "sold", "culled", "slaughtered", "lost", "left"})
"""Choice: words of the registry's column status for animals that are gone."""


@dataclass(frozen=True, slots=True)
class FormsInUse:
    """What new marks keep to."""

    title: str
    """``forms learned from 412 marks``, or the rules' file."""
    said: tuple[str, ...] = ()
    """Learned forms in words, a line each, and how the numbers go on."""


@dataclass(frozen=True, slots=True)
class Assignment:
    """New marks with all that a manager wants to know about them."""

    proposal: Proposal
    forms: FormsInUse
    registered: int
    """Registered marks that count."""
    released: int
    """Marks of animals that left, outside the reuse window: free again."""
    condition: str
    bound: float
    bound_wanted: float
    """What was asked for; lower than ``bound`` where the learned forms have no room for it."""
    needles_max: int
    advice: Advice

    def records(self) -> Iterator[dict[str, Any]]:
        """One JSON object a mark."""
        for mark in self.proposal.marks:
            yield {**asdict(mark), "forms": self.forms.title}

    def summary(self) -> dict[str, Any]:
        """Everything besides the marks, for the table."""
        marks = self.proposal.marks
        worst = max(marks, key=lambda mark: mark.probability, default=None)
        return {
            "forms": self.forms.title,
            "forms_said": list(self.forms.said),
            "registered": self.registered,
            "released": self.released,
            "condition": self.condition,
            "bound": self.bound,
            "bound_wanted": self.bound_wanted,
            "needles_max": self.needles_max,
            "space": asdict(self.proposal.space),
            "complete": self.proposal.complete,
            "least_named": self.bound * RIVAL_REACH,
            "worst": None if worst is None else asdict(worst),
            "flagged": sum(mark.too_many_needles for mark in marks),
            **self.advice.summary(),
        }


def new_marks(
    registry: Path | Registry,
    *,
    columns: Mapping[str, str] | None = None,
    rules: Path | Rules | None = None,
    count: int,
    bound: float | None = None,
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
        Registry, or its file; every mark in it counts, dead animals' too, but see
        ``reuse_window``.
    columns : mapping, optional
        What a person said of the file's columns.
    rules : Path or Rules, optional
        Herd's rules, or their TOML file; without them the forms of the herd's own marks, learned
        from the registry, with this year's letter and the next numbers first.
    count : int
        Marks wanted.
    bound : float, optional
        No two marks are read as one another with this probability or more; ``BOUND`` when it is not
        given. Learned forms may have no room for so many: then the next of ``WIDER`` that they have
        room for, which the answer says.
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
    if bound is not None and not 0.0 < bound < 1.0:
        raise SettingsError(f"--bound is {bound}; expected a probability between 0 and 1")
    if count < 1 or needles_max < 1:
        raise SettingsError(f"count {count}, needles {needles_max}; expected 1 or more of each")
    known_rules = load_rules(rules) if isinstance(rules, Path) else rules
    if isinstance(registry, Path):
        named = dict(known_rules.columns) if known_rules is not None else {}
        herd = load_registry(registry, columns=columns or named)
    else:
        herd = registry
    known_rules = of_marks(known_rules)
    year = year or datetime.datetime.now(tz=datetime.UTC).year
    marks, released = _counting(herd, older, reuse_window, year)
    coming = Coming((), in_turn=False)
    forms = FormsInUse(f"rules {rules}" if isinstance(rules, Path) else "the rules given")
    where = str(rules) if isinstance(rules, Path) else "the rules"
    if known_rules is None:
        known_rules, forms, coming = _learned(herd, marks, year, count, seed)
        where = forms.title
    allowed = _allowed_count(where, known_rules)
    condition = condition or CONDITION
    matrix = load_kernel().at(grade_of(condition))
    if counts is not None:
        from legibility.pipeline.herd_confirmed import own_counts

        matrix = own_counts(counts).blend(matrix)
    ch = channel(matrix, Errors.of(settings))
    own = _own_needles(dies)

    def needles(mark: str) -> int:
        return needles_of(mark, own)

    if count > allowed:
        raise SettingsError(
            f"{count} marks are asked for; {where} {'allow' if forms.said else 'allows'} {allowed} "
            "in all: allow more characters or longer rows"
        )
    written = _in_every_layout(marks, known_rules)
    bounds = (bound or BOUND,) if bound or not forms.said else (BOUND, *WIDER)
    for kept in bounds:
        proposal = propose(
            known_rules,
            sorted(written),
            ch,
            count=count,
            bound=kept,
            seed=seed,
            needles=needles,
            needles_max=needles_max,
            first=coming.marks,
        )
        if len(proposal.marks) >= count:
            break
    if len(proposal.marks) < count:
        raise SettingsError(_too_few(proposal, count, kept, condition_words(condition)))
    proposal = _as_registered(proposal, written)
    return Assignment(
        proposal=proposal,
        forms=forms,
        registered=len(marks),
        released=released,
        condition=condition_words(condition),
        bound=kept,
        bound_wanted=bounds[0],
        needles_max=needles_max,
        advice=advice_on(
            known_rules,
            matrix,
            ch,
            bound=kept,
            count=count,
            needles=needles,
            needles_max=needles_max,
            seed=seed,
        ),
    )


def _learned(
    herd: Registry, marks: Sequence[str], year: int, count: int, seed: int
) -> tuple[Rules, FormsInUse, Coming]:
    """Forms of the herd's own marks, in words, and the marks that come next in them."""
    learned = forms_of(herd)
    rules = rules_of_year(learned.rules, year)
    born = dict.fromkeys(marks, 0)
    for animal in herd:
        for mark in (animal.mark, animal.right_mark):
            if mark in born:
                born[mark] = max(born[mark], animal.birth_year)
    coming = coming_marks(
        learned,
        marks,
        birth_years=[born[mark] for mark in marks],
        year=year,
        most=AHEAD * count,
        seed=seed,
    )
    said = learned.described(exceptions=3)[1:]
    table = learned.rules.year_table
    if table is not None:
        said.append(f"  new marks have the letter of {year}: {table.letter(year)} ({table.name})")
    if coming.in_turn and coming.marks:
        said.append(f"  numbers go on from {coming.marks[0]}")
    elif coming.in_turn:
        said.append("  no number of these forms is left above the highest; others are drawn")
    else:
        said.append("  the herd does not number in turn; numbers are drawn, its letters kept")
    return rules, FormsInUse(learned.title, tuple(said)), coming


def _in_every_layout(marks: Iterable[str], rules: Rules) -> dict[str, str]:
    """The registered mark of each way in which it may stand; one with a break as it is written."""
    layouts = defaultdict[int, set[tuple[int, ...]]](set)
    for layout in layouts_of(rules):
        layouts[sum(layout.lengths)].add(layout.lengths)
    found = {mark: mark for mark in marks}
    for mark in list(found):
        if ROW_SEPARATOR in mark:
            continue
        for lengths in layouts[len(mark)]:
            if len(lengths) == 2:
                found.setdefault(f"{mark[: lengths[0]]}{ROW_SEPARATOR}{mark[lengths[0] :]}", mark)
    return found


def _as_registered(proposal: Proposal, written: Mapping[str, str]) -> Proposal:
    """Rivals named as the registry writes them."""
    marks = tuple(
        replace(mark, worst_rival=written[mark.worst_rival]) if mark.registered else mark
        for mark in proposal.marks
    )
    return replace(proposal, marks=marks)


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
        own = {animal.mark, animal.right_mark} - {""}
        (gone if window > 0 and left and old else kept).update(own)
    if not kept and not gone:
        raise RegistryError(f"{herd.name}: no animal with a mark")
    return sorted(kept), len(gone - kept)


def _own_needles(dies: Path | None) -> dict[str, int]:
    if dies is None:
        return {}
    known = load_dies(dies)
    # Of several dies of one character the one with most needles: the plier must hold it.
    return {c: max(len(die.needles) for die in known.of(c)) for c in known.characters}
