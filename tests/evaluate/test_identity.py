from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

from legibility.evaluate.identity import (
    Case,
    ece_by_chance,
    evaluate_identity,
    identity_report,
    measure_cases,
    within_limits,
)
from legibility.evaluate.report import as_json, as_markdown
from legibility.identify.calibration import FinalCalibration, posterior
from legibility.identify.calibration_fit import calibration_with_sets
from legibility.identify.conformal import candidate_set
from legibility.intervals import rate
from legibility.pipeline.known_readings import KnownReading, save_known_readings
from legibility.settings import Settings
from tests.identify.reading_builder import cell, reading
from tests.identify.synthetic_herds import scores_of, synthetic


def test_cases_are_what_identification_says() -> None:
    # The same sets and first candidates as the whole posterior gives.
    rng = np.random.default_rng(4)
    shots = synthetic(150, rng, boast=2.0, wrong=0.05, animals=60, prior=0.0)
    records = [
        replace(scores_of(shot, f"p{i}"), weights=(0.9, 0.1)) for i, shot in enumerate(shots)
    ]
    fitted = calibration_with_sets(records, not_registered_prior=0.1, origin="made up")
    cases = measure_cases(records, fitted, seed=3, settings=Settings())
    assert 3 <= sum(not case.registered for case in cases) <= 30
    for shot, case in zip(shots, cases, strict=True):
        logs, truth = shot.log_likelihood, shot.truth
        if not case.registered:
            logs, truth = np.delete(logs, truth), logs.size - 2
        p, ranking = (
            posterior(logs, not_registered_prior=0.1, calibration=each, certainty=1.0)
            for each in (fitted, fitted.scored_with or fitted)
        )
        chosen = candidate_set(p, coverage=0.95, calibration=fitted, ranking=ranking)
        assert case.first == pytest.approx(p.max(), abs=1e-9)
        assert case.right == (int(np.argmax(p)) == truth)
        assert case.covered == (truth in chosen.members)
        assert abs(case.members - chosen.members.size) <= 1


def test_coverage_of_held_out_photos_is_within_limits() -> None:
    rng = np.random.default_rng(14)
    records = []
    for size in (30, 300):
        shots = synthetic(500, rng, boast=2.0, wrong=0.05, animals=size, prior=0.0)
        records += [
            replace(scores_of(shot, f"p{i}", certainty=0.9), weights=(0.9, 0.1))
            for i, shot in enumerate(shots)
        ]
    fit = [r for r in records if int(r.photo[1:]) < 250]
    fresh = [r for r in records if int(r.photo[1:]) >= 250]
    fitted = calibration_with_sets(fit, not_registered_prior=0.1, origin="made up")
    cases = measure_cases(fresh, fitted, seed=1, settings=Settings())
    report = identity_report(cases, photos=250, seed=1, calibration=fitted)
    rows = {row["cases"]: row for row in report.sections[0].rows}
    for size in ("30 animals", "300 animals"):
        assert rows[size]["within limits"] == "yes"
    assert float(rows["all"]["ece"]) < 2 * float(rows["all"]["ece by chance"])
    wrong = rows["all"]["of all, so stated and wrong"]
    assert wrong.value <= 0.005
    assert "Brier" in report.sections[2].note
    assert as_json(report)
    assert "| all " in as_markdown(report)


def test_calibration_error_by_chance() -> None:
    # One stated probability p, n photos, one bin each way: the error is |share - p|, whose mean is
    # sqrt(2 / pi) sqrt(p (1 - p) / n) by the normal approximation; in m bins of n / m the same.
    one = Case("", "", 20, True, 0.8, True, True, 1)
    cases = [replace(one, photo=f"p{i}") for i in range(1000)]
    expected = np.sqrt(2 / np.pi) * np.sqrt(0.16 / 100)
    assert ece_by_chance(cases, repeats=200) == pytest.approx(expected, rel=0.06)
    # The same photos in ten herds are not ten times as many photos.
    tenfold = [case for case in cases[:100] for _ in range(10)]
    assert ece_by_chance(tenfold, repeats=50) > 0.08


def test_limits_are_binomial() -> None:
    # One side of 2.5 %: the least count of 100 that is no rarer when 95 % are promised.
    least = int(binom.ppf(0.025, 100, 0.95))
    assert least == 90
    assert within_limits(rate(least, 100), photos=100)
    assert not within_limits(rate(least - 1, 100), photos=100)
    # Three herds of 100 photos are not 300 photos.
    assert within_limits(rate(3 * least, 300), photos=100)
    assert not within_limits(rate(3 * least, 300), photos=300)


def test_stored_readings_are_taken(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    known = []
    for index in range(30):
        mark = f"F{rng.integers(100, 1000)}"
        cells = [cell({c: float(rng.uniform(0.7, 0.99))}) for c in mark]
        known.append(KnownReading(f"7-{index}", mark, "worn", reading([cells])))
    path = tmp_path / "readings.npz"
    save_known_readings(known, path, origin="by hand")
    said: list[str] = []
    report = evaluate_identity(
        count=1,
        seed=7,
        jobs=1,
        calibration=FinalCalibration(),
        say=said.append,
        stored=path,
        sizes=(20, 100),
    )
    assert report.n == 30
    rows = {row["cases"]: row for row in report.sections[0].rows}
    assert rows["20 animals"]["covered"].total == 30
    assert said[-1].startswith("30 of 30 photos scored")
