"""Steps of a reading built by hand, with a picture that shows dots on skin."""

from __future__ import annotations

import numpy as np

from legibility.containers import ColorImage, Enhanced, RowStrip, Spot, Steps


def example_pixels(height: int = 300, width: int = 420) -> ColorImage:
    """Pink skin with a few dark dots, uint8 RGB."""
    generator = np.random.default_rng(5)
    pixels = np.full((height, width, 3), (214, 160, 150), dtype=np.float64)
    pixels += generator.normal(0, 4, pixels.shape)
    rows, columns = np.indices((height, width))
    for x in range(60, 330, 18):
        y = 150 + 20 * np.sin(x / 20)
        pixels[(rows - y) ** 2 + (columns - x) ** 2 < 16] = (40, 70, 50)
    return np.clip(pixels, 0, 255).astype(np.uint8)


def example_steps() -> Steps:
    pixels = example_pixels()
    mask = np.zeros(pixels.shape[:2], dtype=np.bool_)
    mask[40:80, 100:200] = True
    enhanced = Enhanced(
        pixels, 1.0, pixels, np.zeros(pixels.shape[:2], dtype=np.float32), mask, mask
    )
    strip_mask = np.zeros((48, 384), dtype=np.bool_)
    strip_mask[:, 300:] = True
    strip = RowStrip(np.full((48, 384, 3), 180, dtype=np.uint8), strip_mask, np.eye(3), 3.0, ())
    return Steps(enhanced, (strip,) * 8, (Spot(100, 150, 40, 30, 0.0, 0.9),))
