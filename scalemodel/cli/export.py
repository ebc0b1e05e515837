"""``scalemodel export``: the same bench as a workbook, or as files of a folder."""

from pathlib import Path
from typing import Literal

import click

from scalemodel.cli.options import A_PLACE, bench_argument
from scalemodel.data.urls import BenchPath


@click.command("export", short_help="Write the bench as a workbook, as files or into a database.")
@bench_argument
@click.option(
    "--to",
    "target",
    type=A_PLACE,
    required=True,
    metavar="FILE.xlsx|FOLDER|URL",
    help="A new workbook, a new folder with one file a table, or a database.",
)
@click.option("--parquet", is_flag=True, help="Write Parquet files into the folder, not CSV.")
def command(bench: BenchPath, target: BenchPath, *, parquet: bool) -> None:
    """Write the tables of BENCH elsewhere, without loss.

    Takes a folder, an .xlsx workbook or a database, and writes any of them. Excluded runs, notes
    and columns of your own go along; nothing that is there already is written over. In a workbook
    a text that begins with = stays a text. A database gets all tables at once or none.

    \b
    Examples:
      scalemodel export my-bench --to my-bench.xlsx
      scalemodel export my-bench --to sqlite:///my-bench.db
    """
    from scalemodel.data.export import export_bench

    if parquet and not (isinstance(target, Path) and target.suffix.lower() != ".xlsx"):
        raise click.UsageError("--parquet goes with a folder, not with a workbook or a database.")
    kind: Literal["csv", "parquet"] = "parquet" if parquet else "csv"
    click.echo(str(export_bench(bench, target, kind)))
