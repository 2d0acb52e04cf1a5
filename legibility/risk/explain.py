"""How one mark comes to be read as another, in words: the likeliest of all ways."""

from __future__ import annotations

from collections.abc import Iterator

from legibility.alphabet import CHARACTERS, N_CHARACTERS, NO_CHARACTER, index_of, split_mark
from legibility.risk.mechanisms import TURNED, mechanism
from legibility.risk.misreading import HIDDEN, LOST, Channel, View, inner_pairs, views

SAME_MARK = "both carry this mark"


class Explainer:
    """Explains pairs of marks at one condition; holds the channel as plain numbers."""

    def __init__(self, ch: Channel) -> None:
        self._errors = ch.errors
        self._k = ch.matrix.tolist()
        self._event = ch.event.tolist()
        self._swap = ch.swap_odds
        turned = ch.errors.turned_die / (1.0 - ch.errors.turned_die)
        self._turned = {
            (index_of(c), read): turned * self._k[index_of(other)][read]
            for c, other in TURNED.items()
            for read in range(N_CHARACTERS + 1)
        }

    def words(self, record: str, read: str) -> str:
        """Likeliest way from a recorded mark to the one that is read.

        Parameters
        ----------
        record, read : str
            As written. Places are counted from 1 over both rows.

        Returns
        -------
        str
            Empty when there is no way.
        """
        rows, read_rows = split_mark(record), split_mark(read)
        codes = [index_of(c) for row in rows for c in row]
        seen = [index_of(c) for row in read_rows for c in row]
        structure = (len(rows[0]), len(rows[1]) if len(rows) > 1 else 0)
        reading = (len(read_rows[0]), len(read_rows[1]) if len(read_rows) > 1 else 0)
        best, words = 0.0, ""
        for view in views(structure, reading, self._errors):
            for weight, how in self._ways(codes, seen, structure, view):
                if view.weight * weight > best:
                    best = view.weight * weight
                    words = "; ".join([*_view_words(view, structure), *how])
        return words

    def _ways(
        self, codes: list[int], seen: list[int], structure: tuple[int, int], view: View
    ) -> Iterator[tuple[float, list[str]]]:
        """Weight and words of each way within a view: nothing, or one thing, wrong at first."""
        classes = {
            place: NO_CHARACTER if at == LOST else seen[at]
            for place, at in enumerate(view.places)
            if at != HIDDEN
        }
        k = {place: self._k[codes[place]][read] for place, read in classes.items()}
        intact = 1.0
        for value in k.values():
            intact *= value
        misread = {
            place: self._misread_words(place, codes[place], read)
            for place, read in classes.items()
            if read not in (codes[place], NO_CHARACTER)
        }

        def others(*places: int) -> list[str]:
            return [words for place, words in misread.items() if place not in places]

        yield intact, others()
        for place, read in classes.items():
            if read in (codes[place], NO_CHARACTER):
                continue
            event = self._event[codes[place]][read]
            turned = self._turned.get((codes[place], read), 0.0)
            rest = intact / k[place]
            there = CHARACTERS[codes[place]]
            shown = CHARACTERS[read]
            if turned > 0:
                yield rest * turned, [f"die {place + 1} upside down ({there})", *others(place)]
            wrong = f"wrong die at {place + 1} ({shown} for {there})"
            yield rest * (event - turned), [wrong, *others(place)]
        for place in inner_pairs(structure):
            if place not in classes or codes[place] == codes[place + 1]:
                continue
            crossed = (
                self._k[codes[place + 1]][classes[place]]
                * self._k[codes[place]][classes[place + 1]]
            )
            rest = intact / (k[place] * k[place + 1])
            swapped = f"dies {place + 1} and {place + 2} swapped"
            yield rest * crossed * self._swap, [swapped, *others(place, place + 1)]

    @staticmethod
    def _misread_words(place: int, true: int, read: int) -> str:
        there, shown = CHARACTERS[true], CHARACTERS[read]
        return f"{there} read as {shown} at {place + 1}: {mechanism(there, shown).words}"


def _view_words(view: View, structure: tuple[int, int]) -> list[str]:
    if HIDDEN in view.places:
        return ["row 1 not found" if view.places[0] == HIDDEN else "row 2 not found"]
    if LOST in view.places:
        lost = view.places.index(LOST)
        row = 2 if lost >= structure[0] else 1
        end = "first" if lost in (0, structure[0]) else "last"
        return [f"{end} character{f' of row {row}' if structure[1] else ''} lost"]
    if view.places != tuple(range(len(view.places))):
        return ["rows in the other order"]
    return []
