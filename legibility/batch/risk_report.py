"""A registry's risk of confusion: every animal in columns, and the herd in figures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.batch.risk_listing import Listing
from legibility.identify.marktable import BASE
from legibility.identify.registry import Registry
from legibility.identify.spelling import TWINS
from legibility.misreadings import AnimalRisk, HerdRisk, RiskColumns, WatchedPair
from legibility.risk.blend import OwnCounts
from legibility.risk.classes import Classes
from legibility.risk.explain import phrase
from legibility.risk.kernel import Kernel, Matrix, beta_interval
from legibility.risk.misreading import Channel
from legibility.risk.risk import TOP, RegistryRisk

PAIRS_WATCHED: Final = 20
"""Choice: pairs to watch that the totals list; they fit a screen."""
LIMITS: Final = (0.01, 0.05, 0.2, 0.5)
"""Choice: risks above which animals are counted."""
STRINGS_NAMED: Final = 5
"""Choice: as many as fit a screen beside the rest."""
AT_A_TIME: Final = 3_000
"""Measured: animals listed at a time; more need memory, fewer time."""


@dataclass(frozen=True)
class RegistryReport:
    """Risk of a registry, animal by animal when asked."""

    registry: Registry
    classes: Classes
    grades: tuple[float, ...]
    """The conditions looked at."""
    levels: NDArray[np.int64]
    """(animals,) which of them."""
    channels: tuple[Channel, ...]
    arrays: RegistryRisk
    least: float
    condition: str
    kernel: Kernel
    matrices: tuple[Matrix, ...]
    own: OwnCounts | None = None

    def __len__(self) -> int:
        return len(self.registry)

    def columns(self, *, most: int = TOP) -> Iterator[RiskColumns]:
        """Every animal in the registry's order, some at a time.

        Parameters
        ----------
        most : int
            Rivals of each that are listed.
        """
        for animals in self.batches():
            yield self.listing.columns(animals, most=most)

    def batches(self) -> Iterator[NDArray[np.int64]]:
        """All animals in the registry's order, as many at a time as fit memory well."""
        for start in range(0, len(self), AT_A_TIME):
            yield np.arange(start, min(start + AT_A_TIME, len(self)))

    def worst(self, count: int) -> list[AnimalRisk]:
        """The animals with the highest risk, worst first."""
        return self.listing.records(np.argsort(-self.arrays.risk, kind="stable")[:count])

    def animal(self, index: int) -> AnimalRisk:
        """One animal with its rivals."""
        return self.listing.records(np.array([index]))[0]

    def commonest(self) -> tuple[float, Matrix, Matrix, Matrix]:
        """Grade that most animals are looked at in; the kernel there, with its 95 % interval."""
        level = int(np.bincount(self.levels).argmax())
        grade, matrix = self.grades[level], self.matrices[level]
        own = self.own
        sample = self.kernel.sample_at(grade) if own is None else own.effective_sample
        return grade, matrix, *beta_interval(matrix, sample[:, None])

    def totals(self, *, pairs: int = PAIRS_WATCHED) -> HerdRisk:
        """The herd in figures, with the pairs of animals to watch most."""
        arrays, animals = self.arrays, len(self)
        carriers = self.classes.marks.carriers
        return HerdRisk(
            animals=animals,
            marks=len(self.classes.marks),
            shared_marks=int(carriers[carriers > 1].sum()),
            pairs=arrays.found,
            least=self.least,
            mean_right=float(arrays.right.mean()),
            mean_risk=float(arrays.risk.mean()),
            mean_unregistered=float(arrays.unregistered.mean()),
            mean_unread=float(arrays.unread.mean()),
            above={f"{100 * limit:.0f} %": int((arrays.risk >= limit).sum()) for limit in LIMITS},
            condition=self.condition,
            kernel=self._kernel_words(),
            row_unread=self._row_unread(),
            pairs_to_watch=tuple(self._watched(pairs)),
            # Marks of the same characters are named together here, not in pairs.
            notices=(
                *self._second_marks(),
                *(one for one in self.registry.notices if not one.endswith(TWINS)),
                *self._same_characters(),
            ),
        )

    @cached_property
    def listing(self) -> Listing:
        """Lists any of the animals, also in another process."""
        return Listing(
            animal_ids=self.registry.columns["animal_id"],
            marks=written_marks(self.registry),
            classes=self.classes,
            grades=self.grades,
            levels=self.levels,
            channels=self.channels,
            arrays=self.arrays,
        )

    def _watched(self, count: int) -> Iterator[WatchedPair]:
        """Pairs of animals by how likely one is taken for the other, both ways together."""
        arrays, animals = self.arrays, len(self)
        if not len(arrays.probability):
            return
        # Among the 2 n likeliest single ways are n pairs; a pair as likely as those, both ways
        # together, has a way at least half as likely.
        nth = min(2 * count, len(arrays.probability))
        limit = np.partition(arrays.probability, -nth)[-nth] / 2
        likely = np.flatnonzero(arrays.probability >= limit)
        first_animal = np.full(len(arrays.start) - 1, -1, dtype=np.int64)
        first_animal[arrays.record_of[::-1]] = np.arange(animals)[::-1]
        owner = first_animal[np.searchsorted(arrays.start, likely, side="right") - 1]
        other = self.listing.rivals.first_of(arrays.read[likely])
        keys = np.unique(np.minimum(owner, other) * animals + np.maximum(owner, other))
        low, high = np.divmod(keys, animals)
        marks = self.classes.marks.of_given
        there, back = (
            arrays.of_pairs(arrays.record_of[one], self.classes.seen_from(marks[one], marks[other]))
            for one, other in ((low, high), (high, low))
        )
        for at in np.argsort(-(there + back), kind="stable")[:count]:
            a, b, one, two = int(low[at]), int(high[at]), float(there[at]), float(back[at])
            if two > one:
                a, b, one, two = b, a, two, one
            yield WatchedPair(
                self.registry.animal_id(a),
                self.registry.mark(a),
                self.registry.animal_id(b),
                self.registry.mark(b),
                one,
                two,
                "; ".join(phrase(int(number)) for number in self.listing.rivals.words(a, b)),
            )

    def _second_marks(self) -> Iterator[str]:
        """That these figures are of one mark an animal."""
        if (right := self.registry.right) is not None:
            yield (
                f"the marks in the right ears of {len(right.animals):,} animals that have another "
                "one in the left ear are not in these figures: a right ear may be taken for "
                "animals that are not named here"
            )

    def _same_characters(self) -> Iterator[str]:
        """Different marks with the same characters, and who carries them."""
        found = self.classes.same_strings()
        for marks in found[:STRINGS_NAMED]:
            first = [int(np.flatnonzero(self.classes.marks.of_given == m)[0]) for m in marks]
            named = [f"{self.registry.mark(a)} ({self.registry.animal_id(a)})" for a in first]
            yield f"cannot be told apart by characters alone: {', '.join(named)}"
        if len(found) > STRINGS_NAMED:
            yield f"{len(found) - STRINGS_NAMED:,} more marks have another one's characters"

    def _row_unread(self) -> float:
        share = [self.kernel.row_unread_at(grade) for grade in self.grades]
        return float(np.mean(np.array(share)[self.levels]))

    def _kernel_words(self) -> str:
        if self.own is None:
            return self.kernel.origin
        known = int((self.own.counts.sum(axis=1) > 0).sum())
        return (
            f"{self.kernel.origin}; with {self.own.readings} own readings of {known} characters, "
            f"which weigh {self.own.own_share:.0%} there; effective sample "
            f"{self.own.effective_sample.min():.0f} to {self.own.effective_sample.max():.0f} a "
            "character"
        )


def written_marks(registry: Registry) -> NDArray[np.bytes_]:
    """(animals,) marks of a registry as written."""
    table = registry.table
    rows = np.zeros((len(table.row_keys) + 1, 12), dtype=np.uint8)
    letters = np.frombuffer(b"\0" + CHARACTERS.encode(), dtype=np.uint8)
    rest, length = table.row_keys.copy(), table.characters.astype(np.int64)
    for back in range(1, rows.shape[1] + 1):
        has = np.flatnonzero(length >= back)
        rows[has, length[has] - back] = letters[(rest[has] % np.uint64(BASE)).astype(np.int64)]
        rest //= np.uint64(BASE)
    text = rows[:-1].view("S12").ravel()
    first = text[table.first_row]
    if not (table.second_row >= 0).any():
        return np.asarray(first, dtype=np.bytes_)
    second = rows.view("S12").ravel()[table.second_row]
    slash = np.where(table.second_row >= 0, b"/", b"").astype("S1")
    return np.asarray(np.char.add(np.char.add(first, slash), second), dtype=np.bytes_)
