"""Bounded room for connections: when it is full, an old one gives way, so that a new one is heard.

Refusing the new one instead would let whoever holds the room keep everybody out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable
from typing import Generic, TypeVar

T = TypeVar("T", bound=Hashable)


class Room(Generic[T]):
    """So many in all, and so many of each who.

    Parameters
    ----------
    most, most_of_each : int
        Bounds.
    """

    def __init__(self, most: int, most_of_each: int) -> None:
        self._most = most
        self._most_of_each = most_of_each
        self._who: dict[T, str] = {}
        self._counts: Counter[str] = Counter()

    def enter(self, one: T, who: str) -> T | None:
        """Let one in, as the newest; gives the one that has to leave, if any.

        It is the oldest of the same who, or of the who that holds most: the many of one hold up
        only each other.
        """
        self.leave(one)
        self._who[one] = who
        self._counts[who] += 1
        if self._counts[who] > self._most_of_each:
            return self._leave_oldest(who)
        if len(self._who) > self._most:
            return self._leave_oldest(self._counts.most_common(1)[0][0])
        return None

    def leave(self, one: T) -> None:
        """Make room; nothing happens when it is not there."""
        who = self._who.pop(one, None)
        if who is not None:
            self._counts -= Counter((who,))

    def _leave_oldest(self, who: str) -> T:
        oldest = next(one for one, whose in self._who.items() if whose == who)
        self.leave(oldest)
        return oldest
