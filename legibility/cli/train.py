"""``legibility train``."""

from __future__ import annotations

import click


@click.command()
def train() -> None:
    """Train the networks anew (extra: train; needs a GPU to be quick)."""
    raise NotImplementedError
