from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

from legibility.errors import ModelError
from legibility.identify.calibration import (
    CalibrationRecord,
    FinalCalibration,
    fit_final_calibration,
    load_final_calibration,
    posterior,
    save_final_calibration,
)

PRIOR = 0.1
HONEST = FinalCalibration(exponent=1.0, floor=0.0)


def synthetic(
    count: int, rng: np.random.Generator, *, boast: float, wrong: float, animals: int = 40
) -> list[CalibrationRecord]:
    """Photos whose honest log-likelihoods are known, then multiplied by ``boast``.

    The truth has a Gaussian score of mean ``m`` and unit variance, all others of mean 0, so the
    log-likelihood ratio is ``m score - m**2 / 2`` exactly. A share ``wrong`` says nothing of the
    truth.
    """
    records = []
    for _ in range(count):
        unregistered = rng.random() < PRIOR
        truth = animals if unregistered else int(rng.integers(animals))
        signal = rng.uniform(1.0, 4.0)
        scores = rng.normal(size=animals + 1)
        shown = truth if rng.random() >= wrong else int(rng.integers(animals))
        scores[shown] += signal
        records.append(CalibrationRecord(boast * (signal * scores - signal**2 / 2), truth))
    return records


def first_candidates(
    records: list[CalibrationRecord], calibration: FinalCalibration
) -> tuple[np.ndarray, np.ndarray]:
    said, right = [], []
    for record in records:
        p = posterior(record.log_likelihood, not_registered_prior=PRIOR, calibration=calibration)
        said.append(p.max())
        right.append(int(np.argmax(p)) == record.truth)
    return np.array(said), np.array(right)


def expected_calibration_error(said: np.ndarray, right: np.ndarray, bins: int = 10) -> float:
    """Guo et al. 2017, equation 3, with bins of equal numbers."""
    order = np.argsort(said)
    parts = np.array_split(order, bins)
    return float(sum(p.size * abs(said[p].mean() - right[p].mean()) for p in parts) / said.size)


def test_over_confident_likelihoods_come_out_calibrated() -> None:
    rng = np.random.default_rng(11)
    fitted = fit_final_calibration(
        synthetic(1500, rng, boast=3.0, wrong=0.03), not_registered_prior=PRIOR
    )
    # The truth of the simulation is 1/3 and 3 %.
    assert fitted.exponent == pytest.approx(1 / 3, abs=0.05)
    assert fitted.floor == pytest.approx(0.03, abs=0.02)
    assert fitted.photos_fitted == 1500

    fresh = synthetic(3000, rng, boast=3.0, wrong=0.03)
    raw_said, raw_right = first_candidates(fresh, HONEST)
    said, right = first_candidates(fresh, fitted)
    assert expected_calibration_error(raw_said, raw_right) > 0.1
    assert expected_calibration_error(said, right) < 0.03
    # By bins: the number right lies within 99.9 % binomial limits of what was said.
    for part in np.array_split(np.argsort(said), 8):
        low, high = binom.interval(0.999, part.size, said[part].mean())
        assert low <= right[part].sum() <= high


def test_shift_of_the_unregistered_is_found() -> None:
    rng = np.random.default_rng(2)
    records = [
        replace(r, log_likelihood=r.log_likelihood + np.eye(41)[40] * 2.0)
        for r in synthetic(1500, rng, boast=1.0, wrong=0.0)
    ]
    fitted = fit_final_calibration(records, not_registered_prior=PRIOR)
    assert fitted.not_registered_shift == pytest.approx(-2.0, abs=0.4)
    assert fitted.exponent == pytest.approx(1.0, abs=0.12)


def test_few_photos_cannot_show_a_small_risk() -> None:
    # Rule of succession: after n successes in n trials the next fails with 1 / (n + 2).
    records = [CalibrationRecord(np.array([50.0, 0.0, 0.0]), 0)] * 10
    fitted = fit_final_calibration(records, not_registered_prior=PRIOR)
    assert fitted.floor >= 1 / 12 - 1e-12
    assert fitted.not_registered_shift == 0.0
    with pytest.raises(ValueError, match="no records"):
        fit_final_calibration([], not_registered_prior=PRIOR)


def test_fit_takes_records_of_different_length_and_no_mark() -> None:
    rng = np.random.default_rng(4)
    records = synthetic(60, rng, boast=1.0, wrong=0.0, animals=5)
    records += synthetic(60, rng, boast=1.0, wrong=0.0, animals=90)
    records.append(CalibrationRecord(np.array([-np.inf, -np.inf]), 0, 0.0))
    fitted = fit_final_calibration(records, not_registered_prior=PRIOR)
    assert np.isfinite([fitted.exponent, fitted.floor, fitted.not_registered_shift]).all()


def test_posterior_by_hand() -> None:
    # Two animals, likelihood ratio 3 : 1, not registered 1; prior .45 .45 .10.
    logs = np.log([3.0, 1.0, 1.0])
    p = posterior(logs, not_registered_prior=PRIOR, calibration=HONEST)
    np.testing.assert_allclose(p, np.array([1.35, 0.45, 0.10]) / 1.9)
    floor = FinalCalibration(exponent=1.0, floor=0.2)
    q = posterior(logs, not_registered_prior=PRIOR, calibration=floor)
    np.testing.assert_allclose(q, 0.8 * p + 0.2 * np.array([0.45, 0.45, 0.10]))
    half = posterior(
        logs, not_registered_prior=PRIOR, calibration=HONEST, logp_no_mark=float(np.log(0.5))
    )
    # The registry explains the reading 1.9 times better than "not registered" does, so the even
    # odds of "no mark" become 1 : 1.9.
    chance = 1 / 2.9
    np.testing.assert_allclose(half, (1 - chance) * p + chance * np.array([0.45, 0.45, 0.10]))


@pytest.mark.parametrize("values", [[-np.inf] * 3, [0.0, -1e9, -np.inf], [1e9, 1e9, 0.0]])
def test_posterior_stays_finite(values: list[float]) -> None:
    p = posterior(np.array(values), not_registered_prior=PRIOR, calibration=FinalCalibration())
    assert np.isfinite(p).all()
    assert p.sum() == pytest.approx(1.0)


def test_file_round_trip_and_defaults(tmp_path: Path) -> None:
    path = tmp_path / "calibration.json"
    made = FinalCalibration(0.5, 0.01, -0.3, 200, (0.0, 0.125, 0.5), "rendered photos")
    save_final_calibration(made, path)
    assert load_final_calibration(path) == made
    assert [p.name for p in tmp_path.iterdir()] == ["calibration.json"]
    path.write_text("{}")
    assert load_final_calibration(path) == FinalCalibration()
    assert load_final_calibration().exponent > 0


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"exponent": 0}, "exponent is 0"),
        ({"floor": 1.0}, "floor is 1.0"),
        ({"exponent": "1"}, "exponent is '1'"),
        ({"exponent": True}, "exponent is True"),
        ({"scores": [2.0]}, "outside 0..1"),
        ({"colour": 1}, "colour is 1"),
        ([1], "found list"),
    ],
)
def test_bad_files(tmp_path: Path, values: object, words: str) -> None:
    path = tmp_path / "calibration.json"
    path.write_text(json.dumps(values))
    with pytest.raises(ModelError, match=r"calibration\.json") as caught:
        load_final_calibration(path)
    assert words in str(caught.value)
    with pytest.raises(ModelError, match="cannot be read"):
        load_final_calibration(tmp_path / "none.json")
