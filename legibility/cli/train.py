"""``legibility train``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.cli import options
from legibility.train.run import BATCH, NETWORKS, RATE_END, RATE_START, train_network

_RATE = click.FloatRange(min=0, max=1, min_open=True)


@click.command()
@click.argument("network", type=click.Choice(NETWORKS))
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
    type=click.IntRange(2, 65536),
    metavar="N",
    help="Pictures rendered at a time "
    f"(default: {BATCH['spotter']} for the spotter, {BATCH['reader']} for the reader).",
)
@options.seed_option
@click.option(
    "--rate-start",
    type=_RATE,
    default=RATE_START,
    show_default=True,
    metavar="R",
    help="First step width; it falls along a half cosine.",
)
@click.option(
    "--rate-end",
    type=_RATE,
    default=RATE_END,
    show_default=True,
    metavar="R",
    help="Last step width.",
)
@click.option(
    "--resume",
    type=options.ANY_PATH,
    metavar="FILE.pt",
    help="Weights of an earlier run to go on from.",
)
@click.option(
    "--photographs",
    type=options.ANY_PATH,
    metavar="FILE.npz",
    help="Background pictures, as DEVELOPERS.md says how to collect them (default: none).",
)
@click.option(
    "--out",
    "folder",
    type=options.ANY_PATH,
    default=Path("training"),
    show_default=True,
    metavar="DIR",
    help="Folder for the network, its weights and the log.",
)
@click.option("--device", default="", metavar="NAME", help="cuda or cpu (default: what there is).")
def train(
    network: str,
    minutes: float,
    batch: int | None,
    seed: int,
    rate_start: float,
    rate_end: float,
    resume: Path | None,
    photographs: Path | None,
    folder: Path,
    device: str,
) -> None:
    """Train a network anew on rendered ears (extra: train)."""
    written = train_network(
        network,
        out=folder,
        minutes=minutes,
        batch=batch,
        seed=seed,
        rate_start=rate_start,
        rate_end=rate_end,
        resume=resume,
        photographs=photographs,
        device=device,
        say=click.echo,
    )
    click.echo(f"Network: {written}")
