"""Whatever the bytes of a bench: it is read, or it is refused with a message."""

import tempfile
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scalemodel.data.bench import Bench, BenchError, check_bench, read_bench, read_specs
from tests.data.benches import CARDS, RESULTS

STEADY = settings(derandomize=True, deadline=None, max_examples=150, database=None)
PIECES = [b",", b";", b"\t", b'"', b"\n", b"\r", b"\0", b"\xff", b"\xef\xbb\xbf", b"=", b"-", b" "]
PIECES += [b"1e999", b"nan", b"card", b"\xe2\x80\x8b", b"1,5", b"|", b"yes", "×".encode()]
EDITS = st.lists(
    st.tuples(
        st.integers(0, 400), st.integers(0, 12), st.sampled_from(PIECES) | st.binary(max_size=4)
    ),
    min_size=1,
    max_size=4,
)
GENTLE = st.lists(
    st.tuples(
        st.integers(75, 400),
        st.integers(0, 1),
        st.sampled_from([b"1", b"5", b"7", b"a", b"E", b" ", b"\n\n", "é".encode()]),
    ),
    min_size=1,
    max_size=3,
)
"""Edits behind the header that may well leave a legal bench."""

Edits = list[tuple[int, int, bytes]]


def mutated(content: bytes, edits: Edits) -> bytes:
    """Replace stretches of the content by pieces."""
    for place, length, piece in edits:
        start = place % (len(content) + 1)
        content = content[:start] + piece + content[start + length :]
    return content


def read_or_refuse(folder: Path, *, wide: bool = False) -> None:
    """Read a bench; whichever way it goes, the outcome has to hang together."""
    report = check_bench(folder)
    if report.ok:
        check_sound(read_bench(folder), wide=wide)
        return
    with pytest.raises(BenchError) as caught:
        read_bench(folder)
    problems = caught.value.problems
    assert problems == report.problems
    assert any(p.severity == "error" for p in problems)
    assert all(p.what and p.fix for p in problems)
    head, *lines = str(caught.value).partition("\n\n")[0].splitlines()  # a draft may follow
    assert head.endswith("nothing was read.")
    assert len(lines) == len(problems)


def check_sound(bench: Bench, *, wide: bool = False) -> None:
    runs = bench.results
    assert len(runs)
    assert runs["avg_fps"].between(0, 100_000, inclusive="right").all()
    assert runs["card"].isin(bench.cards["card"]).all()
    assert not runs.duplicated(["card", "platform", "game", "preset", "resolution", "run"]).any()
    assert (bench.cards[["bandwidth_gbs", "shader_rate"]] > 0).all(axis=None)
    assert bench.cards["card"].is_unique
    assert wide or runs["row"].is_monotonic_increasing  # rows of cards that are across
    assert (bench.excluded["reason"] != "").all()
    rows = {r.name.partition(".")[0]: r.rows for r in bench.reading}
    assert rows["results"] == len(runs) + len(bench.excluded)
    assert all(p.severity == "warning" for p in bench.problems)


@STEADY
@given(cards=EDITS, runs=EDITS, which=st.sampled_from(["cards", "results", "both"]))
def test_mutated_csv(cards: Edits, runs: Edits, which: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one, two = CARDS.encode(), RESULTS.encode()
        (folder / "cards.csv").write_bytes(one if which == "results" else mutated(one, cards))
        (folder / "results.csv").write_bytes(two if which == "cards" else mutated(two, runs))
        read_or_refuse(folder)


@STEADY
@given(content=st.binary(max_size=300) | st.text(max_size=300).map(lambda t: t.encode("utf-8")))
def test_any_bytes_at_all(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "specs.csv"
        path.write_bytes(content)
        with pytest.raises(BenchError):
            read_specs(path)


@STEADY
@given(edits=GENTLE)
def test_small_changes_to_the_rows(edits: Edits) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "cards.csv").write_text(CARDS)
        (folder / "results.csv").write_bytes(mutated(RESULTS.encode(), edits))
        read_or_refuse(folder)


@STEADY
@given(changes=st.dictionaries(st.integers(0, 6), st.text(max_size=6), max_size=2))
def test_any_text_in_the_cells(changes: dict[int, str]) -> None:
    cells = ["Ostra 6", "Bench 1", "Tide", "High", "1 × 2", "3", "2.5e1"]
    for place, text in changes.items():
        cells[place] = text
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        quoted = ",".join('"' + cell.replace('"', '""') + '"' for cell in cells)
        (folder / "cards.csv").write_text(CARDS)
        (folder / "results.csv").write_bytes(f"{RESULTS}{quoted}\n".encode())
        read_or_refuse(folder)


@settings(STEADY, max_examples=80)
@given(edits=EDITS)
def test_mutated_parquet(edits: Edits) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "cards.csv").write_text(CARDS)
        (folder / "results.csv").write_text(RESULTS)
        path = folder / "results.parquet"
        pq.write_table(pa.Table.from_pandas(pd.read_csv(folder / "results.csv")), path)
        (folder / "results.csv").unlink()
        path.write_bytes(mutated(path.read_bytes(), edits))
        read_or_refuse(folder)
