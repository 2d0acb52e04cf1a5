"""The parts of an evaluation by name."""

from __future__ import annotations

from collections.abc import Callable

from legibility.evaluate.report import Report


def measured(
    part: str | None,
    *,
    n: int,
    seed: int,
    jobs: int,
    alone: bool = False,
    progress: Callable[[int], object],
) -> Report:
    """Run one part: reading when it is None, else "ablations" or "speed".

    Parameters
    ----------
    n : int
        Photos; "speed" takes a few of its own.
    alone : bool, optional
        Reading without the general text recognition programs beside it.
    progress : callable
        Called with the number of photos done since the last call.
    """
    if part == "ablations":
        from legibility.evaluate.ablation import run_ablations

        return run_ablations(n=n, seed=seed, jobs=jobs, progress=progress)
    if part == "speed":
        return _speed(n, seed, progress)
    from legibility.evaluate.baselines import BASELINES
    from legibility.evaluate.run import run_evaluation

    others = () if alone else tuple(BASELINES)
    return run_evaluation(n=n, seed=seed, jobs=jobs, baselines=others, progress=progress)


def _speed(n: int, seed: int, progress: Callable[[int], object]) -> Report:
    from legibility.evaluate.ablation import Without
    from legibility.evaluate.run import facts
    from legibility.evaluate.speed import measure_speed
    from legibility.photo.capture import check_capture

    section = measure_speed(
        read=Without(second=False), check=lambda photo: check_capture(photo, mark=None), seed=seed
    )
    progress(n)
    return Report(n=n, seed=seed, sections=(section,), facts=facts())
