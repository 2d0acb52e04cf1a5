"""A few steps on the processor, from the first batch to the file."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import onnxruntime
import pytest
import torch

from legibility.dies.strokes import GlyphSource, load_sources
from legibility.errors import MissingExtraError, ModelError, PhotoError
from legibility.train import loop
from legibility.train.atlas import Atlas
from legibility.train.layouts import LayoutBank
from legibility.train.placement import Sampler
from legibility.train.run import train_network
from legibility.train.sheets import Sheets
from tests.train.conftest import small_atlas, small_sheets

SHAPE = {"spotter": (2, 3, 64, 96), "reader": (2, 3, 48, 384)}


@pytest.fixture
def small_world(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two glyph sources and plain noise for textures; all else as in a long run."""

    def sources(*, split: str) -> tuple[GlyphSource, ...]:
        return load_sources(split=split)[:2]

    def atlas(*_: object, **__: object) -> Atlas:
        return small_atlas()

    monkeypatch.setattr(loop, "load_sources", sources)

    def sheets(*_: object) -> Sheets:
        return small_sheets()

    monkeypatch.setattr(loop, "build_atlas", atlas)
    monkeypatch.setattr(loop, "build_sheets", sheets)


def trained(network: str, out: Path, **options: object) -> Path:
    return train_network(
        network,
        out=out,
        minutes=5,
        batch=8,
        max_steps=3,
        device="cpu",
        **options,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("name", ["spotter", "reader"])
@pytest.mark.usefixtures("small_world")
def test_a_short_run_gives_a_file_that_computes_what_torch_computes(
    name: str, tmp_path: Path
) -> None:
    written = trained(name, tmp_path)
    log = json.loads((tmp_path / f"{name}.json").read_text())
    assert log["log"][-1]["step"] == 3
    assert all(np.isfinite(value) for value in log["log"][-1].values())
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        f"{name}.json",
        f"{name}.onnx",
        f"{name}.pt",
    ]
    inputs = np.random.default_rng(6).normal(0, 1, SHAPE[name]).astype(np.float32)
    network = loop.build_network(name)
    weights = torch.load(tmp_path / f"{name}.pt", weights_only=True)
    network.load_state_dict(weights)
    network.eval()
    with torch.no_grad():
        said = network(torch.from_numpy(inputs))
    expected = [said] if name == "spotter" else list(said)
    session = onnxruntime.InferenceSession(str(written), providers=["CPUExecutionProvider"])
    reference = session.run(None, {"pixels": inputs})
    for value, want in zip(reference, expected, strict=True):
        # The file's weights are rounded to half precision (2**-11 relative each).
        np.testing.assert_allclose(value, want.numpy(), atol=2e-3 * float(want.abs().max()))
    shipped_runtime = cv2.dnn.readNetFromONNX(str(written))
    shipped_runtime.setInput(inputs)
    names = ["spots"] if name == "spotter" else ["columns", "ink"]
    for value, want in zip(shipped_runtime.forward(names), reference, strict=True):
        np.testing.assert_allclose(value, want, atol=1e-4 * float(np.abs(want).max()))


@pytest.mark.usefixtures("small_world")
def test_a_run_goes_on_from_weights_and_not_from_others(tmp_path: Path) -> None:
    first = tmp_path / "spotter.pt"
    torch.save(loop.build_network("spotter").state_dict(), first)
    with pytest.raises(ModelError, match=r"spotter\.pt: not the weights of a reader"):
        trained("reader", tmp_path / "out", resume=first)
    broken = tmp_path / "broken.pt"
    broken.write_bytes(b"not weights")
    with pytest.raises(ModelError, match=r"broken\.pt: not the weights"):
        trained("reader", tmp_path / "out", resume=broken)
    with pytest.raises(ModelError, match=r"none\.pt: not the weights"):
        trained("reader", tmp_path / "out", resume=tmp_path / "none.pt")
    with pytest.raises(PhotoError, match=r"none\.npz"):
        trained("reader", tmp_path / "out", photographs=tmp_path / "none.npz")
    assert not (tmp_path / "out").exists()


def test_an_unknown_network_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="expected one of spotter, reader"):
        trained("writer", tmp_path)


def test_without_torch_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(sys.modules, "torch", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'legibility\[train\]'"):
        trained("reader", tmp_path)


@pytest.mark.parametrize("name", ["spotter", "reader"])
def test_the_same_seed_renders_the_same_batch(
    name: str, bank: LayoutBank, atlas: Atlas, sheets: Sheets
) -> None:
    scenery = loop.Scenery(atlas, sheets)

    def once() -> torch.Tensor:
        sampler = Sampler(torch.Generator().manual_seed(8), torch.device("cpu"))
        return loop.render_batch(name, sampler, scenery, bank, 4).pixels

    first = once()
    assert torch.equal(first, once())
    assert first.min() >= 0
    assert first.max() <= 1
