"""One bench in its several forms: workbook, CSV and Parquet give the same; hostile ones do not."""

import datetime
import io
import shutil
import subprocess
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scalemodel.data.bench import BenchError, check_bench, read_bench, read_specs
from scalemodel.data.export import ExportError, export_bench
from scalemodel.data.sheets import SheetError
from tests.data.benches import CARDS, RESULTS, error_lines, results, write_bench

FORMS = ["lab.xlsx", "csv", "parquet"]


def export(bench: Path, target: Path) -> Path:
    export_bench(bench, target, "parquet" if target.name == "parquet" else "csv")
    return target


def workbook(path: Path, **sheets: list[list[object]]) -> Path:
    """Write a workbook as a person would, with types as a spreadsheet program gives them."""
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    texts = {"cards": CARDS, "results": RESULTS}
    rows: dict[str, list[list[object]]] = {
        name: [list(line.split(",")) for line in text.splitlines()] for name, text in texts.items()
    }
    for name, cells in {**rows, **sheets}.items():
        sheet = book.create_sheet(name)
        for row in cells:
            sheet.append(row)
    book.save(path)
    return path


@pytest.mark.parametrize("form", FORMS)
def test_the_same_bench_in_every_form(tmp_path: Path, form: str) -> None:
    text = RESULTS.replace("avg_fps", "avg_fps,date,exclude,my own")
    text = text.replace("61.5", "61.5,2026-03,no,=1+1").replace("97.9", "97.9,2026-03-04,yes,")
    bench = read_bench(write_bench(tmp_path, results=text))
    again = read_bench(export(tmp_path, tmp_path / form))
    for name in ("cards", "platforms", "results", "excluded"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(bench, name))
    assert again.results["my own"].iloc[0] == "=1+1"
    assert again.results["date"].iloc[0] == "2026-03"


@pytest.mark.parametrize("form", FORMS)
def test_shots_are_the_same_in_every_form(tmp_path: Path, form: str) -> None:
    text = "card,platform,game,preset,resolution,shot,latency_ms,date,exclude,my own\n"
    text += "Ostra 4,Bench 1,Tide,High,2560x1440,01,30.5,2026-03,no,=1+1\n"
    text += "Ostra 4,Bench 1,Tide,High,2560x1440,2,,2026-03-04,yes,\n"
    bench = read_bench(write_bench(tmp_path, latency=text))
    again = read_bench(export(tmp_path, tmp_path / form))
    pd.testing.assert_frame_equal(again.latency, bench.latency)
    assert again.latency["reason"].tolist() == ["", "marked exclude"]


CELL = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
NUMBER = st.floats(1e-6, 1e5, exclude_min=True)


@pytest.mark.parametrize("form", FORMS)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    rows=st.lists(
        st.tuples(NUMBER, st.none() | st.floats(1e-6, 1e4), CELL, CELL), min_size=1, max_size=5
    )
)
def test_what_is_written_is_read_again(
    tmp_path_factory: pytest.TempPathFactory, form: str, rows: list[tuple[object, ...]]
) -> None:
    folder = tmp_path_factory.mktemp("bench")
    frame = pd.DataFrame(rows, columns=["avg_fps", "power_w", "note", "mine"])
    names = ["Ostra 4", "Bench 1", "Tide", "High", "2560x1440"]
    for column, value in zip(
        ["card", "platform", "game", "preset", "resolution"], names, strict=True
    ):
        frame[column] = value
    frame["run"] = [f"{k:03}" for k in range(len(frame))]
    (folder / "cards.csv").write_text(CARDS)
    # Cells of a CSV file are stripped and hold no NUL; that is not what is tested here.
    for column in ("note", "mine"):
        frame[column] = [text.strip() for text in frame[column]]
    frame.to_parquet(folder / "results.parquet")
    first = read_bench(folder).results
    second = read_bench(export(folder, folder / "out" / form)).results
    pd.testing.assert_frame_equal(
        second.drop(columns="row")[list(first.columns.drop("row"))], first.drop(columns="row")
    )


def test_numbers_keep_every_digit(tmp_path: Path) -> None:
    value = np.nextafter(61.5, 62)
    write_bench(tmp_path, results=RESULTS.replace("61.5", repr(float(value))))
    for form in FORMS:
        again = read_bench(export(tmp_path, tmp_path / form))
        assert again.results["avg_fps"].iloc[0] == value


def test_a_text_is_no_formula_in_a_workbook(tmp_path: Path) -> None:
    evil = '=HYPERLINK("http://example.invalid")'
    quoted = '"' + evil.replace('"', '""') + '"'
    head, *rows = CARDS.splitlines()
    cards = [f"{head},remark", f"{rows[0]},{quoted}", f"{rows[1]},@SUM(A1)", ""]
    write_bench(tmp_path, cards="\n".join(cards))
    book = openpyxl.load_workbook(export(tmp_path, tmp_path / "lab.xlsx"))
    column = list(book["cards"]["H"])
    assert [cell.value for cell in column] == ["remark", evil, "@SUM(A1)"]
    assert [cell.data_type for cell in column] == ["s", "s", "s"]
    with zipfile.ZipFile(tmp_path / "lab.xlsx") as archive:
        for part in archive.namelist():
            assert b"<f>" not in archive.read(part)


def test_a_workbook_as_a_person_keeps_it(tmp_path: Path) -> None:
    rows: list[list[object]] = [
        [],
        ["card", "platform", "game", "preset", "resolution", "run", "avg_fps", "date", None],
        ["Ostra 4", "Bench 1", 7, "High", "2560x1440", 1, 61.5, datetime.datetime(2026, 3, 4)],
        [],
        ["Ostra 6", "Bench 1", 7, "High", "2560x1440", 1, 98, datetime.date(2026, 3, 5)],
    ]
    path = workbook(tmp_path / "lab.xlsx", results=rows)
    book = openpyxl.load_workbook(path)
    book["results"].title = "Results "
    book.save(path)
    results = read_bench(path).results
    assert list(results["row"]) == [3, 5]
    assert list(results["game"]) == ["7", "7"]
    assert list(results["run"]) == ["1", "1"]
    assert list(results["date"]) == ["2026-03-04", "2026-03-05"]


def test_problems_name_sheet_row_and_column(tmp_path: Path) -> None:
    rows: list[list[object]] = [
        ["card", "platform", "game", "preset", "resolution", "run", "avg_fps"],
        ["Ostra 4", "Bench 1", "Tide", "High", "2560x1440", 1, "#DIV/0!"],
    ]
    assert error_lines(workbook(tmp_path / "lab.xlsx", results=rows)) == [
        'lab.xlsx, sheet results, row 2, column avg_fps: "#DIV/0!" is not a number. Allowed: a '
        "number above 0 and up to 100,000 (frames per second). Fix: correct the cell or delete "
        "the row."
    ]


def test_a_missing_sheet_is_named(tmp_path: Path) -> None:
    path = workbook(tmp_path / "lab.xlsx")
    book = openpyxl.load_workbook(path)
    book["results"].title = "measurements"
    book.save(path)
    assert error_lines(path) == [
        'lab.xlsx: the sheet results is missing; there are: "cards", "measurements". Allowed: a '
        "sheet named results. Fix: name the sheet so, or add it."
    ]


def test_two_sheets_of_one_name(tmp_path: Path) -> None:
    path = workbook(tmp_path / "lab.xlsx")
    book = openpyxl.load_workbook(path)
    book.copy_worksheet(book["cards"]).title = "cards "
    book.save(path)
    assert "have one name" in error_lines(path)[0]


def test_a_formula_without_its_result_is_refused(tmp_path: Path) -> None:
    rows: list[list[object]] = [list(line.split(",")) for line in RESULTS.splitlines()]
    rows[2][6] = "=60+1.9"
    line = error_lines(workbook(tmp_path / "lab.xlsx", results=rows))[-1]
    assert line.startswith(
        'lab.xlsx, sheet results, row 3: a cell holds a formula without its result: "=60+1.9".'
    )


def test_spec_sheets_from_a_workbook(tmp_path: Path) -> None:
    path = workbook(tmp_path / "specs.xlsx")
    assert list(read_specs(path)["card"]) == ["Ostra 4", "Ostra 6"]
    book = openpyxl.load_workbook(path)
    del book["results"]
    book["cards"].title = "soon"
    book.save(path)
    assert list(read_specs(path)["card"]) == ["Ostra 4", "Ostra 6"]


def _zipped(parts: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return stream.getvalue()


def _changed(path: Path, part: str, old: bytes, new: bytes) -> None:
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    assert old in parts[part]
    parts[part] = parts[part].replace(old, new, 1)
    path.write_bytes(_zipped(parts))


ENTITIES = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'


def test_entities_are_refused(tmp_path: Path) -> None:
    path = workbook(tmp_path / "lab.xlsx")
    _changed(path, "xl/workbook.xml", b"<workbook", ENTITIES + b"<workbook")
    assert "declares XML entities" in error_lines(path)[0]


def test_entities_behind_a_long_comment_are_refused(tmp_path: Path) -> None:
    path = workbook(tmp_path / "lab.xlsx")
    hidden = b"<!--" + b" " * 200_000 + b"-->" + ENTITIES
    _changed(path, "xl/worksheets/sheet1.xml", b"<worksheet", hidden + b"<worksheet")
    assert "declares XML entities" in error_lines(path)[0]


@pytest.mark.parametrize("part", ["xl/media/image1.bin", "xl/sharedStrings.xml"])
def test_what_unpacks_to_far_more_is_refused(
    tmp_path: Path, part: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scalemodel.data.workbook.LARGEST_UNPACKED", 8 << 20)
    monkeypatch.setattr("scalemodel.data.workbook.LARGEST_TEXTS", 4 << 20)
    path = tmp_path / "lab.xlsx"
    path.write_bytes(_zipped({part: b"\0" * (9 << 20)}))
    assert "the workbook unpacks to 9 MiB" in error_lines(path)[0]


def test_a_workbook_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scalemodel.data.workbook.LARGEST", 1000)
    assert "the workbook has" in error_lines(workbook(tmp_path / "lab.xlsx"))[0]


@pytest.mark.parametrize("content", [b"", b"card,vendor\n", b"PK\x03\x04 and then nothing"])
def test_what_is_no_workbook(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "lab.xlsx"
    path.write_bytes(content)
    assert "the file is not a workbook, or damaged" in error_lines(path)[0]


def test_a_workbook_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="no such file"):
        check_bench(tmp_path / "lab.xlsx")


@pytest.mark.parametrize("far", ["G999999999", "ZZZ3"])
def test_cells_far_out_are_refused(tmp_path: Path, far: str) -> None:
    path = workbook(tmp_path / "lab.xlsx")
    sheet = "xl/worksheets/sheet2.xml"
    row = far.lstrip("GZ").encode()
    with zipfile.ZipFile(path) as archive:
        assert b'<row r="3"' in archive.read(sheet)
    _changed(path, sheet, b'<row r="3"', b'<row r="%s"' % row)
    _changed(path, sheet, b'<c r="G3"', b'<c r="%s"' % far.encode())
    assert "the sheet has cells far out" in error_lines(path)[0]


def test_damaged_workbooks_never_end_in_a_traceback(tmp_path: Path) -> None:
    path = workbook(tmp_path / "lab.xlsx")
    whole, rng = path.read_bytes(), np.random.default_rng(5)
    outcomes = set()
    for _ in range(60):
        broken = bytearray(whole)
        for _ in range(int(rng.integers(1, 6))):
            broken[int(rng.integers(len(broken)))] = int(rng.integers(256))
        path.write_bytes(broken[: int(rng.integers(len(broken) // 2, len(broken) + 1))])
        try:
            read_bench(path)
            outcomes.add("read")
        except BenchError:
            outcomes.add("refused")
    assert "refused" in outcomes


def test_nothing_is_written_over(tmp_path: Path) -> None:
    write_bench(tmp_path)
    (tmp_path / "lab.xlsx").write_text("mine")
    for target in (tmp_path / "lab.xlsx", tmp_path):
        with pytest.raises(ExportError, match="there is something here already"):
            export_bench(tmp_path, target)
    assert (tmp_path / "lab.xlsx").read_text() == "mine"


def test_what_a_form_cannot_hold(tmp_path: Path) -> None:
    write_bench(
        tmp_path,
        results=RESULTS.replace("avg_fps", "avg_fps,note").replace("61.5", f"61.5,{'x' * 40_000}"),
    )
    with pytest.raises(SheetError, match="row 2, column note"):
        export_bench(tmp_path, tmp_path / "lab.xlsx")
    assert not (tmp_path / "lab.xlsx").exists()


def test_logs_lie_beside_a_workbook(tmp_path: Path) -> None:
    frames = "file,card,platform,game,preset,resolution,run\n"
    frames += "far.csv,Ostra 4,Bench 1,Tide,High,2560x1440,3\n"
    write_bench(tmp_path, frames=frames)
    path = export(tmp_path, tmp_path / "lab.xlsx")
    warnings = [str(problem) for problem in check_bench(path).problems]
    assert warnings == [
        'lab.xlsx, sheet frames, row 2, column file: the log "far.csv" is not there. Allowed: a '
        "file in the folder frames of the bench. Fix: put it into the folder frames of the bench, "
        "under a path inside it."
    ]
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames" / "far.csv").write_text("ms\n16\n")
    assert check_bench(path).problems == ()


@pytest.mark.skipif(shutil.which("soffice") is None, reason="no spreadsheet program here")
def test_a_spreadsheet_program_keeps_ids_dates_and_texts(tmp_path: Path) -> None:
    cards = CARDS.replace("Ostra 4", "007").replace("Ostra 6", "1E5")
    rows = [
        "007,Bench 1,3/4,High,2560x1440,01,61.25,2026-01-02,=1+1",
        "1E5,Bench 1,TRUE,High,2560x1440,1,98,2026-03,@SUM(A1)",
    ]
    bench = read_bench(
        write_bench(tmp_path, cards=cards, results=results(*rows, extra=",date,note"))
    )
    export(tmp_path, tmp_path / "lab.xlsx")
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    convert = ["soffice", profile, "--headless", "--convert-to", "xlsx", "--outdir", "saved"]
    subprocess.run(
        [*convert, "lab.xlsx"], cwd=tmp_path, check=True, capture_output=True, timeout=300
    )
    again = read_bench(tmp_path / "saved" / "lab.xlsx")
    for name in ("cards", "results"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(bench, name))
