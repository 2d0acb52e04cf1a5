"""A shortlist gives what the full pass over all animals gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS
from legibility.containers import Animal, Given, Identification, Known, Reading
from legibility.identify import rough as rough_module
from legibility.identify.calibration import FinalCalibration, SetScores
from legibility.identify.decision import identify
from legibility.identify.layouts import learned_layouts
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.registry import Registry, registry_of
from legibility.identify.rough import rough_likelihoods
from legibility.identify.shortlist import share_left_out, shortlist
from legibility.settings import Settings
from tests.identify.reading_builder import cell, random_cell, reading

SETTINGS = Settings()
SETS = (SetScores(0, tuple(np.linspace(0, 0.9, 60)), tuple(np.linspace(0, 0.9, 60))),)
CALIBRATIONS = (
    FinalCalibration(exponent=0.93, floor=0.02),
    FinalCalibration(
        exponent=0.93, floor=0.02, not_registered_shift=0.5, sets=SETS,
        scored_with=FinalCalibration(exponent=0.8, floor=0.03),
    ),
)  # fmt: skip


LONG = {"eight": (8,), "long and short": (2, 5, 7, 9, 12)}
"""Numbers of characters of random marks."""


def herd(kind: str, count: int = 1500) -> Registry:
    rng = np.random.default_rng(5)
    marks = []
    for n in range(count):
        figures = f"{rng.integers(10_000):04d}"
        letters = "".join(rng.choice(list("ABCDEF"), 2))
        if kind in LONG:
            places = LONG[kind][n % len(LONG[kind])]
            marks.append("".join(rng.choice(list(CHARACTERS), places)))
        elif kind == "two rows":
            marks.append(f"{letters}/{figures}")
        elif kind == "mixed lengths":
            marks.append((letters + figures)[: 3 + n % 4])
        else:
            marks.append(letters + figures)
    marks[-3:] = marks[:1] * 3  # Four animals with one mark.
    return registry_of([Animal(f"ID{n:04d}", mark) for n, mark in enumerate(marks)])


HERDS = {kind: herd(kind) for kind in ("one row", "mixed lengths", "two rows", *LONG)}
SEEN_SO = {(6, 2): 30.0, (6, 0): 5.0, (5, 2): 12.0, (3, 1): 10.0, (9, 4): 20.0}
HERDS["learned breaks"] = replace(
    HERDS["mixed lengths"], layouts=learned_layouts(SEEN_SO, basis="seen")
)
HERDS["long, learned breaks"] = replace(
    HERDS["long and short"], layouts=learned_layouts(SEEN_SO, basis="seen")
)


def photo(rng: np.random.Generator, registry: Registry) -> Reading:
    """Of a registered mark or a stranger's, with some places doubtful and two ways round."""
    mark = registry.mark(int(rng.integers(len(registry))))
    if rng.random() < 0.2:
        mark = "".join(rng.choice(list(CHARACTERS), 6))
    if "/" not in mark and rng.random() < 0.4:
        at = int(rng.integers(1, len(mark)))
        mark = f"{mark[:at]}/{mark[at:]}"
    ways = []
    for _ in range(rng.integers(1, 3)):
        rows = []
        for row in mark.split("/"):
            cells = [
                random_cell(rng) if rng.random() < 0.2 else cell({c: rng.uniform(0.3, 0.95)})
                for c in row
            ]
            rows.append(cells[: len(cells) - (rng.random() < 0.1)])
        ways.append([row for row in rows if row])
    return reading(*ways, no_mark=float(rng.uniform(0.001, 0.2)))


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch):
    """Says whether shortlists are made, and what the full pass gives."""

    def full(said: Reading, registry: Registry, calibration: FinalCalibration) -> Identification:
        with monkeypatch.context() as patch:
            patch.setattr(rough_module, "LEAST_ANIMALS", 10**9)
            return identify(said, registry, calibration=calibration)

    monkeypatch.setattr(rough_module, "LEAST_ANIMALS", 10)
    return full


@pytest.mark.parametrize("kind", HERDS)
@pytest.mark.parametrize("calibration", CALIBRATIONS)
def test_the_same_as_a_full_pass(kind: str, calibration: FinalCalibration, short) -> None:
    rng = np.random.default_rng(17)
    for _ in range(5 if "long" in kind or "learned" in kind else 20):
        said = photo(rng, HERDS[kind])
        got = identify(said, HERDS[kind], calibration=calibration)
        full = short(said, HERDS[kind], calibration)
        assert [c.animal_id for c in got.candidates] == [c.animal_id for c in full.candidates]
        for one, other in zip(got.candidates, full.candidates, strict=True):
            assert one.probability == pytest.approx(other.probability, abs=1e-6)
        assert got.candidate_set == full.candidate_set
        assert (got.decision, got.set_basis) == (full.decision, full.set_basis)


@pytest.mark.parametrize("kind", HERDS)
def test_rough_likelihoods_are_close_where_they_count(kind: str, short) -> None:
    rng = np.random.default_rng(3)
    table = HERDS[kind].table
    said = photo(rng, HERDS[kind])
    layouts = HERDS[kind].layouts
    share = share_left_out(0.5, len(table))
    rough = rough_likelihoods(said, table, settings=SETTINGS, share=share, layouts=layouts)
    exact = registry_log_likelihood(said, table, settings=SETTINGS, layouts=layouts)
    assert rough is not None
    near = exact > exact.max() - 20
    values = rough.values
    if rough.long_rows is not None:
        by_row = np.zeros(table.row_keys.size)
        by_row[: rough.short_rows] = values[: rough.short_rows]
        by_row[rough.long_rows] = values[rough.short_rows :]
        values = by_row[table.first_row]
    assert np.log(values[near]) + rough.log_scale == pytest.approx(exact[near], abs=1e-4)
    found = shortlist(rough, said, table, settings=SETTINGS, kept=50, layouts=layouts)
    assert found is not None
    assert found.log_likelihood == pytest.approx(exact[found.animals], abs=1e-9)
    assert exact.argmax() in found.animals
    rest = np.delete(exact, found.animals)
    for exponent in (0.5, 0.93, 1.4):
        by_hand = np.logaddexp.reduce(exponent * rest)
        assert found.log_sum(exponent) == pytest.approx(by_hand, abs=1e-3)


def test_many_animals_with_one_mark_need_a_full_pass(short) -> None:
    registry = registry_of([Animal(f"{n}", "AB12") for n in range(1500)])
    said = reading([[cell({c: 0.9}) for c in "AB12"]])
    rough = rough_likelihoods(said, registry.table, settings=SETTINGS, share=1e-7)
    assert rough is not None
    assert shortlist(rough, said, registry.table, settings=SETTINGS) is None
    got = identify(said, registry, calibration=CALIBRATIONS[0])
    assert got.decision == short(said, registry, CALIBRATIONS[0]).decision


def test_a_prior_is_weighed_over_all_animals(short) -> None:
    registry = HERDS["one row"]
    said = photo(np.random.default_rng(1), registry)
    given = Given(Known(present=("ID0001",)))
    got = identify(said, registry, calibration=CALIBRATIONS[0], given=given)
    assert len(got.prior) == 1
