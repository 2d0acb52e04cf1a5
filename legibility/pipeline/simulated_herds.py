"""Simulated photos read once, and what each says of simulated herds of many sizes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import ROW_SEPARATOR
from legibility.containers import Photo
from legibility.identify.animals import Registry, assemble
from legibility.identify.herd_scores import HerdScores, herd_scores
from legibility.identify.textcolumn import text_column
from legibility.in_order import mapped, told
from legibility.pipeline.known_readings import KnownReading
from legibility.pipeline.reading import read_without_second
from legibility.settings import Settings
from legibility.simulate import render, sample_scene
from legibility.simulate.herd_lists import herd_list
from legibility.simulate.registries import simulated_registry

SIZES: Final = (20, 100, 400, 2_000, 10_000, 100_000)
"""Sizes of the herds the final probability is calibrated on and measured in."""
WEAR: Final = ("new", "new", "mild", "mild", "worn", "worn", "faint")
"""Choice: how often each wear is photographed."""
AS_KEPT: Final = 0.5
"""Choice: share of registries that are lists as people keep them."""
NO_BREAKS: Final = 0.6
"""Choice: share of the others that write no row breaks."""
SPLIT: Final = "held_out"
"""Glyph sources that no network was trained on."""


def simulated_reading(index: int, *, seed: int) -> KnownReading:
    """Photo ``index`` of a seeded series, rendered and read, the second reader aside.

    Everything depends on the seed and the index alone.
    """
    rng = np.random.default_rng([seed, 81, index])
    wear = WEAR[int(rng.integers(len(WEAR)))]
    rendering = render(sample_scene(rng, wear=wear, split=SPLIT))
    reading = read_without_second(Photo(name="simulated", sha256="", pixels=rendering.pixels))
    return KnownReading(f"{seed}-{index}", rendering.truth.mark, wear, reading)


def herd_records(
    known: KnownReading, *, seed: int, sizes: Sequence[int] = SIZES, settings: Settings
) -> tuple[HerdScores, ...]:
    """What one photo says of a herd of each size that its animal may belong to.

    Marks too short for a large herd are left out of it. Nothing for a photo that identification
    refuses to use.
    """
    if not known.usable:
        return ()
    share = settings.not_registered_prior
    found = []
    for animals in sizes:
        number = int.from_bytes(f"{known.photo} {known.mark}".encode(), "big")
        rng = np.random.default_rng([seed, 82, animals, number])
        marks = _marks(rng, known.mark, animals)
        if marks is not None:
            own = np.flatnonzero(_characters(marks) == _characters(np.array([known.mark]))[0])
            record = herd_scores(
                known.reading,
                registry_of_marks(marks.astype(np.bytes_)),
                own=own.tolist(),
                settings=settings,
                photo=known.photo,
                condition=known.condition,
                weights=(1.0 - share, share),
            )
            found.append(record)
    return tuple(found)


def _marks(rng: np.random.Generator, mark: str, animals: int) -> NDArray[np.str_] | None:
    """A registry that holds a mark: half of them lists as people keep them, half with scattered
    numbers and near-twins, of which ``NO_BREAKS`` write no row breaks."""
    if rng.random() < AS_KEPT:
        dense = bool(rng.random() < 0.5)
        kept = herd_list(rng, mark, animals=animals, kind="registered", dense=dense)
        return None if kept is None else np.array(kept)
    herd = simulated_registry(rng, mark, animals=animals)
    if herd is None:
        return None
    marks = herd.marks.astype(np.str_)
    return _characters(marks) if rng.random() < NO_BREAKS else marks


def _characters(marks: NDArray[np.str_]) -> NDArray[np.str_]:
    """Marks without their row breaks."""
    return np.asarray(np.char.replace(marks, ROW_SEPARATOR, ""), dtype=np.str_)


def registry_of_marks(marks: np.ndarray) -> Registry:
    """Registry whose animals are numbered from 0."""
    return assemble(
        name="simulated",
        marks=marks,
        columns={"animal_id": text_column([str(index) for index in range(marks.size)])},
        birth_years=np.zeros(marks.size, dtype=np.int16),
        lines=np.zeros(marks.size, dtype=np.int32),
        notices=(),
        rules=None,
    )


def simulated_readings(
    photos: int, *, seed: int, jobs: int, say: Callable[[str], None]
) -> list[KnownReading]:
    """Read a seeded series of simulated photos."""
    work = partial(simulated_reading, seed=seed)
    read = mapped(work, range(photos), jobs=jobs, chunk=4)
    return list(told(read, photos, "photos read", every=50, say=say))


def records_of(
    readings: Sequence[KnownReading],
    *,
    seed: int,
    jobs: int,
    say: Callable[[str], None],
    sizes: Sequence[int] = SIZES,
    settings: Settings | None = None,
) -> list[HerdScores]:
    """Records of all readings in herds of all sizes, in the order of the readings."""
    work = partial(herd_records, seed=seed, sizes=tuple(sizes), settings=settings or Settings())
    parts = mapped(work, readings, jobs=jobs, chunk=4)
    shown = told(parts, len(readings), "photos scored in herds", every=50, say=say)
    return [record for part in shown for record in part]
