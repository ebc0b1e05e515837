"""``scalemodel tour``: every step once, on an invented bench."""

from pathlib import Path

import click


@click.command("tour", short_help="Show me: every step on an invented bench.")
@click.argument(
    "folder", type=click.Path(path_type=Path), metavar="[DIR]", default=Path("scalemodel-tour")
)
def command(folder: Path) -> None:
    """Run every step once on an invented bench and keep the results in DIR.

    Writes the bench to DIR/bench, then checks it, reduces its frame-time logs, fits it, finds the
    ceilings, predicts three cards that it has no results for, compares two cards, looks at power,
    prices, latency and lows, and ends with a report in one HTML file. Tables go to CSV files and
    pictures to PNG files in DIR. DIR is scalemodel-tour unless you name another; files of yours
    are never overwritten.

    \b
    Example:
      scalemodel tour
    """
    from scalemodel.cli.guide import guide

    guide(folder)
