"""``scalemodel export``: from the command line, and what it refuses."""

from pathlib import Path

from click.testing import CliRunner, Result

from scalemodel.cli.main import run
from scalemodel.data.bench import read_bench
from tests.data.benches import write_bench


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(run, ["export", *(str(word) for word in words)])


def test_a_folder_becomes_a_workbook_and_a_folder_again(tmp_path: Path) -> None:
    bench = write_bench(tmp_path)
    book = tmp_path / "lab.xlsx"
    done = call(bench, "--to", book)
    assert done.exit_code == 0
    assert done.output == f"Wrote {book}: rows 2 of cards, 4 of results.\n"
    assert call(book, "--to", tmp_path / "again", "--parquet").exit_code == 0
    assert sorted(path.name for path in (tmp_path / "again").iterdir()) == [
        "cards.parquet",
        "results.parquet",
    ]
    assert len(read_bench(tmp_path / "again").results) == 4


def test_what_is_there_stays(tmp_path: Path) -> None:
    done = call(write_bench(tmp_path), "--to", tmp_path)
    assert done.exit_code == 2
    assert "there is something here already; nothing was written" in done.output


def test_parquet_is_no_workbook(tmp_path: Path) -> None:
    done = call(write_bench(tmp_path), "--to", tmp_path / "lab.xlsx", "--parquet")
    assert done.exit_code == 2
    assert "--parquet goes with a folder" in done.output


def test_a_bench_that_cannot_be_read(tmp_path: Path) -> None:
    done = call(write_bench(tmp_path, results="nothing"), "--to", tmp_path / "lab.xlsx")
    assert done.exit_code == 2
    assert "results.csv: there is no header" in done.output
    assert not (tmp_path / "lab.xlsx").exists()
