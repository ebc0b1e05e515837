"""A bench from somebody who means harm: what docs/safety.md promises.

Formulas and bombs in workbooks are in tests/data/test_workbook.py, kept files in
tests/data/test_store.py, paths of logs in tests/answers/test_reduce.py, markup in the report in
tests/views/test_report.py.
"""

import contextlib
import gzip
import io
import json
import os
import pickle
import xml.dom.minidom
import zipfile
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from scalemodel.answers.reduce import reduce_logs
from scalemodel.cli.main import run
from scalemodel.data import rows
from scalemodel.data.bench import BenchError, check_bench, read_bench
from scalemodel.data.cells import LONGEST_ID
from scalemodel.data.logs import opening, parquet, text
from scalemodel.views.signs import harmless
from tests.data.benches import CARDS, RESULTS, error_lines, write_bench
from tests.fuzz import sound

ORDERS = "\x1b]0;title\x07\x1b[31m\u202e"
"""What sets the title of a terminal, its colour, and the direction of writing."""


def call(*words: str | Path, code: int = 0) -> Result:
    result = CliRunner().invoke(run, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == code, result.output
    return result


def named(folder: Path, **names: str) -> Path:
    """Write the sound bench with other names of things; its cells may need quotes."""
    bench = sound.write_bench(folder / "bench")
    for path in (bench / "cards.csv", bench / "results.csv", bench / "latency.csv"):
        content = path.read_text()
        for old, new in names.items():
            content = content.replace(old.replace("_", " "), '"' + new.replace('"', '""') + '"')
        path.write_text(content)
    return bench


FRIENDLY = {
    "Mirel_10": "<script>alert(1)</script>",
    "Mirel_20": "[bold red]x[/] $\\frac{1$ {{7*7}} %s",
    "Mirel_30": "🙂 ☃ é",
    "Halvor_A": "=HYPERLINK(1)",
    "Halvor_B": "x" * LONGEST_ID,
}


@pytest.fixture(scope="module")
def friendly(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return named(tmp_path_factory.mktemp("friendly"), **FRIENDLY)


def test_odd_names_go_through_every_form_as_they_are(friendly: Path, tmp_path: Path) -> None:
    assert set(FRIENDLY.values()) <= set(read_bench(friendly).cards["card"])
    assert FRIENDLY["Mirel_20"] in call("ceilings", friendly, "--format", "csv").stdout
    found = json.loads(call("ceilings", friendly, "--format", "json").stdout)
    assert FRIENDLY["Mirel_30"] in json.dumps(found, ensure_ascii=False)
    call("lead", friendly, "--format", "table")
    for kind in ("png", "svg"):
        call("ceilings", friendly, "--figure", tmp_path / f"a.{kind}")
    xml.dom.minidom.parse(str(tmp_path / "a.svg"))
    call("export", friendly, "--to", tmp_path / "lab.xlsx")
    cells = [row[0] for row in openpyxl.load_workbook(tmp_path / "lab.xlsx")["cards"].iter_rows()]
    assert {cell.data_type for cell in cells} == {"s"}
    assert "=HYPERLINK(1)" in {cell.value for cell in cells}


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("a\x1b[31m", "a line break or an invisible character"),
        ("a\u202eb", "a line break or an invisible character"),
        ("a\u200bb", "a line break or an invisible character"),
        ("a\nb", "a line break or an invisible character"),
        ("x" * (LONGEST_ID + 1), "a name has 250 at most"),
        ("\u0316\u0301" * 30_000, "a name has 250 at most"),
    ],
)
def test_names_that_cannot_be_shown_are_refused(tmp_path: Path, name: str, said: str) -> None:
    lines = error_lines(write_bench(tmp_path, cards=CARDS.replace("Ostra 4", f'"{name}"')))
    assert said in lines[0]
    assert all(line.isprintable() and len(line) < 400 for line in lines)


def test_texts_are_no_orders_to_a_terminal_or_a_browser(tmp_path: Path) -> None:
    bench = sound.write_bench(tmp_path / "bench")
    lines = (bench / "results.csv").read_text().splitlines()
    rows = [f"{lines[0]},upscaling", *(f"{line},{ORDERS}" for line in lines[1:]), ""]
    (bench / "results.csv").write_text("\n".join(rows))
    words = ("lead", bench, "Mirel 10", "Halvor A", "--by", "upscaling")
    shown = call(*words, "--format", "table").stdout
    assert harmless(ORDERS.replace("\x07", "")) in shown  # the bell is left out
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert ORDERS in call(*words, "--format", "csv").stdout  # the data are as they were
    call(*words, "--figure", tmp_path / "a.svg")
    xml.dom.minidom.parse(str(tmp_path / "a.svg"))


def test_a_sign_stands_for_each_order() -> None:
    assert harmless(f"a\n{ORDERS}b") == "a\n␛]0;title␇␛[31m\ufffdb"


def test_a_csv_export_leaves_texts_as_they_are(tmp_path: Path) -> None:
    text = RESULTS.replace("avg_fps", "avg_fps,note").replace("61.5", "61.5,=1+1")
    write_bench(tmp_path, results=text)
    call("export", tmp_path, "--to", tmp_path / "out")
    assert ",=1+1" in (tmp_path / "out" / "results.csv").read_text()


def test_a_long_number_takes_no_time(tmp_path: Path) -> None:
    # Read with a pattern that tries every way to split the digits this takes half a minute.
    write_bench(tmp_path, results=RESULTS.replace("61.5", "1" * 40_000 + "y"))
    assert "is not a number" in error_lines(tmp_path)[0]


def test_a_header_of_thousands_of_columns_is_refused(tmp_path: Path) -> None:
    wide = RESULTS.replace("avg_fps", "avg_fps," + ",".join(f"c{i}" for i in range(2000)))
    assert "the table has 2,007 columns" in error_lines(write_bench(tmp_path, results=wide))[0]


def parquet_bench(folder: Path, **columns: pa.Array) -> Path:
    """Write a bench whose results are Parquet with some columns replaced or added."""
    write_bench(folder)
    head, *body = [line.split(",") for line in RESULTS.splitlines()]
    arrays = {name: pa.array([row[i] for row in body]) for i, name in enumerate(head)}
    (folder / "results.csv").unlink()
    pq.write_table(pa.table({**arrays, **columns}), folder / "results.parquet")
    return folder


class Trap:
    def __reduce__(self) -> tuple[object, ...]:
        return os.mkdir, ("sprung",)


@pytest.mark.parametrize("name", ["arrow.py_extension_type", "pandas.period", "made.up"])
def test_types_of_others_run_no_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.chdir(tmp_path)
    bench = parquet_bench(tmp_path, mine=pa.array([1, 2, 3, 4]))
    table = pq.read_table(bench / "results.parquet")
    odd = pa.field(
        "mine",
        pa.int64(),
        metadata={
            "ARROW:extension:name": name,
            "ARROW:extension:metadata": pickle.dumps(Trap()),
        },
    )
    schema = table.schema.set(table.schema.get_field_index("mine"), odd)
    pandas = json.dumps({"columns": [{"name": "mine", "numpy_type": "object"}], "index_columns": 7})
    schema = schema.with_metadata({"pandas": pandas})
    pq.write_table(table.cast(schema), bench / "results.parquet")
    with contextlib.suppress(BenchError):  # pandas, where it has made its types known, may refuse
        assert list(read_bench(bench).results["mine"]) == ["1", "2", "3", "4"]
    assert not (tmp_path / "sprung").exists()


def test_nested_types_are_texts(tmp_path: Path) -> None:
    nested = pa.array([[{"a": 1}], [], None, [{"a": None}]])
    bench = read_bench(parquet_bench(tmp_path, mine=nested))
    assert list(bench.results["mine"]) == ["[{'a': 1}]", "[]", "", "[{'a': None}]"]


def test_more_rows_than_any_bench_has_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rows, "MOST_DECLARED", 3)
    assert "the file declares 4 rows" in error_lines(parquet_bench(tmp_path))[0]


def reduced(folder: Path, content: bytes) -> str:
    """Reduce a log that must be refused; give the message."""
    bench = sound.write_bench(folder / "bench")
    (bench / "frames" / sound.LOG).write_bytes(content)
    with pytest.raises(BenchError) as caught:
        reduce_logs(bench, workers=1)
    return str(caught.value)


def test_a_log_that_unpacks_to_far_more_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "SMALL", 1 << 20)
    bomb = sound.plain(sound.log_rows()) + b"1.0,16.0,game\n" * 500_000
    said = reduced(tmp_path, gzip.compress(bomb))
    assert "the log unpacks to more than 250 times its size" in said


def test_a_line_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text, "LONGEST_LINE", 1 << 10)
    content = sound.plain(sound.log_rows())
    monkeypatch.setattr(text, "SEGMENT", 1 << 11)
    said = reduced(tmp_path, content + b"1" * 40_000)
    assert "a line is longer than 1,024 characters" in said


def test_a_log_with_more_frames_than_any_run_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parquet, "MOST_FRAMES", 10)
    stream = io.BytesIO()
    pq.write_table(pa.table({"ms": [16.0 + i % 3 for i in range(40)]}), stream)
    assert "the log declares 40 rows" in reduced(tmp_path, stream.getvalue())


@pytest.mark.parametrize("file", ["n" * 240 + "é" * 9, "a\x00b"])
def test_names_that_no_file_has(tmp_path: Path, file: str) -> None:
    bench = sound.write_bench(tmp_path / "bench")
    frames = (bench / "frames.csv").read_text().replace(sound.LOG, file, 1)
    (bench / "frames.csv").write_text(frames)
    report = check_bench(bench)
    assert any(problem.file.startswith("frames") for problem in report.problems)


def test_a_part_of_a_workbook_under_another_name_is_looked_at_too(tmp_path: Path) -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("xl/harmless.bin", b'<!DOCTYPE x [<!ENTITY a "aa">]><x/>')
    (tmp_path / "lab.xlsx").write_bytes(stream.getvalue())
    assert "declares XML entities" in error_lines(tmp_path / "lab.xlsx")[0]


def test_a_workbook_that_is_a_pipe_is_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "lab.xlsx")
    assert "not a file" in error_lines(tmp_path / "lab.xlsx")[0]
