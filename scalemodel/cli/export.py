"""``scalemodel export``: the same bench as a workbook, or as files of a folder."""

from pathlib import Path
from typing import Literal

import click

from scalemodel.cli.options import bench_argument


@click.command("export", short_help="Write the bench as a workbook or as files.")
@bench_argument
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FILE.xlsx|FOLDER",
    help="A new workbook, or a new folder with one file a table.",
)
@click.option("--parquet", is_flag=True, help="Write Parquet files into the folder, not CSV.")
def command(bench: Path, target: Path, *, parquet: bool) -> None:
    """Write the tables of BENCH elsewhere, without loss.

    Takes a folder or an .xlsx workbook, and writes either. Excluded runs, notes and columns of
    your own go along; nothing that is there already is written over. In a workbook a text that
    begins with = stays a text.

    \b
    Example:
      scalemodel export my-bench --to my-bench.xlsx
    """
    from scalemodel.data.export import export_bench

    if parquet and target.suffix.lower() == ".xlsx":
        raise click.UsageError("--parquet goes with a folder, not with a workbook.")
    kind: Literal["csv", "parquet"] = "parquet" if parquet else "csv"
    click.echo(str(export_bench(bench, target, kind)))
