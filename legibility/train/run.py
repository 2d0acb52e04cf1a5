"""One run of training from the first batch to the ONNX file: what ``legibility train`` calls."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

from legibility.errors import MissingExtraError, ModelError, PhotoError

NETWORKS: Final = ("spotter", "reader")
"""Networks that can be trained."""
BATCH: Final = {"spotter": 160, "reader": 512}
"""Choice: pictures rendered at a time; fills a card of 80 GB by less than half."""
RATE_START: Final = 1.5e-3
RATE_END: Final = 2e-5
"""Choice: first and last step width of AdamW; it falls along a half cosine."""


def train_network(
    network: str,
    *,
    out: Path,
    minutes: float,
    batch: int | None = None,
    seed: int = 1,
    rate_start: float = RATE_START,
    rate_end: float = RATE_END,
    max_steps: int = 10**9,
    resume: Path | None = None,
    photographs: Path | None = None,
    device: str = "",
    say: Callable[[str], None] = lambda line: None,
) -> Path:
    """Train a network on rendered ears and write it into a folder.

    Parameters
    ----------
    network : one of ``NETWORKS``
    out : folder for ``<network>.pt`` (weights), ``<network>.json`` (log), ``<network>.onnx``
    minutes : how long to train, export aside
    batch : pictures rendered at a time; ``BATCH`` by default
    rate_start, rate_end : step width, falling along a half cosine
    max_steps : end earlier after so many steps
    resume : weights (``.pt``) of an earlier run to go on from
    photographs : ``.npz`` of ``train.backgrounds.collect``; plain skins without it
    device : ``cuda`` or ``cpu``; what there is by default
    say : takes a line of figures now and then

    Returns
    -------
    Path of the ONNX file.

    Raises
    ------
    MissingExtraError
        If torch or onnx is not installed.
    ModelError
        If the weights to go on from cannot be read or are of another network.
    PhotoError
        If the file of background pictures cannot be read.
    """
    if network not in NETWORKS:
        raise ValueError(f"network is {network!r}; expected one of {', '.join(NETWORKS)}")
    try:
        import onnx  # noqa: F401
        import torch
    except ModuleNotFoundError as error:
        raise MissingExtraError(
            f"training needs {error.name}, which is not installed; "
            "install it with: pip install 'legibility[train]'"
        ) from error
    from legibility.train.export import export
    from legibility.train.loop import Plan, read_photographs, train

    used = torch.device(device or ("cuda" if torch.cuda.is_available() else "cpu"))
    if resume is not None:
        _check_weights(network, resume)
    try:
        read_photographs(photographs, torch.device("cpu"))
    except (OSError, ValueError, KeyError, zipfile.BadZipFile) as error:
        raise PhotoError(
            f"{photographs}: {error}; expected the pictures of legibility.train.backgrounds"
        ) from error
    plan = Plan(
        network=network,
        minutes=minutes,
        batch=batch or BATCH[network],
        seed=seed,
        rate_start=rate_start,
        rate_end=rate_end,
        max_steps=max_steps,
    )
    if used.type == "cuda":
        torch.backends.cudnn.benchmark = True
        torch.backends.cuda.matmul.allow_tf32 = True
    train(plan, out=out, resume=resume, photographs=photographs, device=used, say=say)
    target = out / f"{network}.onnx"
    export(network, out / f"{network}.pt", target)
    return target


def _check_weights(network: str, resume: Path) -> None:
    import pickle

    import torch

    from legibility.train.loop import build_network

    try:
        weights = torch.load(resume, map_location="cpu", weights_only=True)
        build_network(network).load_state_dict(weights)
    except (OSError, RuntimeError, AttributeError, TypeError, pickle.UnpicklingError) as error:
        said = str(error).splitlines()[0]
        raise ModelError(
            f"{resume}: not the weights of a {network} ({said}); "
            f"expected the {network}.pt of an earlier run"
        ) from error
