"""One animal at the chute: its photos, scans, what was read by eye, and how it ended."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

from legibility.web.keeping import is_client_id, read_json, write_json

Visit: TypeAlias = dict[str, Any]
"""Fields: visit_id, number, started_at, label, ear, uploads, scans, eyes, shown, closed, and what
a person answered to the question that a visit asked: answers."""


class Visits:
    """Visits as files; the phones share them, so that one may go on where another began."""

    def __init__(self, folder: Path, *, clock: Callable[[], float] = time.time) -> None:
        self._folder = folder
        self._clock = clock
        self._lock = threading.RLock()
        folder.mkdir(parents=True, exist_ok=True)
        self._visits: dict[str, Visit] = {}
        for file in folder.glob("*.json"):
            if is_client_id(file.stem):
                self._visits[file.stem] = read_json(file)

    def all(self) -> list[Visit]:
        """All visits, newest first."""
        return sorted(
            self._visits.values(), key=lambda visit: (-visit["started_at"], -visit["number"])
        )

    def find(self, visit_id: str) -> Visit | None:
        """One visit, or None."""
        return self._visits.get(visit_id)

    def start(self, visit_id: str, *, seconds_ago: float = 0.0) -> Visit:
        """The visit of this id, begun now (or so many seconds ago) if it is new.

        Raises
        ------
        ValueError
            If the id is none that a phone makes.
        """
        if not is_client_id(visit_id):
            raise ValueError("this is no id of a visit")
        with self._lock:
            if visit_id not in self._visits:
                now = self._clock()
                self._visits[visit_id] = {
                    "visit_id": visit_id,
                    "number": 1 + max((v["number"] for v in self._visits.values()), default=0),
                    "started_at": now - min(max(seconds_ago, 0.0), 12 * 3600.0),
                    "label": "",
                    "ear": "",
                    "uploads": [],
                    "scans": [],
                    "eyes": {},
                    "shown": {},
                    "closed": None,
                    "answers": [],
                }
                self._save(visit_id)
            return self._visits[visit_id]

    def change(self, visit_id: str, change: Callable[[Visit], None]) -> Visit:
        """Change a visit and keep it."""
        with self._lock:
            visit = self._visits[visit_id]
            change(visit)
            self._save(visit_id)
            return visit

    def session_file(self, visit_id: str) -> Path:
        """Where what the photos say together is kept."""
        return self._folder / f"{visit_id}.session"

    def session(self, visit_id: str) -> Visit | None:
        """What the photos of a visit say together; None before the first was read."""
        found: Visit | None = read_json(self.session_file(visit_id))
        return found

    def _save(self, visit_id: str) -> None:
        write_json(self._folder / f"{visit_id}.json", self._visits[visit_id])


def answered(visit: Visit, key: str) -> list[Visit]:
    """Answers of one kind to the question that a visit asked."""
    return [answer for answer in visit.get("answers", []) if answer["key"] == key]


def left_out(visit: Visit) -> set[str]:
    """Photos of a visit that count for nothing."""
    return {name for answer in answered(visit, "left_out") for name in answer["uploads"]}


def scans_that_count(visit: Visit) -> list[Visit]:
    """Scans but those of which a person said that they are another animal's."""
    wrong = {answer["what"] for answer in answered(visit, "transponder_wrong")}
    return [scan for scan in visit["scans"] if scan["number"] not in wrong]


def one_for_sure(visit: Visit) -> bool:
    """Whether a person looked again and said "one animal" since the newest photo came."""
    return any(
        set(visit["uploads"]) <= set(answer["photos_then"])
        for answer in answered(visit, "same_animal")
    )
