"""Many animals, several photos each: read by any number of processes, combined in order."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from legibility.batch.executors import open_workers
from legibility.batch.file_reader import FileReader
from legibility.batch.ordered import NOT_THE_PHOTO, failed_result, unexpected
from legibility.containers import SessionResult
from legibility.errors import LegibilityError
from legibility.identify.step_effects import StepModel

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
        for (name, shots), read in _in_order(
            sessions, reader, workers.executor, workers.look_ahead
        ):
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


def _in_order(
    sessions: Sequence[tuple[str, Sequence[Shot]]],
    reader: FileReader,
    executor: Executor,
    look_ahead: int,
) -> Iterator[tuple[tuple[str, Sequence[Shot]], list[ReadShot]]]:
    """Sessions with their readings; about ``look_ahead`` photos are under way at a time."""
    work = ShotReader(reader)
    waiting: deque[tuple[tuple[str, Sequence[Shot]], list[Future[ReadShot] | None]]] = deque()
    ahead = 0
    for session in sessions:
        waiting.append((session, [_submitted(executor, work, shot.path) for shot in session[1]]))
        ahead += len(session[1])
        while waiting and ahead > look_ahead:
            ahead -= len(waiting[0][0][1])
            yield _finished(*waiting.popleft())
    while waiting:
        yield _finished(*waiting.popleft())


def _submitted(executor: Executor, work: ShotReader, path: Path) -> Future[ReadShot] | None:
    try:
        return executor.submit(work, path)
    except BrokenExecutor:
        return None


def _finished(
    session: tuple[str, Sequence[Shot]], futures: Sequence[Future[ReadShot] | None]
) -> tuple[tuple[str, Sequence[Shot]], list[ReadShot]]:
    read = [_result(shot.path, future) for shot, future in zip(session[1], futures, strict=True)]
    return session, read


def _result(path: Path, future: Future[ReadShot] | None) -> ReadShot:
    from legibility.pipeline.session import NO_FINGERPRINT, ReadShot

    try:
        if future is not None:
            return future.result()
    except BrokenExecutor:
        pass
    reason = f"{path.name}: a program that read photos was killed, perhaps for want of memory"
    return ReadShot(failed_result(path, reason), NO_FINGERPRINT)
