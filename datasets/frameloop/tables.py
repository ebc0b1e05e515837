"""Turn what the frame loop wrote into a bench and its truth: `python -m datasets.frameloop.tables`.

The program's own files lie in `raw/`; everything that this module writes follows from them.
"""

import gzip
from pathlib import Path

import pandas as pd

from scalemodel.data.files import write_atomic

FOLDER = Path(__file__).resolve().parent
BENCH_FOLDER = FOLDER / "bench"
CHIPS = ("narrow", "wide")
CELL = ["card", "platform", "game", "preset", "resolution"]

#: Of a multiprocessor.
SHADERS = 128
#: What the machine says of the two chips. Bandwidth is pins x data rate: two transfers a clock.
CHIP_SHEETS = {
    "narrow": {"memory_gb": 80, "memory_bus_bits": 5120, "memory_rate_gbps": 5.238, "cache_mb": 50},
    "wide": {"memory_gb": 141, "memory_bus_bits": 6016, "memory_rate_gbps": 6.402, "cache_mb": 60},
}
CLOCK_MHZ = 1980
#: The cards are parts of a chip, named for the width of its memory and their multiprocessors.
NAMES = {"narrow": "Weir N", "wide": "Weir W"}


def runs() -> pd.DataFrame:
    """Read the runs as the program wrote them, and name the cards."""
    read = pd.concat([pd.read_csv(FOLDER / "raw" / f"runs-{chip}.csv.gz") for chip in CHIPS])
    return read.assign(card=read["chip"].map(NAMES) + read["multiprocessors"].astype(str))


def cards(made: pd.DataFrame) -> pd.DataFrame:
    """Return the spec sheets, by chip and size."""
    parts = made[["chip", "multiprocessors", "card"]].drop_duplicates()
    rows = [
        {
            "card": part.card,
            "vendor": "Millrace",
            "architecture": "Weir",
            "shaders": SHADERS * part.multiprocessors,
            "boost_clock_mhz": CLOCK_MHZ,
            **CHIP_SHEETS[part.chip],
        }
        for part in parts.sort_values(["chip", "multiprocessors"]).itertuples()
    ]
    return pd.DataFrame(rows)


def platforms() -> pd.DataFrame:
    """Return the two CPU loads under the names of platforms."""
    machine = {"memory": "128 GB", "os": "virtual machine"}
    rows = [
        {"platform": "far desk", "cpu": "lighter load of one core, 0.31 to 0.49 ms a frame"},
        {"platform": "near desk", "cpu": "heavier load of one core, 0.49 to 0.86 ms a frame"},
    ]
    return pd.DataFrame([{**row, **machine} for row in rows])


def results(made: pd.DataFrame) -> pd.DataFrame:
    """Return one row a run: frames over time, as a player would log it."""
    rate = (1000.0 / made["frame_ms"]).round(3)
    return made[[*CELL, "run"]].assign(avg_fps=rate).sort_values([*CELL, "run"])


def truth(made: pd.DataFrame) -> pd.DataFrame:
    """Return one row a cell: what CPU and GPU took, means over its runs."""
    times = ["frame_ms", "cpu_ms", "gpu_ms", "wait_ms", "larger_ms", "cpu_slower"]
    mean = made.groupby(CELL)[times].mean().round(5)
    return mean.assign(at_ceiling=mean["cpu_slower"] > 0.5).reset_index()


def logs() -> pd.DataFrame:
    """Read the frames of the logged cells, and name the cards."""
    read = pd.concat([pd.read_csv(FOLDER / "raw" / f"logs-{chip}.csv.gz") for chip in CHIPS])
    return read.assign(card=read["chip"].map(NAMES) + read["multiprocessors"].astype(str))


def log_files(frames: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, bytes]]:
    """Return the list of logs, and the content of each."""
    listed, contents = [], {}
    for cell, own in frames.groupby(CELL):
        named = dict(zip(CELL, cell, strict=True))
        words = (named["card"], named["game"], named["preset"], named["resolution"].split("x")[1])
        name = "-".join(words).lower().replace(" ", "-") + f"-{named['platform'].split()[0]}.csv.gz"
        listed.append({"file": name, **named, "run": 4, "column": "frame_ms", "unit": "ms"})
        text = own[["frame_ms", "cpu_ms", "gpu_ms", "wait_ms"]].to_csv(
            index=False, lineterminator="\n"
        )
        contents[name] = gzip.compress(text.encode(), mtime=0)
    return pd.DataFrame(listed), contents


def files() -> dict[Path, bytes]:
    """Return the bytes of every file that follows from `raw/`."""
    made = runs()
    listing, contents = log_files(logs())
    tables = {
        BENCH_FOLDER / "cards.csv": cards(made),
        BENCH_FOLDER / "platforms.csv": platforms(),
        BENCH_FOLDER / "results.csv": results(made),
        BENCH_FOLDER / "frames.csv": listing,
        FOLDER / "truth.csv": truth(made),
    }
    found = {
        path: table.to_csv(index=False, lineterminator="\n").encode()
        for path, table in tables.items()
    }
    found |= {BENCH_FOLDER / "frames" / name: content for name, content in contents.items()}
    return found


if __name__ == "__main__":
    for path, content in files().items():
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(path, content)
