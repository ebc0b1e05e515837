"""Invented frame-time logs for tests: frame times, and a bench around a log."""

import gzip
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

HEADER = "file,card,platform,game,preset,resolution,run,column,unit,skip_s,length_s"


def frame_times(count: int = 4000, seed: int = 1) -> NDArray[np.float64]:
    """Give frame times in ms with 4 decimals, about 12 ms, never alike."""
    rng = np.random.default_rng(seed)
    return np.asarray(np.round(12 * np.exp(0.1 * rng.standard_normal(count)), 4))


def column(numbers: NDArray[np.float64], header: str = "frame", decimals: int = 4) -> str:
    """Write a log of one column."""
    return "\n".join([header, *(f"{number:.{decimals}f}" for number in numbers), ""])


def columns(header: str, *numbers: NDArray[np.float64], decimals: int = 4) -> str:
    """Write a log of several columns, separated by commas."""
    rows = zip(*numbers, strict=True)
    lines = (",".join(f"{number:.{decimals}f}" for number in row) for row in rows)
    return "\n".join([header, *lines, ""])


def listed(*rows: str) -> str:
    """Write frames.csv: rows "file" or "file,column,unit,skip,length", each a run of its own."""
    lines = [HEADER]
    for run, row in enumerate(rows, 1):
        file, *rest = row.split(",")
        cells = [file, "Ostra 4", "Bench 1", "Tide", "High", "2560x1440", str(run)]
        lines.append(",".join([*cells, *rest, *[""] * (4 - len(rest))]))
    return "\n".join([*lines, ""])


def write_logs(folder: Path, rows: tuple[str, ...], **logs: str | bytes) -> Path:
    """Write frames.csv and logs; the name ``a_csv`` stands for a.csv, ``a_csv_gz`` is packed."""
    (folder / "frames").mkdir(parents=True, exist_ok=True)
    (folder / "frames.csv").write_text(listed(*rows))
    for name, content in logs.items():
        data = content.encode() if isinstance(content, str) else content
        if name.endswith("_gz"):
            data = gzip.compress(data, mtime=0)
        (folder / "frames" / name.replace("_", ".")).write_bytes(data)
    return folder
