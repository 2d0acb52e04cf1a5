"""Fit what stands behind the networks: pool, calibration, "is there a mark", final probability.

Everything is fitted on photos of the shipped simulator with glyph sources that neither network was
trained on. ``python -m legibility.train.fit`` writes ``reading.json``, ``mark.json`` and
``calibration.json`` into ``legibility/models``.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from typing import Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, NO_CHARACTER, index_of
from legibility.containers import Animal, Photo, Reading
from legibility.enhance.chain import enhance
from legibility.identify.calibration import (
    CalibrationRecord,
    FinalCalibration,
    fit_final_calibration,
    save_final_calibration,
)
from legibility.identify.candidates import calibration_record
from legibility.identify.conformal import conformal_scores
from legibility.identify.registry import Registry, registry_of
from legibility.networks import MODELS
from legibility.pipeline.cells import Readers, row_opinions
from legibility.pipeline.reading import MARK_FILE, mark_features, read_mark
from legibility.pipeline.sighting import SeenRow, sight_mark, strip_to_photo
from legibility.read.calibration import fit_calibration
from legibility.read.fusion import FusionRecord, fit_fusion, fuse
from legibility.read.reading_model import ReadingModel, save_reading_model
from legibility.settings import Settings
from legibility.simulate import Rendering, render, sample_scene

WEAR: Final = ("new", "new", "mild", "mild", "worn", "worn", "faint", "gone")
"""Choice: how often each wear is photographed; faint and lost marks teach when to refuse."""
NO_MARK_SHARE: Final = 0.12
"""Choice: share of photos of ears without a mark."""
HALF_RIGHT: Final = 0.5
"""Choice: a mark counts as found when this share of its characters lies in cells read right."""
NEAR: Final = 0.45
"""Choice: a cell belongs to the character whose centre is nearer than this many heights."""
SECOND_SHARE: Final = 0.5
"""Choice: share of photos the slow second reader is asked about."""
MARK_RIDGE: Final = 1e-2
"""Choice: pull of the regression's weights towards zero; keeps them finite."""


@dataclass(frozen=True, slots=True)
class PhotoRecord:
    """What fitting needs of one photo."""

    rows: tuple[FusionRecord, ...]
    conditions: tuple[NDArray[np.float64], ...]
    features: tuple[float, float, float] | None
    """Of the mark regression; None when no row was found."""
    mark_found: bool


def simulated(index: int, *, seed: int) -> Rendering:
    """Photo ``index`` of a seeded series with held-out glyph sources."""
    rng = np.random.default_rng([seed, index])
    if rng.random() < NO_MARK_SHARE:
        return render(sample_scene(rng, mark="", split="held_out"))
    wear = WEAR[int(rng.integers(len(WEAR)))]
    return render(sample_scene(rng, wear=wear, split="held_out"))


def _photo(rendering: Rendering) -> Photo:
    return Photo(name="simulated", sha256="", pixels=rendering.pixels)


def reading_record(index: int, *, seed: int) -> PhotoRecord:
    """Readers' opinions of one simulated photo beside the truth."""
    cv2.setNumThreads(1)
    rendering = simulated(index, seed=seed)
    enhanced = enhance(_photo(rendering))
    not_seen = enhanced.glare | enhanced.hair
    sighting = sight_mark(rendering.pixels, not_seen=not_seen)
    if not sighting.rows:
        return PhotoRecord((), (), None, False)
    second = np.random.default_rng([seed, index, 1]).random() < SECOND_SHARE
    readers = Readers(needles=True, second=second)
    records, conditions = [], []
    for seen in sighting.rows:
        said = row_opinions(seen.strip, seen.view, readers=readers, timeout_s=20.0)
        truth = _truth_of(seen, rendering)
        records.append(FusionRecord(said.network_logp, said.needle_loglik, said.second_logp, truth))
        conditions.append(said.condition)
    return PhotoRecord(
        rows=tuple(records),
        conditions=tuple(conditions),
        features=mark_features(sighting),
        mark_found=_half_right(records, rendering),
    )


def _truth_of(seen: SeenRow, rendering: Rendering) -> NDArray[np.int64]:
    """Class of each place of a row: the true character there, or "no character"."""
    scale = float(np.linalg.norm(seen.strip.to_photo[:2, 1]))
    centres = [
        (np.asarray(c.quad).mean(axis=0), c.character) for row in rendering.truth.rows for c in row
    ]
    classes = []
    for place in seen.view.places:
        x, y = strip_to_photo(seen.strip, place.box.x_center, place.box.y_center)
        reach = NEAR * place.box.height_px * scale
        gaps = [(math.hypot(m[0] - x, m[1] - y), character) for m, character in centres]
        gap, character = min(gaps, default=(math.inf, ""))
        classes.append(index_of(character) if gap < reach else NO_CHARACTER)
    return np.array(classes, dtype=np.int64)


def _half_right(records: Iterable[FusionRecord], rendering: Rendering) -> bool:
    total = sum(len(row) for row in rendering.truth.rows)
    right = 0
    for record in records:
        guess = record.network_logp[:, :NO_CHARACTER].argmax(axis=1)
        right += int((guess == record.truth).sum()) if len(record.truth) else 0
    return total > 0 and right >= HALF_RIGHT * total


def fit_reading(records: list[PhotoRecord], *, said: str) -> ReadingModel:
    """Pool on two thirds of the photos, calibration on the last third."""
    cut = len(records) * 2 // 3
    rows = [row for record in records[:cut] for row in record.rows if len(row.truth)]
    fusion = fit_fusion(rows)
    logp, truth, condition = [], [], []
    for record in records[cut:]:
        for row, where in zip(record.rows, record.conditions, strict=True):
            if len(row.truth):
                logp.append(fuse(row.network_logp, row.needle_loglik, row.tesseract_logp, fusion))
                truth.append(row.truth)
                condition.append(where)
    calibration = fit_calibration(
        np.concatenate(logp), np.concatenate(truth), np.concatenate(condition)
    )
    return ReadingModel(fusion=fusion, calibration=calibration, fitted_on=said)


def fit_mark(records: list[PhotoRecord]) -> dict[str, float]:
    """Weights of the regression "what was sighted is the mark"."""
    from scipy.optimize import minimize

    kept = [record for record in records if record.features is not None]
    features = np.array(
        [[1.0, math.log(f[0] + 0.1), f[1], f[2]] for r in kept if (f := r.features) is not None]
    )
    sign = np.where([record.mark_found for record in kept], 1.0, -1.0)

    def loss(weights: NDArray[np.float64]) -> float:
        margin = sign * (features @ weights)
        return float(np.logaddexp(0, -margin).mean() + MARK_RIDGE * (weights[1:] ** 2).sum() / 2)

    weights = minimize(loss, np.zeros(4), method="BFGS").x
    return dict(zip(("bias", "evidence", "certainty", "pose"), map(float, weights), strict=True))


def final_reading(index: int, *, seed: int) -> tuple[str, Reading]:
    """True mark (empty without one) and reading of one simulated photo, second reader aside."""
    cv2.setNumThreads(1)
    rendering = simulated(index, seed=seed)
    enhanced = enhance(_photo(rendering))
    reading, _, _ = read_mark(
        rendering.pixels,
        not_seen=enhanced.glare | enhanced.hair,
        readers=Readers(second=False),
        timeout_s=1.0,
    )
    return rendering.truth.mark, reading


def fit_final(readings: list[tuple[str, Reading]], *, seed: int, said: str) -> FinalCalibration:
    """Final calibration and conformal scores, with a herd of near-twins and strangers."""
    settings = Settings()
    rng = np.random.default_rng([seed, 99])
    marks = sorted({mark for mark, _ in readings if mark})
    twins = {_twin(mark, rng) for mark in marks}
    everyone = registry_of(
        [Animal(animal_id=f"A{i}", mark=m) for i, m in enumerate(sorted({*marks, *twins}))]
    )
    records: list[CalibrationRecord] = []
    for mark, reading in readings:
        if not mark or math.exp(min(0.0, reading.logp_no_mark)) >= HALF_RIGHT:
            continue
        stranger = rng.random() < settings.not_registered_prior
        registry = _without(everyone, mark) if stranger else everyone
        truth = None if stranger else next(a.animal_id for a in registry if a.mark == mark)
        records.append(calibration_record(reading, registry, truth=truth, settings=settings))
    half = len(records) // 2
    fitted = fit_final_calibration(
        records[:half], not_registered_prior=settings.not_registered_prior, origin=said
    )
    scores = conformal_scores(
        records[half:], calibration=fitted, not_registered_prior=settings.not_registered_prior
    )
    return replace(fitted, scores=scores)


def _without(registry: Registry, mark: str) -> Registry:
    return registry_of([animal for animal in registry if animal.mark != mark])


def _twin(mark: str, rng: np.random.Generator) -> str:
    places = [i for i, c in enumerate(mark) if c in CHARACTERS]
    place = int(rng.choice(places))
    return mark[:place] + CHARACTERS[int(rng.integers(len(CHARACTERS)))] + mark[place + 1 :]


def fit_readers(*, photos: int, seed: int, jobs: int, say: Callable[[str], None]) -> None:
    """Fit and write ``reading.json`` and ``mark.json``."""
    said = _said(photos, seed)
    records = list(_mapped(partial(reading_record, seed=seed), photos, jobs, say))
    save_reading_model(fit_reading(records, said=said), MODELS / "reading.json")
    weights: dict[str, float | str] = {**fit_mark(records), "origin": said}
    MARK_FILE.write_text(json.dumps(weights, indent=1) + "\n", encoding="utf-8")


def fit_registry(*, photos: int, seed: int, jobs: int, say: Callable[[str], None]) -> None:
    """Fit and write ``calibration.json``, with the readers as they are shipped by then."""
    readings = list(_mapped(partial(final_reading, seed=seed + 1), photos, jobs, say))
    fitted = fit_final(readings, seed=seed, said=_said(photos, seed + 1))
    save_final_calibration(fitted, MODELS / "calibration.json")


def _said(photos: int, seed: int) -> str:
    return f"{photos} simulated photos, held-out glyph sources, seed {seed}"


_Result = TypeVar("_Result")


def _mapped(
    work: Callable[[int], _Result], count: int, jobs: int, say: Callable[[str], None]
) -> Iterator[_Result]:
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for done, result in enumerate(pool.map(work, range(count), chunksize=4), start=1):
            if done % 50 == 0:
                say(f"{done} of {count} photos")
            yield result


def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", choices=["readers", "registry"])
    given = parser.parse_args()
    for stage in (fit_readers, fit_registry):
        if given.only in (None, stage.__name__.removeprefix("fit_")):
            stage(
                photos=given.photos,
                seed=given.seed,
                jobs=given.jobs,
                say=lambda line: print(line, flush=True),
            )


if __name__ == "__main__":
    main()
