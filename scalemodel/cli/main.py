"""The command ``scalemodel``: finds the module of a command and turns errors into exit codes.

Nothing here or in the modules of the commands imports numpy, pandas, scipy or matplotlib before
a command runs, so that help answers at once.
"""

import importlib
import os
import sys

import click

from scalemodel.cli.entry import INTERRUPTED
from scalemodel.errors import ScalemodelError

COMMANDS = (
    "tour",
    "start",
    "check",
    "export",
    "reduce",
    "repeat",
    "fit",
    "ceilings",
    "predict",
    "lead",
    "power",
    "value",
    "latency",
    "lows",
    "explain",
    "plan",
    "score",
    "report",
)
"""Commands in the order a bench goes through them, each a module of this room."""

PIPE_CLOSED = 141
"""What shells report for a program whose reader went away."""


class UserError(click.ClickException):
    """An error of the user's making: the message as it is, exit status 2."""

    exit_code = 2

    def show(self, file: object = None) -> None:
        """Write the message to the error stream; ``file`` is what click would use instead."""
        del file
        click.echo(self.message, err=True)


class Commands(click.Group):
    """A group that loads the module of a command when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Give the commands in the order of use."""
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load a command."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"scalemodel.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; turn what can go wrong on the way into an exit status."""
        try:
            result = super().invoke(ctx)
            sys.stdout.flush()
        except ScalemodelError as error:
            raise UserError(str(error)) from None
        except KeyboardInterrupt:
            ctx.exit(INTERRUPTED)
        except BrokenPipeError:
            close_output()
            ctx.exit(PIPE_CLOSED)
        except OSError as error:
            if error.filename is not None:
                raise
            close_output()
            raise UserError(
                f"The answer cannot be written ({error.strerror}). Fix: make room, or name "
                "another place with -o FILE."
            ) from None
        return result


def close_output() -> None:
    """Turn standard output away, so that Python does not complain about its reader at the end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
    epilog="Begin with: scalemodel tour",
)
@click.version_option(package_name="scalemodel", message="scalemodel %(version)s")
def run() -> None:
    """Say what a graphics-card bench can tell.

    Which frame rates sit at the CPU ceiling, where a card should land before it can be tested,
    how far one card leads another and why that changes, and what to test next.
    """
