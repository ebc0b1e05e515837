"""The reference of every file and column of a bench; ``python -m`` prints it."""

from scalemodel.data.schema import PRICES, TABLES
from scalemodel.data.template import table_reference

INTRODUCTION = """\
# The bench

A bench is a folder with one file a table, one `.xlsx` workbook with a sheet a table
([export.md](export.md)), or a database ([database.md](database.md)). `scalemodel start my-bench`
writes an empty one with one example row a file, `scalemodel check my-bench` reads yours and lists
every problem at once.

This page is made from the same declaration that reading and checking use.

**Files.** CSV in UTF-8, with or without a byte-order mark, or Parquet (`cards.parquet` instead of
`cards.csv`). Commas, semicolons or tabs may separate the cells, and numbers may have a decimal
point or a decimal comma; which of them a file uses is found out and reported by `check`. Blank
lines do not matter. Columns not listed here are kept and not used. Results may also be kept with
cards down and charts across ([wide-sheets.md](wide-sheets.md)).

**Names** are text, never numbers: the card "007" stays "007". Two spellings are two things; `check`
warns where they differ only in capitals or spaces.

**Words.** A card is one graphics card model. A platform is the rest of the machine. A scene is a
game at one preset. A chart is a scene at one resolution on one platform. A run is one pass; the
runs of a card on a chart make a cell, and its rate is what most of them agree on.

**What is left out, and listed.** Runs marked `exclude`, runs with frame generation on (generated
frames do not cost the CPU what rendered ones do), runs of cards without a spec sheet, a run given
twice, and runs at a power limit that is not the card's own: a number in `power_limit_w` that
differs by more than 0.5% from `board_power_w` of the sheet ([power.md](power.md) looks at these).
`scalemodel check my-bench --excluded` lists all of them with the reason. The fit also leaves out
cells that fell for lack of memory, and runs far from their repeats hardly count in it; to list
those too: `scalemodel fit my-bench --left-out`.

**What the fit uses.** Of a spec sheet: vendor, architecture, shaders, boost clock, bandwidth and
memory size, and the cache and the raster output units if every tested card has them. Of a result:
its names, the rate or low asked for, and `driver`, `game_version` and `date`, which say what was
tested together; `repeat` finds results from before a change of these. `power` uses `power_w` and
`board_power_w`, `value` the `price`. The other columns are for you.

**Frame-time logs** lie in the folder `frames` of the bench, under any names: text with commas,
semicolons, tabs, bars or spaces between cells, or Parquet, packed with gzip or not. frames.csv says
which log is which run; [reduce.md](reduce.md) turns them into rows for results.csv.

**Spec sheets for prediction** are a file with the columns of `cards.csv`. **Prices** are a file of
any name with the columns of the last table below ([value.md](value.md)).
"""


def bench_reference() -> str:
    """Write every table and column of a bench as Markdown."""
    return INTRODUCTION + "".join(table_reference(table) for table in (*TABLES, PRICES))


if __name__ == "__main__":
    print(bench_reference(), end="")
