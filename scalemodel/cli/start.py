"""``scalemodel start``: an empty bench to fill in."""

from pathlib import Path

import click


@click.command("start", short_help="Write an empty bench with every column explained.")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
def command(folder: Path) -> None:
    """Write an empty bench into DIR: how do I begin with my own data?

    Every file has its header and one example row; README.md beside them explains each column.
    Nothing that is already there is overwritten.

    \b
    Example:
      scalemodel start my-bench
    """
    from scalemodel.data.template import write_template

    for path in write_template(folder):
        click.echo(f"Wrote {path}")
    click.echo(f"Fill in your rows, delete the example rows, then: scalemodel check {folder}")
