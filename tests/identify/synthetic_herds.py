"""Photos whose honest log-likelihoods are known, made up for tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from legibility.identify.herd_scores import HerdScores, binned


@dataclass(frozen=True, slots=True)
class Shot:
    """Log-likelihoods of a herd and, last, "not registered"; and who it was."""

    log_likelihood: np.ndarray
    truth: int


def synthetic(
    count: int,
    rng: np.random.Generator,
    *,
    boast: float,
    wrong: float,
    animals: int = 40,
    prior: float = 0.1,
    least_signal: float = 1.0,
) -> list[Shot]:
    """Photos whose honest log-likelihoods are multiplied by ``boast``.

    The truth has a Gaussian score of mean ``m`` and unit variance, all others of mean 0, so the
    log-likelihood ratio is ``m score - m**2 / 2`` exactly. A share ``wrong`` says nothing of the
    truth.
    """
    shots = []
    for _ in range(count):
        unregistered = rng.random() < prior
        truth = animals if unregistered else int(rng.integers(animals))
        signal = rng.uniform(least_signal, 4.0)
        scores = rng.normal(size=animals + 1)
        shown = truth if rng.random() >= wrong else int(rng.integers(animals))
        scores[shown] += signal
        shots.append(Shot(boast * (signal * scores - signal**2 / 2), truth))
    return shots


def scores_of(shot: Shot, photo: str, *, certainty: float = 1.0, no_mark: float = -np.inf):
    """The record of a photo, counted only as it was."""
    registered = shot.truth < shot.log_likelihood.size - 1
    rest = shot.log_likelihood[:-1]
    rest = np.delete(rest, shot.truth) if registered else rest
    others, counts = binned(rest)
    return HerdScores(
        photo=photo,
        condition="",
        own=float(shot.log_likelihood[shot.truth]) if registered else -np.inf,
        others=others,
        counts=counts,
        unregistered=float(shot.log_likelihood[-1]),
        logp_no_mark=no_mark,
        certainty=certainty,
        weights=(1.0, 0.0) if registered else (0.0, 1.0),
    )


def records_of(shots: list[Shot], *, start: int = 0, **values: float) -> list[HerdScores]:
    """A photo each."""
    return [scores_of(shot, f"p{start + i}", **values) for i, shot in enumerate(shots)]
