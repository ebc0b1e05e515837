"""Where an answer goes: to the terminal, or as CSV or JSON to a pipe or a file."""

import functools
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import RenderableType

FORMATS = ("table", "csv", "json")
ENDINGS = {".csv": "csv", ".json": "json", ".txt": "table"}


class OutputError(ScalemodelError):
    """A file cannot be written."""


@dataclass(frozen=True)
class Output:
    """Where and how the user wants an answer.

    Attributes:
        chosen: the format asked for, or None.
        file: the file asked for, or None for standard output.
    """

    chosen: str | None
    file: Path | None

    @property
    def on_terminal(self) -> bool:
        """Whether a person sees the table at once."""
        return self.file is None and self.format == "table"

    @property
    def format(self) -> str:
        """The format asked for; else by the ending of the file; else by where output goes."""
        if self.chosen:
            return self.chosen
        if self.file is not None:
            return ENDINGS.get(self.file.suffix.lower(), "csv")
        return "table" if sys.stdout.isatty() else "csv"


@dataclass(frozen=True)
class Shown:
    """An answer in all the forms it can be given in.

    Attributes:
        table: the rows of CSV and JSON.
        about: what JSON says before the rows.
        view: makes what a terminal shows.
    """

    table: "pd.DataFrame"
    about: Mapping[str, object]
    view: "Callable[[], RenderableType]"


def output_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add --format and -o to a command, which gets them as one ``output``."""

    @click.option(
        "--format",
        "chosen",
        type=click.Choice(FORMATS),
        help="Form of the answer. Default: by the ending of -o; else table on a terminal, csv "
        "elsewhere.",
    )
    @click.option(
        "-o",
        "--output",
        "file",
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help="Write the answer to this file instead.",
    )
    @functools.wraps(command)
    def with_output(*args: Any, chosen: str | None, file: Path | None, **options: Any) -> None:
        command(*args, output=Output(chosen, file), **options)

    return with_output


def deliver(shown: Shown, output: Output) -> None:
    """Give an answer the way the user wants it.

    Raises:
        OutputError: the file cannot be written.
    """
    if output.file is None and output.format == "table" and sys.stdout.isatty():
        _print(shown.view())
        return
    text = as_text(shown, output.format)
    if output.file is None:
        # Bytes, so that every name can be written whatever the encoding of the terminal.
        click.echo(text.encode("utf-8"), nl=False)
    else:
        write_file(output.file, text)
        click.echo(f"Wrote {output.file}", err=True)


def as_text(shown: Shown, form: str) -> str:
    """Write an answer as table, csv or json."""
    from scalemodel.views.tables import to_csv, to_json

    if form == "csv":
        return to_csv(shown.table)
    if form == "json":
        return to_json(shown.table, shown.about)
    from scalemodel.views.terminal.parts import as_text as table_text

    return table_text(shown.view())


def write_file(path: Path, content: bytes | str) -> None:
    """Write a whole file or none of it.

    Raises:
        OutputError: it cannot be written.
    """
    from scalemodel.data.files import write_atomic

    try:
        write_atomic(path, content)
    except OSError as error:
        raise OutputError(
            f"{path}: this file cannot be written ({error.strerror}). "
            "Fix: choose a folder that exists and that you may write to."
        ) from None


def _print(view: "RenderableType") -> None:
    from rich.console import Console

    from scalemodel.views.terminal.parts import WIDTH, Harmless

    if hasattr(sys.stdout, "reconfigure"):  # a sign that the terminal lacks is better than none
        sys.stdout.reconfigure(errors="replace")
    console = Console(markup=False, highlight=False, emoji=False)
    console.width = min(console.width, WIDTH)
    console.print(Harmless(view))
