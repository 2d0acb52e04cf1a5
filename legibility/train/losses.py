"""What the networks are asked for, from the truth of a rendered batch."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from legibility.train.appearance import Batch

SEEN = 2.0
"""Measured on rendered batches by eye: visibility above which a character must be found."""
UNSEEN = 0.6
"""Below this a character must not be found; between the two nothing is asked."""


def spotter_loss(output: Tensor, batch: Batch) -> tuple[Tensor, dict[str, Tensor]]:
    """Sum of heat, geometry, handedness and ink losses; (batch, 8, h/4, w/4) float32 output."""
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
    mirrored_loss = torch.zeros((), device=device)
    number = torch.arange(b, device=device)[:, None]
    for oy, ox in ((0, 0), (0, 1), (1, 0), (0, -1), (-1, 0)):
        x1, y1 = (x0 + ox).clamp(0, columns - 1), (y0 + oy).clamp(0, rows - 1)
        value = output[number, :, y1, x1]
        up = torch.stack([torch.sin(placement.angle), -torch.cos(placement.angle)], dim=-1)
        wanted = torch.cat(
            [
                (centre - torch.stack([x1, y1], dim=-1)),
                up * 2,
                torch.log(placement.height / 24)[..., None] * 2,
            ],
            dim=-1,
        )
        given = torch.cat([value[..., 1:3], value[..., 3:5] * 2, value[..., 5:6] * 2], dim=-1)
        error = F.smooth_l1_loss(given, wanted, reduction="none", beta=0.3).sum(dim=-1)
        geometry = geometry + (error * seen).sum() / found / 5
        hand = F.binary_cross_entropy_with_logits(
            value[..., 6],
            placement.mirrored[:, None].float().expand_as(value[..., 6]),
            reduction="none",
        )
        mirrored_loss = mirrored_loss + (hand * seen).sum() / found / 5
    ink = F.binary_cross_entropy_with_logits(
        output[:, 7:8], F.avg_pool2d(batch.coverage, 4).clamp(0, 1)
    )
    losses["geometry"] = geometry
    losses["mirrored"] = mirrored_loss
    losses["ink"] = ink
    total = heat + 0.5 * geometry + 0.3 * mirrored_loss + 0.5 * ink
    return total, losses


def pose_views(pixels: Tensor, share: float) -> tuple[Tensor, Tensor]:
    """Strips followed by flipped views of the first ``share`` of them, and the pose of each.

    Pose 0 is upright, 1 turned by 180 degrees, 2 mirrored, 3 both.
    """
    part = pixels[: max(3, round(share * len(pixels)))]
    poses = torch.arange(len(part), device=pixels.device) % 3 + 1
    turned = part.flip(2, 3)
    mirrored = part.flip(3)
    both = part.flip(2)
    choice = poses[:, None, None, None]
    flipped = torch.where(choice == 1, turned, torch.where(choice == 2, mirrored, both))
    return torch.cat([pixels, flipped]), torch.cat([poses.new_zeros(len(pixels)), poses])


def reader_loss(
    columns: Tensor, ink: Tensor, pose: Tensor, batch: Batch
) -> tuple[Tensor, dict[str, Tensor]]:
    """Sum of character, centre, geometry, pose and ink losses of strips.

    Parameters
    ----------
    columns : (views, 44, 96) float32; the first ``batch`` views are the strips as rendered
    ink : (views, 1, 48, 384) float32
    pose : (views,) int64, see :func:`pose_views`
    """
    placement = batch.placement
    device = columns.device
    everything = columns
    b = len(placement.centre)
    columns, ink = columns[:b], ink[:b]
    width = columns.shape[2]
    wanted = placement.exists & placement.main_row
    position = (placement.centre[..., 0] + 0.5) / 4 - 0.5
    xs = torch.arange(width, device=device)
    distance = xs[None, None] - position[..., None]
    bump = torch.exp(-0.5 * (distance / 0.8) ** 2) * wanted[..., None]
    target = bump.amax(dim=1)
    logit = columns[:, 36]
    focal = F.binary_cross_entropy_with_logits(logit, target, reduction="none")
    losses = {"centre": focal.mean() * 12}

    nearest = position.round().long()
    number = torch.arange(b, device=device)[:, None]
    total_weight = wanted.sum().clamp_min(1)
    character = torch.zeros((), device=device)
    geometry = torch.zeros((), device=device)
    correct = torch.zeros((), device=device)
    for offset, weight in ((0, 0.5), (-1, 0.25), (1, 0.25)):
        x = (nearest + offset).clamp(0, width - 1)
        value = columns[number, :, x]
        loss = F.cross_entropy(
            value[..., :36].transpose(1, 2), placement.character, reduction="none"
        )
        character = character + weight * (loss * wanted).sum() / total_weight
        truth = torch.stack(
            [
                position - x,
                (placement.centre[..., 1] - 23.5) / 8,
                torch.log(placement.height / 32) * 2,
            ],
            dim=-1,
        )
        error = F.smooth_l1_loss(value[..., 37:40], truth, reduction="none", beta=0.2).sum(dim=-1)
        geometry = geometry + weight * (error * wanted).sum() / total_weight
        if offset == 0:
            hit = (value[..., :36].argmax(dim=-1) == placement.character) & wanted
            correct = hit.sum() / total_weight
    any_mark = wanted.any(dim=1)
    # The pose is asked of the mean over the columns that hold characters.
    weights = bump.amax(dim=1)
    weights = weights / weights.sum(dim=1, keepdim=True).clamp_min(1e-3)
    flipped = weights[: len(pose) - b].flip(1)
    # A strip flipped top to bottom only (pose 3) keeps its columns.
    flipped = torch.where(pose[b:, None] == 3, weights[: len(pose) - b], flipped)
    weights = torch.cat([weights, flipped])
    any_mark = torch.cat([any_mark, any_mark[: len(pose) - b]])
    pose_logit = (everything[:, 40:44] * weights[:, None]).sum(dim=2)
    pose_loss = F.cross_entropy(pose_logit, pose, reduction="none")
    losses["character"] = character
    losses["geometry"] = geometry
    losses["pose"] = (pose_loss * any_mark).sum() / any_mark.sum().clamp_min(1)
    # Ink is asked for as it was laid; faded ink is taught as less, so that the map says what shows.
    losses["ink"] = F.binary_cross_entropy_with_logits(ink, batch.coverage.clamp(0, 1))
    losses["correct"] = correct.detach()
    total = (
        losses["centre"] + character + 0.3 * geometry + 0.4 * losses["pose"] + 1.0 * losses["ink"]
    )
    return total, losses
