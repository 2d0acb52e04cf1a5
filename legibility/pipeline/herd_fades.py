"""The two curves of loss of a herd, and as text for the file that is kept beside the record."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from legibility.herd.fade import ASSUMED_LOSS_A_YEAR, Basis, Fade, fit_fade
from legibility.herd.intervals import Spans
from legibility.herd.weibull import Weibull


def fit_fades(by_age: Spans, by_grade: Spans) -> tuple[Fade, Fade]:
    """Curve from the application by age, and from each sighting by the grade seen then."""
    ages = fit_fade(by_age)
    grades = fit_fade(by_grade, shape=1.0, assumed_loss_a_year=ASSUMED_LOSS_A_YEAR)
    return ages, replace(grades, unit="sightings")


def fades_text(fades: tuple[Fade, Fade]) -> str:
    """Both curves as JSON (with NaN, for this program only); bootstrap fits are left out."""
    return json.dumps(
        [asdict(replace(fade, samples=())) for fade in fades],
        default=lambda array: np.asarray(array).tolist(),
    )


def fades_from(text: str) -> tuple[Fade, Fade]:
    """The curves that :func:`fades_text` wrote.

    Raises
    ------
    ValueError, KeyError, TypeError
        If it is another text.
    """
    first, second = json.loads(text)
    return _fade(first), _fade(second)


def _fade(values: dict[str, Any]) -> Fade:
    curve = values["curve"]
    if curve is not None:
        effects = tuple(np.array(each, dtype=np.float64) for each in curve["effects"])
        curve = Weibull(**{**curve, "effects": effects, "spreads": tuple(curve["spreads"])})
    return Fade(
        **{
            **values,
            "basis": Basis(values["basis"]),
            "curve": curve,
            "names": tuple(values["names"]),
            "levels": tuple(tuple(each) for each in values["levels"]),
            "samples": (),
        }
    )
