"""What was seen of a visit, as the pieces that :mod:`legibility.identify.one_animal` weighs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import EyeReading, Reading, Witness
from legibility.identify.animals import Registry
from legibility.identify.by_eye import ratios_by_eye
from legibility.identify.calibration import FinalCalibration, numbers
from legibility.identify.certainty import reading_certainty
from legibility.identify.ears import EarRatios, MarkLikelihoods, ear_ratios, mark_likelihoods
from legibility.identify.one_animal import Piece
from legibility.probability import LOG_FLOOR
from legibility.settings import Settings

AS_NAMED: Final = FinalCalibration(exponent=1.0, floor=0.0)
"""A reading says what its reader's reliability makes of it; that it is mistaken is a hypothesis."""
NEVER_SURE: Final = 1e-12
"""Choice: the least probability that a photo went wrong, or did not; keeps logarithms finite."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One piece of evidence of a visit."""

    kind: str
    """"photo", or the kind of a witness."""
    name: str
    piece: Piece
    photo: int = -1
    """Index of the photo, or of the one that a reading is of."""
    number: int = 0
    """Of the photo, as people count them."""
    text: str = ""
    """As read."""
    animals: tuple[str, ...] = ()
    what: str = ""
    """Both of the witness."""
    stated: NDArray[np.float64] | None = None
    """(n + 1,) of a photo: its calibrated evidence, for the probability that is shown."""
    was_read: bool = True
    """False: so many animals fit the photo alone that it has not been read."""


def eye_witness(said: EyeReading) -> Witness:
    """A reading by eye of no certain photo."""
    name = "the reading by eye" + (f" ({said.reader})" if said.reader else "")
    return Witness("reading", name, said)


@dataclass(frozen=True, slots=True)
class Weigher:
    """Makes pieces of what was seen."""

    registry: Registry
    prior: NDArray[np.float64]
    """(n + 1,) log-probabilities of the animals beforehand."""
    settings: Settings
    calibration: FinalCalibration

    def photo(
        self,
        index: int,
        reading: Reading,
        likelihoods: MarkLikelihoods,
        *,
        ear: str,
        text: str,
        number: int,
        was_read: bool,
        stated: NDArray[np.float64],
    ) -> Seen:
        """A photo. Where it went wrong it shows what no animal carries, not any registered mark."""
        ratios = self._ratios(reading, likelihoods, ear)
        wrong = float(
            numbers(self.calibration, len(self.registry), reading_certainty(reading)).floor
        )
        wrong += (1.0 - wrong) * float(np.exp(min(0.0, reading.logp_no_mark)))
        wrong = min(max(wrong, NEVER_SURE), 1.0 - NEVER_SURE)

        def with_fault(values: NDArray[np.float64]) -> NDArray[np.float64]:
            fault = np.log(wrong) + values[-1]
            return np.asarray(np.logaddexp(np.log1p(-wrong) + values, fault))

        straight = with_fault(ratios.straight)
        swapped = straight if ratios.swapped is ratios.straight else with_fault(ratios.swapped)
        return Seen(
            "photo",
            f"photo {number}",
            Piece(straight, swapped),
            index,
            number,
            text,
            stated=stated,
            was_read=was_read,
        )

    def witness(self, witness: Witness, *, ear: str) -> Seen | None:
        """A witness; None where it says nothing of any registered animal.

        Parameters
        ----------
        ear : str
            That a person read; an earlier photo has its own.
        """
        if witness.kind == "reading":
            piece = self._reading(witness, ear)
        elif witness.kind == "transponder":
            piece = self._transponder(witness)
        else:
            piece = self._earlier(witness)
        if piece is None:
            return None
        text = witness.text if witness.reading is None else witness.reading.text
        return Seen(
            witness.kind,
            witness.name,
            piece,
            witness.photo,
            text=text,
            animals=witness.animals,
            what=witness.what or text,
        )

    def _reading(self, witness: Witness, ear: str) -> Piece | None:
        if witness.reading is None:
            return None
        ratios = ratios_by_eye(
            witness.reading,
            self.registry,
            ear=ear,
            prior=self.prior,
            settings=self.settings,
            calibration=AS_NAMED,
            cautious=False,
        )
        if ratios is None:
            return None
        return Piece(ratios.straight, ratios.swapped, self.settings.p_reading_mistaken)

    def _transponder(self, witness: Witness) -> Piece | None:
        whose = self._whose(witness)
        if not whose:
            return None
        values = np.full(self.prior.size, LOG_FLOOR)
        mass = float(np.exp(self.prior[whose]).sum())
        values[whose] = -np.log(max(mass, 1e-300))
        return Piece(values, values, self.settings.p_transponder_mistaken)

    def _earlier(self, witness: Witness) -> Piece | None:
        whose, seen = self._whose(witness), witness.seen
        if not whose or seen is None or not seen.hypotheses:
            return None
        likelihoods = mark_likelihoods(seen, self.registry, settings=self.settings)
        ratios = self._ratios(seen, likelihoods, witness.ear)
        # An earlier photo of an animal tells whether the record of that animal is right, and
        # nothing of any other one; that it is right makes nobody more probable.
        values = np.zeros(self.prior.size)
        values[whose] = np.minimum(0.0, np.logaddexp(ratios.straight, ratios.swapped)[whose])
        return Piece(values, values, self.settings.p_record_wrong)

    def _whose(self, witness: Witness) -> list[int]:
        return [k for k in map(self.registry.index_of, witness.animals) if k >= 0]

    def _ratios(self, reading: Reading, likelihoods: MarkLikelihoods, ear: str) -> EarRatios:
        return ear_ratios(
            likelihoods,
            reading,
            self.registry,
            ear=ear,
            prior=self.prior,
            settings=self.settings,
            calibration=self.calibration,
            cautious=False,
        )
