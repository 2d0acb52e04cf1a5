"""What a claim stands for: an animal of the registry, or a mark."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

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
    if index >= 0 and carriers and registry.mark(index) != mark:
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
    if first.mark == second.mark:
        raise EvidenceError(
            f"claims {first.name!r} and {second.name!r} both stand for the mark {first.mark}; a "
            "photo of the mark cannot tell them apart"
        )


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
