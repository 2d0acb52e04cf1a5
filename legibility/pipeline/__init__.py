"""One photo, one way through: the only place where the stages meet."""

from legibility.pipeline.run import Choices, read, read_photo, read_steps

__all__ = ["Choices", "read", "read_photo", "read_steps"]
