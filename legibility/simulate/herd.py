"""An invented herd: dairy goats of the island of Brannoch Skerry, which does not exist."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from legibility.alphabet import ROW_SEPARATOR
from legibility.containers import Animal
from legibility.simulate.compose import render
from legibility.simulate.folder import make_folder, write_whole
from legibility.simulate.scene import SceneSpec, sample_dies, sample_scene
from legibility.simulate.truth import truth_to_json

TEST_CODE: Final = "999"
"""ISO 11784: the code of test transponders, carried by no animal."""
NEAR_TWINS: Final[dict[str, str]] = {
    "0": "8", "8": "3", "3": "8", "1": "7", "7": "1", "5": "6", "6": "8", "9": "8", "2": "7",
    "B": "D", "D": "B", "C": "G", "G": "C", "E": "F", "F": "E", "H": "N", "N": "M", "M": "N",
    "K": "X", "R": "K", "X": "K", "P": "F",
}  # fmt: skip
"""Letters, and digits, that look alike when a few needles are lost; common practice, no source."""
TWIN_SHARE: Final = 0.25
"""Choice: share of animals whose mark differs from another's in one such character."""
NOT_REGISTERED_SHARE: Final = 0.10
"""Choice: share of photos that show an animal outside the registry."""
HEADINGS: Final = (
    "Goat", "Tattoo left ear", "Tattoo right ear", "Born", "Sex", "Transponder", "Status",
)  # fmt: skip
"""Choice: the words of a keeper's list, not of this program."""
YEARS: Final = (2014, 2024)
"""Choice: first and last year of birth."""

_NAMES: Final = (
    "Amsel", "Bibbin", "Corrow", "Dulsi", "Eskel", "Fennag", "Gorsa", "Hebble", "Ilvie", "Jorrin",
    "Kessock", "Limpet", "Marram", "Nettel", "Orlay", "Pensel", "Quillo", "Rusk", "Sorrit",
    "Thrift", "Ulvy", "Vetch", "Whimble", "Yarley", "Zebbin",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class HerdFiles:
    """An invented herd on disk."""

    registry: Path
    photos: tuple[Path, ...]
    animal_ids: tuple[str | None, ...]
    """Who is in each photo; None when the animal is not registered."""
    truth: Path


def make_herd(rng: np.random.Generator, *, animals: int = 120) -> list[Animal]:
    """An invented herd with near-twins.

    Marks are a year letter and a number in one row (``F042``), or a line's letters over it
    (``BX/F042``). A quarter of the marks differ from another one in a single character that is
    easily confused.

    Parameters
    ----------
    animals : int
        40..400.

    Returns
    -------
    list of Animal
        With different marks and identities, in registry order.

    Raises
    ------
    ValueError
        If the number of animals is out of range.
    """
    if not 40 <= animals <= 400:
        raise ValueError(f"a herd of {animals} animals was asked for; expected 40 to 400")
    lines = [""] * 3 + ["BX", "RK", "D8"]
    marks: list[str] = []
    years: list[int] = []
    taken = set()
    while len(marks) < animals:
        if marks and rng.random() < TWIN_SHARE:
            model = int(rng.integers(len(marks)))
            mark, year = _twin(rng, marks[model]), years[model]
        else:
            year = int(rng.integers(YEARS[0], YEARS[1] + 1))
            prefix = str(rng.choice(lines))
            mark = f"{_year_letter(year)}{int(rng.integers(1, 1000)):03d}"
            mark = prefix + ROW_SEPARATOR + mark if prefix else mark
        if mark in taken:
            continue
        taken.add(mark)
        marks.append(mark)
        years.append(year)
    return [
        Animal(
            animal_id=f"{_NAMES[index % len(_NAMES)]} {index + 1:03d}",
            mark=mark,
            ear="left" if rng.random() < 0.8 else "right",
            birth_year=year,
            sex="female" if rng.random() < 0.9 else "male",
            chip=_chip(rng) if rng.random() < 0.3 else "",
            status=str(rng.choice(["present", "sold", "dead"], p=[0.86, 0.08, 0.06])),
            line=index + 2,
        )
        for index, (mark, year) in enumerate(zip(marks, years, strict=True))
    ]


def _year_letter(year: int) -> str:
    return "ABCDEFGHJKLMNP"[year - YEARS[0]]


def _twin(rng: np.random.Generator, mark: str) -> str:
    places = [index for index, character in enumerate(mark) if character in NEAR_TWINS]
    if not places:
        return mark
    place = int(rng.choice(places))
    return mark[:place] + NEAR_TWINS[mark[place]] + mark[place + 1 :]


def _chip(rng: np.random.Generator) -> str:
    """Fifteen digits of the test range; the national part stays below 2**38 (ISO 11784)."""
    return TEST_CODE + f"{int(rng.integers(0, 2**38)):012d}"


def write_registry(path: Path, animals: Sequence[Animal]) -> None:
    """The herd as ``registry.csv``, as its keeper would write it: a column for each ear, and no
    word of where a mark's rows break."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(HEADINGS)
    for animal in animals:
        right = animal.mark if animal.ear in ("right", "both") else animal.right_mark
        writer.writerow(
            [
                animal.animal_id,
                "" if animal.ear == "right" else animal.mark.replace(ROW_SEPARATOR, ""),
                right.replace(ROW_SEPARATOR, ""),
                animal.birth_year,
                animal.sex,
                animal.chip,
                animal.status,
            ]
        )
    write_whole(path, buffer.getvalue().encode())


def herd_scene(
    rng: np.random.Generator, mark: str, *, source: str, age_years: float, width_px: int | None
) -> SceneSpec:
    """A photo on a handling day: the older the animal, the more worn its mark (choice)."""
    limits = ((2.0, "new"), (5.0, "mild"), (9.0, "worn"))
    spread = age_years + float(rng.normal(0.0, 1.5))
    level = next((name for limit, name in limits if spread < limit), "faint")
    return sample_scene(
        rng,
        mark=mark,
        source=source,
        rule="ends",
        wear=level,
        ink="green",
        skin=str(rng.choice(["pink", "grey", "mottled"], p=[0.65, 0.2, 0.15])),
        hair=float(rng.beta(1.0, 4.0)),
        clean=bool(rng.random() < 0.7),
        mark_share=float(rng.uniform(0.3, 0.75)),
        width_px=width_px,
    )


def write_herd(
    folder: Path,
    *,
    seed: int,
    animals: int = 120,
    photos: int = 40,
    width_px: int | None = None,
) -> HerdFiles:
    """An invented herd on disk: ``registry.csv``, ``photos/`` and ``truth.json``.

    Parameters
    ----------
    folder : Path
        Made when it does not exist; files of the same names are replaced.
    seed : int
        The same seed gives the same files.
    animals, photos : int
        A tenth of the photos, at least one of five or more, show animals not in the registry.
    width_px : int, optional
        Width of the photos; about 800 to 1400 when not given.

    Raises
    ------
    ValueError
        If the number of animals is out of range.
    OutputError
        If the folder cannot be written.
    """
    rng = np.random.default_rng([seed, 1])
    herd = make_herd(rng, animals=animals)
    source = sample_dies(rng, split="train").source
    make_folder(folder / "photos")
    registry = folder / "registry.csv"
    write_registry(registry, herd)
    paths: list[Path] = []
    who: list[str | None] = []
    truths = []
    for index, animal in enumerate(_photographed(rng, herd, photos)):
        registered = animal in herd
        scene = herd_scene(
            np.random.default_rng([seed, 2, index]),
            animal.mark,
            source=source,
            age_years=YEARS[1] + 1 - animal.birth_year,
            width_px=width_px,
        )
        rendering = render(scene)
        path = folder / "photos" / f"goat-{index + 1:04d}.jpg"
        write_whole(path, rendering.jpeg)
        paths.append(path)
        who.append(animal.animal_id if registered else None)
        truths.append(
            {
                "photo": f"photos/{path.name}",
                "animal_id": who[-1],
                **json.loads(truth_to_json(rendering.truth)),
            }
        )
    truth = folder / "truth.json"
    content = {"seed": seed, "invented": True, "photos": truths}
    write_whole(truth, json.dumps(content, ensure_ascii=False).encode())
    return HerdFiles(registry, tuple(paths), tuple(who), truth)


def _photographed(rng: np.random.Generator, herd: list[Animal], photos: int) -> list[Animal]:
    """Animals in the order they came through the chute; some are not of this herd."""
    strangers = max(round(NOT_REGISTERED_SHARE * photos), 1) if photos >= 5 else 0
    marks = {animal.mark for animal in herd}
    present = [animal for animal in herd if animal.status == "present"]
    order = [present[int(index) % len(present)] for index in rng.permutation(photos - strangers)]
    if photos - strangers <= len(present):
        chosen = rng.choice(len(present), size=photos - strangers, replace=False)
        order = [present[int(index)] for index in chosen]
    outside = make_herd(np.random.default_rng(rng.integers(2**31)), animals=max(40, strangers * 2))
    others = [animal for animal in outside if animal.mark not in marks][:strangers]
    mixed = order + others
    return [mixed[int(index)] for index in rng.permutation(len(mixed))]
