"""Files that figures go to."""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from scalemodel.cli.output import write_file

if TYPE_CHECKING:
    from scalemodel.views.style import Figure

KINDS: dict[str, Literal["png", "svg"]] = {".png": "png", ".svg": "svg"}


def check_ending(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
    """Take a path that ends in .png or .svg, or say which endings there are."""
    if value is not None and value.suffix.lower() not in KINDS:
        raise click.BadParameter(f"'{value}' should end in .png or .svg.", ctx, param)
    return value


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
