"""Many animals, several photos each: read by any number of processes, combined in order."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from legibility.batch.executors import open_workers
from legibility.batch.file_reader import FileReader
from legibility.batch.ordered import NOT_THE_PHOTO, failed_result, photo_failed, unexpected
from legibility.containers import SessionResult
from legibility.errors import LegibilityError
from legibility.identify.step_effects import StepModel
from legibility.in_order import in_order

if TYPE_CHECKING:
    from legibility.pipeline.session import ReadShot, Shot


@dataclass(frozen=True, slots=True)
class ShotReader:
    """Reads one photo of a session in a worker; any fault of the photo becomes a result."""

    reader: FileReader

    def __call__(self, path: Path) -> ReadShot:
        """Read one photo."""
        from legibility.pipeline.session import NO_FINGERPRINT, ReadShot, read_shot

        registry, rules = self.reader.inputs()
        try:
            settings = self.reader.settings
            return read_shot(
                path,
                registry=registry,
                rules=rules,
                settings=settings,
                known=self.reader.given.known,
            )
        except NOT_THE_PHOTO:
            raise
        except LegibilityError as error:
            return ReadShot(failed_result(path, str(error)), NO_FINGERPRINT)
        except Exception as error:
            return ReadShot(failed_result(path, unexpected(path, error)), NO_FINGERPRINT)


def read_sessions(
    sessions: Sequence[tuple[str, Sequence[Shot]]],
    *,
    reader: FileReader,
    model: StepModel,
    jobs: int = 0,
    minutes: float = math.nan,
    one_for_sure: bool = False,
) -> Iterator[SessionResult]:
    """Results of sessions in their order.

    Parameters
    ----------
    sessions : sequence of (name, photos)
    reader : FileReader
    model : StepModel
    jobs : int
        Processes to use; 0 means one a core.
    minutes : float
        Minutes of handling so far in each session; NaN: by the settings.
    one_for_sure : bool
        A person looked again: the photos of each session are of one animal.
    """
    from legibility.pipeline.session import combine_session

    registry, rules = reader.inputs()
    photos = sum(len(shots) for _, shots in sessions)
    with open_workers(n_photos=photos, jobs=jobs) as workers:
        paths = (shot.path for _, shots in sessions for shot in shots)
        results = in_order(
            workers.executor,
            ShotReader(reader),
            paths,
            look_ahead=workers.look_ahead,
            reopen=workers.reopen,
            failed=_failed,
        )
        for name, shots in sessions:
            read = list(islice(results, len(shots)))
            yield combine_session(
                name,
                shots,
                read,
                registry=registry,
                rules=rules,
                settings=reader.settings,
                model=model,
                minutes=minutes,
                given=reader.given,
                one_for_sure=one_for_sure,
            )


def _failed(path: Path, error: Exception) -> ReadShot:
    """What stands for a photo whose reader ended, or was not to be reached."""
    from legibility.pipeline.session import NO_FINGERPRINT, ReadShot

    return ReadShot(photo_failed(path, error), NO_FINGERPRINT)
