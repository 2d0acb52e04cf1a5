"""What a claim stands for: an animal of the registry, or a mark."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from legibility.alphabet import ROW_SEPARATOR, same_mark
from legibility.errors import EvidenceError
from legibility.evidence.comparison import Claim
from legibility.identify.rowcheck import check_mark

if TYPE_CHECKING:
    from legibility.identify.animals import Registry
    from legibility.identify.rules import Rules


def resolve_claim(name: str, registry: Registry | None, *, rules: Rules | None) -> Claim:
    """The mark a claim stands for.

    Raises
    ------
    EvidenceError
        If it is no animal and no mark of the registry, or, without one, no mark the rules allow.
    """
    given = name.strip()
    mark, problem = check_mark(given.upper(), rules)
    if registry is None:
        if problem:
            raise EvidenceError(f"claim {given!r}: {problem}; give a mark, or name a registry")
        return Claim(given, mark, ())
    ids = registry.columns["animal_id"]
    index = next((i for i in range(len(ids)) if ids[i] == given), -1)
    carriers = () if problem else registry.find(mark)
    if index >= 0 and carriers and index not in carriers:
        raise EvidenceError(
            f"claim {given!r} is an animal of {registry.name} and also the mark of "
            f"{registry.animal_id(carriers[0])!r}; name the animal that is meant"
        )
    if index >= 0:
        animal = registry.animal(index)
        return Claim(given, animal.mark, (animal.animal_id,), _ears((animal.ear,)))
    if carriers:
        animals = [registry.animal(i) for i in carriers]
        found = tuple(a.animal_id for a in animals)
        recorded = {m for a in animals for m in (a.mark, a.right_mark) if same_mark(m, mark)}
        if len(recorded) == 1:
            mark = recorded.pop()
        return Claim(given, mark, found, _ears(a.ear for a in animals))
    raise EvidenceError(
        f"claim {given!r} is no animal and no mark of {registry.name}; name one that is, or leave "
        "the registry out to compare two marks"
    )


def check_claims(first: Claim, second: Claim) -> None:
    """Refuse two claims that no photo could tell apart.

    Raises
    ------
    EvidenceError
        If they are the same, or two animals with the same mark.
    """
    if same_mark(first.mark, second.mark):
        raise EvidenceError(
            f"claims {first.name!r} and {second.name!r} both stand for the mark {first.mark}; a "
            "photo of the mark cannot tell them apart"
        )


def in_the_same_way(claims: tuple[Claim, Claim]) -> tuple[Claim, Claim]:
    """Without row breaks where only one of the claims has them: they tell nothing then."""
    first, second = claims
    if (ROW_SEPARATOR in first.mark) == (ROW_SEPARATOR in second.mark):
        return claims
    return (_in_one_row(first), _in_one_row(second))


def _in_one_row(claim: Claim) -> Claim:
    return replace(claim, mark=claim.mark.replace(ROW_SEPARATOR, ""))


def _ears(ears: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted({ear for ear in ears if ear}))


def different_ears(claims: tuple[Claim, Claim]) -> list[str]:
    """A note where the records of two claims name different ears; else nothing."""
    first, second = (claim.ears for claim in claims)
    if not first or not second or set(first) & set(second):
        return []
    return [
        f"The records name different ears ({', '.join(first)} for A, {', '.join(second)} for B): "
        "which ear was photographed may decide, and a photo does not say it."
    ]
