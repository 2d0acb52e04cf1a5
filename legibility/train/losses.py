"""What the networks are asked for, from the truth of a rendered batch."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

from legibility.train.appearance import Batch

SEEN = 2.0
"""Measured on rendered batches by eye: visibility above which a character must be found."""
LEAST_TOLD = 0.25
"""Choice: weight of a character that cannot be seen in the loss of characters, where one well seen
has 1: little is learnt from it, and leaving it out would make the network too sure."""
UNSEEN = 0.6
"""Below this a character must not be found; between the two nothing is asked."""


def spotter_loss(output: Tensor, batch: Batch) -> tuple[Tensor, dict[str, Tensor]]:
    """Sum of heat, geometry and ink losses; (batch, 7, h/4, w/4) float32 output."""
    placement = batch.placement
    b, _, rows, columns = output.shape
    device = output.device
    seen = (batch.visibility > SEEN) & placement.exists
    unsure = placement.exists & (batch.visibility > UNSEEN) & ~seen
    centre = (placement.centre + 0.5) / 4 - 0.5
    ys = torch.arange(rows, device=device).view(1, 1, rows, 1)
    xs = torch.arange(columns, device=device).view(1, 1, 1, columns)
    dx = xs - centre[..., 0, None, None]
    dy = ys - centre[..., 1, None, None]
    spread = (placement.height / 4 * 0.16).clamp(0.7, 2.5)[..., None, None]
    bump = torch.exp(-0.5 * (dx**2 + dy**2) / spread**2)
    target = (bump * seen[..., None, None]).amax(dim=1)
    ignore = (bump * unsure[..., None, None]).amax(dim=1) > 0.1
    logit = output[:, 0]
    probability = torch.sigmoid(logit)
    focal = (target - probability).abs() ** 2 * F.binary_cross_entropy_with_logits(
        logit, target, reduction="none"
    )
    found = seen.sum().clamp_min(1)
    heat = (focal * ~ignore).sum() / found

    index = (centre.round()).long()
    x0, y0 = index[..., 0].clamp(0, columns - 1), index[..., 1].clamp(0, rows - 1)
    losses = {"heat": heat}
    geometry = torch.zeros((), device=device)
    number = torch.arange(b, device=device)[:, None]
    for oy, ox in ((0, 0), (0, 1), (1, 0), (0, -1), (-1, 0)):
        x1, y1 = (x0 + ox).clamp(0, columns - 1), (y0 + oy).clamp(0, rows - 1)
        value = output[number, :, y1, x1]
        # A row and its reverse share an axis: twice the angle names it.
        twice = 2 * placement.angle
        axis = torch.stack([torch.cos(twice), torch.sin(twice)], dim=-1)
        wanted = torch.cat(
            [
                (centre - torch.stack([x1, y1], dim=-1)),
                axis * 2,
                torch.log(placement.height / 24)[..., None] * 2,
            ],
            dim=-1,
        )
        given = torch.cat([value[..., 1:3], value[..., 3:5] * 2, value[..., 5:6] * 2], dim=-1)
        error = F.smooth_l1_loss(given, wanted, reduction="none", beta=0.3).sum(dim=-1)
        geometry = geometry + (error * seen).sum() / found / 5
    ink = F.binary_cross_entropy_with_logits(
        output[:, 6:7], F.avg_pool2d(batch.coverage, 4).clamp(0, 1)
    )
    losses["geometry"] = geometry
    losses["ink"] = ink
    total = heat + 0.5 * geometry + 0.5 * ink
    return total, losses


@dataclass(frozen=True, slots=True)
class Views:
    """Strips as rendered, then flipped views of the first of them."""

    pixels: Tensor
    """(views, 3, 48, 384)."""
    pose: Tensor
    """(views,) int64: 0 upright, 1 turned by 180 degrees, 2 mirrored, 3 both."""
    source: Tensor
    """(views,) int64: the strip each view shows."""


def pose_views(pixels: Tensor, share: float) -> Views:
    """Add flipped views of the first ``share`` of the strips, at least three."""
    b = len(pixels)
    part = pixels[: max(3, round(share * b))]
    poses = torch.arange(len(part), device=pixels.device) % 3 + 1
    order = torch.arange(b, device=pixels.device)
    return Views(
        pixels=torch.cat([pixels, flipped(part, poses)]),
        pose=torch.cat([poses.new_zeros(b), poses]),
        source=torch.cat([order, order[: len(part)]]),
    )


def flipped(pixels: Tensor, pose: Tensor) -> Tensor:
    """Pictures (n, channels, h, w), each flipped by its own pose (n,)."""
    choice = pose[:, None, None, None]
    other = torch.where(choice == 2, pixels.flip(3), pixels.flip(2))
    return torch.where(choice == 0, pixels, torch.where(choice == 1, pixels.flip(2, 3), other))


def reader_loss(
    columns: Tensor, ink: Tensor, views: Views, batch: Batch
) -> tuple[Tensor, dict[str, Tensor]]:
    """Sum of character, centre, geometry, pose and ink losses of strips.

    Where characters and ink are is asked of every view, so that one look can tell rows from
    clutter before the way round is known; which characters they are only of upright ones.

    Parameters
    ----------
    columns : (views, 44, 96) float32
    ink : (views, 1, 48, 384) float32
    """
    placement = batch.placement
    device = columns.device
    b = len(placement.centre)
    width = columns.shape[2]
    wanted = (placement.exists & placement.main_row)[views.source]
    backwards = ((views.pose == 1) | (views.pose == 2))[:, None]
    upside_down = ((views.pose == 1) | (views.pose == 3))[:, None]
    position = (placement.centre[views.source, :, 0] + 0.5) / 4 - 0.5
    position = torch.where(backwards, width - 1 - position, position)
    below = (placement.centre[views.source, :, 1] - 23.5) / 8
    below = torch.where(upside_down, -below, below)
    size = torch.log(placement.height[views.source] / 32) * 2

    xs = torch.arange(width, device=device)
    distance = xs[None, None] - position[..., None]
    bump = torch.exp(-0.5 * (distance / 0.8) ** 2) * wanted[..., None]
    target = bump.amax(dim=1)
    focal = F.binary_cross_entropy_with_logits(columns[:, 36], target, reduction="none")
    losses = {"centre": focal.mean() * 12}

    nearest = position.round().long()
    number = torch.arange(len(columns), device=device)[:, None]
    upright = wanted[:b]
    told = upright * (batch.visibility / SEEN).clamp(LEAST_TOLD, 1.0)
    character = torch.zeros((), device=device)
    geometry = torch.zeros((), device=device)
    correct = torch.zeros((), device=device)
    for offset, weight in ((0, 0.5), (-1, 0.25), (1, 0.25)):
        x = (nearest + offset).clamp(0, width - 1)
        value = columns[number, :, x]
        letters = value[:b, :, :36]
        loss = F.cross_entropy(letters.transpose(1, 2), placement.character, reduction="none")
        character = character + weight * (loss * told).sum() / told.sum().clamp_min(1)
        truth = torch.stack([position - x, below, size], dim=-1)
        error = F.smooth_l1_loss(value[..., 37:40], truth, reduction="none", beta=0.2).sum(dim=-1)
        geometry = geometry + weight * (error * wanted).sum() / wanted.sum().clamp_min(1)
        if offset == 0:
            hit = (letters.argmax(dim=-1) == placement.character) & upright
            correct = hit.sum() / upright.sum().clamp_min(1)
    losses["character"] = character
    losses["geometry"] = geometry
    losses["pose"] = _pose_loss(columns[:, 40:44], views.pose, target, wanted.any(dim=1))
    # Ink is asked for as it was laid; faded ink is taught as less, so that the map says what shows.
    laid = flipped(batch.coverage.clamp(0, 1)[views.source], views.pose)
    losses["ink"] = F.binary_cross_entropy_with_logits(ink, laid)
    losses["correct"] = correct.detach()
    total = (
        losses["centre"] + character + 0.3 * geometry + 0.6 * losses["pose"] + 1.0 * losses["ink"]
    )
    return total, losses


def _pose_loss(logits: Tensor, pose: Tensor, presence: Tensor, has_mark: Tensor) -> Tensor:
    """Cross-entropy of the pose, asked of the mean over the columns that hold characters.

    All four poses weigh the same however often they are shown, so that the network has no
    preference for the one it sees most.
    """
    weights = presence / presence.sum(dim=1, keepdim=True).clamp_min(1e-3)
    asked = (logits * weights[:, None]).sum(dim=2)
    loss = F.cross_entropy(asked, pose, reduction="none")
    shown = torch.bincount(pose[has_mark], minlength=4).clamp_min(1)
    balance = has_mark / shown[pose] / 4
    return (loss * balance).sum()
