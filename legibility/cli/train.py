"""``legibility train``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.cli import options
from legibility.errors import MissingExtraError


@click.command()
@click.argument("network", type=click.Choice(["spotter", "reader"]))
@click.option(
    "--minutes",
    type=click.FloatRange(min=0, min_open=True),
    default=30.0,
    show_default=True,
    metavar="M",
    help="How long to train.",
)
@click.option(
    "--batch",
    type=click.IntRange(1, 65536),
    default=1024,
    show_default=True,
    metavar="N",
    help="Pictures rendered at a time.",
)
@options.seed_option
@click.option(
    "--resume",
    type=options.ANY_PATH,
    metavar="FILE.pt",
    help="Weights of an earlier run to go on from.",
)
@click.option(
    "--out",
    "folder",
    type=options.ANY_PATH,
    default=Path("training"),
    show_default=True,
    metavar="DIR",
    help="Folder for the weights and the log.",
)
@click.option("--device", default="", metavar="NAME", help="cuda or cpu (default: what there is).")
def train(
    network: str,
    minutes: float,
    batch: int,
    seed: int,
    resume: Path | None,
    folder: Path,
    device: str,
) -> None:
    """Train a network anew on rendered ears (extra: train)."""
    try:
        import torch

        from legibility.train.loop import Plan
        from legibility.train.loop import train as train_network
    except ModuleNotFoundError as error:
        raise MissingExtraError(
            f"training needs {error.name}, which is not installed; "
            "install it with: pip install 'legibility[train]'"
        ) from error
    used = torch.device(device or ("cuda" if torch.cuda.is_available() else "cpu"))
    plan = Plan(network=network, minutes=minutes, batch=batch, seed=seed)
    train_network(plan, out=folder, resume=resume, photographs=None, device=used, say=click.echo)
    click.echo(f"Weights and log: {folder}")
