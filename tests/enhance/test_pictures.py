import numpy as np

from legibility.containers import Enhanced
from legibility.enhance.pictures import GLARE_COLOR, HAIR_COLOR, hatched, step_pictures


def example():
    pixels = np.full((80, 100, 3), 150, np.uint8)
    glare, hair = np.zeros((2, 80, 100), np.bool_)
    glare[10:40, 10:40] = True
    hair[50:70, 50:90] = True
    ink = np.zeros((80, 100), np.float32)
    ink[45, 5] = 1.0
    return Enhanced(pixels, 1.0, pixels + np.uint8(20), ink, glare, hair)


def test_the_pictures_and_their_order():
    enhanced = example()
    pictures = step_pictures(enhanced)
    assert list(pictures) == ["photo", "even_light", "glare", "hair", "not_seen", "ink"]
    assert np.array_equal(pictures["photo"], enhanced.pixels)
    assert tuple(pictures["ink"][45, 5]) == (0, 0, 0)
    assert tuple(pictures["ink"][0, 0]) == (255, 255, 255)
    assert (enhanced.pixels == 150).all()


def test_masks_are_told_apart_without_colour():
    # A hatching that rises to the right is the mirror image of one that falls.
    enhanced = example()
    mask = np.zeros((81, 81), np.bool_)
    mask[20:61, 20:61] = True
    plain = np.full((81, 81, 3), 150, np.uint8)
    rising = hatched(plain, mask, color=GLARE_COLOR, rising=True)
    falling = hatched(plain, mask, color=GLARE_COLOR, rising=False)
    assert not np.array_equal(rising, falling)
    assert np.array_equal(np.unique(rising), np.unique(falling))
    both = step_pictures(enhanced)["not_seen"]
    assert (both[10:40, 10:40] == GLARE_COLOR).all(axis=2).mean() > 0.3
    assert (both[50:70, 50:90] == HAIR_COLOR).all(axis=2).mean() > 0.3


def test_only_the_mask_and_its_rim_are_painted():
    enhanced = example()
    painted = (step_pictures(enhanced)["glare"] != enhanced.pixels).any(axis=2)
    assert painted[9:41, 9:41].sum() == painted.sum()
    assert painted[10:40, 10:40].all()


def test_the_two_colours_differ_in_lightness():
    # Relative luminance by WCAG 2.1's formula (coefficients of ITU-R BT.709).
    def luminance(color):
        share = np.array(color) / 255
        linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    assert (luminance(GLARE_COLOR) + 0.05) / (luminance(HAIR_COLOR) + 0.05) > 1.9
