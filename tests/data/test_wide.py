"""Wide sheets: what is recognised, what is asked for, what is refused and where."""

from pathlib import Path

import pandas as pd
import pytest

from scalemodel.data.bench import check_bench, read_bench
from scalemodel.data.export import export_bench
from tests.data.benches import CARDS as TWO_CARDS
from tests.data.benches import RESULTS, error_lines, warning_lines
from tests.data.wide_sheets import CARDS, write_book, write_csv

PLATFORM = 'platform = "bench 1"\n'
HEADER = "card,Copper Bay ultra 2160p,Copper Bay ultra 1440p,Tide ultra 2160p\n"
RATES = "Ostra 4,10,20,30\nOstra 6,11,21,31\n"
RATE = "a number above 0 and up to 100,000 (frames per second)"
ASKED = (
    "Allowed: a layout.toml that says so. Fix: save the lines below as layout.toml in the folder "
    'of the bench, your words for "???".'
)
HEAD = "# How the wide sheets of this bench are read."
NAMES = ["card", "platform", "game", "preset", "resolution", "run", "avg_fps"]
BOTH = "card,Bay ultra 2160p,Tide ultra 2160p\n"


def bench(folder: Path, text: str, layout: str = PLATFORM) -> Path:
    return write_csv(folder / "bench", {"results": text}, layout=layout)


def told(path: Path) -> list[str]:
    return [line for one in read_bench(path).reading for line in one.shape]


def runs(path: Path) -> list[tuple[object, ...]]:
    return list(read_bench(path).results[NAMES].itertuples(index=False, name=None))


def test_names_in_one_row(tmp_path: Path) -> None:
    path = bench(tmp_path, HEADER + RATES)
    assert runs(path) == [
        ("Ostra 4", "bench 1", "Copper Bay", "ultra", "3840x2160", "1", 10.0),
        ("Ostra 4", "bench 1", "Copper Bay", "ultra", "2560x1440", "1", 20.0),
        ("Ostra 4", "bench 1", "Tide", "ultra", "3840x2160", "1", 30.0),
        ("Ostra 6", "bench 1", "Copper Bay", "ultra", "3840x2160", "1", 11.0),
        ("Ostra 6", "bench 1", "Copper Bay", "ultra", "2560x1440", "1", 21.0),
        ("Ostra 6", "bench 1", "Tide", "ultra", "3840x2160", "1", 31.0),
    ]
    assert read_bench(path).results["row"].tolist() == [2, 2, 2, 3, 3, 3]
    assert told(path) == [
        "results.csv: 2 cards down, 3 charts across (cards in rows 2-3, rates in columns B-D); "
        "platform from layout.toml; game, preset and resolution from row 1; "
        '"2160p" as 3840x2160 and "1440p" as 2560x1440; 6 rates, 0 empty',
        "2 games: Copper Bay and Tide",
        "1 preset: ultra",
    ]


def test_cards_across_with_left_blank_names(tmp_path: Path) -> None:
    text = "game,preset,resolution,metric,Ostra 4,Ostra 6,Average\n"
    text += "Bay,wild,4K,avg,10,11,1\n,,,1% low,8,9,1\nTide,calm,2560 x 1440,avg,30,31,1\n"
    text += ",,,1% low,28,29,1\nGeomean,,,,5,6,1\n"
    path = bench(tmp_path, text)
    frame = read_bench(path).results
    assert frame["game"].tolist() == ["Bay", "Tide"] * 2
    assert frame["preset"].tolist() == ["wild", "calm"] * 2
    assert frame["low_1pct_fps"].tolist() == [8.0, 28.0, 9.0, 29.0]
    assert frame["row"].tolist() == [2, 4, 2, 4]
    assert told(path) == [
        "results.csv: 2 cards across, 2 charts down (cards in columns E-F, rates in rows 2-5); "
        "platform from layout.toml; game from column A; preset from column B; resolution from "
        'column C; rates are avg_fps and low_1pct_fps; "4K" as 3840x2160; 8 rates, 0 empty; '
        'set aside: row 6 ("Geomean"), column G ("Average")',
        "2 games: Bay and Tide",
        "2 presets: wild and calm",
    ]


def test_names_beside_the_rates(tmp_path: Path) -> None:
    text = "card;platform;game;preset;resolution;pass 1;pass 2\n"
    text += "Ostra 4;one;Bay;wild;1080p;61,2;60,8\nOstra 6;one;Bay;wild;1920x1080;70,5;\n"
    path = bench(tmp_path, text, layout="")
    assert runs(path) == [
        ("Ostra 4", "one", "Bay", "wild", "1920x1080", "1", 61.2),
        ("Ostra 4", "one", "Bay", "wild", "1920x1080", "2", 60.8),
        ("Ostra 6", "one", "Bay", "wild", "1920x1080", "1", 70.5),
    ]
    assert '"1080p" as 1920x1080' in told(path)[0]


def test_a_sheet_a_game(tmp_path: Path) -> None:
    header = [["", "ultra", None, "low"], ["card", "2160p", "1440p", "2160p"]]
    bay = [*header, ["Ostra 4", 10, 20, 30.5], ["Ostra 6", 11, None, 31]]
    tide = [["Tide: tests of March"], [], *bay]
    sheets = {"Copper Bay": bay, "Tide": tide, "notes": [["Ask about the driver"]]}
    path = write_book(tmp_path / "bench", sheets, layout=PLATFORM)
    frame = read_bench(path).results
    assert frame["game"].tolist() == ["Copper Bay"] * 5 + ["Tide"] * 5
    assert frame["preset"].tolist() == ["ultra", "ultra", "low", "ultra", "low"] * 2
    assert frame["row"].tolist() == [3, 3, 3, 4, 4, 5, 5, 5, 6, 6]
    (reading,) = (one for one in read_bench(path).reading if one.shape)
    assert (reading.name, reading.rows) == ("lab.xlsx, sheet Copper Bay and 1 more", 10)
    assert [line.partition(";")[0] for line in reading.shape] == [
        "lab.xlsx, sheet Copper Bay: 2 cards down, 3 charts across (cards in rows 3-4, rates in "
        "columns B-D)",
        "lab.xlsx, sheet Tide: 2 cards down, 3 charts across (cards in rows 5-6, rates in "
        "columns B-D)",
        "2 games: Copper Bay and Tide",
        "2 presets: ultra and low",
        "not read, as no rates of cards were found there: lab.xlsx, sheet notes",
    ]
    assert "game from the name of the sheet; preset from row 1; " in reading.shape[0]


def test_what_holds_for_all_sheets_is_said_once(tmp_path: Path) -> None:
    sheets = dict.fromkeys(("Bay", "Tide"), "card,ultra 2160p\nOstra 4,10.5\nOstra 6,11.5\n")
    assert told(write_csv(tmp_path / "bench", sheets, layout=PLATFORM)) == [
        "In each of these sheets: platform from layout.toml; game from the name of the sheet; "
        'preset and resolution from row 1; "2160p" as 3840x2160',
        "Bay.csv: 2 cards down, 1 chart across (cards in rows 2-3, rates in column B); 2 rates, "
        "0 empty",
        "Tide.csv: 2 cards down, 1 chart across (cards in rows 2-3, rates in column B); 2 rates, "
        "0 empty",
        "2 games: Bay and Tide",
        "1 preset: ultra",
    ]


def test_files_each_with_its_own_decimal_sign(tmp_path: Path) -> None:
    sheets = {"Copper Bay": "card,ultra 2160p\nOstra 4,10.5\nOstra 6,11.5\n"}
    sheets["Tide"] = "card;ultra 2160p\nOstra 4;10,25\nOstra 6;11,25\n"
    path = write_csv(tmp_path / "bench", sheets, layout=PLATFORM)
    assert read_bench(path).results["avg_fps"].tolist() == [10.5, 11.5, 10.25, 11.25]


def test_parquet(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "bench", {}, layout=PLATFORM)
    frame = pd.DataFrame({"card": ["Ostra 4", "Ostra 6"], "Bay ultra 2160p": [10.5, None]})
    frame.to_parquet(path / "results.parquet")
    assert read_bench(path).results["avg_fps"].tolist() == [10.5]


@pytest.mark.parametrize("form", ["lab.xlsx", "csv"])
def test_export_writes_the_long_form(tmp_path: Path, form: str) -> None:
    path = bench(tmp_path, HEADER + RATES)
    export_bench(path, tmp_path / form)
    again = read_bench(tmp_path / form)
    pd.testing.assert_frame_equal(
        again.results.drop(columns="row"), read_bench(path).results.drop(columns="row")
    )
    assert not any(one.shape for one in again.reading)


def test_the_only_platform_of_the_table(tmp_path: Path) -> None:
    path = bench(tmp_path, HEADER + RATES, layout="")
    (path / "platforms.csv").write_text("platform,cpu\nopen bench,some\n")
    assert read_bench(path).results["platform"].unique().tolist() == ["open bench"]
    assert "platform from the table of platforms" in told(path)[0]
    (path / "platforms.csv").write_text("platform\nopen bench\nsmall case\n")
    assert "leaves open: the platform" in error_lines(path)[0]


def test_the_layout_is_part_of_the_digest(tmp_path: Path) -> None:
    path = bench(tmp_path, HEADER + RATES)
    first = read_bench(path).digest
    (path / "layout.toml").write_text(PLATFORM.replace("1", "2"))
    assert read_bench(path).digest != first


def test_a_long_bench_needs_no_layout(tmp_path: Path) -> None:
    sheets = {"results": RESULTS}
    path = write_csv(tmp_path / "bench", sheets, cards=TWO_CARDS, layout="not = TOML = at all")
    assert len(read_bench(path).results) == 4


# What is asked for


def asked(path: Path) -> tuple[str, str]:
    """Give the message and the draft that follows it."""
    (problem,) = check_bench(path).problems
    return str(problem), problem.draft


def test_the_platform_is_asked_for(tmp_path: Path) -> None:
    path = bench(tmp_path, HEADER + RATES, layout="")
    assert asked(path) == (
        "results.csv: the sheet is wide (cards in rows 2-3, rates in columns B-D), and leaves "
        f"open: the platform. {ASKED}",
        f'{HEAD}\n# the test system; no header names it\nplatform = "???"',
    )
    assert error_lines(path)[1:] == ["", *asked(path)[1].splitlines()]


def test_a_draft_can_be_filled_in(tmp_path: Path) -> None:
    text = (HEADER + RATES).replace(" ultra", "").replace(" 2160p", "").replace(" 1440p", " II")
    path = bench(tmp_path, text, layout="")
    draft = asked(path)[1]
    assert draft.splitlines() == [
        HEAD,
        "# the test system; no header names it",
        'platform = "???"',
        '# column B ("Copper Bay") names no preset',
        'preset = "???"',
        '# or, if headers end in the names of presets: presets = ["???"]',
        '# column B ("Copper Bay") names no resolution',
        'resolution = "???"',
        '# or, if headers have words of their own for it: resolutions = { "a word" = "???" }',
    ]
    (path / "layout.toml").write_text(draft)
    assert [line.partition(".")[0] for line in error_lines(path)[:2]] == ["layout"] * 2
    (path / "layout.toml").write_text(
        draft.replace('resolution = "???"', 'resolution = "1x1"').replace("???", "mine")
    )
    assert runs(path)[1] == ("Ostra 4", "mine", "Copper Bay II", "mine", "1x1", "1", 20.0)


LEVELS = ",Bay,,Tide\n,Wild,,Wild\ncard,2160p,1440p,2160p\n" + RATES


def test_which_header_is_the_game(tmp_path: Path) -> None:
    path = bench(tmp_path, LEVELS)
    message, draft = asked(path)
    assert "leaves open: what each row of headers holds" in message
    assert draft.splitlines() == [
        HEAD,
        'platform = "bench 1"',
        '# row 1: "Bay", "Tide"',
        '# row 2: "Wild"',
        "# row 3: resolution",
        'headers = ["???", "???", "resolution"]',
        "# each of them one of: game, preset, game and preset, platform, resolution, metric, run, "
        "nothing",
    ]
    (path / "layout.toml").write_text(
        draft.replace('"???", "???"', '"game", "preset"').replace("bench 1", "other")
    )
    assert runs(path)[2] == ("Ostra 4", "other", "Tide", "Wild", "3840x2160", "1", 30.0)


def test_what_the_sheets_are(tmp_path: Path) -> None:
    sheets = dict.fromkeys(("Bay", "Tide"), "card,Fast 2160p,Slow 2160p\nOstra 4,1,2\n")
    path = write_csv(tmp_path / "bench", sheets, layout=PLATFORM)
    message, draft = asked(path)
    assert "what each row of headers holds; what the names of the sheets are" in message
    draft = draft.replace('headers = ["???"]', 'headers = ["preset"]')
    (path / "layout.toml").write_text(draft.replace("???", "game"))
    assert read_bench(path).results["game"].tolist() == ["Bay", "Bay", "Tide", "Tide"]


SPECS = """\
card,vendor,memory_gb,Price (EUR),Bay ultra 2160p,Average,Tide ultra 2160p,unit
Ostra 4,Ostra,12,300,10,20,30,fps
Ostra 6,Ostra,16,400,11,21,31,fps
"""


def test_numbers_that_may_be_no_rates(tmp_path: Path) -> None:
    path = bench(tmp_path, SPECS)
    message, draft = asked(path)
    assert "leaves open: whether numbers without a resolution are rates" in message
    assert draft.splitlines()[-1] == 'ignore = ["Price (EUR)"]'
    (path / "layout.toml").write_text(draft)
    assert read_bench(path).results["avg_fps"].tolist() == [10.0, 30.0, 11.0, 31.0]
    assert told(path)[0].partition("set aside: ")[2] == (
        'column B ("vendor"), column C ("memory_gb"), column D ("Price (EUR)"), '
        'column H ("unit"), column F ("Average")'
    )


def test_presets_and_resolutions_of_ones_own(tmp_path: Path) -> None:
    text = "card,Bay Wild 2K,Bay Very Calm 2K,Tide Wild UW\n" + RATES
    layout = 'presets = ["wild", "Calm", "very calm"]\n'
    layout += 'resolutions = { "2K" = "2560x1440", UW = "3440x1440" }\n'
    path = bench(tmp_path, text, layout=PLATFORM + layout)
    frame = read_bench(path).results.iloc[:3]
    assert frame["game"].tolist() == ["Bay", "Bay", "Tide"]
    assert frame["preset"].tolist() == ["Wild", "Very Calm", "Wild"]
    assert frame["resolution"].tolist() == ["2560x1440", "2560x1440", "3440x1440"]


def test_every_key_of_the_layout_is_checked(tmp_path: Path) -> None:
    layout = 'platfrom = "x"\nplatform = "???"\nheaders = ["gme"]\nignore = "x"\npreset = 5\n'
    layout += 'resolution = "4K"\nresolutions = 3\nsheets = "metric"\npresets = [""]\n'
    lines = error_lines(bench(tmp_path, HEADER + RATES, layout=layout))
    assert [line.partition(" Allowed")[0] for line in lines] == [
        'layout.toml: there is no key "platfrom".',
        'layout.toml: the value of platform is still "???".',
        'layout.toml: the value of preset is "5".',
        'layout.toml: the value of resolution is "4K".',
        'layout.toml: the value of headers, entry 1, is "gme".',
        'layout.toml: the value of sheets is "metric".',
        'layout.toml: the value of presets, entry 1, is "".',
        "layout.toml: the value of resolutions is not a table.",
        "layout.toml: the value of ignore is not a list.",
    ]


@pytest.mark.parametrize(
    ("layout", "message"),
    [
        ("platform = open bench", 'the file is not TOML: "Invalid value'),
        ("\x00", "the file is not TOML"),
        (
            f"{PLATFORM}headers = ['game', 'preset']",
            "headers has 2 entries, but results.csv has row 1",
        ),
        ("#" * (1 << 20) + "\n" + PLATFORM, "the file is larger than 1 MiB"),
    ],
)
def test_a_layout_that_does_not_do(tmp_path: Path, layout: str, message: str) -> None:
    (line,) = error_lines(bench(tmp_path, HEADER + RATES, layout=layout))
    assert line.startswith(f"layout.toml: {message}")


# What is refused, and where


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            f"{HEADER}{RATES}\n{HEADER.replace('Bay', 'Cove')}{RATES}",
            "row 5, column A: a second block begins here.",
        ),
        (
            "card,Bay ultra 2160p,,card,Tide ultra 2160p\nOstra 4,10,,Ostra 6,20\n"
            "Ostra 6,11,,Ostra X,30\n",
            "row 2, column D: a second block begins here.",
        ),
        (
            "game,preset,resolution,Ostra 4,Ostra 6\nBay,ultra,2160p,10,11\n\n"
            "game,preset,resolution,Ostra X,Ostra 4\nTide,ultra,2160p,30,31\n",
            "row 4, column D: a second block begins here.",
        ),
        (
            f"{HEADER}{RATES}Ostra 4,10,20,30\n",
            'row 4, column A: runs of the card "Ostra 4" are in row 2 of results.csv already.',
        ),
        (
            f"{HEADER}{RATES},21,41,61\n",
            "row 4, column A: there are rates here, but no card is named.",
        ),
        (
            f"{BOTH}Ostra 4,abc,30\nOstra 6,11,31\n",
            f'row 2, column B: "abc" is not a number. Allowed: {RATE}. Fix: correct the cell or '
            "empty it.",
        ),
        (f"{BOTH}Ostra 4,10,30\nOstra 6,11,-3\n", 'row 3, column C: "-3" is too small.'),
        (
            f'{BOTH}Ostra 4,"1,010.5",30\nOstra 6,11,31\n',
            'row 2, column B: "1,010.5" is not a number with a decimal point.',
        ),
        (
            "card,Bay ultra 2160p,Bay ultra 2160p,Bay ultra 2160p 1% low\nOstra 4,10,11,9\n",
            "row 1, column B: the columns of a chart do not go together: 2 of avg_fps, 1 of "
            "low_1pct_fps.",
        ),
        (
            "card,Bay ultra 2160p,Bay ultra 2160p 1% low\nOstra 4,,9\n",
            "row 2, column B: avg_fps is empty, but low_1pct_fps of the run is there.",
        ),
        (
            "card,Bay ultra 2160p run 1,Bay ultra 2160p run 1\nOstra 4,10,11\n",
            "row 1, column C: the same run of the chart is in column B already.",
        ),
        (
            "metric,avg,power\ncard,Bay ultra 2160p,Bay ultra 2160p\nOstra 4,10,11\n",
            'row 1, column C: "power" is no metric.',
        ),
        (
            "card,Bay\x01 ultra 2160p\nOstra 4,10\n",
            'row 1, column B: "Bay\\x01" holds a line break or an invisible character.',
        ),
    ],
)
def test_problems_name_the_cell(tmp_path: Path, text: str, message: str) -> None:
    (line,) = error_lines(bench(tmp_path, text))
    assert line.startswith(f"results.csv, {message}")


def test_a_name_in_two_places(tmp_path: Path) -> None:
    text = "card,preset,Bay ultra 2160p\nOstra 4,low,10\nOstra 6,low,11\n"
    path = bench(tmp_path, text)
    assert error_lines(path) == [
        "results.csv: the preset is named twice: by column B and row 1. Allowed: one place for "
        "the preset. Fix: take one of them out, or put it into ignore in layout.toml."
    ]
    (path / "layout.toml").write_text(PLATFORM + 'ignore = ["preset"]')
    assert read_bench(path).results["preset"].tolist() == ["ultra", "ultra"]


def test_a_cell_of_a_sheet_is_named(tmp_path: Path) -> None:
    rows = [["card", "ultra 2160p"], ["Ostra 4", "10,5"], ["Ostra 6", 11]]
    path = write_book(tmp_path / "bench", {"Bay": rows, "Tide": rows}, layout=PLATFORM)
    assert [line.partition(". Allowed")[0] for line in error_lines(path)] == [
        f'lab.xlsx, sheet {name}, row 2, column B: "10,5" is not a number with a decimal point'
        for name in ("Bay", "Tide")
    ]


def test_no_card_of_the_table(tmp_path: Path) -> None:
    assert error_lines(bench(tmp_path, (HEADER + RATES).replace("Ostra", "Other"))) == [
        "results.csv: no row and no column of this sheet names cards of the table of cards. "
        "Allowed: one row a run with the columns of results.csv, or cards down and charts across. "
        "Fix: write the cards as in the table of cards."
    ]


# What is read with a warning


@pytest.mark.parametrize(
    ("text", "messages"),
    [
        (
            f"{BOTH}Ostra 4,n/a,30\nOstra 6,11,–\nOstra X,2,3\n",
            [
                'row 2, column B: "n/a" stands where a rate would; it is read as not tested. '
                "Allowed: a rate, or nothing. Fix: test it, or leave the cell empty.",
                'row 3, column C: "–" stands where a rate would; it is read as not tested. '
                "Allowed: a rate, or nothing. Fix: test it, or leave the cell empty.",
            ],
        ),
        (
            HEADER + RATES.replace("Ostra 4", "ostra  4"),
            [
                'row 2, column A: "ostra  4" is read as the card "Ostra 4". Allowed: names as in '
                "the table of cards. Fix: write both alike."
            ],
        ),
        (
            f"{BOTH}Ostra 9,10,30\nOstra 6,11,31\nOstra X,2,3\n",
            [
                'row 2, column A: the card "Ostra 9" is not in the table of cards; its 2 runs are '
                "left out. Allowed: a card of the table of cards. Fix: add its spec sheet to the "
                "table of cards or correct the name."
            ],
        ),
        (
            "card,Bay ultra 2160p,,Tide ultra 2160p,,\nOstra 4,60,60.1,30,30.1,30\n"
            "Ostra 6,70,70.1,35,35.1,90\n",
            [
                "row 3, column F: 90 is 156.8% above what its repeats agree on. Allowed: repeats "
                "within about 5.0% of each other. Fix: run it again, or empty the cell."
            ],
        ),
    ],
)
def test_warnings_name_the_cell(tmp_path: Path, text: str, messages: list[str]) -> None:
    found = warning_lines(bench(tmp_path, text))
    assert found == [f"results.csv, {message}" for message in messages]


@pytest.mark.parametrize(
    ("text", "aside"),
    [
        (
            f"{HEADER}{RATES}Total,21,41,61\n\nSame driver\n",
            'row 4 ("Total"), row 6 ("Same driver")',
        ),
        (f"{HEADER}Reef,,,\n{RATES}", 'row 2 ("Reef")'),
        (
            "card,Bay ultra 2160p,,card,Tide ultra 2160p\nOstra 4,10,,Ostra 4,20\n"
            "Ostra 6,11,,Ostra 6,30\n",
            "column D (the cards again)",
        ),
    ],
)
def test_what_is_set_aside_is_said(tmp_path: Path, text: str, aside: str) -> None:
    line = told(bench(tmp_path, text))[0]
    assert line.endswith(f"set aside: {aside}")


def test_a_line_a_run(tmp_path: Path) -> None:
    text = "card,run,Bay ultra 2160p\nOstra 4,a,10\nOstra 4,b,11\nOstra 6,a,12\n"
    assert [(run[0], run[5], run[6]) for run in runs(bench(tmp_path, text))] == [
        ("Ostra 4", "a", 10.0),
        ("Ostra 4", "b", 11.0),
        ("Ostra 6", "a", 12.0),
    ]


def test_a_column_that_holds_for_a_row(tmp_path: Path) -> None:
    text = "card,driver,date,Bay ultra 2160p\nOstra 4,1.2,2026-03,10\nOstra 6,1.3,,11\n"
    path = bench(tmp_path, text)
    frame = read_bench(path).results
    assert frame["driver"].tolist() == ["1.2", "1.3"]
    assert frame["date"].tolist() == ["2026-03", ""]
    assert "; driver from column B; date from column C; " in told(path)[0]


def test_a_title_that_is_a_card(tmp_path: Path) -> None:
    path = bench(tmp_path, f"Ostra 4\n{HEADER}Ostra X,,,\n{RATES}")
    assert read_bench(path).results["row"].tolist() == [4, 4, 4, 5, 5, 5]
    assert "3 cards down, 3 charts across (cards in rows 3-5" in told(path)[0]


def test_a_game_that_ends_in_a_word_for_presets(tmp_path: Path) -> None:
    text = ",Tide Low,,Bay\n,ultra,,ultra\ncard,2160p,1440p,2160p\n" + RATES
    assert read_bench(bench(tmp_path, text)).results["game"].unique().tolist() == [
        "Tide Low",
        "Bay",
    ]


def test_a_file_to_ignore_need_not_be_readable(tmp_path: Path) -> None:
    sheets = {"Bay": "card,ultra 2160p\nOstra 4,10.5\nOstra 6,11.5\n"}
    path = write_csv(tmp_path / "bench", sheets, layout=PLATFORM)
    (path / "old notes.csv").write_bytes(b"\xff")
    assert error_lines(path) == [
        "old notes.csv, row 1: the byte 0xFF is not UTF-8. Allowed: text saved as UTF-8. "
        'Fix: save the file as "CSV UTF-8".'
    ]
    (path / "layout.toml").write_text(PLATFORM + 'ignore = ["old notes"]')
    assert len(read_bench(path).results) == 2


def test_cards_alike_but_for_a_space(tmp_path: Path) -> None:
    cards = CARDS.replace("007,", "Ostra4,")
    path = bench(tmp_path, "card,Bay ultra 2160p\nOstra4,10\nOstra 4,20\n")
    (path / "cards.csv").write_text(cards)
    assert [run[0] for run in runs(path)] == ["Ostra4", "Ostra 4"]
