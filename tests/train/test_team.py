"""Two processes that train together, over gloo, against the arithmetic mean."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest
import torch
from torch import nn
from torch.multiprocessing.spawn import spawn

from legibility.train.team import ALONE, join_team


def _free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def _work(rank: int, port: int, out: str) -> None:
    os.environ |= {
        "RANK": str(rank),
        "LOCAL_RANK": str(rank),
        "WORLD_SIZE": "2",
        "MASTER_ADDR": "127.0.0.1",
        "MASTER_PORT": str(port),
        "GLOO_SOCKET_IFNAME": "lo",
    }
    team, device = join_team(torch.device("cpu"))
    torch.manual_seed(rank)
    network = nn.Sequential(nn.Linear(3, 2), nn.BatchNorm1d(2))
    team.share(network)
    before = [p.detach().clone() for p in network.parameters()]
    for number, parameter in enumerate(network.parameters()):
        parameter.grad = torch.full_like(parameter, float(10 * number + rank))
    team.average_gradients(network)
    torch.save(
        {
            "weights": before,
            "gradients": [p.grad for p in network.parameters()],
            "agreed": team.agree(0.25 + rank, device),
            "size": team.size,
        },
        f"{out}/{rank}.pt",
    )
    team.part()


def test_two_processes_start_alike_and_take_the_mean_of_their_gradients(tmp_path: Path) -> None:
    spawn(_work, args=(_free_port(), str(tmp_path)), nprocs=2)
    first, second = (torch.load(tmp_path / f"{rank}.pt", weights_only=True) for rank in (0, 1))
    for a, b in zip(first["weights"], second["weights"], strict=True):
        torch.testing.assert_close(a, b, rtol=0, atol=0)
    for said in (first, second):
        assert said["size"] == 2
        assert said["agreed"] == 0.25
        for number, gradient in enumerate(said["gradients"]):
            torch.testing.assert_close(gradient, torch.full_like(gradient, 10 * number + 0.5))


def test_alone_nothing_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WORLD_SIZE", raising=False)
    device = torch.device("cpu")
    assert join_team(device) == (ALONE, device)
    network = nn.Linear(2, 2)
    network.weight.grad = torch.ones(2, 2)
    ALONE.average_gradients(network)
    assert network.weight.grad.eq(1).all()
    assert ALONE.agree(0.7, device) == 0.7
    assert ALONE.share_of_cores() >= 1
