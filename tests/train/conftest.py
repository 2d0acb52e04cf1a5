"""Needle layouts and layers small enough for tests on a processor.

torch is in the extra ``train`` only (its wheels weigh gigabytes), so these tests need it installed
by hand; DEVELOPERS.md, "Training tests", says how. Without it their files are not collected.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from legibility.train.atlas import Atlas
    from legibility.train.layouts import LayoutBank
    from legibility.train.placement import Sampler
    from legibility.train.sheets import Sheets

collect_ignore_glob = [] if find_spec("torch") else ["test_*.py"]


@pytest.fixture(scope="session", autouse=True)
def one_thread() -> Iterator[None]:
    """Small batches are faster on one thread, and give the same figures on every machine."""
    import torch

    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)


@pytest.fixture(scope="session")
def bank() -> LayoutBank:
    import torch

    from legibility.dies.strokes import load_sources
    from legibility.train.layouts import build_bank

    sources = load_sources(split="train")[:3]
    return build_bank(sources, variants=2, seed=5, device=torch.device("cpu"))


def small_atlas() -> Atlas:
    """As many layers of each kind as the renderer asks for, of plain noise."""
    import torch

    from legibility.train.atlas import LAYER_PX, Atlas

    generator = torch.Generator().manual_seed(3)
    textures = torch.randn(72, 1, LAYER_PX, LAYER_PX, generator=generator)
    thin = 0.1 * torch.rand(2, 1, LAYER_PX, LAYER_PX, generator=generator)
    none = torch.zeros(0, 3, LAYER_PX, LAYER_PX)
    return Atlas(textures=textures, strands=thin, veins=thin, pages=thin, photographs=none)


def small_sheets() -> Sheets:
    """A few layers of each kind of the second scene model."""
    import torch

    from legibility.train.atlas import LAYER_PX
    from legibility.train.sheets import Sheets

    generator = torch.Generator().manual_seed(4)
    side = (LAYER_PX, LAYER_PX)
    return Sheets(
        ground=torch.randn(42, 1, *side, generator=generator),
        vessels=torch.rand(2, 1, *side, generator=generator) ** 4,
        crust=torch.rand(2, 2, *side, generator=generator),
        coat=0.1 * torch.rand(2, 2, *side, generator=generator),
    )


@pytest.fixture(scope="session")
def atlas() -> Atlas:
    return small_atlas()


@pytest.fixture(scope="session")
def sheets() -> Sheets:
    return small_sheets()


@pytest.fixture
def sampler() -> Sampler:
    import torch

    from legibility.train.placement import Sampler

    return Sampler(torch.Generator().manual_seed(11), torch.device("cpu"))
