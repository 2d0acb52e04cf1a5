"""The shipped networks: outputs as in the reference runtime, and small enough to ship."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import cv2
import numpy as np
import onnxruntime
import pytest
import skimage.data

from legibility import networks
from legibility.errors import ModelError
from legibility.networks import LOG_OFFSET, MODELS, models_sha256, normalise, redness, run_network

OUTPUTS = {"spotter": ["spots"], "reader": ["columns", "ink"]}
LIMIT_MB = 12.0
"""Choice: what both networks may weigh in a wheel."""


@pytest.mark.parametrize(
    ("name", "shape"),
    [
        ("spotter", (1, 3, 32, 32)),
        ("spotter", (1, 3, 64, 160)),
        ("spotter", (1, 3, 192, 256)),
        ("spotter", (2, 3, 96, 64)),
        ("reader", (1, 3, 48, 384)),
        ("reader", (5, 3, 48, 384)),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_opencv_computes_what_onnxruntime_computes(
    name: str, shape: tuple[int, ...], seed: int
) -> None:
    inputs = np.random.default_rng(seed).normal(0, 1, shape).astype(np.float32)
    given = run_network(name, inputs, outputs=OUTPUTS[name])
    session = onnxruntime.InferenceSession(
        str(MODELS / f"{name}.onnx"), providers=["CPUExecutionProvider"]
    )
    for value, want in zip(given, session.run(OUTPUTS[name], {"pixels": inputs}), strict=True):
        np.testing.assert_allclose(value, want, atol=1e-4 * float(np.ptp(want)))


def test_both_networks_fit_a_wheel() -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as wheel:
        for name in OUTPUTS:
            wheel.write(MODELS / f"{name}.onnx", name)
    assert len(packed.getvalue()) / 1e6 <= LIMIT_MB


def test_a_missing_file_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(networks, "MODELS", tmp_path)
    with pytest.raises(ModelError, match=r"absent\.onnx: the absent network is missing"):
        run_network("absent", np.zeros((1, 3, 32, 32), np.float32), outputs=["spots"])


def test_a_damaged_file_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "damaged.onnx").write_bytes((MODELS / "reader.onnx").read_bytes()[:5000])
    monkeypatch.setattr(networks, "MODELS", tmp_path)
    with pytest.raises(ModelError, match=r"damaged\.onnx: OpenCV cannot load"):
        run_network("damaged", np.zeros((1, 3, 48, 384), np.float32), outputs=["columns"])


def test_the_digest_goes_with_the_files(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "a.onnx").write_bytes(b"one")
    (tmp_path / "notes.txt").write_bytes(b"not a model")
    monkeypatch.setattr(networks, "MODELS", tmp_path)
    models_sha256.cache_clear()
    try:
        first = models_sha256()
        models_sha256.cache_clear()
        assert models_sha256() == first
        (tmp_path / "a.onnx").write_bytes(b"two")
        models_sha256.cache_clear()
        assert models_sha256() != first
    finally:
        models_sha256.cache_clear()


def test_normalised_pictures_do_not_depend_on_the_light() -> None:
    picture = cv2.resize(skimage.data.chelsea(), (384, 256)).astype(np.float64)
    # A colour cast and an exposure are factors: they fall out of a log less its surroundings, up to
    # rounding and the offset that keeps black finite.
    bright = picture.clip(60, 255) * 0.98
    dim = bright * [0.9, 0.85, 0.8]
    first = normalise(bright.astype(np.uint8), sigma_blocks=4.0)
    second = normalise(dim.astype(np.uint8), sigma_blocks=4.0)
    assert np.corrcoef(first.ravel(), second.ravel())[0, 1] > 0.99
    assert first.shape == (3, 256, 384)
    assert first.dtype == np.float32


def test_an_even_picture_is_nothing() -> None:
    even = np.full((64, 64, 3), 130, np.uint8)
    np.testing.assert_allclose(normalise(even, sigma_blocks=2.0), 0, atol=1e-4)


def test_redness_is_the_opponent_of_red_and_the_rest() -> None:
    # Two colours of one luma (ITU-R BT.601), and a grey that is neither.
    brown, green, grey = (118, 78, 62), (58, 112, 52), (85, 85, 85)
    pixels = np.full((48, 96, 3), brown, np.uint8)
    pixels[:, 40:60] = green
    seen = redness(pixels)
    assert seen.shape == pixels.shape
    assert (seen[..., 0] == seen[..., 1]).all()
    skin, ink = float(seen[24, 10, 0]), float(seen[24, 50, 0])
    logs = np.log(np.array([brown, green]) / 255 + LOG_OFFSET)
    expected = logs[:, 0] - logs[:, 1:].mean(axis=1)
    assert np.log(ink / skin) == pytest.approx(2 * (expected[1] - expected[0]), abs=0.05)
    assert np.ptp(redness(np.full((48, 96, 3), grey, np.uint8))) == 0
