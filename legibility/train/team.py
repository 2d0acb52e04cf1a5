"""Several processes that train one network, a card each, on batches of their own."""

from __future__ import annotations

import os
from dataclasses import dataclass

import torch
from torch import Tensor, distributed, nn


@dataclass(frozen=True, slots=True)
class Team:
    """Place of this process among those that train together; (0, 1) when it is alone."""

    rank: int
    size: int

    def share_of_cores(self) -> int:
        """Processor cores of the machine for each process."""
        return max(1, (os.cpu_count() or 1) // self.size)

    def share(self, network: nn.Module) -> None:
        """Give every process the weights of the first."""
        if self.size > 1:
            for tensor in (*network.parameters(), *network.buffers()):
                distributed.broadcast(tensor.detach(), src=0)

    def average_gradients(self, network: nn.Module) -> None:
        """Replace each gradient by its mean over the processes."""
        if self.size == 1:
            return
        gradients = [p.grad for p in network.parameters() if p.grad is not None]
        flat = torch.cat([g.flatten() for g in gradients])
        distributed.all_reduce(flat)
        flat /= self.size
        parts: list[Tensor] = list(flat.split([g.numel() for g in gradients]))
        torch._foreach_copy_(
            gradients, [p.view_as(g) for p, g in zip(parts, gradients, strict=True)]
        )

    def agree(self, value: float, device: torch.device) -> float:
        """The first process's value, so that all take the same step width and stop together."""
        if self.size == 1:
            return value
        told = torch.tensor(value, device=device, dtype=torch.float64)
        distributed.broadcast(told, src=0)
        return float(told)

    def part(self) -> None:
        """End the team; nothing may be shared after it."""
        if self.size > 1:
            distributed.destroy_process_group()


ALONE = Team(0, 1)


def join_team(device: torch.device) -> tuple[Team, torch.device]:
    """The team that ``torchrun`` started this process in, and the card that is this process's."""
    size = int(os.environ.get("WORLD_SIZE", "1"))
    if size == 1:
        return ALONE, device
    if device.type == "cuda":
        device = torch.device("cuda", int(os.environ["LOCAL_RANK"]))
        torch.cuda.set_device(device)
    distributed.init_process_group("nccl" if device.type == "cuda" else "gloo")
    return Team(distributed.get_rank(), size), device
