"""The second scene model: light through and from a sheet of tissue, and what lies on it.

Made apart from ``train.appearance`` so that no single renderer's look is learned. There a picture
is skin of some colour times shading; here it is light that comes back from the sheet and light that
comes through it, each after what pigment, blood, vessels and ink took away, in linear light that
the sensor cuts off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor
from torch.nn import functional as F

from legibility.train.appearance import Batch, how_severe
from legibility.train.atlas import Atlas, splat
from legibility.train.bending import Scar
from legibility.train.lens import blurred, focus, phone, softened
from legibility.train.placement import Placement, Sampler
from legibility.train.sheets import Sheets, Window, draw_window, slopes

PIGMENT = (0.55, 0.95, 1.45)
BLOOD = (0.12, 0.85, 0.75)
"""Choice: absorbance (natural log, R G B) of one measure of melanin and of blood. Melanin falls
steadily from blue to red and blood hardly absorbs red (Jacques 2013, Phys. Med. Biol. 58 R37,
figures 1 and 8, from memory); the numbers are by eye."""
VENOUS = (0.55, 1.0, 0.8)
"""Choice: the same of a vessel in light that passed it: darker in red than blood spread thinly."""
INKS = (
    (2.4, 2.3, 2.1),
    (2.3, 1.1, 1.8),
    (2.2, 1.5, 0.9),
    (1.3, 1.8, 2.2),
    (1.9, 1.7, 1.6),
)
"""Choice: absorbance of full ink: black, green, blue, brown, a faded grey."""
FROM_BEHIND = 0.4
"""Choice: share of strips with light from behind, a third of them with light from both sides."""
GONE = 0.6
"""Choice: a character at an end of the row with this share of its needles beyond the ear's edge or
in a gap of it is not there."""


@dataclass(frozen=True, slots=True)
class _Scene:
    sampler: Sampler
    sheets: Sheets
    atlas: Atlas
    severity: Tensor
    size: tuple[int, int]

    @property
    def batch(self) -> int:
        return len(self.severity)

    @property
    def severe(self) -> Tensor:
        return self.severity[:, None, None, None]

    def one(self, low: float = 0.0, high: float = 1.0) -> Tensor:
        return self.sampler.uniform(self.batch, 1, 1, 1, low=low, high=high)

    def now(self, chance: float) -> Tensor:
        return self.sampler.chance(chance, self.batch, 1, 1, 1).float()

    def window(self, layers: Tensor, low: float, high: float) -> Tensor:
        return self.place(layers, low, high).of(layers, self.size)

    def place(self, layers: Tensor, low: float, high: float) -> Window:
        return draw_window(self.sampler, layers, self.batch, low=low, high=high)

    def colour(self, values: tuple[float, ...]) -> Tensor:
        return torch.tensor(values, device=self.sampler.device).view(1, 3, 1, 1)

    def grid(self) -> tuple[Tensor, Tensor]:
        """Pixel coordinates x (1, 1, 1, w) and y (1, 1, h, 1)."""
        device = self.sampler.device
        x = torch.arange(self.size[1], device=device).view(1, 1, 1, -1).float()
        return x, torch.arange(self.size[0], device=device).view(1, 1, -1, 1).float()


def _pressed(scene: _Scene, placement: Placement, scar: Scar) -> Tensor:
    """Ink in the sheet (batch, 1, h, w), 0..1."""
    sampler, batch = scene.sampler, scene.batch
    shape = placement.needle_present.shape
    height = placement.height.mean(dim=1)
    size = torch.exp(sampler.uniform(batch, low=-3.6, high=-2.5)) * height
    # Depth of each needle: how much ink stayed. A press that tilts leaves one side of the row or of
    # each die shallow.
    x, y = placement.needles[..., 0], placement.needles[..., 1]
    off = placement.needles - placement.centre[:, :, None]
    along = (x - scene.size[1] / 2) / (scene.size[1] / 2)
    row_tilt = 1.6 * sampler.normal(batch, 1, 1) * sampler.chance(0.25, batch, 1, 1)
    way = sampler.uniform(batch, 1, 1, high=6.2832)
    die_tilt = sampler.normal(batch, 1, 1) * sampler.chance(0.3, batch, 1, 1)
    across = (off[..., 0] * torch.cos(way) + off[..., 1] * torch.sin(way)) / height.view(-1, 1, 1)
    depth = 1.8 + row_tilt * along + 2.5 * die_tilt * across
    depth = depth + sampler.uniform(batch, 1, 1, high=1.1) * sampler.normal(*shape)
    depth = depth + 0.5 * sampler.normal(batch, shape[1], 1)
    shallow = scene.severity.view(-1, 1, 1) * sampler.uniform(batch, 1, 1) ** 2 * 2.2
    amount = torch.sigmoid(1.7 * (depth - shallow)) * placement.needle_present
    amount = amount * (amount > 0.12)
    # Ink goes where the skin is torn: scars hold none.
    d = scar.away(x, y, (scene.size[0] - 1) / 2)
    eaten = torch.exp(-((d / (0.8 * scar.width[:, None, None])) ** 2)) * scar.shown[:, None, None]
    amount = (amount * (1 - eaten)).clamp(0, 0.995)
    radius = size.view(-1, 1, 1) * (0.75 + 0.4 * amount + 0.12 * sampler.normal(*shape)).clamp_min(
        0.35
    )
    edge = 0.15 + size[:, None] * sampler.uniform(batch, 1, low=0.05, high=0.5)
    ink = splat(
        placement.needles.reshape(batch, -1, 2),
        radius.reshape(batch, -1),
        amount.reshape(batch, -1),
        size=scene.size,
        softness=edge,
        reach=6,
    )
    # Over the years ink wanders: the deeper part spreads as it diffuses, thinned by what it covers.
    age = scene.one() ** 1.5
    level = (3.2 * age * scene.now(0.5)).expand(-1, 1, *scene.size)
    uneven = scene.window(scene.sheets.ground, -2.5, 0.0)
    spread = softened(ink, (level * (1 + 0.3 * uneven)).clamp(0, 4))
    ink = (spread * (1 + 0.8 * age)).clamp(0, 1)
    # Macrophages carry it off in patches.
    patch = scene.window(scene.sheets.ground, -2.5, 0.3)
    lost = scene.now(0.3) * scene.severe * scene.one()
    return ink * (1 - lost * torch.sigmoid(3 * (patch - 0.3 - scene.one())))


def _tissue(scene: _Scene, scar: Scar) -> tuple[Tensor, Tensor, Tensor]:
    """What the sheet takes of light that comes back and of light that comes through (logarithms,
    (batch, 3, h, w) each), and its height for shading."""
    sheets = scene.sheets
    ground = scene.window(sheets.ground, -2.3, 0.3).clamp(-2.5, 2.5)
    mottle = scene.window(sheets.ground, -2.8, -0.5).clamp(-2.5, 2.5)
    rough = scene.window(sheets.ground[32:], -1.0, 0.8).clamp(-2.5, 2.5)
    grain = scene.window(sheets.crust[:, :1], -1.5, 0.7).clamp(-2.5, 2.5)
    pigment = scene.one() ** 2 * 2.4
    patches = torch.sigmoid(4 * (mottle - scene.one(-1, 1.5))) * scene.one(high=1.5)
    pigment = pigment * torch.exp(0.25 * ground * scene.severe) + patches * (
        scene.now(0.25) * scene.severe
    )
    blood = scene.one(high=0.9) * torch.exp(0.3 * mottle * scene.severe)
    grey = scene.one() ** 2 * 1.2 * scene.now(0.3)
    tint = 1 + 0.15 * scene.sampler.normal(scene.batch, 3, 1, 1)
    vessels = scene.window(sheets.vessels, -1.8, 0.2)
    fine = scene.window(sheets.vessels, -0.6, 0.6)
    x, y = scene.grid()
    d = scar.away(x.expand(scene.batch, -1, -1, -1), y, (scene.size[0] - 1) / 2)
    scarred = (
        torch.exp(-((d / scar.width[:, None, None, None]) ** 2)) * scar.shown[:, None, None, None]
    )
    pigment = pigment * (1 - 0.8 * scarred)
    blood = blood + scarred * scene.one(-0.3, 0.6)
    texture = (0.05 + 0.1 * scene.severe) * scene.one() * rough
    texture = texture + 0.12 * scene.severe * scene.one() ** 2 * grain
    back = (
        -scene.colour(PIGMENT) * pigment * tint
        - scene.colour(BLOOD) * blood
        - grey
        - 0.12
        + texture
        - vessels
        * scene.colour((0.4, 0.22, 0.1))
        * scene.one() ** 2
        * scene.now(0.6)
        * scene.severe
    )
    thickness = scene.one(0.6, 2.2) * torch.exp(0.25 * mottle * scene.one())
    through = (
        -scene.colour((0.35, 1.25, 1.6)) * thickness * tint
        - 0.9 * scene.colour(PIGMENT) * pigment
        - scene.colour(BLOOD) * blood * 1.5
        + texture
        - scene.colour(VENOUS)
        * (vessels * scene.one(0.2, 1.6) + fine * scene.one(high=0.7) * scene.now(0.6))
        * (0.35 + 0.65 * scene.severe)
        + 0.15 * grain * scene.one()
    )
    return back.clamp(-6, 0.1), through.clamp(-7, 0.1), ground + 0.4 * rough + 0.5 * scarred


def _lit(
    scene: _Scene, back: Tensor, through: Tensor, relief: Tensor, ink: Tensor, absorb: Tensor
) -> tuple[Tensor, Tensor]:
    """Linear light from the sheet without and with its ink."""
    sampler = scene.sampler
    kind = sampler.uniform(scene.batch, 1, 1, 1)
    lamp_behind = (kind < FROM_BEHIND).float()
    only = (kind < FROM_BEHIND * 2 / 3).float()
    front = 1 - lamp_behind * (1 - (1 - only) * scene.one(0.05, 0.6)) + 0.02 * lamp_behind
    x, y = scene.grid()
    x, y = 2 * x / scene.size[1] - 1, 2 * y / scene.size[0] - 1
    fall = scene.one(-1, 1) * x + 0.3 * scene.one(-1, 1) * y + 0.4 * scene.one(-1, 1) * x * x
    lamp = torch.exp(-((x - scene.one(-1, 1)) ** 2) / scene.one(0.3, 3) ** 2)
    slow = scene.window(scene.sheets.ground[:32], -3.5, -1.5)
    behind = (0.25 + lamp) * torch.exp(0.4 * slow * scene.one())
    # Fingers, straps or the other side's hair behind the ear keep light from it.
    shadow = torch.sigmoid(
        6 * (scene.window(scene.sheets.ground[:32], -4.0, -2.0) - scene.one(0.5, 2))
    )
    behind = behind * (1 - 0.8 * shadow * scene.now(0.3) * scene.severe)
    gx, gy = slopes(relief)
    steep = scene.one(high=0.6) ** 1.5 * (0.3 + 0.7 * scene.severe)
    shade = torch.exp(
        steep * (gx * scene.one(-1, 1) + gy * scene.one(-1, 1)) + 0.7 * fall * scene.one()
    )
    colour = torch.exp(0.12 * sampler.normal(scene.batch, 3, 1, 1))
    # Ink on the far side is seen through the tissue, which blurs it; pricks through the ear let
    # light pass.
    far = scene.now(0.35) * scene.one()
    depth = (far * 2.0).expand(-1, 1, *scene.size)
    veiled = softened(ink, depth)
    stained_back = back - veiled * absorb * (1 - 0.6 * far)
    hole = (scene.now(0.08) * 1.6) * veiled
    stained_through = through - veiled * (absorb * scene.one(0.5, 1.3)) + hole
    pictures = []
    for reflected, passed in ((back, through), (stained_back, stained_through)):
        light = front * torch.exp(reflected) * shade + lamp_behind * behind * 2.2 * torch.exp(
            passed
        )
        pictures.append(light * colour)
    # The same exposure for both: by the mean of most pictures, by red alone where red is cut off.
    mean = pictures[0].mean(dim=(1, 2, 3), keepdim=True).clamp_min(1e-4)
    exposure = torch.exp(scene.one(-2.3, -0.4)) / mean
    return pictures[0] * exposure, pictures[1] * exposure


def _over(pictures: list[Tensor], alpha: Tensor, colour: Tensor) -> list[Tensor]:
    return [p * (1 - alpha) + colour * alpha for p in pictures]


def _covered(
    scene: _Scene, placement: Placement, pictures: list[Tensor], absorb: Tensor
) -> list[Tensor]:
    """Crusts, wax, specks, stray ink, hair with its shadow, and wet shine."""
    sampler, sheets, batch = scene.sampler, scene.sheets, scene.batch
    level = pictures[0].mean(dim=(1, 2, 3), keepdim=True)
    # Specks as large as needles, scattered or in clumps; some are ink beside the mark.
    count = 40
    wanted = torch.exp(sampler.uniform(batch, 1, high=3.7)) * sampler.chance(0.35, batch, 1)
    amount = (torch.arange(count, device=sampler.device)[None] < wanted) * sampler.uniform(
        batch, count, low=0.3
    )
    spread = torch.where(sampler.chance(0.5, batch, 1, 1), 1.0, 0.12)
    middle = sampler.uniform(batch, 1, 2)
    at = torch.where(
        spread == 1.0,
        sampler.uniform(batch, count, 2),
        middle + spread * sampler.normal(batch, count, 2),
    )
    at = at * torch.tensor([scene.size[1], scene.size[0]], device=sampler.device)
    height = placement.height.mean(dim=1, keepdim=True)
    speck = splat(
        at,
        height * torch.exp(sampler.uniform(batch, count, low=-3.8, high=-2.6)),
        amount * scene.severity[:, None],
        size=scene.size,
        softness=sampler.uniform(batch, 1, low=0.2, high=0.8),
        reach=6,
    )
    inky = torch.exp(-speck * absorb)
    dirty = sampler.uniform(batch, 3, 1, 1) ** 2 * level
    as_ink = scene.now(0.5)
    pictures = [
        p * inky * as_ink + (p * (1 - speck) + dirty * speck) * (1 - as_ink) for p in pictures
    ]

    # Mud and wax: thick, with shaded borders and grains of their own; wax lets light through.
    field = scene.window(sheets.ground[:40], -2.8, 0.0)
    grain, crack = scene.window(sheets.crust, -1.2, 0.8).split(1, dim=1)
    mass = torch.sigmoid(
        (field + 0.35 * grain * scene.one() - scene.one(0.6, 2.6)) * torch.exp(scene.one(1.0, 3.2))
    )
    gx, gy = slopes(mass)
    shade = torch.exp(
        2.0 * (gx * scene.one(-1, 1) + gy * scene.one(-1, 1)) + 0.2 * grain * scene.one()
    )
    brown = scene.colour((1.0, 0.72, 0.5)) ** scene.one(0, 2) * scene.one() ** 1.5 * 1.2 * level * 2
    vivid = sampler.uniform(batch, 3, 1, 1) ** 1.5 * level * 3
    colour = torch.where(scene.now(0.2) > 0, vivid, brown) * shade * (1 - 0.5 * crack * scene.one())
    alpha = mass * scene.one(0.3, 1.0) * scene.now(0.28) * scene.severe
    pictures = _over(pictures, alpha, colour)

    # Hair: its shadow first, off to one side and softer, then the hair itself.
    for chance in (0.4, 0.15):
        place = scene.place(sheets.coat, -1.6, 0.4)
        cover, tone = place.of(sheets.coat, scene.size).split(1, dim=1)
        shadow = place.moved(3.0 * sampler.normal(batch, 2)).of(sheets.coat[:, :1], scene.size)
        here = scene.now(chance) * scene.severe
        veil = (0.6 * scene.one() * blurred(shadow, 1.2) * here).clamp(0, 0.9)
        pictures = [p * (1 - veil) for p in pictures]
        base = scene.one() ** 1.5 * 2.2 * level * torch.exp(0.12 * sampler.normal(batch, 3, 1, 1))
        pictures = _over(pictures, cover * scene.one(0.4, 1.0) * here, base * (0.4 + 1.2 * tone))

    # Shine: facets whose slope lies where the lamp wants it; narrow when wet, broad when greasy.
    height_map = scene.window(sheets.ground, -2.0, 0.4) + 0.3 * scene.window(
        sheets.crust[:, :1], -1.5, 0.5
    )
    gx, gy = slopes(height_map)
    x, _ = scene.grid()
    drift = (2 * x / scene.size[1] - 1) * scene.one(-1, 1) * 0.6
    width = torch.exp(scene.one(-3.2, -0.8))
    shine = torch.exp(
        -((gx - 0.35 * scene.one(-1, 1) - drift) ** 2 + (gy - 0.35 * scene.one(-1, 1)) ** 2)
        / width**2
    )
    shine = shine * scene.one(0.1, 1.6) * scene.now(0.25) * scene.severe
    return [p + shine for p in pictures]


def _beyond(scene: _Scene, chance: float) -> tuple[Tensor, Tensor]:
    """Where there is no ear, past its edge or in a notch (batch, 1, h, w); what is seen there."""
    sampler, batch = scene.sampler, scene.batch
    x, y = scene.grid()
    wiggle = 6 * scene.window(scene.sheets.ground[:32], -3.0, -1.0)
    side = torch.where(scene.now(0.5) > 0, 1.0, -1.0)
    start = scene.size[1] * scene.one(0.05, 0.5)
    edge = (x - scene.size[1] / 2) * side - start + scene.one(-1.5, 1.5) * (y - scene.size[0] / 2)
    edge = torch.sigmoid((edge + wiggle) * scene.one(0.5, 2)) * scene.now(chance)
    deep = torch.where(scene.now(0.5) > 0, y, scene.size[0] - 1 - y)
    tip = scene.one(0.3, 1.1) * scene.size[0]
    apart = scene.one(0.1, 0.9) * (tip - deep)
    notch = apart - (x - scene.size[1] * scene.one(0.1, 0.9) - 0.4 * scene.one(-1, 1) * deep).abs()
    notch = torch.sigmoid(notch + 0.5 * wiggle) * scene.now(0.6 * chance)
    other = torch.exp(
        scene.window(scene.sheets.ground, -1.5, 0.5) * scene.one()
        + 0.7 * sampler.normal(batch, 3, 1, 1)
    )
    if scene.atlas.photographs.shape[0]:
        photograph = scene.window(scene.atlas.photographs, -1.0, 1.0) ** 2.2
        other = torch.where(
            scene.now(0.5) > 0,
            photograph / photograph.mean(dim=(1, 2, 3), keepdim=True).clamp_min(0.02),
            other,
        )
    return torch.maximum(edge, notch), other


def without_gone_ends(placement: Placement, gone: Tensor) -> Placement:
    """Take characters from a row's ends as long as they are gone.

    Parameters
    ----------
    gone : (batch, PLACES) bool
    """
    half = gone.shape[1] // 2
    dropped = []
    for row in (slice(0, half), slice(half, None)):
        out = gone[:, row] | ~placement.exists[:, row]
        from_left = torch.cumprod(out.long(), dim=1).bool()
        from_right = torch.cumprod(out.flip(1).long(), dim=1).flip(1).bool()
        dropped.append(from_left | from_right)
    kept = placement.exists & ~torch.cat(dropped, dim=1)
    return replace(
        placement, exists=kept, needle_present=placement.needle_present & kept[..., None]
    )


def at_needles(values: Tensor, placement: Placement) -> Tensor:
    """Pictures (batch, c, h, w) at the needles, (batch, c, PLACES, n)."""
    batch, _, height, width = values.shape
    grid = placement.needles.reshape(batch, 1, -1, 2)
    scale = torch.tensor([width, height], device=values.device)
    found = F.grid_sample(
        values, (grid + 0.5) / scale * 2 - 1, align_corners=False, padding_mode="border"
    )
    return found.view(batch, -1, *placement.needle_present.shape[1:])


@torch.no_grad()
def render_tissue(
    sampler: Sampler,
    sheets: Sheets,
    atlas: Atlas,
    placement: Placement,
    scar: Scar,
    *,
    canvas: tuple[int, int],
    edge_chance: float = 0.12,
) -> Batch:
    """Strips of placed rows by the second scene model.

    Parameters
    ----------
    scar : as it moved the placement (``bending.pulled``)
    edge_chance : share of strips that show the ear's edge; notches are a little rarer
    """
    batch = placement.centre.shape[0]
    severity = how_severe(sampler, batch)
    scene = _Scene(sampler, sheets, atlas, severity, canvas)
    beyond, other = _beyond(scene, edge_chance)
    there = placement.needle_present.sum(dim=-1).clamp_min(1)
    hidden = (at_needles(beyond, placement)[:, 0] * placement.needle_present).sum(dim=-1) / there
    placement = without_gone_ends(placement, hidden > GONE)
    ink = _pressed(scene, placement, scar) * (1 - beyond)
    table = torch.tensor(INKS, device=sampler.device)
    absorb = table[sampler.integer(len(INKS), batch)] * torch.exp(0.2 * sampler.normal(batch, 3))
    fresh = sampler.uniform(batch, low=0.5, high=1.6)
    faint = sampler.uniform(batch, low=0.04, high=0.5)
    strength = torch.where(sampler.chance(0.3, batch), faint, fresh)
    strength = torch.where(severity < 1, 0.4 + 0.7 * strength, strength)
    absorb = (absorb * strength[:, None])[..., None, None]
    back, through, relief = _tissue(scene, scar)
    pictures = list(_lit(scene, back, through, relief + 0.6 * ink * scene.one(-1, 1), ink, absorb))
    level = pictures[0].mean(dim=(1, 2, 3), keepdim=True)
    rim = torch.exp(scene.one(-1, 1) * 4 * beyond * (1 - beyond))
    pictures = [p * rim * (1 - beyond) + 0.7 * level * other * beyond for p in pictures]
    bare, inked = _covered(scene, placement, pictures, absorb)
    unsharp = focus(sampler, severity, canvas)
    bare, inked = bare.clamp(0, 1), inked.clamp(0, 1)
    pixels, noise = phone(sampler, softened(inked, unsharp), severity)

    seen = at_needles(torch.cat([bare, inked, unsharp], dim=1), placement)
    tones = (seen[:, :6].clamp_min(0) + 0.01).log()
    ratio = (tones[:, :3] - tones[:, 3:]).abs().amax(dim=1) * placement.needle_present
    contrast = ratio.sum(dim=-1) / there
    sigma = 0.6 * (seen[:, 6] * placement.needle_present).sum(dim=-1) / there
    radius = 0.05 * placement.height
    contrast = contrast * radius / (radius + 0.7 * sigma)
    visibility = contrast / (0.03 + 1.5 * noise[:, None]) * placement.exists
    return Batch(pixels=pixels, coverage=ink, visibility=visibility, placement=placement)
