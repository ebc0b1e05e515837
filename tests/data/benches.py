"""Small invented benches for the tests of the data room."""

from pathlib import Path

from scalemodel.data.bench import BenchError, read_bench

CARDS = """\
card,vendor,architecture,shaders,boost_clock_mhz,memory_gb,memory_bandwidth_gbs
Ostra 4,Ostra,Reef,2048,2400,12,400
Ostra 6,Ostra,Reef,4096,2300,16,640
"""

RESULTS = """\
card,platform,game,preset,resolution,run,avg_fps
Ostra 4,Bench 1,Tide,High,2560x1440,1,61.5
Ostra 4,Bench 1,Tide,High,2560x1440,2,61.9
Ostra 6,Bench 1,Tide,High,2560x1440,1,98.2
Ostra 6,Bench 1,Tide,High,2560x1440,2,97.9
"""


def write_bench(folder: Path, **files: str | bytes) -> Path:
    """Write cards.csv and results.csv, or the texts given for them, and platforms.csv if given."""
    for name, content in {"cards": CARDS, "results": RESULTS, **files}.items():
        data = content.encode() if isinstance(content, str) else content
        (folder / f"{name}.csv").write_bytes(data)
    return folder


def results(*rows: str, extra: str = "") -> str:
    """Write results.csv with the required columns, some extra ones, and these rows."""
    return "\n".join([RESULTS.splitlines()[0] + extra, *rows, ""])


def error_lines(path: Path) -> list[str]:
    """Read a bench that must be refused; give the lines of the message after the first."""
    try:
        read_bench(path)
    except BenchError as error:
        head, *lines = str(error).splitlines()
        assert head.endswith(f" in {path}; nothing was read.")
        return lines
    raise AssertionError("the bench was accepted")


def warning_lines(path: Path) -> list[str]:
    """Read a bench that must be accepted; give its warnings."""
    return [str(problem) for problem in read_bench(path).problems]
