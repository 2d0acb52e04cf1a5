"""A proof from files to a record: the card, the herd's rules, the dies learned so far."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Final

from legibility.alphabet import ROW_SEPARATOR
from legibility.errors import PhotoError, RegistryError
from legibility.identify.learned_forms import forms_of
from legibility.identify.registry import Registry, load_registry
from legibility.marks.rules_file import load_rules
from legibility.pipeline.proof import CardProof, prove_card
from legibility.read.learned_dies import LearnedDies, load_dies, save_dies
from legibility.settings import Settings

CARRIERS: Final = 3
"""Choice: animals named that carry the mark already."""


def proof_of_file(
    card: Path,
    mark: str,
    *,
    rules: Path | None = None,
    registry: Path | Registry | None = None,
    dies: Path | None = None,
    settings: Settings | None = None,
) -> CardProof:
    """Compare a punched card with the mark that is meant.

    Parameters
    ----------
    card : Path
    mark : str
        In capitals or not, ``AB/123``.
    rules : Path, optional
        The herd's rules; a mark that breaks them is refused before anything is read.
    registry : Path or Registry, optional
        The answer says who carries the mark already and, without ``rules``, whether it keeps to the
        forms learned from the registry; a mark of another form is not refused.
    dies : Path, optional
        The herd's dies; made when it is missing, and added to when the card is right.
    settings : Settings, optional

    Raises
    ------
    PhotoError
        If the photo cannot be used or shows no card.
    RegistryError
        If the mark is not well formed or breaks the rules.
    SettingsError, ModelError, OutputError
        If a file cannot be used.
    """
    meant = mark.strip().upper()
    if rules is not None and (problem := load_rules(rules).problem(meant)):
        raise RegistryError(f"--mark: {problem}")
    said = () if registry is None else _said_of(meant, registry, has_rules=rules is not None)
    known = load_dies(dies) if dies is not None and dies.exists() else LearnedDies()
    try:
        result = prove_card(card, meant, dies=known, settings=settings)
    except PhotoError:
        raise
    except ValueError as error:
        raise RegistryError(f"--mark: {error}") from error
    result = replace(result, said_of_mark=said)
    if dies is None:
        return replace(result, new="")  # Nothing was kept.
    if result.new:
        save_dies(result.learned, dies)
    return result


def proof_record(result: CardProof) -> dict[str, Any]:
    """The answer for other programs, and what its table is made from."""
    found = result.proof
    return {
        "photo": result.photo,
        "sha256": result.sha256,
        "mark": found.mark,
        "verdict": str(found.verdict),
        "found": found.found,
        "sentence": found.sentence,
        "probability": round(float(found.probability), 6),
        "needles_judged": bool(found.dies) and all(die.needles.judged for die in found.dies),
        "mirrored": bool(found.seen_mirrored),
        "dies": [
            {
                "row": die.row,
                "die": die.cell,
                "meant": die.meant,
                "found": die.found,
                "upside_down": bool(die.turned),
                "probability": round(float(die.probability), 6),
                "needles": asdict(die.needles),
            }
            for die in found.dies
        ],
        "learned": list(result.new),
        "said_of_mark": list(result.said_of_mark),
    }


def _said_of(mark: str, registry: Path | Registry, *, has_rules: bool) -> tuple[str, ...]:
    """Who carries a mark already, in whatever rows, and whether it is of a form in use."""
    herd = load_registry(registry) if isinstance(registry, Path) else registry
    whole = mark.replace(ROW_SEPARATOR, "")
    ways = [whole, *(f"{whole[:k]}{ROW_SEPARATOR}{whole[k:]}" for k in range(1, len(whole)))]
    carriers = sorted({index for way in ways for index in herd.find(way)})
    said = []
    if carriers:
        names = ", ".join(herd.animal_id(index) for index in carriers[:CARRIERS])
        more = len(carriers) - CARRIERS
        said.append(
            f"{mark} is in the registry already: {names}" + (f" and {more} more" * (more > 0))
        )
    if not has_rules:
        said.append(f"{mark} {forms_of(herd).said_of(mark)}")
    return tuple(said)
