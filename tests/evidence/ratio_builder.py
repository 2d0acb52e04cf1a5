"""A small ratio model and photo scores for tests."""

from __future__ import annotations

import numpy as np

from legibility.evidence.ratio import PhotoScores
from legibility.evidence.ratio_model import Dispute, RatioModel, ratio_model


def dispute(ear: int, pooled: float, needles: float, *, condition: str = "mild") -> Dispute:
    """A dispute in which the true claim leads by so much."""
    return Dispute(
        ear=ear,
        condition=condition,
        truth="AB1",
        rival="AB7",
        scores={
            "pooled": (pooled, 0.0, -8.0, -4.0),
            "network": (pooled, 0.0, -8.0, -4.0),
            "needles": (needles, 0.0, -6.0, -3.0),
        },
    )


def small_model(seed: int = 1, *, count: int = 40) -> RatioModel:
    """Fitted on made-up disputes: the readers lead by 4 +- 3."""
    rng = np.random.default_rng(seed)
    series = [
        [
            dispute(
                i // 2,
                float(rng.normal(4.0, 3.0)),
                float(rng.normal(2.0, 3.0)),
                condition="mild" if i % 2 else "faint",
            )
            for i in range(count)
        ]
        for _ in range(2)
    ]
    return ratio_model(series[0], series[1], origin="made up", models_sha256="00")


def photo_scores(name: str, pooled: float, needles: float) -> PhotoScores:
    """A photo in which the first claim leads by so much."""
    scores = {
        "pooled": (pooled, 0.0, -5.0),
        "network": (pooled, 0.0, -5.0),
        "needles": (needles, 0.0, -4.0),
    }
    return PhotoScores(name, "ab" * 32, scores, scores)
