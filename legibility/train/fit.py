"""Fit what stands behind the networks: pool, calibration, "is there a mark", final probability.

Everything is fitted on photos of the shipped simulator with glyph sources that neither network was
trained on. ``python -m legibility.train.fit`` writes ``reading.json``, ``mark.json``,
``alike.json`` and ``calibration.json`` into ``legibility/models``.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, NO_CHARACTER, ROW_SEPARATOR, index_of
from legibility.containers import CellReading, Photo
from legibility.enhance.chain import enhance
from legibility.identify.calibration_file import save_final_calibration
from legibility.identify.calibration_fit import calibration_with_sets, calibration_words
from legibility.identify.marktext import best_character, best_hypothesis
from legibility.in_order import mapped, told
from legibility.marks.alignment import align
from legibility.networks import MODELS
from legibility.pipeline.cells import Readers, row_opinions
from legibility.pipeline.known_readings import (
    KnownReading,
    load_known_readings,
    save_known_readings,
)
from legibility.pipeline.reading import MARK_FILE, mark_features
from legibility.pipeline.seen_rows import SeenRow, strip_to_photo
from legibility.pipeline.sighting import sight_mark
from legibility.pipeline.simulated_herds import SIZES, records_of, simulated_readings
from legibility.read.alike import (
    ALIKE_FILE,
    fit_alike,
    likeness,
    place_pictures,
    save_alike_model,
)
from legibility.read.calibration import apply, fit_calibration
from legibility.read.fusion import FusionRecord, fit_fusion, fuse
from legibility.read.presence import PresenceModel, fit_presence, weigh_presence
from legibility.read.reading_model import (
    DEFAULT_PATH,
    ReadingModel,
    load_reading_model,
    save_reading_model,
)
from legibility.read.twins import fit_twins
from legibility.settings import Settings
from legibility.simulate import Rendering, render, sample_scene
from legibility.workers import ending

WEAR: Final = ("new", "new", "mild", "mild", "worn", "worn", "faint", "gone")
"""Choice: how often each wear is photographed; faint and lost marks teach when to refuse."""
NO_MARK_SHARE: Final = 0.12
"""Choice: share of photos of ears without a mark."""
HALF_RIGHT: Final = 0.5
"""Choice: a mark counts as found when this share of its characters lies in cells read right."""
NEAR: Final = 0.45
"""Choice: a cell belongs to the character whose centre is nearer than this many heights."""
DISPUTED: Final = 0.01
"""Choice: probability of being the same by the network from which two characters are compared."""
SECOND_SHARE: Final = 0.5
"""Choice: share of photos the slow second reader is asked about."""
NEARLY_READ: Final = 2
"""Choice: characters left out, put in or taken for others, up to which cells can be counted."""
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
        said = row_opinions(seen.strip, seen.view, readers=readers)
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
    # The final calibration rests on readings without the second reader, so it is shown and compared
    # and not pooled. Whether pooling it helps is open: on two small sets of the scenes of
    # legibility.evaluate it cost marks on one and gained one on the other.
    fusion = replace(fusion, with_second=fusion.without_second)
    logp, truth, condition = [], [], []
    for record in records[cut:]:
        for row, where in zip(record.rows, record.conditions, strict=True):
            if len(row.truth):
                logp.append(fuse(row.network_logp, row.needle_loglik, row.tesseract_logp, fusion))
                truth.append(row.truth)
                condition.append(where)
    scores, classes, states = (
        np.concatenate(logp),
        np.concatenate(truth),
        np.concatenate(condition),
    )
    calibration = fit_calibration(scores, classes, states)
    return ReadingModel(
        fusion=fusion,
        calibration=calibration,
        twins=fit_twins(apply(calibration, scores, states), classes),
        presence=PresenceModel(),
        fitted_on=said,
    )


def presence_model(readings: Sequence[KnownReading]) -> PresenceModel:
    """Fit presence on the rows of readings whose mark was found."""
    rows, truth = [], []
    for known in readings:
        if not known.usable:
            continue
        cells = [cell for row in known.reading.hypotheses[0].rows for cell in row]
        best = [int(cell.logp[:NO_CHARACTER].argmax()) for cell in cells]
        mark, said = known.mark.replace(ROW_SEPARATOR, ""), "".join(CHARACTERS[k] for k in best)
        pairs = [(a, b) for a, b in align(mark, said) if a is not None and b is not None]
        if sum(mark[a] == said[b] for a, b in pairs) < HALF_RIGHT * len(mark):
            continue
        holds = np.zeros(len(cells), dtype=np.bool_)
        holds[[b for _, b in pairs]] = True
        start = 0
        for row in known.reading.hypotheses[0].rows:
            rows.append(np.array([cell.logp for cell in row]))
            truth.append(holds[start : start + len(row)])
            start += len(row)
    return fit_presence(rows, truth)


def with_presence(known: KnownReading, model: PresenceModel) -> KnownReading:
    """The reading as it would be with presence weighed."""

    def weighed(row: tuple[CellReading, ...]) -> tuple[CellReading, ...]:
        logp = weigh_presence(model, np.array([cell.logp for cell in row]))
        return tuple(replace(cell, logp=line) for cell, line in zip(row, logp, strict=True))

    hypotheses = tuple(
        replace(h, rows=tuple(weighed(row) for row in h.rows)) for h in known.reading.hypotheses
    )
    return replace(known, reading=replace(known.reading, hypotheses=hypotheses))


def alike_pairs(index: int, *, seed: int) -> list[tuple[float, bool]]:
    """Likeness of each two characters of a simulated photo that could be taken for one another.

    True where they are the same.
    """
    rendering = simulated(index, seed=seed)
    enhanced = enhance(_photo(rendering))
    sighting = sight_mark(rendering.pixels, not_seen=enhanced.glare | enhanced.hair)
    pictures, truth, beliefs = [], [], []
    for seen in sighting.rows:
        pictures += place_pictures(seen.view.ink, [place.box for place in seen.view.places])
        truth += _truth_of(seen, rendering).tolist()
        beliefs += [np.exp(place.logp) for place in seen.view.places]
    alike = likeness(pictures)
    pairs = []
    for i in range(len(truth)):
        for j in range(i):
            if NO_CHARACTER in (truth[i], truth[j]):
                continue
            same = truth[i] == truth[j]
            if same or float(beliefs[i] @ beliefs[j]) > DISPUTED:
                pairs.append((float(alike[i, j]), same))
    return pairs


def fit_likeness(*, photos: int, seed: int, jobs: int, say: Callable[[str], None]) -> None:
    """Fit and write ``alike.json``."""
    found = [p for ps in _of_photos(partial(alike_pairs, seed=seed), photos, jobs, say) for p in ps]
    values = np.array([value for value, _ in found])
    same = np.array([same for _, same in found], dtype=np.bool_)
    say(
        f"{same.sum()} pairs of one character, median likeness {np.median(values[same]):.2f}; "
        f"{(~same).sum()} of two that look alike, {np.median(values[~same]):.2f}"
    )
    save_alike_model(fit_alike(values, same, origin=_said(photos, seed)), ALIKE_FILE)


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


def fit_readers(*, photos: int, seed: int, jobs: int, say: Callable[[str], None]) -> None:
    """Fit and write ``reading.json`` and ``mark.json``."""
    said = _said(photos, seed)
    records = list(_of_photos(partial(reading_record, seed=seed), photos, jobs, say))
    save_reading_model(fit_reading(records, said=said), MODELS / "reading.json")
    weights: dict[str, float | str] = {**fit_mark(records), "origin": said}
    MARK_FILE.write_text(json.dumps(weights, indent=1) + "\n", encoding="utf-8")


def fit_registry(
    *, photos: int, seed: int, jobs: int, say: Callable[[str], None], stored: Path | None = None
) -> None:
    """Fit and write presence (into ``reading.json``) and ``calibration.json``.

    Parameters
    ----------
    stored : Path, optional
        File of readings without presence: taken instead of reading photos when it exists, written
        when not.
    """
    model = replace(load_reading_model(), presence=PresenceModel())
    if stored is not None and stored.exists():
        readings, origin = load_known_readings(stored)
    else:
        save_reading_model(model, DEFAULT_PATH)
        origin = f"simulated photos, held-out glyph sources, seed {seed + 1}"
        readings = tuple(simulated_readings(photos, seed=seed + 1, jobs=jobs, say=say))
        if stored is not None:
            save_known_readings(readings, stored, origin=origin)
    missed, extra = cell_shares(readings)
    say(f"characters without a cell {missed:.4f}, cells too many {extra:.4f} a character")
    presence = presence_model(readings)
    say(f"presence: {presence}")
    save_reading_model(replace(model, presence=presence), DEFAULT_PATH)
    readings = tuple(with_presence(known, presence) for known in readings)
    records = records_of(readings, seed=seed + 1, jobs=jobs, say=say)
    fitted = calibration_with_sets(
        records,
        not_registered_prior=Settings().not_registered_prior,
        origin=f"{len(readings)} {origin}; herds of {min(SIZES)} to {max(SIZES)} animals",
    )
    save_final_calibration(fitted, MODELS / "calibration.json")
    say(calibration_words(fitted))


def cell_shares(readings: Sequence[KnownReading]) -> tuple[float, float]:
    """Share of characters without a cell, and cells too many a character: for ``Prices``.

    By the reading first shown, where it is within ``NEARLY_READ`` changes of the mark.
    """
    characters = missed = extra = 0
    for known in readings:
        best = best_hypothesis(known.reading) if known.usable else None
        if best is None:
            continue
        cells = [cell for row in best.rows for cell in row if not cell.is_empty]
        read = "".join(best_character(cell)[0] for cell in cells)
        mark = known.mark.replace(ROW_SEPARATOR, "")
        pairs = align(mark, read)
        wrong = sum(a is None or b is None or mark[a] != read[b] for a, b in pairs)
        if wrong <= NEARLY_READ:
            characters += len(mark)
            missed += sum(b is None for _, b in pairs)
            extra += sum(a is None for a, _ in pairs)
    return missed / max(1, characters), extra / max(1, characters)


def _said(photos: int, seed: int) -> str:
    return f"{photos} simulated photos, held-out glyph sources, seed {seed}"


_Result = TypeVar("_Result")


def _of_photos(
    work: Callable[[int], _Result], count: int, jobs: int, say: Callable[[str], None]
) -> Iterator[_Result]:
    return told(mapped(work, range(count), jobs=jobs, chunk=4), count, "photos", every=50, say=say)


@ending()
def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", choices=["readers", "likeness", "registry"])
    parser.add_argument(
        "--readings", type=Path, help="for registry: file of readings, read or else written"
    )
    given = parser.parse_args()

    def say(line: str) -> None:
        print(line, flush=True)

    if given.only in (None, "readers"):
        fit_readers(photos=given.photos, seed=given.seed, jobs=given.jobs, say=say)
    if given.only in (None, "likeness"):
        fit_likeness(photos=given.photos, seed=given.seed, jobs=given.jobs, say=say)
    if given.only in (None, "registry"):
        fit_registry(
            photos=given.photos,
            seed=given.seed,
            jobs=given.jobs,
            say=say,
            stored=given.readings,
        )


if __name__ == "__main__":
    main()
