"""The torch renderer and the shipped code compute the same where they must."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data
import torch

from legibility import networks
from legibility.simulate import ink
from legibility.train.appearance import stain
from legibility.train.atlas import splat
from legibility.train.networks import normalise


@pytest.mark.parametrize("softness", [0.3, 0.7, 1.1])
def test_splat_is_the_coverage_of_the_simulator(softness: float) -> None:
    rng = np.random.default_rng(4)
    needles = np.stack(
        [
            rng.uniform(-3, 93, 40),
            rng.uniform(-3, 43, 40),
            rng.uniform(0.8, 3.5, 40),
            rng.uniform(0.0, 0.98, 40),
        ],
        axis=1,
    )
    given = torch.from_numpy(needles.astype(np.float32))[None]
    drawn = splat(
        given[..., :2],
        given[..., 2],
        given[..., 3],
        size=(40, 90),
        softness=torch.full((1, 1), softness),
        reach=16,
    )
    expected = ink.coverage(needles, (40, 90), softness=softness)
    assert expected.max() > 0.8
    np.testing.assert_allclose(drawn[0, 0].numpy(), expected, atol=1e-3)


def test_stain_is_that_of_the_simulator() -> None:
    rng = np.random.default_rng(5)
    skin = rng.uniform(0.01, 1, (20, 30, 3)).astype(np.float32)
    cover = rng.uniform(0, 1, (20, 30)).astype(np.float32)
    absorbance = np.array([2.2, 0.9, 1.6], np.float32)
    seen = stain(
        torch.from_numpy(skin.transpose(2, 0, 1))[None],
        torch.from_numpy(cover)[None, None],
        torch.from_numpy(absorbance)[None],
    )
    expected = ink.stain(skin, cover, absorbance)
    np.testing.assert_allclose(seen[0].numpy().transpose(1, 2, 0), expected, rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize(("size", "sigma"), [((256, 352), 4.0), ((48, 384), 2.0)])
def test_networks_are_shown_what_they_were_taught(size: tuple[int, int], sigma: float) -> None:
    picture = cv2.resize(skimage.data.chelsea(), size[::-1], interpolation=cv2.INTER_AREA)
    taught = normalise(
        torch.from_numpy(picture.transpose(2, 0, 1).astype(np.float32) / 255)[None], sigma=sigma
    )
    shown = networks.normalise(picture, sigma_blocks=sigma)
    assert np.abs(shown).max() > 1
    np.testing.assert_allclose(shown, taught[0].numpy(), atol=2e-3)
