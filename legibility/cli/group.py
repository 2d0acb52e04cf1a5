"""Errors as one clear line on stderr with their exit code; never a traceback."""

from __future__ import annotations

import errno
from typing import Any

import click

from legibility.errors import LegibilityError, OutputError


class PlainErrorsGroup(click.Group):
    """A group of commands in the order they were added, whose known errors end in one line."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of use instead of the alphabet."""
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; a known error becomes its exit code, a closed pipe a silent end."""
        try:
            return super().invoke(ctx)
        except LegibilityError as error:
            click.echo(f"Error: {error}", err=True)
            ctx.exit(error.exit_code)
        except OSError as error:
            if error.errno == errno.EPIPE:
                raise
            click.echo(f"Error: {error.filename or 'output'}: {error.strerror or error}", err=True)
            ctx.exit(OutputError.exit_code)
        except KeyboardInterrupt:
            click.echo("Interrupted.", err=True)
            ctx.exit(130)
        except MemoryError:
            click.echo("Error: out of memory; use fewer --jobs or smaller photos", err=True)
            ctx.exit(1)
