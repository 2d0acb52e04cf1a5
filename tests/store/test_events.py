"""The chain of events: appended with the work, never changed, and every forgery found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from legibility.errors import StoreError
from legibility.store.database import create_herd
from legibility.store.events import (
    GENESIS,
    all_events,
    append_event,
    chain_problem,
    event_hash,
    last_event,
)
from legibility.store.records import EventRow


@pytest.fixture
def chain(tmp_path: Path) -> list[EventRow]:
    with create_herd(tmp_path / "herd.db") as db:
        assert last_event(db) is None
        for number in range(5):
            with db.transaction():
                append_event(db, what="step", who="Ada", inputs={"n": number}, at=f"2024-0{number}")
        return list(all_events(db))


def test_a_hash_computed_with_another_program() -> None:
    # printf '%s' '{"at":"2024-05-01T12:00:00Z","inputs":"{}","outputs":"{\"n\":1}",
    # "previous_hash":"<64 zeros>","seq":1,"what":"step","who":"Ada"}' | sha256sum  (one line)
    assert event_hash(
        seq=1,
        at="2024-05-01T12:00:00Z",
        who="Ada",
        what="step",
        inputs="{}",
        outputs='{"n":1}',
        previous_hash=GENESIS,
    ) == ("36b3e5fad79d52b5bf22583e6b2456590eec01c54c12ccdc042cfbe2258120e5")


def test_an_untouched_chain(chain: list[EventRow]) -> None:
    assert chain_problem(chain) == ""
    assert chain_problem([]) == ""
    assert chain[0].previous_hash == GENESIS
    assert chain[3].inputs == '{"n":3}'


@pytest.mark.parametrize("field", ["at", "who", "what", "inputs", "outputs", "hash"])
@pytest.mark.parametrize("number", [0, 2, 4])
def test_a_changed_entry(chain: list[EventRow], field: str, number: int) -> None:
    value = getattr(chain[number], field)
    chain[number] = replace(chain[number], **{field: value[:-1] + chr(ord(value[-1]) ^ 1)})
    assert f"entry {number + 1} was changed" in chain_problem(chain)


def test_dropped_reordered_and_repeated_entries(chain: list[EventRow]) -> None:
    assert "entry 3 is missing" in chain_problem(chain[:2] + chain[3:])
    assert "entry 2 is missing" in chain_problem([chain[0], chain[2], chain[1], *chain[3:]])
    assert "entry 3 is missing" in chain_problem([*chain[:2], chain[1], *chain[2:]])


def test_an_entry_put_in_with_a_right_hash_of_its_own(chain: list[EventRow]) -> None:
    forged = replace(chain[1], what="other")
    content = {
        name: getattr(forged, name)
        for name in ("seq", "at", "who", "what", "inputs", "outputs", "previous_hash")
    }
    chain[1] = replace(forged, hash=event_hash(**content))
    assert "entry 3 does not follow entry 2" in chain_problem(chain)


@pytest.mark.parametrize("sql", ["UPDATE events SET who = 'Bo'", "DELETE FROM events"])
def test_the_file_itself_refuses_changes(sql: str, tmp_path: Path) -> None:
    with create_herd(tmp_path / "herd.db") as db:
        with db.transaction():
            append_event(db, what="step")
        with pytest.raises(StoreError, match="only ever added"), db.transaction():
            db.write(sql)
        assert db.count("events") == 1


def test_an_event_stands_or_falls_with_the_work(tmp_path: Path) -> None:
    with create_herd(tmp_path / "herd.db") as db:
        with pytest.raises(StoreError, match="needs an open transaction"):
            append_event(db, what="step")
        with pytest.raises(StoreError), db.transaction():
            append_event(db, what="step", inputs={"a": 1}) and db.write("NO SQL")
        assert db.count("events") == 0
