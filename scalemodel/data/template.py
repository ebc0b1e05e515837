"""An empty bench to begin with: every column explained, one example row a file."""

import csv
import io
import os
from pathlib import Path

from scalemodel.data.files import write_new
from scalemodel.data.schema import TABLES, Column, Table
from scalemodel.errors import ScalemodelError

README = "README.md"

INTRODUCTION = """\
# A bench

Each file below is one table. Open it in a spreadsheet or an editor, fill in your rows, delete the
example row, and keep the header. Then run `scalemodel check` on this folder.

- Save as CSV in UTF-8. Commas, semicolons or tabs may separate the cells, and numbers may have a
  decimal point or a decimal comma, one of the two in a file. A Parquet file of the same name does
  as well.
- Names are text: "007" stays "007", and two spellings are two things.
- An optional column may be left out, and an optional cell may be empty. Columns of your own are
  kept.
- A card is one graphics card model; a platform is the rest of the machine; a run is one pass.
  Runs of one card, platform, game, preset and resolution are repeats of each other: number them.
- A run with frame generation on is listed but not used: generated frames do not cost the CPU what
  rendered ones do. Nor does a run at a power limit of its own count in the fit; number such runs
  1, 2, 3 again at each limit, and leave power_limit_w empty otherwise.
- Frame-time logs that are still to be reduced go into a folder `frames` beside these files;
  frames.csv names them, and `scalemodel reduce` turns them into rows for results.csv. Without
  such logs delete frames.csv.
- Latency from click to photon goes into latency.csv, one row a shot, 20 to 30 shots a cell. Without
  such shots delete latency.csv.
- A card that you cannot test yet has a row with the same columns as cards.csv in a file of its
  own, given to `scalemodel predict`.
"""


class TemplateError(ScalemodelError):
    """The empty bench cannot be written there."""


def write_template(folder: str | os.PathLike[str]) -> tuple[Path, ...]:
    """Write an empty bench into a folder, which is made if need be; give the files written.

    Raises:
        TemplateError: one of the files is there already (none is written then), or the folder
            cannot be written to.
    """
    target = Path(folder)
    files = {f"{table.name}.csv": _example(table) for table in TABLES}
    files[README] = _readme()
    try:
        there = [name for name in files if (target / name).exists()]
        if there:
            raise TemplateError(_taken(target, there))
        write_new(target, files)
    except OSError as error:
        reason = "there is a file" if isinstance(error, FileExistsError) else error.strerror
        raise TemplateError(
            f"{target}: the empty bench cannot be written there ({reason}). "
            "Fix: choose a folder you may write to."
        ) from None
    return tuple(target / name for name in files)


def _taken(target: Path, names: list[str]) -> str:
    verb = "is" if len(names) == 1 else "are"
    return (
        f"{target}: {', '.join(names)} {verb} there already; nothing was overwritten. "
        "Fix: choose another folder or move what is there."
    )


def _example(table: Table) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(table.names())
    writer.writerow(column.example for column in table.columns)
    return stream.getvalue()


def _readme() -> str:
    return INTRODUCTION + "".join(table_reference(table) for table in TABLES)


def table_reference(table: Table) -> str:
    """Write a table and its columns as a section of Markdown."""
    need = "required" if table.required else "optional"
    lines = [
        f"\n## {table.name}.csv ({need})\n",
        f"{table.meaning[0].upper()}{table.meaning[1:]}.\n",
        "| column | needed | meaning | allowed | example |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| {c.name} | {_needed(table, c)} | {c.meaning} | {c.allowed} | {c.example} |"
        for c in table.columns
    ]
    if table.name == "cards":
        lines.append(
            "\nGive memory_bandwidth_gbs, or both memory_bus_bits and memory_rate_gbps; where all "
            "three are given they are checked against each other."
        )
    return "\n".join(lines) + "\n"


def _needed(table: Table, column: Column) -> str:
    if table.name == "cards" and column.name.startswith(("memory_b", "memory_r")):
        return "see below"
    return "yes" if column.required else "no"
