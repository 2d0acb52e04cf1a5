"""``models/ratios.json``: the fitted ratio model with the disputes behind it."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from legibility.errors import ModelError, OutputError
from legibility.evidence.ratio_model import (
    READERS,
    TOGETHER,
    Curves,
    Dispute,
    RatioModel,
    Validity,
)
from legibility.networks import MODELS

RATIOS_FILE: Final = MODELS / "ratios.json"
FORMAT: Final = 1
READ_WITH: Final = frozenset({"mark.json", "needles.npz", "reading.json"})
CARD: Final = "ratios.md"
"""The tables beside the model card."""
TIPPETT_AT: Final = (-2.0, -1.0, -0.301, 0.0, 0.301, 1.0, 2.0)
ENTROPY_AT: Final = (-2.0, -1.0, 0.0, 1.0, 2.0)
"""Choice: common logarithms at which the curves are written into the tables."""


def measured_models_sha256() -> str:
    """Digest of everything that reads a photo: networks, needle shapes, pool, "is it a mark"."""
    digest = hashlib.sha256()
    for path in sorted(MODELS.iterdir()):
        if path.suffix == ".onnx" or path.name in READ_WITH:
            digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def save_ratio_model(model: RatioModel, path: Path) -> None:
    """Write the model, and its tables as Markdown beside it, each all or nothing.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    values = {"format": FORMAT, **asdict(model)}
    _write(path, json.dumps(values, sort_keys=True, allow_nan=False) + "\n")
    _write(path.with_name(CARD), ratio_card(model))


def load_ratio_model(path: Path = RATIOS_FILE) -> tuple[RatioModel, str]:
    """The model and the digest of its file.

    Raises
    ------
    ModelError
        If the file is missing, is no JSON, or lacks a value. Nothing is replaced by a default: a
        ratio weighed with other numbers would claim a validity that nobody measured.
    """
    try:
        data = path.read_bytes()
        values = json.loads(data)
        if not isinstance(values, Mapping) or values.get("format") != FORMAT:
            raise ValueError(f"format is not {FORMAT}")
        return _model(values), hashlib.sha256(data).hexdigest()
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(
            f"{path}: cannot be read as a ratio model: {error}; install the package again, or "
            "measure anew with python -m legibility.evaluate.disputes"
        ) from error


def _model(values: Mapping[str, Any]) -> RatioModel:
    together = _numbers(values["together"], len(TOGETHER))
    return RatioModel(
        together=together,
        alone={reader: float(values["alone"][reader]) for reader in READERS},
        neither=_numbers(values["neither"], len(TOGETHER) + 1),
        repeat=float(values["repeat"]),
        cap=_pair(values["cap"]),
        cap_neither=_pair(values["cap_neither"]),
        validity=tuple(Validity(**row) for row in values["validity"]),
        curves=Curves(**{name: tuple(points) for name, points in values["curves"].items()}),
        fitted=tuple(map(_dispute, values["fitted"])),
        held_out=tuple(map(_dispute, values["held_out"])),
        origin=str(values["origin"]),
        models_sha256=str(values["models_sha256"]),
    )


def _dispute(row: Mapping[str, Any]) -> Dispute:
    scores = {str(reader): _numbers(row["scores"][reader], 4) for reader in row["scores"]}
    return Dispute(
        ear=int(row["ear"]),
        condition=str(row["condition"]),
        truth=str(row["truth"]),
        rival=str(row["rival"]),
        scores=scores,
        # Series made before this was kept counted every photo in full.
        said=_share(row.get("said", 1.0)),
    )


def _numbers(values: Any, count: int) -> tuple[float, ...]:
    found = tuple(float(value) for value in values)
    if len(found) != count:
        raise ValueError(f"{len(found)} numbers {found}; expected {count}")
    return found


def _share(value: Any) -> float:
    found = float(value)
    if not 0.0 <= found <= 1.0:
        raise ValueError(f"probability {found} is not between 0 and 1")
    return found


def _pair(values: Any) -> tuple[float, float]:
    low, high = _numbers(values, 2)
    if not low <= 0 <= high:
        raise ValueError(f"bounds {low} and {high} are not on both sides of 0")
    return low, high


def ratio_card(model: RatioModel) -> str:
    """Validity of the ratios as Markdown."""
    import math

    lines = [
        "# Likelihood ratios of disputed identities",
        "",
        f"Made by `python -m legibility.evaluate.disputes`: {model.origin}.",
        "",
        "Cllr is the cost of the ratios in bits: 0 is perfect, 1 is what saying nothing costs. "
        "Cllr-min is what remains after the best monotone recalibration. All figures but those "
        "before the cap are of ratios as reported, i.e. capped; the cap was measured on the same "
        "disputes, which flatters them a little. Cross-validated figures are of the first series.",
        "",
        "| disputes | n | nothing read | Cllr | Cllr-min | misleading | strongest misleading ratio "
        "| median ratio for the true claim |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in model.validity:
        lines.append(
            f"| {row.name} | {row.n} | {row.silent} | {row.cllr:.3f} | {row.cllr_min:.3f} | "
            f"{row.misleading} | {math.exp(row.worst):.3g} | {math.exp(row.median):.3g} |"
        )
    low, high = model.cap
    weights = ", ".join(
        f"{name} {weight:.3f}" for name, weight in zip(TOGETHER, model.together, strict=True)
    )
    lines += [
        "",
        f"Weights: {weights}; a second photo of an ear counts {model.repeat:.2f}.",
        "",
        f"Ratios of two claims are kept between 1 : {math.exp(-low):.3g} and "
        f"{math.exp(high):.3g} : 1, those of a claim against neither between "
        f"1 : {math.exp(-model.cap_neither[0]):.3g} and {math.exp(model.cap_neither[1]):.3g} : 1: "
        "the empirical bounds that these disputes support (Vergeer et al. 2016, "
        "doi:10.1016/j.scijus.2016.06.003); n disputes never support more than n + 1 to 1.",
        "",
        *_curve_tables(model.curves),
    ]
    return "\n".join(lines)


def _curve_tables(curves: Curves) -> list[str]:
    """Tippett plot and empirical cross-entropy at a few points, as Markdown."""
    lines = [
        "| ratio at least | share where the claim is true | share where it is false |",
        "|---|---|---|",
    ]
    for log10_ratio in TIPPETT_AT:
        at = bisect_left(curves.log10_ratio, log10_ratio)
        shares = (curves.same[at], curves.other[at]) if at < len(curves.same) else (0.0, 0.0)
        lines.append(f"| {10.0**log10_ratio:.3g} | {shares[0]:.3f} | {shares[1]:.3f} |")
    lines += [
        "",
        "| prior odds | bits missing with these ratios | recalibrated at best | without photos |",
        "|---|---|---|---|",
    ]
    for odds, *bits in zip(
        curves.log10_prior_odds,
        curves.entropy,
        curves.entropy_pav,
        curves.entropy_silent,
        strict=True,
    ):
        if odds in ENTROPY_AT:
            said = " | ".join(f"{value:.3f}" for value in bits)
            lines.append(f"| {10.0**odds:g} | {said} |")
    return [*lines, ""]


def _write(path: Path, text: str) -> None:
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
            os.chmod(name, 0o644)
            os.replace(name, path)
        except OSError:
            os.unlink(name)
            raise
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {error}") from error
