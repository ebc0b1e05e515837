"""The reference of all commands, made from their own help; ``python -m`` prints it."""

import click

from scalemodel.cli.main import run

WIDTH = 96

INTRODUCTION = """\
# Commands

This page is the help of every command, as `scalemodel COMMAND --help` prints it.

Exit status: 0 done; 1 the answer is "no" (`check`: the bench is not sound); 2 bad input or usage.
Without `--format` and `-o` a terminal gets a table and a pipe gets CSV. Messages, progress and
the names of written files go to the error stream.
"""


def command_reference() -> str:
    """Write the help of the program and of every command as Markdown."""
    with click.Context(run, info_name="scalemodel") as program:
        parts = [INTRODUCTION, _section("scalemodel", run)]
        for name in run.list_commands(program):
            command = run.get_command(program, name)
            if command is not None:
                parts.append(_section(f"scalemodel {name}", command))
    return "\n".join(parts)


def _section(name: str, command: click.Command) -> str:
    context = click.Context(
        command,
        info_name=name,
        terminal_width=WIDTH,
        help_option_names=["-h", "--help"],
    )
    return f"## {name}\n\n```text\n{command.get_help(context)}\n```\n"


if __name__ == "__main__":
    click.echo(command_reference(), nl=False)
