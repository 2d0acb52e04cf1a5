"""A scene: every parameter of one photo, drawn at random or set by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from legibility.alphabet import CHARACTERS
from legibility.dies.placing import Rule, draw_placing
from legibility.simulate.background import BackgroundSpec, sample_background
from legibility.simulate.camera import CameraSpec, sample_camera
from legibility.simulate.ear import EarSpec, sample_ear
from legibility.simulate.geometry import Pose
from legibility.simulate.hair import HairSpec, sample_hair
from legibility.simulate.ink import InkSpec, sample_ink
from legibility.simulate.light import LightSpec, sample_light
from legibility.simulate.press import DieSpec, mark_size_mm, press, source_names
from legibility.simulate.skin import SkinSpec, sample_skin
from legibility.simulate.veins import VeinSpec, sample_veins
from legibility.simulate.wear import WearSpec, sample_wear

DIE_HEIGHTS_MM: Final = (4.8, 6.4, 7.9, 9.5)
"""3/16, 1/4, 5/16 and 3/8 inch: Raising Small Animals reference and American Lowline article."""
MARK_SHARES: Final = (0.08, 0.90)
"""Contract: a mark takes 8 % to 90 % of the picture's width."""
_FIT: Final = 0.94
"""Choice: the whole mark lies within this share of the picture."""


@dataclass(frozen=True, slots=True)
class SceneSpec:
    """All parameters of one photo; the same spec gives the same pixels."""

    mark: str
    """Empty: an ear without a mark."""
    dies: DieSpec
    skin: SkinSpec
    veins: VeinSpec
    hair: HairSpec
    ink: InkSpec
    wear: WearSpec
    ear: EarSpec
    background: BackgroundSpec
    pose: Pose
    light: LightSpec
    camera: CameraSpec
    seed: int
    """Of all textures."""


def sample_mark(
    rng: np.random.Generator, *, rows: int | None = None, length: int | None = None
) -> str:
    """A mark drawn at random: 2 to 8 characters in one or two rows.

    Parameters
    ----------
    rows : int, optional
        1 or 2; two rows in 15 % of marks when not given (choice).
    length : int, optional
        Characters in all.
    """
    if length is None:
        length = int(rng.choice(np.arange(2, 9), p=[0.06, 0.17, 0.25, 0.22, 0.16, 0.08, 0.06]))
    if rows is None:
        rows = 2 if length >= 3 and rng.random() < 0.15 else 1
    if length < rows:
        raise ValueError(f"a mark of {length} characters cannot have {rows} rows")
    letters = int(rng.integers(0, 4)) if rng.random() < 0.75 else length
    drawn = [
        CHARACTERS[int(rng.integers(0, 26) if index < letters else rng.integers(26, 36))]
        for index in range(length)
    ]
    if rng.random() < 0.15:
        drawn = [CHARACTERS[int(index)] for index in rng.integers(0, 36, size=length)]
    if rows == 1:
        return "".join(drawn)
    cut = int(rng.integers(1, length))
    return "".join(drawn[:cut]) + "/" + "".join(drawn[cut:])


def sample_dies(
    rng: np.random.Generator,
    *,
    split: str = "train",
    source: str | None = None,
    rule: Rule | None = None,
) -> DieSpec:
    """A set of dies drawn at random from one split of the glyph sources, or of a named one.

    Naming the source or the rule by which needles are placed changes nothing else of the set,
    however many there are.
    """
    drawn = str(rng.choice(np.array(source_names(split=split))))
    height = float(rng.choice(DIE_HEIGHTS_MM))
    overall = float(rng.choice([1.0, rng.uniform(1.0, 1.9)]))
    spec = DieSpec(
        source=source or drawn,
        needles=int(rng.integers(8, 17)),
        jitter=float(rng.uniform(0.0, 0.022)),
        height_mm=height,
        pitch=float(rng.uniform(0.78, 1.12)),
        row_pitch=float(rng.uniform(1.25, 1.7)),
        offset=float(rng.uniform(0.0, 0.045)),
        tilt_deg=float(rng.uniform(0.0, 4.5)),
        bow=float(rng.normal(0.0, 0.12)),
        dot_radius_mm=float(rng.uniform(0.034, 0.062) * height),
        growth=(overall * float(rng.uniform(0.93, 1.08)), overall),
        seed=int(rng.integers(0, 2**31)),
    )
    drawn_rule = draw_placing(np.random.default_rng([spec.seed, 99])).rule
    return replace(spec, rule=rule or drawn_rule)


def sample_scene(
    rng: np.random.Generator,
    *,
    mark: str | None = None,
    split: str = "train",
    source: str | None = None,
    rule: Rule | None = None,
    wear: str | None = None,
    skin: str | None = None,
    ink: str | None = None,
    hair: float | None = None,
    background: str | None = None,
    behind: bool | None = None,
    rotation_deg: float | None = None,
    mirrored: bool | None = None,
    mark_share: float | None = None,
    width_px: int | None = None,
    sharp: bool = False,
    clean: bool = False,
) -> SceneSpec:
    """A scene drawn at random; whatever is given is kept.

    Parameters
    ----------
    rng : Generator
    mark : str, optional
        Written mark, ``AB/123``; ``""`` for an ear without one.
    split, source : str, optional
        Split of the glyph sources, or one source by name.
    rule : str, optional
        How the needles of the dies were placed, one of ``dies.placing.RULES``.
    wear : str, optional
        "new", "mild", "worn", "faint" or "gone".
    skin, ink, background : str, optional
        Keys of ``SKIN_KINDS``, ``INK_ABSORBANCE``, ``BACKGROUNDS``.
    hair : float, optional
        0 (clipped) .. 1.
    behind : bool, optional
        Light from behind.
    rotation_deg : float, optional
        Of the mark before mirroring; any angle.
    mirrored : bool, optional
        Photographed from behind, so that the mark is seen in a mirror.
    mark_share : float, optional
        Length of the mark as a share of the picture's width; made smaller where the mark would
        not fit into the picture.
    width_px : int, optional
        Width of the picture; 800..1400 when not given.
    sharp, clean : bool
        Without blur and noise; without scars, dirt and wax.

    Returns
    -------
    SceneSpec
    """
    written = sample_mark(rng) if mark is None else mark
    dies = sample_dies(rng, split=split, source=source, rule=rule)
    size_mm = mark_size_mm(press(written, dies))
    width = int(rng.integers(800, 1401)) if width_px is None else width_px
    ratio = float(rng.choice([0.75, 0.5625, 4 / 3], p=[0.6, 0.25, 0.15]))
    height = round(width * ratio)
    if mirrored is None:
        mirrored = bool(rng.random() < 0.15)
    if rotation_deg is None:
        rotation_deg = _sample_rotation(rng)
    if mark_share is None:
        mark_share = math.exp(rng.uniform(math.log(MARK_SHARES[0]), math.log(MARK_SHARES[1])))
    if behind is None:
        behind = bool(rng.random() < (0.5 if mirrored else 0.08))
    ink_spec = sample_ink(rng, kind=ink)
    skin_spec = sample_skin(rng, kind=skin)
    return SceneSpec(
        mark=written,
        dies=dies,
        skin=skin_spec,
        veins=sample_veins(rng),
        hair=sample_hair(rng, amount=hair),
        ink=ink_spec,
        wear=sample_wear(rng, level=wear, clean=clean),
        ear=sample_ear(rng, mark_mm=size_mm),
        background=sample_background(rng, kind=background),
        pose=_sample_pose(
            rng,
            size_mm,
            (width, height),
            share=mark_share,
            rotation=rotation_deg,
            mirrored=mirrored,
        ),
        light=sample_light(rng, behind=behind),
        camera=sample_camera(rng, sharp=sharp),
        seed=int(rng.integers(0, 2**31)),
    )


def _sample_rotation(rng: np.random.Generator) -> float:
    """Most photos are upright or upside down within 25 degrees, the others at any angle."""
    draw = rng.random()
    if draw < 0.5:
        return float(rng.normal(0.0, 10.0))
    if draw < 0.65:
        return float(180.0 + rng.normal(0.0, 10.0))
    return float(rng.uniform(-180.0, 180.0))


def _sample_pose(
    rng: np.random.Generator,
    size_mm: tuple[float, float],
    picture_px: tuple[int, int],
    *,
    share: float,
    rotation: float,
    mirrored: bool,
) -> Pose:
    width, height = picture_px
    cosine = abs(math.cos(math.radians(rotation)))
    sine = abs(math.sin(math.radians(rotation)))
    box = (
        size_mm[0] * cosine + size_mm[1] * sine,
        size_mm[0] * sine + size_mm[1] * cosine,
    )
    px_per_mm = min(
        share * width / max(size_mm[0], size_mm[1]), _FIT * width / box[0], _FIT * height / box[1]
    )
    spare = [
        max(0.5 * (_FIT * size - extent * px_per_mm), 0.0)
        for size, extent in zip(picture_px, box, strict=True)
    ]
    place = rng.uniform(-0.7, 0.7, size=2) * spare
    return Pose(
        width_px=width,
        height_px=height,
        centre_px=(width / 2 + float(place[0]), height / 2 + float(place[1])),
        px_per_mm=px_per_mm,
        rotation_deg=rotation,
        mirrored=mirrored,
        perspective=(float(rng.uniform(-0.1, 0.1)), float(rng.uniform(-0.1, 0.1))),
        bend_radius_mm=float(max(rng.uniform(18.0, 120.0), 0.62 * size_mm[0])),
        bend_axis_deg=float(rng.normal(90.0, 25.0) if rng.random() < 0.7 else rng.normal(0.0, 15)),
    )
