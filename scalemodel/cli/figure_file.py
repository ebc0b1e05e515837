"""Files that figures go to."""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from scalemodel.cli.output import write_file
from scalemodel.views.sizes import PAGE, SIZES, Size

if TYPE_CHECKING:
    from scalemodel.views.style import Figure

KINDS: dict[str, Literal["png", "svg", "pdf"]] = {".png": "png", ".svg": "svg", ".pdf": "pdf"}
CHOSEN = "scalemodel.figure_size"
"""Where the context of a command keeps the size that was asked for."""


def check_ending(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
    """Take a path that ends in .png, .svg or .pdf, or say which endings there are."""
    if value is not None and value.suffix.lower() not in KINDS:
        raise click.BadParameter(f"'{value}' should end in .png, .svg or .pdf.", ctx, param)
    return value


def keep_size(name: str | None, figure: Path | None) -> None:
    """Keep the size that a command's figure is to have.

    Raises:
        UsageError: there is a size but no figure.
    """
    if name is not None and figure is None:
        raise click.UsageError("--figure-size says how large a figure is: give --figure FILE too.")
    click.get_current_context().meta[CHOSEN] = PAGE if name is None else SIZES[name]


def figure_size() -> Size:
    """Give the size that the figure of the command that runs is to have."""
    context = click.get_current_context(silent=True)
    size = PAGE if context is None else context.meta.get(CHOSEN, PAGE)
    assert isinstance(size, Size)
    return size


def write_figure(path: Path, figure: "Figure") -> None:
    """Draw a figure into its file and say so on the error stream.

    Raises:
        OutputError: the file cannot be written.
    """
    from scalemodel.views.style import figure_bytes

    write_file(path, figure_bytes(figure, KINDS[path.suffix.lower()]))
    click.echo(f"Drew {path}", err=True)


def numbered_paths(path: Path, names: list[str]) -> list[Path]:
    """Give each of several figures a path of its own: the name goes before the ending.

    One figure keeps the path as it is; names that would be the same file get a number.
    """
    if len(names) <= 1:
        return [path] * len(names)
    paths: list[Path] = []
    for name in names:
        plain = re.sub(r"[^\w.]+", "-", name).strip("-.").lower() or "card"
        own = path.with_name(f"{path.stem}-{plain}{path.suffix}")
        count = 1
        while own in paths:
            count += 1
            own = path.with_name(f"{path.stem}-{plain}-{count}{path.suffix}")
        paths.append(own)
    return paths
