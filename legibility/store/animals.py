"""Animals and their transponders."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict

from legibility.errors import StoreError
from legibility.store.database import HerdDatabase
from legibility.store.records import AnimalRow, ChipRow

_COLUMNS = "animal_id, birth_date, birth_year, sex, status, skin, note"


def all_animals(db: HerdDatabase) -> Iterator[AnimalRow]:
    """All animals in the order they were first imported."""
    for row in db.rows(f"SELECT {_COLUMNS} FROM animals ORDER BY id"):
        yield AnimalRow(*row)


def find_animal(db: HerdDatabase, animal_id: str) -> AnimalRow | None:
    """One animal, or None."""
    row = db.first(f"SELECT {_COLUMNS} FROM animals WHERE animal_id = ?", (animal_id,))
    return None if row is None else AnimalRow(*row)


def animal_key(db: HerdDatabase, animal_id: str) -> int:
    """Row number of an animal.

    Raises
    ------
    StoreError
        If it is not in the record.
    """
    row = db.first("SELECT id FROM animals WHERE animal_id = ?", (animal_id,))
    if row is None:
        raise StoreError(
            f"animal {animal_id!r} is not in this record; import it with: "
            "legibility herd import-registry"
        )
    return int(row[0])


def optional_animal_key(db: HerdDatabase, animal_id: str) -> int | None:
    """Row number of an animal; None for no name."""
    return animal_key(db, animal_id) if animal_id else None


def put_animal(db: HerdDatabase, animal: AnimalRow) -> str:
    """Add an animal, or bring what is known of it up to date; gives ``new``, ``changed``, ``same``.

    What the new row leaves empty stays as it is.
    """
    known = find_animal(db, animal.animal_id)
    if known is None:
        db.insert("animals", asdict(animal))
        return "new"
    before = asdict(known)
    filled = {
        name: value for name, value in asdict(animal).items() if value and value != before[name]
    }
    if not filled:
        return "same"
    db.update("animals", filled, key="animal_id", value=animal.animal_id)
    return "changed"


def all_chips(db: HerdDatabase) -> Iterator[ChipRow]:
    """All transponders said to be in animals."""
    sql = """SELECT a.animal_id, c.number, c.since, c.source
             FROM chips AS c JOIN animals AS a ON a.id = c.animal ORDER BY c.id"""
    for row in db.rows(sql):
        yield ChipRow(*row)


def chips_of(db: HerdDatabase, animal_id: str) -> tuple[ChipRow, ...]:
    """Transponders said to be in one animal."""
    sql = """SELECT a.animal_id, c.number, c.since, c.source
             FROM chips AS c JOIN animals AS a ON a.id = c.animal
             WHERE a.animal_id = ? ORDER BY c.id"""
    return tuple(ChipRow(*row) for row in db.rows(sql, (animal_id,)))


def put_chips(db: HerdDatabase, chips: Iterable[ChipRow]) -> int:
    """Add transponders; those known already stay as they are. Gives how many are new.

    Raises
    ------
    StoreError
        If an animal is not in the record.
    """
    return sum(
        db.insert(
            "chips",
            {
                "animal": animal_key(db, chip.animal_id),
                "number": chip.number,
                "since": chip.since,
                "source": chip.source,
            },
        )
        for chip in chips
    )


def owners_of_chips(db: HerdDatabase) -> dict[str, tuple[str, ...]]:
    """Animals said to carry each transponder, in the order they became known."""
    found: dict[str, tuple[str, ...]] = {}
    for chip in all_chips(db):
        found[chip.number] = (*found.get(chip.number, ()), chip.animal_id)
    return found


def animals_with_chip(db: HerdDatabase, number: str) -> tuple[str, ...]:
    """Animals said to carry a transponder; more than one is a contradiction."""
    sql = """SELECT a.animal_id FROM chips AS c JOIN animals AS a ON a.id = c.animal
             WHERE c.number = ? ORDER BY a.id"""
    return tuple(str(row[0]) for row in db.rows(sql, (number,)))
