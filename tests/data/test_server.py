"""A bench in a PostgreSQL database, on a real server: see `tests.servers`."""

from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from sqlalchemy import NullPool, create_engine, make_url, text
from sqlalchemy.exc import DBAPIError

from scalemodel.answers.reduce import reduce_logs
from scalemodel.data import database_export, schema
from scalemodel.data.bench import BenchError, check_bench, read_bench
from scalemodel.data.connecting import reading
from scalemodel.data.export import ExportError, export_bench
from scalemodel.data.places import open_place
from scalemodel.data.problems import ProblemLog
from scalemodel.data.urls import DatabaseUrl
from tests.data.benches import RESULTS, write_bench
from tests.servers import database, execute

PARTS = ("cards", "platforms", "results", "excluded", "limited", "latency")


@pytest.fixture
def empty() -> Iterator[str]:
    with database() as url:
        yield url


@pytest.fixture
def lab(empty: str, tmp_path: Path) -> str:
    """Give the address of a small bench with the tables that export makes."""
    export_bench(write_bench(tmp_path), empty)
    return empty


def refused(url: str) -> str:
    with pytest.raises(BenchError) as caught:
        read_bench(url)
    said = str(caught.value)
    assert str(make_url(url).password) not in said
    return said


def changed(url: str, **parts: object) -> str:
    return make_url(url).set(**parts).render_as_string(hide_password=False)


def tables(url: str) -> list[str]:
    engine = create_engine(url, poolclass=NullPool)
    with engine.connect() as connection:
        named = "SELECT tablename FROM pg_tables WHERE schemaname !~ '^pg_|information_schema'"
        return sorted(connection.execute(text(named)).scalars())


def test_the_same_bench_down_to_the_rows(empty: str, tmp_path: Path) -> None:
    rows = RESULTS.replace("avg_fps", "avg_fps,date,exclude,My own; 100%")
    rows = rows.replace("61.5", "61.5,2026-03,no,'; DROP TABLE results; --")
    rows = rows.replace("97.9", "97.9000000000001,2026-03-04,yes,=1+1")
    shots = "card,platform,game,preset,resolution,shot,latency_ms\n"
    shots += "Ostra 4,Bench 1,Tide,High,2560x1440,01,30.5\n"
    bench = read_bench(write_bench(tmp_path, results=rows, latency=shots))
    export_bench(tmp_path, empty)
    again = read_bench(empty)
    for part in PARTS:
        pd.testing.assert_frame_equal(getattr(again, part), getattr(bench, part))
    assert again.digest == read_bench(empty).digest
    export_bench(empty, tmp_path / "again")
    assert len(read_bench(tmp_path / "again").results) == 3


def test_a_schema_of_its_own(lab: str, tmp_path: Path) -> None:
    one = f"{lab}?schema=Bench one"
    export_bench(tmp_path, one)
    execute(lab, "DROP TABLE cards")
    bench = read_bench(one)
    assert bench.reading[0].name == f"{make_url(lab).database}, table Bench one.cards"
    assert len(bench.results) == 4
    assert "add ?schema=NAME to the address" in refused(lab)
    assert 'there is no schema "two"; there are: "Bench one"' in refused(f"{lab}?schema=two")


def test_types_of_the_users_own(empty: str) -> None:
    execute(
        empty,
        "CREATE TABLE cards (id serial PRIMARY KEY, card text, vendor text, architecture text, "
        "shaders int, boost_clock_mhz numeric(6,1), memory_gb real, memory_bandwidth_gbs float8, "
        "release_date date)",
        "INSERT INTO cards VALUES (7, '007', 'V', 'A', 4096, 2400.5, 16.1, 640.25, '2026-03-14')",
        "CREATE TABLE runs (card varchar(9), platform text, game int, preset text, resolution text,"
        " run smallint, avg_fps numeric, date timestamp, exclude boolean)",
        "INSERT INTO runs VALUES ('007', 'B', 7, 'High', '2560x1440', 1, 98.25, '2026-03-15', "
        "null)",
        "INSERT INTO runs VALUES ('007', 'B', 6, 'High', '2560x1440', 1, null, null, true)",
        "CREATE MATERIALIZED VIEW results AS SELECT * FROM runs",
    )
    bench = read_bench(empty)
    name = make_url(empty).database
    assert [one.name for one in bench.reading] == [
        f"{name}, table cards by id",
        f"{name}, table results by all columns",
    ]
    sheet, run = bench.cards.iloc[0], bench.results.iloc[0]
    assert (sheet["card"], sheet["boost_clock_mhz"], sheet["memory_gb"]) == ("007", 2400.5, 16.1)
    assert (sheet["release_date"], sheet["id"]) == ("2026-03-14", "7")
    assert (run["game"], run["avg_fps"], run["date"]) == ("7", 98.25, "2026-03-15")
    assert bench.excluded["row"].tolist() == [1]
    execute(empty, "UPDATE cards SET shaders = -1")
    assert "table cards by id, row 7, column shaders" in refused(empty)


def test_what_is_committed_meanwhile_is_not_seen(lab: str) -> None:
    log = ProblemLog()
    with open_place(lab, log) as place:
        assert place is not None
        cards = place.read(schema.CARDS, log)
        execute(lab, "DELETE FROM cards", "UPDATE results SET avg_fps = 1")
        results = place.read(schema.RESULTS, log)
    assert cards is not None
    assert results is not None
    assert (len(cards.frame), results.frame["avg_fps"].min()) == (2, 61.5)
    assert "table cards: the table has no rows" in refused(lab)


def test_reading_cannot_write(lab: str) -> None:
    with reading(DatabaseUrl.of(lab)) as connection, pytest.raises(DBAPIError, match="read-only"):
        connection.execute(text("DELETE FROM results"))
    assert len(read_bench(lab).results) == 4


def test_problems_of_all_tables_at_once(lab: str) -> None:
    execute(
        lab,
        "ALTER TABLE results DROP COLUMN avg_fps",
        "UPDATE cards SET memory_gb = 'Infinity' WHERE row = 2",
        "CREATE VIEW platforms AS SELECT 1 / 0 AS platform",
    )
    said = refused(lab)
    assert "3 problems in" in said
    assert "the column avg_fps is missing" in said
    assert '"inf" is not a finite number' in said
    assert "table platforms: the database cannot be used (division by zero)" in said


def test_a_table_that_one_may_not_read(lab: str) -> None:
    name = f"reader_{make_url(lab).database}"
    execute(
        lab,
        f"CREATE ROLE {name} LOGIN PASSWORD 'geheim'",
        f"GRANT SELECT ON results TO {name}",
    )
    try:
        said = refused(changed(lab, username=name, password="geheim"))
        assert "you lack a permission in the database (permission denied for table cards)" in said
        target = changed(lab, username=name, password="geheim", query={"schema": "mine"})
        with pytest.raises(ExportError, match="you lack a permission"):
            export_bench(lab, target)
    finally:
        execute(lab, f"DROP OWNED BY {name}", f"DROP ROLE {name}")


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ({"password": "wrong-one"}, "password authentication failed"),
        ({"database": "nowhere"}, 'database "nowhere" does not exist'),
        ({"host": "localhost", "port": 9}, "Connection refused"),
        ({"host": "host.invalid"}, "failed to resolve host"),
    ],
)
def test_a_server_that_does_not_let_one_in(
    empty: str, parts: dict[str, object], reason: str
) -> None:
    said = refused(changed(empty, **parts))
    assert "the database cannot be used (" in said
    assert reason in said
    assert "a password goes into PGPASSWORD or .pgpass" in said


def test_a_table_that_is_locked(lab: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scalemodel.data.connecting.WAIT_S", 0.1)
    engine = create_engine(lab, poolclass=NullPool)
    with engine.begin() as connection:
        connection.execute(text("LOCK TABLE results IN ACCESS EXCLUSIVE MODE"))
        assert "another program has locked the database" in refused(lab)


def test_nothing_is_written_over(lab: str, tmp_path: Path) -> None:
    execute(lab, "DROP TABLE results")
    with pytest.raises(ExportError) as caught:
        export_bench(tmp_path, lab)
    assert 'there is something here already: "cards"' in str(caught.value)
    assert str(make_url(lab).password) not in str(caught.value)
    assert tables(lab) == ["cards"]


def test_an_error_midway_leaves_what_was_there(
    empty: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_bench(tmp_path)
    execute(empty, "CREATE TABLE staff (name text)")
    real = database_export._write_table

    def fail(connection: object, name: str, *more: object) -> None:
        real(connection, name, *more)
        if name == "results":
            raise KeyboardInterrupt

    monkeypatch.setattr(database_export, "_write_table", fail)
    with pytest.raises(KeyboardInterrupt):
        export_bench(tmp_path, f"{empty}?schema=new")
    assert tables(empty) == ["staff"]
    with pytest.raises(BenchError, match='there is no schema "new"'):
        read_bench(f"{empty}?schema=new")


def test_later_rows_get_numbers_by_themselves(lab: str) -> None:
    columns = "vendor, architecture, shaders, boost_clock_mhz, memory_gb, memory_bandwidth_gbs"
    execute(
        lab,
        f"INSERT INTO cards (card, {columns}) SELECT 'Ostra 8', {columns} FROM cards WHERE row = 2",
    )
    assert read_bench(lab).cards["card"].tolist() == ["Ostra 4", "Ostra 6", "Ostra 8"]


@pytest.mark.parametrize(
    ("header", "cell", "what"),
    [
        ("n" * 64, "x", "is too long"),
        ("mine", "a\0b", "cannot contain NUL"),
    ],
)
def test_what_a_server_cannot_hold(
    empty: str, tmp_path: Path, header: str, cell: str, what: str
) -> None:
    write_bench(tmp_path)
    frame = pd.read_csv(tmp_path / "results.csv", dtype=str)
    (tmp_path / "results.csv").unlink()
    frame.assign(**{header: cell}).to_parquet(tmp_path / "results.parquet")
    with pytest.raises(ExportError, match=what):
        export_bench(tmp_path, empty)
    assert tables(empty) == []


def test_logs_need_a_folder(empty: str, tmp_path: Path) -> None:
    frames = "file,card,platform,game,preset,resolution,run\n"
    frames += "far.csv,Ostra 4,Bench 1,Tide,High,2560x1440,3\n"
    told = export_bench(write_bench(tmp_path, frames=frames), empty)
    assert str(told).endswith("a database on a server has no folder for them.")
    (warning,) = check_bench(empty).problems
    assert "table frames: frame-time logs are files" in str(warning)
    with pytest.raises(BenchError, match="frame-time logs are files"):
        reduce_logs(empty)
