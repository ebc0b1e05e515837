"""What is mutated, and what then reads it."""

import gzip
import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq

from scalemodel.answers import fitting
from scalemodel.answers.kept_score import kept_score
from scalemodel.answers.reduce import reduce_logs
from scalemodel.data.bench import BenchError, check_bench, read_bench, read_specs
from scalemodel.data.forecast_file import read_forecast
from scalemodel.data.logs.kept import load_kept
from scalemodel.data.prices import read_prices
from scalemodel.data.store import FOLDER
from scalemodel.model.storage import stored_fit
from tests.fuzz import sound
from tests.fuzz.mutations import CELLS, Rows, mutated_bytes, mutated_rows, written

Read = Callable[[], object]
"""Reads what was mutated; raises ScalemodelError where it is refused."""


def reading(rng: Random, path: Path) -> Read:
    """Check a bench, and in one case of four see that reading it agrees."""
    return lambda: read_both_ways(path) if rng.random() < 0.25 else _checked(path)


def _checked(path: Path) -> object:
    report = check_bench(path)
    if not report.ok:
        raise BenchError(str(path), report.problems, (1, 0))
    return str(report.counts)


def read_both_ways(path: Path) -> object:
    """Check and read a bench; the two must agree."""
    report = check_bench(path)
    refusal = None
    try:
        bench = read_bench(path)
    except BenchError as error:
        refusal = error
    assert report.ok == (refusal is None)
    if refusal is not None:
        assert any(problem.severity == "error" for problem in refusal.problems)
        assert all(problem.file and problem.what and problem.fix for problem in refusal.problems)
        raise refusal
    return len(bench.results)


def csv_bench(rng: Random, folder: Path) -> Read:
    """A folder of CSV files, one or two of them mutated."""
    tables = sound.tables()
    spoilt = rng.sample(sorted(tables), rng.choice((1, 1, 2)))
    for name, rows in tables.items():
        content = sound.plain(rows)
        if name in spoilt:
            changed = mutated_rows(rng, rows) if rng.random() < 0.7 else rows
            content = written(rng, changed)
            content = mutated_bytes(rng, content) if rng.random() < 0.4 else content
        (folder / f"{name}.csv").write_bytes(content)
    return reading(rng, folder)


def _odd_array(rng: Random, cells: list[str]) -> pa.Array:
    """Give a column of some other type than text, of as many rows."""
    count = len(cells)
    numbers = [rng.choice((1.5, 0, -1, 1e300, float("nan"), None)) for _ in cells]
    extension = pa.field("x", pa.int64(), metadata={"ARROW:extension:name": "arrow.py_extension"})
    return rng.choice(
        (
            lambda: pa.array(cells).dictionary_encode(),
            lambda: pa.array([[c] for c in cells]),
            lambda: pa.array([{"a": c, "b": None} for c in cells]),
            lambda: pa.array([[("k", c)] for c in cells], pa.map_(pa.string(), pa.string())),
            lambda: pa.array(numbers, pa.float64()),
            lambda: pa.nulls(count),
            lambda: pa.array([c.encode("utf-8", "replace") for c in cells], pa.binary()),
            lambda: pa.array([rng.randrange(-(2**62), 2**62) for _ in cells], pa.timestamp("ns")),
            lambda: pa.array([rng.randrange(-(2**62), 2**62) for _ in cells], pa.timestamp("s")),
            lambda: pa.array([rng.randrange(2**31) for _ in cells], pa.date32()),
            lambda: pa.array([rng.randrange(2**62) for _ in cells], pa.duration("ns")),
            lambda: pa.array([rng.random() < 0.5 for _ in cells]),
            lambda: pa.array([7] * count, extension.type),
        )
    )()


def parquet_bytes(rng: Random, rows: Rows, oddness: float = 0.08) -> bytes:
    """Write rows as Parquet with odd types, odd metadata, or names that are there twice."""
    head, *body = rows or [[]]
    columns: list[pa.Array] = []
    for index in range(len(head)):
        cells = [row[index] if index < len(row) else "" for row in body]
        odd = rng.random() < oddness
        columns.append(_odd_array(rng, cells) if odd else pa.array(cells, pa.string()))
    table = pa.Table.from_arrays(columns, names=head)
    if rng.random() < 4 * oddness:
        table = table.replace_schema_metadata(
            {"pandas": rng.choice(("{", '{"columns": 1}', '{"index_columns": ["x"]}', "\0"))}
        )
    stream = io.BytesIO()
    pq.write_table(table, stream, compression=rng.choice(("snappy", "gzip", "zstd", "none")))
    return stream.getvalue()


def parquet_bench(rng: Random, folder: Path) -> Read:
    """A folder of Parquet files."""
    for name, rows in sound.tables().items():
        spoilt = rng.random() < 0.4
        changed = mutated_rows(rng, rows) if spoilt and rng.random() < 0.5 else rows
        try:
            content = parquet_bytes(rng, changed, 0.08 * spoilt)
        except (UnicodeError, pa.ArrowException):
            content = b"PAR1"
        content = mutated_bytes(rng, content) if spoilt and rng.random() < 0.3 else content
        (folder / f"{name}.parquet").write_bytes(content)
    return reading(rng, folder)


def _book(rng: Random, sheets: dict[str, Rows]) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            clean = ["".join(c for c in cell if c.isprintable())[:30_000] for cell in row]
            sheet.append([float(c) if _is_plain(c) and rng.random() < 0.7 else c for c in clean])
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _is_plain(cell: str) -> bool:
    return cell.replace(".", "", 1).isdecimal() and cell.isascii() and len(cell) < 12


def _spoilt_part(rng: Random, content: bytes) -> bytes:
    """Damage one part of a workbook inside its archive."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        names = old.namelist()
        chosen = rng.choice(names)
        for name in names:
            part = old.read(name)
            new.writestr(name, mutated_bytes(rng, part) if name == chosen else part)
    return stream.getvalue()


def workbook(rng: Random, folder: Path) -> Read:
    """A workbook."""
    sheets = sound.tables()
    for name in rng.sample(sorted(sheets), rng.choice((0, 1, 2))):
        sheets[name] = [row[:100] for row in mutated_rows(rng, sheets[name])[:300]]
    content = _book(rng, sheets)
    content = _spoilt_part(rng, content) if rng.random() < 0.5 else content
    content = mutated_bytes(rng, content) if rng.random() < 0.3 else content
    path = folder / "lab.xlsx"
    path.write_bytes(content)
    return reading(rng, path)


def structure(rng: Random, folder: Path) -> Read:
    """A bench whose files are missing, doubled, folders, links, empty or swapped."""
    for name, rows in sound.tables().items():
        (folder / f"{name}.csv").write_bytes(sound.plain(rows))
    for _ in range(rng.choice((1, 2))):
        path = rng.choice(sorted(folder.iterdir()))
        other = rng.choice(sorted(folder.iterdir()))
        if not path.is_file():
            continue
        content = path.read_bytes()
        match rng.randrange(7):
            case 0:
                path.unlink()
            case 1:
                path.with_suffix(".parquet").write_bytes(content)
            case 2:
                path.unlink()
                path.mkdir()
            case 3:
                path.unlink()
                path.symlink_to(rng.choice((other, path, Path("/etc/hostname"), folder)))
            case 4:
                path.write_bytes(rng.choice((b"", b"\n\n", b"\xef\xbb\xbf", b",,,\n,,,\n")))
            case 5 if other.is_file():
                path.write_bytes(other.read_bytes())
            case _:
                path.rename(path.with_name(path.name.upper()))
    return reading(rng, folder)


def _one_table(rng: Random, folder: Path, rows: Rows, *, book: bool) -> Path:
    rows = mutated_rows(rng, rows) if rng.random() < 0.8 else rows
    kind = rng.choice((".csv", ".csv", ".parquet", ".xlsx") if book else (".csv", ".parquet"))
    try:
        if kind == ".csv":
            content = written(rng, rows)
        elif kind == ".parquet":
            content = parquet_bytes(rng, rows)
        else:
            content = _book(rng, {"cards": [row[:100] for row in rows[:300]]})
    except (UnicodeError, pa.ArrowException):
        content = b""
    path = folder / f"table{kind}"
    path.write_bytes(mutated_bytes(rng, content) if rng.random() < 0.4 else content)
    return path


def spec_sheet(rng: Random, folder: Path) -> Read:
    """A spec sheet."""
    path = _one_table(rng, folder, sound.specs(), book=True)
    return lambda: read_specs(path)


def price_list(rng: Random, folder: Path) -> Read:
    """A list of prices."""
    path = _one_table(rng, folder, sound.prices(), book=False)
    return lambda: read_prices(path)


def log(rng: Random, folder: Path) -> Read:
    """A frame-time log, text or Parquet, plain or packed, and the list that names it."""
    rows = sound.log_rows()
    rows = mutated_rows(rng, rows) if rng.random() < 0.7 else rows
    try:
        text = rng.random() < 0.7
        content = written(rng, rows) if text else _number_parquet(rng, rows)
    except (UnicodeError, pa.ArrowException, ValueError):
        content = b""
    content = mutated_bytes(rng, content) if rng.random() < 0.4 else content
    content = gzip.compress(content, 1) if rng.random() < 0.3 else content
    content = mutated_bytes(rng, content) if rng.random() < 0.2 else content
    frames = sound.tables()["frames"]
    frames = mutated_rows(rng, frames) if rng.random() < 0.3 else frames
    (folder / "frames").mkdir()
    (folder / "frames" / sound.LOG).write_bytes(content)
    (folder / "frames.csv").write_bytes(sound.plain(frames))
    return lambda: reduce_logs(folder, workers=1)


def _number_parquet(rng: Random, rows: Rows) -> bytes:
    """Write a log as Parquet: numbers where there are some, of any type."""
    head, *body = rows
    kinds = (pa.float64(), pa.float32(), pa.int64(), pa.uint8(), pa.timestamp("us"), pa.string())
    arrays = []
    for index in range(len(head)):
        cells = [row[index] if index < len(row) else "" for row in body]
        kind = rng.choice(kinds)
        numbers = [float(c) if _is_plain(c) else None for c in cells]
        whole = [None if n is None else int(n) % 200 for n in numbers]
        values: list[Any] = numbers if pa.types.is_floating(kind) else whole
        arrays.append(pa.array(cells if pa.types.is_string(kind) else values, kind))
    stream = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(arrays, names=head), stream)
    return stream.getvalue()


def _sealed(key: str, archive: bytes) -> bytes:
    """Give a kept file the digest that belongs to its content, as a forger would."""
    return hashlib.sha256(key.encode() + b"\n" + archive).hexdigest().encode() + b"\n" + archive


def _forged(rng: Random, key: str, content: bytes) -> bytes:
    """Change an array, or the words beside the arrays, and seal the file again."""
    stream = io.BytesIO()
    with np.load(io.BytesIO(content.partition(b"\n")[2])) as npz:
        arrays = {name: npz[name] for name in npz.files}
    name = rng.choice(sorted(arrays))
    if name == "meta.json":
        arrays[name] = np.frombuffer(mutated_json(rng, arrays[name].tobytes()), dtype=np.uint8)
    else:
        old = arrays[name]
        arrays[name] = rng.choice(
            (old.ravel()[:-1], old.astype("U9"), old[..., None], old * np.nan, old.astype(bool))
            if old.dtype.kind == "f"
            else (old[:-1], old + 1000, -old.astype(int) - 1, old.astype(float), old.astype("U9"))
        )
    if rng.random() < 0.2:
        del arrays[rng.choice(sorted(arrays))]
    np.savez(stream, **arrays)  # type: ignore[arg-type]
    return _sealed(key, stream.getvalue())


def mutated_json(rng: Random, content: bytes) -> bytes:
    """Change a value somewhere in a JSON document, or take it out."""
    document = json.loads(content)
    place, parent, at = document, None, None
    while isinstance(place, dict | list) and place and (parent is None or rng.random() < 0.8):
        parent = place
        at = rng.choice(sorted(place)) if isinstance(place, dict) else rng.randrange(len(place))
        place = parent[at]
    if parent is not None and rng.random() < 0.3:
        del parent[at]
    elif parent is not None:
        odd = (None, -1, 0, 1e308, [], {}, "", True, [[]], "converged", *CELLS)
        parent[at] = rng.choice(odd)
    return json.dumps(document).encode()


def kept_file(rng: Random, folder: Path) -> Read:
    """A kept fit, score or log, damaged, or forged with the right digest."""
    bench = sound.write_bench(folder / "bench")
    name = rng.choice([name for name in sorted(sound.kept()) if name != "forecast.json"])
    content, key = sound.kept()[name], name.partition(".")[0]
    forged = rng.random() < 0.6
    if name.endswith(".json"):
        text = content.partition(b"\n")[2]
        text = mutated_json(rng, text) if rng.random() < 0.7 else mutated_bytes(rng, text)
        content = _sealed(key, text) if forged else mutated_bytes(rng, content)
        path = bench / FOLDER / "logs" / name
    else:
        content = _forged(rng, key, content) if forged else mutated_bytes(rng, content)
        path = bench / FOLDER / name
    path.parent.mkdir(parents=True)
    path.write_bytes(content)
    if name.endswith(".json"):
        return lambda: load_kept(bench, key, "digest")
    if name.endswith(".score"):
        return lambda: str(kept_score(replace(sound.whole_fit(), bench=read_bench(bench)), 0.8))
    return lambda: _fit_again(bench)


def _fit_again(bench: Path) -> object:
    """Take the kept fit; where it is of no use, the fit that was known before stands for it."""
    real, known = fitting.fit_model, sound.whole_fit().model
    fitting.fit_model = lambda *_: known
    try:
        fit = fitting.fit_cached(read_bench(bench))
    finally:
        fitting.fit_model = real
    assert set(stored_fit(fit.model)[0]) == set(stored_fit(known)[0])
    return str(fit.ceilings())


def forecast(rng: Random, folder: Path) -> Read:
    """A sealed forecast, damaged, or forged with the right seal."""
    content = sound.kept()["forecast.json"]
    if rng.random() < 0.6:
        document = json.loads(mutated_json(rng, content))
        bare = {name: value for name, value in document.items() if name != "seal"}
        text = json.dumps(bare, sort_keys=True, separators=(",", ":"))
        document["seal"] = hashlib.sha256(text.encode()).hexdigest()
        content = json.dumps(document).encode()
    else:
        content = mutated_bytes(rng, content)
    path = folder / "forecast.json"
    path.write_bytes(content)
    return lambda: read_forecast(path)


READERS: dict[str, Callable[[Random, Path], Read]] = {
    "bench, CSV": csv_bench,
    "bench, Parquet": parquet_bench,
    "bench, workbook": workbook,
    "bench, files": structure,
    "spec sheet": spec_sheet,
    "prices": price_list,
    "log": log,
    "kept file": kept_file,
    "forecast": forecast,
}
