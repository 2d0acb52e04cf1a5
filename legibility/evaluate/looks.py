"""Two photos of each of many ears, read: good marks under hair, dirt and water, readable and gone.

``python -m legibility.evaluate.looks --seed 2026 --out looks.jsonl`` makes and reads them
(about four seconds a photo) and goes on where the file ends. What refusals are worth is fitted to
such a file, and measured on another, see ``losses``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Final

import cv2
import numpy as np

from legibility.containers import ColorImage, PhotoResult
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.run import Herd, make_herd
from legibility.evaluate.scene import marked_ear, no_mark
from legibility.evaluate.textures import BACKGROUNDS, patch
from legibility.evaluate.truth import EvaluationPhoto
from legibility.settings import Settings

COVERED, READABLE, GONE = GROUPS = ("covered", "readable", "gone")
COVERINGS: Final = ("hair", "dirt", "wet")
VANISHED, TORN_OFF = "vanished", "torn off"
LOOKS: Final = 2
"""Contract: a mark is lost when two looks agree."""
TRIED: Final = 4
"""Choice: photos taken of an ear to have two that a person can read; else the ear is left out."""
WIDTH_PX: Final = 800
"""Choice: width of the photos, for speed."""
MARK_SHARE: Final = (0.25, 0.9)
"""Choice: length of the mark over the picture's width: near enough, as asked for."""
GOOD_FADING: Final = 1
"""Choice: a mark that faded no more than mildly is a good one."""
READABLE_FADING: Final = 2
"""Choice: what faded further is rarely readable for a person."""
GONE_FADING: Final = 4
"""Of ``evaluate.dots``: no ink is left that a person sees."""


@dataclass(frozen=True, slots=True)
class Look:
    """One photo of an ear, and what the reader made of it."""

    ear: str
    group: str
    """``covered``, ``readable`` or ``gone``."""
    kind: str
    """What covers it, how far it faded, or how it went."""
    number: int
    mark: str
    animal_id: str
    covered: float
    """Share of the needles under hair, dirt or glare."""
    readable: bool
    """A person could read it."""
    status: str
    decision: str
    text: str
    flags: int
    measures: dict[str, float]
    grade: float | None
    parameters: dict[str, float]
    first: str
    """Animal of the first candidate."""
    first_probability: float
    misread_risk: float
    good: bool
    """The capture check passed."""


def looks(group: str, index: int, *, seed: int, herd: Herd) -> list[Look]:
    """Two photos of one ear, read; none where it does not fit the group."""
    rng = np.random.default_rng((seed, index, 5))
    known = [i for i, name in enumerate(herd.animal_ids) if name is not None]
    place = known[int(rng.integers(len(known)))]
    found = list(islice(_photos(group, index, herd.marks[place], rng, seed=seed), LOOKS))
    if len(found) < LOOKS:
        return []
    return [
        _read(group, number, kind, place, photo, herd=herd)
        for number, (kind, photo) in enumerate(found)
    ]


def _photos(
    group: str, index: int, mark: str, rng: np.random.Generator, *, seed: int
) -> Iterator[tuple[str, EvaluationPhoto]]:
    """What is the matter with the ear, and a photo of it, one after the other."""
    base = SceneChoices(mark=mark, width_px=WIDTH_PX)
    for look in range(TRIED if group == READABLE else LOOKS):
        turn, share = float(rng.uniform(-180, 180)), float(rng.uniform(*MARK_SHARE))
        if group == GONE and index % 2:
            yield TORN_OFF, torn_ear(np.random.default_rng((seed, index, 8, look)))
            continue
        kind, choices = _choices(
            group, index, replace(base, look=look, rotation_deg=turn, mark_share=share)
        )
        photo = marked_ear(
            rng=np.random.default_rng((seed, index, 10 + GROUPS.index(group))),
            name=f"{group} {index}",
            choices=choices,
        )
        if group != READABLE:
            yield kind, photo
        elif photo.truth.person_readable:
            yield f"fading {photo.truth.fading}", photo


def _choices(group: str, index: int, choices: SceneChoices) -> tuple[str, SceneChoices]:
    if group == COVERED:
        kind = COVERINGS[index % len(COVERINGS)]
        level = (index // len(COVERINGS)) % (GOOD_FADING + 1)
        return kind, replace(choices, fading=level, covering=kind)
    if group == GONE:
        return VANISHED, replace(choices, fading=GONE_FADING, covering="none")
    return "", replace(choices, fading=index % (READABLE_FADING + 1))


def torn_ear(rng: np.random.Generator) -> EvaluationPhoto:
    """A clean ear without the part that held the mark: what is behind the ear shows there."""
    photo = no_mark(kind="blank ear", rng=rng, name="torn ear", covering="none")
    height, width = photo.pixels.shape[:2]
    name = str(rng.choice(BACKGROUNDS))
    behind = patch(name, width=width, height=height, zoom=float(rng.uniform(1, 3)), rng=rng)
    centre = np.array((width, height)) * rng.uniform(0.4, 0.6, 2)
    bearing = rng.uniform(0, 2 * np.pi)
    angles = bearing + np.linspace(-1.0, 1.0, 9) * rng.uniform(0.4, 0.9)
    outer = centre + np.stack((np.cos(angles), np.sin(angles)), axis=1) * 2 * max(width, height)
    ragged = [
        centre + (outer[0] - centre) * t + rng.normal(0, 0.01, 2) * width
        for t in np.linspace(0.02, 0.4, 12)
    ]
    other = [
        centre + (outer[-1] - centre) * t + rng.normal(0, 0.01, 2) * width
        for t in np.linspace(0.4, 0.02, 12)
    ]
    corners = np.array([*ragged, *outer, *other])
    hole = np.zeros((height, width), np.float32)
    cv2.fillPoly(hole, [np.round(corners).astype(np.int32)], 1.0)
    alpha = cv2.GaussianBlur(hole, (0, 0), 1.2)[..., None]
    mixed = photo.pixels * (1 - alpha) + behind * 255.0 * alpha
    pixels: ColorImage = np.clip(mixed + 0.5, 0, 255).astype(np.uint8)
    return replace(photo, pixels=pixels)


def _covered(photo: EvaluationPhoto) -> float:
    needles = [needle.covered for cell in photo.truth.characters for needle in cell.needles]
    return float(np.mean(needles)) if needles else 0.0


def _read(
    group: str, number: int, kind: str, place: int, photo: EvaluationPhoto, *, herd: Herd
) -> Look:
    from legibility.photo.flags import PREVENTS_READING
    from legibility.pipeline import read_photo

    settings = Settings(second_reader=False)
    result: PhotoResult = read_photo(photo.photo(), registry=herd.registry, settings=settings)
    found = result.identification
    first = found.candidates[0] if found.candidates else None
    return Look(
        ear=photo.name,
        group=group,
        kind=kind,
        number=number,
        mark=herd.marks[place],
        animal_id=herd.animal_ids[place] or "",
        covered=round(_covered(photo), 3),
        readable=photo.truth.person_readable,
        status=result.status.value,
        decision=found.decision.value,
        text=result.text,
        flags=int(result.flags),
        measures={name: round(float(value), 4) for name, value in result.measures.items()},
        grade=None if result.grade is None else result.grade.overall,
        parameters={} if result.grade is None else dict(result.grade.parameters),
        first=(first.animal_id or "") if first else "",
        first_probability=round(first.probability, 6) if first else 0.0,
        misread_risk=round(float(found.misread_risk), 6),
        good=not bool(result.flags & PREVENTS_READING),
    )


def load_looks(path: Path) -> list[Look]:
    """Looks from a file that this module wrote."""
    lines = path.read_text("utf-8").splitlines() if path.exists() else []
    return [Look(**json.loads(line)) for line in lines if line.strip()]


def main() -> None:
    """Make and read the photos of the groups in turn, so that a file cut short serves."""
    parser = argparse.ArgumentParser(prog="python -m legibility.evaluate.looks")
    parser.add_argument("--ears", type=int, default=150, help="ears under hair, dirt, water")
    parser.add_argument("--readable", type=int, default=150, help="ears that can be read")
    parser.add_argument("--gone", type=int, default=80, help="ears whose mark is gone")
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    herd = make_herd(seed=given.seed)
    progress = given.out.with_suffix(".done")
    done = json.loads(progress.read_text()) if progress.exists() else {}
    wanted = {COVERED: given.ears, READABLE: given.readable, GONE: given.gone}
    have = dict.fromkeys(wanted, 0)
    for look in load_looks(given.out):
        have[look.group] += look.number == 0
    while any(have[group] < wanted[group] for group in wanted):
        group = min(wanted, key=lambda name: have[name] / max(wanted[name], 1))
        index = done.get(group, 0)
        found = looks(group, index, seed=given.seed, herd=herd)
        with given.out.open("a", encoding="utf-8") as file:
            file.writelines(json.dumps(asdict(look)) + "\n" for look in found)
        have[group] += bool(found)
        done[group] = index + 1
        progress.write_text(json.dumps(done))
    print(f"{sum(have.values())} ears in {given.out}")


if __name__ == "__main__":
    main()
