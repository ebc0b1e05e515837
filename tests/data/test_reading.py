"""What a sound bench reads as, however a spreadsheet saved it."""

import datetime
import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from scalemodel.data.bench import Bench, check_bench, read_bench, read_specs
from scalemodel.data.checks import GENERATED
from tests.data.benches import CARDS, RESULTS, error_lines, results, write_bench

CLEAN_CARDS = """\
card,vendor,architecture,shaders,boost_clock_mhz,memory_gb,memory_bus_bits,memory_rate_gbps,rops,price,silicon
007,Ostra,Reef,2048,2400.5,12,192,16.5,64,,early
0070,Ostra,Reef,4096,2300,16,256,20,,499.5,
"""
CLEAN_RESULTS = """\
card,platform,game,preset,resolution,run,avg_fps,low_1pct_fps,game_version,booth
007,01,Tide,High,2560x1440,01,61.5,,1.10,a
007,01,Tide,High,2560x1440,02,61.9,50.25,1.10,"b, c"
0070,01,Tide,High,2560x1440,01,98,80,1.10,
0070,01,Marée,High,1920x1080,01,101.25,80,1.10,
"""
MESSY_CARDS = (
    "\ufeff\r\n"
    "Card; vendor;architecture;shaders;boost_clock_mhz;memory_gb;memory_bus_bits;memory_rate_gbps;"
    "rops;price;silicon;\r\n"
    '007;Ostra;Reef;"2048";"2400,5";12,0;192;16,5;64;;early;\r\n'
    ";;;;;;;;;;;\r\n"
    " 0070 ;Ostra;Reef;4096;2300;16;256;20;;499,50;\r\n"
    "\r\n"
)
MESSY_RESULTS = (
    "\ufeffcard;platform;game;preset;resolution;run;avg_fps;low_1pct_fps;game_version;booth\n"
    "\n"
    "007;01;Tide;High;2560 x 1440;01;61,5;;1.10;a\n"
    "007;01;Tide;High;2560×1440;02;61,9;50,25;1.10;b, c\n"
    "\n"
    '"0070";"01";"Tide";"High";"2560X1440";"01";"98";"80,0";"1.10";""\n'
    "0070;01;Mare\u0301e;High;1920x1080;01;1,0125e2;80;1.10\n"
)


def same(one: Bench, other: Bench) -> None:
    for name in ("cards", "platforms", "results", "excluded"):
        left, right = getattr(one, name), getattr(other, name)
        drop = [c for c in ("row",) if c in left]
        pd.testing.assert_frame_equal(left.drop(columns=drop), right.drop(columns=drop))


@pytest.fixture
def clean(tmp_path: Path) -> Bench:
    (tmp_path / "clean").mkdir()
    write_bench(tmp_path / "clean", cards=CLEAN_CARDS, results=CLEAN_RESULTS)
    return read_bench(tmp_path / "clean")


def test_clean_bench(clean: Bench) -> None:
    cards, runs = clean.cards, clean.results
    assert cards["card"].tolist() == ["007", "0070"]
    assert cards["bandwidth_gbs"].tolist() == [192 * 16.5 / 8, 640.0]
    assert cards["shader_rate"].tolist() == [2048 * 2400.5, 4096 * 2300.0]
    assert cards["raster_rate"].fillna(-1).tolist() == [64 * 2400.5, -1.0]
    assert cards["price"].fillna(-1).tolist() == [-1.0, 499.5]
    assert cards["silicon"].tolist() == ["early", ""]
    assert runs["run"].tolist() == ["01", "02", "01", "01"]
    assert runs["row"].tolist() == [2, 3, 4, 5]
    assert runs["scene"].tolist() == ["Tide | High"] * 3 + ["Marée | High"]
    assert runs["pixels"].tolist() == [2560 * 1440.0] * 3 + [1920 * 1080.0]
    assert runs["width"].tolist() == [2560.0] * 3 + [1920.0]
    assert runs["height"].tolist() == [1440.0] * 3 + [1080.0]
    assert runs["low_1pct_fps"].fillna(-1).tolist() == [-1, 50.25, 80, 80]
    assert runs["low_01pct_fps"].isna().all()
    assert runs["game_version"].tolist() == ["1.10"] * 4
    assert runs["booth"].tolist() == ["a", "b, c", "", ""]
    assert clean.platforms["platform"].tolist() == ["01"]
    assert clean.excluded.empty
    for table in (cards, runs):
        assert isinstance(table.index, pd.RangeIndex)


def test_messy_twin_reads_the_same(tmp_path: Path, clean: Bench) -> None:
    messy = read_bench(write_bench(tmp_path, cards=MESSY_CARDS, results=MESSY_RESULTS))
    same(messy, clean)
    assert messy.results["row"].tolist() == [3, 4, 6, 7]
    assert [(r.name, r.encoding, r.delimiter, r.decimal, r.rows) for r in messy.reading] == [
        ("cards.csv", "UTF-8 with byte order mark", ";", ",", 2),
        ("results.csv", "UTF-8 with byte order mark", ";", ",", 4),
    ]
    assert [(r.encoding, r.delimiter, r.decimal) for r in clean.reading] == [
        ("UTF-8", ",", ".")
    ] * 2


def test_tabs_old_line_ends_and_quoted_decimal_commas(tmp_path: Path, clean: Bench) -> None:
    cards = CLEAN_CARDS.replace(",", "\t").replace("\n", "\r")
    runs = CLEAN_RESULTS.replace("61.5", '"61,5"').replace("61.9", '"61,9"')
    runs = runs.replace("50.25", '"50,25"').replace("101.25", '"101,25"')
    twin = read_bench(write_bench(tmp_path, cards=cards, results=runs))
    same(twin, clean)
    assert [(r.delimiter, r.decimal) for r in twin.reading] == [("\t", "."), (",", ",")]


def test_parquet_twin_reads_the_same(tmp_path: Path, clean: Bench) -> None:
    cards = pa.table(
        {
            "card": ["007", "0070"],
            "vendor": pa.array(["Ostra", "Ostra"]).dictionary_encode(),
            "architecture": ["Reef", "Reef"],
            "shaders": pa.array([2048, 4096], pa.int32()),
            "boost_clock_mhz": [2400.5, 2300.0],
            "memory_gb": [12, 16],
            "memory_bus_bits": [192, 256],
            "memory_rate_gbps": [16.5, 20],
            "rops": [64, None],
            "price": [None, 499.5],
            "silicon": ["early", None],
        }
    )
    runs = pd.read_csv(
        write_bench(tmp_path, cards=CLEAN_CARDS, results=CLEAN_RESULTS) / "results.csv",
        dtype=dict.fromkeys(("card", "platform", "run", "game_version"), str),
    )
    for name, table in (("cards", cards), ("results", pa.Table.from_pandas(runs))):
        (tmp_path / f"{name}.csv").unlink()
        pq.write_table(table, tmp_path / f"{name}.parquet")
    twin = read_bench(tmp_path)
    same(twin, clean)
    assert twin.results["row"].tolist() == clean.results["row"].tolist()
    assert [(r.name, r.encoding, r.delimiter, r.decimal, r.rows) for r in twin.reading] == [
        ("cards.parquet", "Parquet", "", ".", 2),
        ("results.parquet", "Parquet", "", ".", 4),
    ]


def test_parquet_numbers_dates_and_flags(tmp_path: Path) -> None:
    write_bench(tmp_path)
    (tmp_path / "results.csv").unlink()
    rows = {name: [text] * 2 for name, text in zip(
        ("card", "platform", "game", "preset", "resolution"),
        ("Ostra 4", "P", "G", "H", "1x1"),
        strict=True,
    )}  # fmt: skip
    day = datetime.datetime(2026, 3, 14)
    table = pa.table(
        rows
        | {"run": [1.0, 2.0], "avg_fps": [60.123456789012345, 1e-7], "power_w": [200.0, None]}
        | {"frame_generation": [False, True], "date": pa.array([day, day], pa.timestamp("us"))}
    )
    pq.write_table(table, tmp_path / "results.parquet")
    bench = read_bench(tmp_path)
    assert bench.results["run"].tolist() == ["1"]
    assert bench.results["date"].tolist() == ["2026-03-14"]
    assert bench.results["avg_fps"].tolist() == [60.123456789012345]
    assert bench.excluded["avg_fps"].tolist() == [1e-7]
    assert bench.excluded["row"].tolist() == [3]


def test_decimal_sign_is_settled_by_the_majority_and_the_rest_refused(tmp_path: Path) -> None:
    text = RESULTS.replace(",", ";").replace("61.5", "61,5")
    allowed = "Allowed: a number above 0 and up to 100,000 (frames per second)."
    assert error_lines(write_bench(tmp_path, results=text)) == [
        'results.csv, row 2, column avg_fps: "61,5" is not a number with a decimal point. '
        f"{allowed} Fix: write the number with a decimal point and no thousands separator."
    ]


def test_flags(tmp_path: Path) -> None:
    words = ["yes", "TRUE", "1", "On", "no", "False", "0", "off", ""]
    rows = [f"Ostra 4,P,G,H,1x1,{i},60,{word}" for i, word in enumerate(words)]
    bench = read_bench(write_bench(tmp_path, results=results(*rows, extra=",exclude")))
    assert bench.excluded["run"].tolist() == ["0", "1", "2", "3"]
    assert bench.results["run"].tolist() == ["4", "5", "6", "7", "8"]


def test_every_excluded_run_has_its_reason(tmp_path: Path) -> None:
    text = results(
        "Ostra 4,P,G,H,1x1,1,60,,,",
        "Ostra 4,P,G,H,1x1,1,61,,,",
        "Ostra 4,P,G,H,1x1,2,99,on,,",
        "Ostra 4,P,G,H,1x1,3,,,yes,crashed",
        "Ostra 4,P,G,H,1x1,4,60,yes,yes,",
        "Ostra 9,P,G,H,1x1,1,60,,,",
        extra=",frame_generation,exclude,note",
    )
    bench = read_bench(write_bench(tmp_path, results=text))
    assert bench.results["row"].tolist() == [2]
    assert list(bench.excluded.columns) == [
        *("row", "card", "platform", "game", "preset", "resolution", "run", "avg_fps", "reason"),
        *("low_1pct_fps", "low_01pct_fps"),
    ]
    assert list(zip(bench.excluded["row"], bench.excluded["reason"], strict=True)) == [
        (3, "the same run as row 2"),
        (4, GENERATED),
        (5, "marked exclude: crashed"),
        (6, "marked exclude"),
        (7, "the card is not in the table of cards"),
    ]
    assert bench.excluded["avg_fps"].fillna(-1).tolist() == [61, 99, -1, 60, 60]
    assert GENERATED == "generated frames do not cost the CPU what rendered ones do"


def test_platforms_of_the_file_come_first(tmp_path: Path) -> None:
    text = RESULTS.replace("Ostra 6,Bench 1", "Ostra 6,Bench 2")
    platforms = "platform,cpu,desk\nBench 3,c,x\nBench 1,a,y\n"
    table = read_bench(write_bench(tmp_path, results=text, platforms=platforms)).platforms
    assert table[["platform", "cpu", "memory", "os", "desk"]].to_numpy().tolist() == [
        ["Bench 3", "c", "", "", "x"],
        ["Bench 1", "a", "", "", "y"],
        ["Bench 2", "", "", "", ""],
    ]


def test_columns_a_file_cannot_bring_are_named(tmp_path: Path) -> None:
    text = RESULTS.replace("avg_fps\n", "avg_fps,scene\n").replace("97.9", "97.9,mine")
    bench = read_bench(write_bench(tmp_path, results=text))
    assert bench.results["scene"].tolist() == ["Tide | High"] * 4
    assert [str(problem) for problem in bench.problems] == [
        'results.csv: the column "scene" is worked out by scalemodel; the file\'s is not used. '
        "Allowed: any other name. Fix: rename or remove the column."
    ]


def test_digest_is_of_the_content_alone(tmp_path: Path) -> None:
    for name in ("a", "b", "c"):
        (tmp_path / name).mkdir()
    one = read_bench(write_bench(tmp_path / "a"))
    two = read_bench(write_bench(tmp_path / "b"))
    three = read_bench(write_bench(tmp_path / "c", results=RESULTS.replace("61.5", "61.6")))
    assert one.digest == two.digest != three.digest
    parts = [("cards", CARDS), ("results", RESULTS)]
    text = "".join(f"{n} {hashlib.sha256(t.encode()).hexdigest()}\n" for n, t in parts)
    assert one.digest == hashlib.sha256(text.encode()).hexdigest()
    assert one.source == str(tmp_path / "a")


def test_more_rows_than_a_block(tmp_path: Path) -> None:
    rows = [
        f"Ostra {4 + 2 * (i % 2)},P,G{i // 90},H,1x1,{i},{50 + i / 7000}" for i in range(25_001)
    ]
    bench = read_bench(write_bench(tmp_path, results=results(*rows)))
    assert bench.results["row"].tolist() == list(range(2, 25_003))
    np.testing.assert_array_equal(bench.results["avg_fps"], [50 + i / 7000 for i in range(25_001)])
    assert bench.results["run"].tolist() == [str(i) for i in range(25_001)]


def test_specs_have_the_columns_of_cards(tmp_path: Path, clean: Bench) -> None:
    path = tmp_path / "next.csv"
    path.write_text(CLEAN_CARDS)
    pd.testing.assert_frame_equal(read_specs(path), clean.cards)


def test_check_report_of_a_sound_bench(tmp_path: Path) -> None:
    text = results(
        "Ostra 4,P,G,H,1x1,1,60,",
        "Ostra 6,P,G,H,1x1,1,61,",
        "Ostra 4,Q,G,H,1x1,1,60,",
        "Ostra 4,Q,G,Low,1x1,1,60,",
        "Ostra 4,Q,G,Low,1x1,2,60,",
        "Ostra 4,Q,G2,Low,1x1,2,60,yes",
        extra=",exclude",
    )
    report = check_bench(write_bench(tmp_path, results=text))
    assert report.ok
    assert dict(report.counts) == {
        "cards": 2,
        "platforms": 2,
        "games": 1,
        "scenes": 2,
        "charts": 3,
        "cells": 4,
        "runs": 5,
        "excluded": 1,
        "shots": 0,
    }
    assert report.excluded["reason"].tolist() == ["marked exclude"]
    assert [p.severity for p in report.problems] == ["warning"] * 2
    assert report.problems == read_bench(tmp_path).problems
    assert [r.name for r in report.reading] == ["cards.csv", "results.csv"]


def test_check_report_of_a_bad_bench(tmp_path: Path) -> None:
    report = check_bench(write_bench(tmp_path, results=RESULTS.replace("61.5", "fast")))
    assert not report.ok
    assert not report.counts
    assert report.excluded.empty
    assert [(p.severity, p.row, p.value) for p in report.problems] == [("error", 2, "fast")]
    assert [r.name for r in report.reading] == ["cards.csv", "results.csv"]
