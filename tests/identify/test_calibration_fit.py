from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom
from sklearn.isotonic import IsotonicRegression
from sklearn.model_selection import GroupKFold

from legibility.alphabet import CHARACTERS, N_CLASSES, index_of
from legibility.containers import Animal
from legibility.identify.animals import registry_of
from legibility.identify.calibration import FinalCalibration, posterior
from legibility.identify.calibration_fit import (
    cross_fitted,
    fit_final_calibration,
    photo_folds,
    wanted_slopes,
)
from legibility.identify.calibration_flat import Flat
from legibility.identify.calibration_outcomes import Outcome, outcomes
from legibility.identify.herd_scores import HerdScores, herd_scores
from legibility.identify.unregistered import unregistered_log_likelihood, unregistered_marks
from legibility.marks.rules import Rules
from legibility.settings import Settings
from tests.identify.reading_builder import cell_of, reading
from tests.identify.synthetic_herds import records_of, scores_of, synthetic

PRIOR = 0.1
HONEST = FinalCalibration(exponent=1.0, floor=0.0)


def calibration_error(found: list[Outcome], bins: int = 10) -> float:
    """Guo et al. 2017, equation 3, with bins of equal numbers; each outcome by its weight."""
    said = np.array([outcome.first for outcome in found])
    right = np.array([outcome.right for outcome in found])
    weight = np.array([outcome.weight for outcome in found])
    parts = np.array_split(np.argsort(said), bins)
    gaps = [abs(float(weight[p] @ (said[p] - right[p]))) for p in parts]
    return sum(gaps) / float(weight.sum())


def test_over_confident_likelihoods_come_out_calibrated() -> None:
    rng = np.random.default_rng(11)
    fitted = fit_final_calibration(
        records_of(synthetic(1500, rng, boast=3.0, wrong=0.03)), not_registered_prior=PRIOR
    )
    # The truth of the simulation is 1/3 and 3 %.
    assert fitted.exponent == pytest.approx(1 / 3, abs=0.05)
    assert fitted.floor == pytest.approx(0.03, abs=0.02)
    assert fitted.photos_fitted == fitted.records_fitted == 1500

    fresh = records_of(synthetic(3000, rng, boast=3.0, wrong=0.03))
    raw = outcomes(fresh, HONEST, not_registered_prior=PRIOR)
    found = outcomes(fresh, fitted, not_registered_prior=PRIOR)
    assert calibration_error(raw) > 0.1
    assert calibration_error(found) < 0.03
    # By bins: the number right lies within 99.9 % binomial limits of what was said.
    said = np.array([outcome.first for outcome in found])
    right = np.array([outcome.right for outcome in found])
    for part in np.array_split(np.argsort(said), 8):
        low, high = binom.interval(0.999, part.size, said[part].mean())
        assert low <= right[part].sum() <= high
    # What monotone recalibration (scikit-learn's PAV) could still mend is little.
    best = IsotonicRegression(out_of_bounds="clip").fit(said, right).predict(said)
    assert np.mean((said - right) ** 2) - np.mean((best - right) ** 2) < 0.005


def test_shift_of_the_unregistered_is_found() -> None:
    rng = np.random.default_rng(2)
    shots = synthetic(1500, rng, boast=1.0, wrong=0.0)
    for shot in shots:
        shot.log_likelihood[-1] += 2.0
    fitted = fit_final_calibration(records_of(shots), not_registered_prior=PRIOR, slopes=())
    assert fitted.not_registered_shift == pytest.approx(-2.0, abs=0.4)
    assert fitted.exponent == pytest.approx(1.0, abs=0.12)


def test_slopes_are_taken_where_the_data_ask_for_them() -> None:
    rng = np.random.default_rng(5)
    plain = records_of(synthetic(200, rng, boast=1.0, wrong=0.02))
    plain += records_of(synthetic(200, rng, boast=1.0, wrong=0.02, animals=400), start=200)
    assert "exponent_size" not in wanted_slopes(plain, not_registered_prior=PRIOR)
    # Readings that are unsure boast four times as much.
    mixed = records_of(synthetic(200, rng, boast=1.0, wrong=0.02), certainty=1.0)
    mixed += records_of(synthetic(200, rng, boast=4.0, wrong=0.02), start=200, certainty=0.6)
    fitted = fit_final_calibration(mixed, not_registered_prior=PRIOR)
    # exp(-2 k) = 1 / 4 for two units of doubt: k = ln 4 / 2 = 0.69.
    assert fitted.exponent_doubt == pytest.approx(np.log(4) / 2, abs=0.25)
    # So do large registries: from 40 to 400 animals is one unit, slope -ln 3 = -1.10.
    large = plain[:200] + records_of(
        synthetic(200, rng, boast=3.0, wrong=0.02, animals=400), start=200
    )
    fitted = fit_final_calibration(large, not_registered_prior=PRIOR)
    assert fitted.exponent_size == pytest.approx(-np.log(3), abs=0.35)


def test_few_photos_cannot_show_a_small_risk() -> None:
    # Rule of succession; a hundred herds do not make one photo more.
    shot = synthetic(1, np.random.default_rng(1), boast=1.0, wrong=0.0, prior=0.0)[0]
    shot.log_likelihood[shot.truth] += 50.0
    records = [scores_of(shot, f"p{n % 10}") for n in range(1000)]
    fitted = fit_final_calibration(records, not_registered_prior=PRIOR)
    assert fitted.floor >= 1 / 12 - 1e-12
    assert fitted.not_registered_shift == 0.0
    assert (fitted.photos_fitted, fitted.records_fitted) == (10, 1000)
    with pytest.raises(ValueError, match="no records"):
        fit_final_calibration([], not_registered_prior=PRIOR)


def test_fit_takes_extremes() -> None:
    rng = np.random.default_rng(4)
    records = records_of(synthetic(60, rng, boast=1.0, wrong=0.0, animals=5))
    records += records_of(synthetic(60, rng, boast=1.0, wrong=0.0, animals=90), start=60)
    none = np.zeros(0)
    lost = HerdScores("x", "", -np.inf, none, none.astype(int), -np.inf, 0.0, 0.0)
    fitted = fit_final_calibration([*records, lost], not_registered_prior=PRIOR)
    values = [fitted.exponent, fitted.floor, fitted.not_registered_shift]
    assert np.isfinite(values).all()
    found = outcomes([lost], fitted, not_registered_prior=PRIOR)
    assert all(np.isfinite([o.truth, o.first, o.score]).all() for o in found)


def test_derivatives_are_those_of_finite_differences() -> None:
    rng = np.random.default_rng(6)
    records = records_of(synthetic(30, rng, boast=1.0, wrong=0.1), no_mark=float(np.log(0.1)))
    records = [replace(record, weights=(0.7, 0.3)) for record in records if record.weights[0]]
    flat = Flat.of(records, PRIOR)
    at = FinalCalibration(exponent=0.8, floor=0.05, not_registered_shift=0.3)
    _, slopes = flat.log_truth_and_slopes(at)
    for row, name in enumerate(("exponent", "floor", "not_registered_shift")):
        up, down = (replace(at, **{name: getattr(at, name) + step}) for step in (1e-6, -1e-6))
        numeric = (flat.log_truth(up) - flat.log_truth(down)) / 2e-6
        np.testing.assert_allclose(slopes[row], numeric, rtol=1e-5, atol=1e-6)


def test_folds_keep_photos_together() -> None:
    photos = [f"p{n % 17}" for n in range(100)]
    fold = photo_folds(photos)
    for number in range(5):
        inside = {p for p, f in zip(photos, fold, strict=True) if f == number}
        outside = {p for p, f in zip(photos, fold, strict=True) if f != number}
        assert not inside & outside
    # As many photos a fold as scikit-learn's GroupKFold gives them.
    folds = GroupKFold(5).split(photos, groups=photos)
    sizes = sorted(len({photos[i] for i in test}) for _, test in folds)
    assert (
        sorted(len({p for p, f in zip(photos, fold, strict=True) if f == k}) for k in range(5))
        == sizes
    )


def test_compact_records_say_what_whole_posteriors_say() -> None:
    rng = np.random.default_rng(9)
    calibration = FinalCalibration(exponent=0.7, floor=0.02, not_registered_shift=0.4)
    shots = synthetic(40, rng, boast=1.5, wrong=0.1, animals=3000)
    records = records_of(shots, no_mark=float(np.log(0.2)))
    assert max(record.others.size for record in records) < 400
    found = outcomes(records, calibration, not_registered_prior=PRIOR)
    logs = Flat.of(records, PRIOR).log_truth(calibration)
    for shot, outcome, log in zip(shots, found, logs, strict=True):
        p = posterior(
            shot.log_likelihood,
            not_registered_prior=PRIOR,
            calibration=calibration,
            logp_no_mark=float(np.log(0.2)),
        )
        assert outcome.truth == pytest.approx(p[shot.truth], rel=1e-3)
        assert outcome.first == pytest.approx(p.max(), rel=1e-3)
        assert outcome.right == (int(np.argmax(p)) == shot.truth)
        assert outcome.score == pytest.approx(p[p > p[shot.truth]].sum(), abs=0.01)
        assert np.exp(log) == pytest.approx(outcome.truth, rel=1e-9)


def test_leaving_the_animal_out_is_a_registry_without_it() -> None:
    shot = synthetic(1, np.random.default_rng(3), boast=1.0, wrong=0.0, prior=0.0)[0]
    record = replace(scores_of(shot, "p"), weights=(0.9, 0.1))
    registered, left_out = outcomes([record], HONEST, not_registered_prior=PRIOR)
    rest = np.delete(shot.log_likelihood, shot.truth)
    p = posterior(rest, not_registered_prior=PRIOR, calibration=HONEST)
    assert left_out.truth == pytest.approx(p[-1])
    assert (registered.registered, left_out.registered) == (True, False)


def menu_records(count: int, rng: np.random.Generator) -> list[HerdScores]:
    """Readings that are honest character by character, put to a registry as a menu.

    Whether a photo is good (characters right with 0.99) or poor (0.35) is not told: the reader
    states 0.67 for every character and is right in as many. Marks of four, 60 animals; strangers
    carry any mark of four, and are taken to.
    """
    found = []
    strangers = unregistered_marks(rules=Rules(shortest_row=4, longest_row=4, max_rows=1))
    for number in range(count):
        marks = {"".join(rng.choice(list(CHARACTERS), 4)) for _ in range(60)}
        herd = registry_of([Animal(f"n{i}", mark) for i, mark in enumerate(sorted(marks))])
        own = int(rng.integers(len(herd)))
        chance = 0.99 if rng.random() < 0.5 else 0.35
        cells = []
        for character in herd.mark(own):
            shown = index_of(character)
            if rng.random() > chance:
                shown = int(rng.choice([c for c in range(36) if c != shown]))
            p = np.full(N_CLASSES, 0.33 / 36)
            p[shown] = 0.67
            cells.append(cell_of(np.log(p)))
        photo = reading([cells], no_mark=1e-6)
        scores = herd_scores(photo, herd, own=[own], settings=Settings(), photo=f"p{number}")
        any_mark = unregistered_log_likelihood(photo, strangers)
        found.append(replace(scores, unregistered=any_mark, unregistered_left_out=any_mark))
    return found


def test_a_renormalised_menu_is_over_confident_and_its_calibration_is_not() -> None:
    # Rouder 2004, Psychol. Rev. 111:80-93: performance with a restricted menu is worse than
    # dropping the impossible answers and renormalising predicts.
    records = menu_records(400, np.random.default_rng(21))
    raw = outcomes(records, HONEST, not_registered_prior=PRIOR)

    def boast(found: list[Outcome]) -> tuple[float, float]:
        gap = np.zeros(len(records))
        for outcome in found:
            gap[int(outcome.photo[1:])] += outcome.weight * (outcome.first - outcome.right)
        # A photo counts once: standard error over photos.
        return float(gap.mean()), float(gap.std(ddof=1) / np.sqrt(gap.size))

    gap, error = boast(raw)
    assert gap > 4 * error
    fitted = cross_fitted(records, not_registered_prior=PRIOR)
    gap, error = boast(fitted)
    assert abs(gap) < 2 * error
    assert calibration_error(fitted) < calibration_error(raw)
