from pathlib import Path

import pytest

from scalemodel.data import files
from scalemodel.data.bench import read_bench
from scalemodel.data.schema import TABLES
from scalemodel.data.template import TemplateError, write_template

NAMES = ["README.md", "cards.csv", "frames.csv", "latency.csv", "platforms.csv", "results.csv"]


def test_the_empty_bench_is_legal_and_complete(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "bench"
    assert sorted(path.name for path in write_template(folder)) == NAMES
    assert sorted(path.name for path in folder.iterdir()) == NAMES
    bench = read_bench(folder)
    assert (len(bench.cards), len(bench.platforms), len(bench.results)) == (1, 1, 1)
    assert bench.excluded.empty
    assert [p.column for p in bench.problems] == ["card"]  # the chart has only one card yet
    for table in TABLES:
        header, row = (folder / f"{table.name}.csv").read_text().splitlines()
        assert header == ",".join(table.names())
        assert row.startswith(table.columns[0].example)


def test_every_column_is_explained(tmp_path: Path) -> None:
    write_template(tmp_path)
    text = (tmp_path / "README.md").read_text()
    for table in TABLES:
        section = text.partition(f"## {table.name}.csv")[2].partition("\n## ")[0]
        rows = [line.split(" | ") for line in section.splitlines() if line.startswith("| ")][1:]
        assert [row[0].removeprefix("| ") for row in rows] == list(table.names())
        assert all(len(row) == 5 and all(cell.strip(" |") for cell in row) for row in rows)


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "cards.csv").write_text("mine")
    (tmp_path / "other.txt").write_text("mine")
    with pytest.raises(TemplateError) as caught:
        write_template(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: cards.csv is there already; nothing was overwritten. "
        "Fix: choose another folder or move what is there."
    )
    assert (tmp_path / "cards.csv").read_text() == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cards.csv", "other.txt"]


def test_a_second_time_is_refused(tmp_path: Path) -> None:
    write_template(tmp_path)
    with pytest.raises(TemplateError) as caught:
        write_template(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: cards.csv, platforms.csv, results.csv, frames.csv, latency.csv, README.md "
        "are there already; nothing was overwritten. "
        "Fix: choose another folder or move what is there."
    )


def test_a_file_in_the_place_of_the_folder(tmp_path: Path) -> None:
    path = tmp_path / "bench"
    path.touch()
    with pytest.raises(TemplateError) as caught:
        write_template(path)
    assert str(caught.value) == (
        f"{path}: the empty bench cannot be written there (there is a file). "
        "Fix: choose a folder you may write to."
    )


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = files.write_atomic

    def fail_at_the_third(path: Path, text: str, *, overwrite: bool) -> None:
        if path.name == "results.csv":
            raise OSError(28, "No space left on device")
        write(path, text, overwrite=overwrite)

    monkeypatch.setattr(files, "write_atomic", fail_at_the_third)
    with pytest.raises(TemplateError) as caught:
        write_template(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: the empty bench cannot be written there (No space left on device). "
        "Fix: choose a folder you may write to."
    )
    assert list(tmp_path.iterdir()) == []
