"""Whatever the shape of a wide sheet, it reads as the long bench it was made of."""

import tempfile
from pathlib import Path

import pandas as pd
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from scalemodel.data.bench import read_bench
from scalemodel.data.schema import ID_COLUMNS
from tests.data.test_mutations import EDITS, Edits, mutated, read_or_refuse
from tests.data.wide_sheets import CARDS, Form, csv_text, wide_rows, write_book, write_csv

STEADY = settings(
    derandomize=True,
    deadline=None,
    max_examples=120,
    database=None,
    phases=(Phase.generate,),  # to shrink a whole bench takes minutes
    suppress_health_check=[HealthCheck.too_slow],
)
NAMES = [line.partition(",")[0] for line in CARDS.splitlines()[1:]]
GAMES = ["Copper Bay", "High Water", "Marée 2", "2160 Fathoms", "Tide: Origins (new)"]
PRESETS = ["ultra", "high, rays", "very low"]
RESOLUTIONS = ["3840x2160", "2560x1440", "1920x1080"]
LAYOUT = 'platform = "bench 1"\n'


@st.composite
def forms(draw: st.DrawFn, metrics: int, passes: int) -> Form:
    """Draw a shape: all names in one row, or a row each, in any order."""
    sheets = draw(st.booleans())
    named = ["preset", "resolution"] if sheets else ["game", "preset", "resolution"]
    told = draw(st.booleans()) and passes > 1
    more = (["metric"] if metrics > 1 else []) + (["run"] if told else [])
    if draw(st.booleans()):
        levels: tuple[tuple[str, ...], ...] = ((*named, *more),)
    else:
        order = draw(st.permutations(named))
        levels = tuple((name,) for name in (*order, *more))
        if draw(st.booleans()) and len(levels) > 1:
            last = (*levels[-2], *levels[-1])
            levels = (*levels[:-2], last if last != ("preset", "game") else ("game", "preset"))
    return Form(
        levels,
        across=draw(st.booleans()),
        merged=draw(st.booleans()),
        sheets=sheets,
        short=draw(st.booleans()),
        title=draw(st.booleans()),
        footer=draw(st.booleans()),
    )


@st.composite
def labs(draw: st.DrawFn) -> tuple[pd.DataFrame, list[str]]:
    """Draw results of a few cards, with gaps, and the metrics they have."""
    cards = draw(st.lists(st.sampled_from(NAMES), min_size=2, unique=True))
    games = draw(st.lists(st.sampled_from(GAMES), min_size=2, max_size=3, unique=True))
    charts = [
        (game, preset, size)
        for game in games
        for preset in draw(st.lists(st.sampled_from(PRESETS), min_size=1, max_size=2, unique=True))
        for size in draw(st.lists(st.sampled_from(RESOLUTIONS), min_size=1, unique=True))
    ]
    passes = draw(st.integers(1, 3))
    metrics = ["avg_fps", "low_1pct_fps"][: draw(st.integers(1, 2))]
    rows = []
    for card in cards:
        for chart in charts:
            for run in range(1, passes + 1):
                rate = draw(st.integers(200, 90_000)) / 100
                rows.append((card, "bench 1", *chart, str(run), rate, rate * 0.75))
    runs = pd.DataFrame(rows, columns=[*ID_COLUMNS, "avg_fps", "low_1pct_fps"])
    kept = draw(st.lists(st.booleans(), min_size=len(runs), max_size=len(runs)))
    return runs[[k or n == 0 for n, k in enumerate(kept)]], metrics


@st.composite
def cases(draw: st.DrawFn) -> tuple[pd.DataFrame, list[str], Form]:
    runs, metrics = draw(labs())
    return runs, metrics, draw(forms(len(metrics), runs["run"].nunique()))


def sheets_of(runs: pd.DataFrame, metrics: list[str], form: Form) -> dict[str, list[list[object]]]:
    passes = [str(k + 1) for k in range(int(runs["run"].max()))]
    parts = runs.groupby("game", sort=False) if form.sheets else [("results", runs)]
    return {str(name): wide_rows(part, NAMES, form, metrics, passes) for name, part in parts}


def long_text(runs: pd.DataFrame, metrics: list[str]) -> str:
    return runs[[*ID_COLUMNS, *metrics]].to_csv(index=False)


def same_results(one: Path, other: Path) -> None:
    left, right = (
        read_bench(path).results.sort_values(list(ID_COLUMNS)).drop(columns="row")
        for path in (one, other)
    )
    pd.testing.assert_frame_equal(left.reset_index(drop=True), right.reset_index(drop=True))


@STEADY
@given(case=cases(), kind=st.sampled_from(["xlsx", ",.", ";,", ";.", "\t,"]))
def test_a_wide_bench_reads_as_the_long_one(
    case: tuple[pd.DataFrame, list[str], Form], kind: str
) -> None:
    runs, metrics, form = case
    sheets = sheets_of(runs, metrics, form)
    with tempfile.TemporaryDirectory() as name:
        long = write_csv(Path(name) / "long", {"results": long_text(runs, metrics)})
        if kind == "xlsx":
            titles = {title.replace(":", ""): rows for title, rows in sheets.items()}
            runs["game"] = runs["game"].str.replace(":", "") if form.sheets else runs["game"]
            (long / "results.csv").write_text(long_text(runs, metrics))
            wide = write_book(Path(name) / "wide", titles, layout=LAYOUT)
        else:
            texts = {title: csv_text(rows, *kind) for title, rows in sheets.items()}
            wide = write_csv(Path(name) / "wide", texts, layout=LAYOUT)
        same_results(wide, long)


def small_case() -> tuple[pd.DataFrame, list[str], Form]:
    """Give a lab with every kind of header, as far as one sheet can have them."""
    charts = [(g, p, s) for g in GAMES[:2] for p in PRESETS[:2] for s in RESOLUTIONS[:2]]
    rows = [
        (card, "bench 1", *chart, run, 20.0 + 7 * n + len(card), 15.0)
        for card in NAMES[:3]
        for n, chart in enumerate(charts)
        for run in "12"
    ]
    runs = pd.DataFrame(rows, columns=[*ID_COLUMNS, "avg_fps", "low_1pct_fps"])
    levels = (("game",), ("preset",), ("resolution",), ("metric",))
    return runs, ["avg_fps", "low_1pct_fps"], Form(levels, title=True, footer=True)


WIDE = csv_text(sheets_of(*small_case())["results"]).encode()


@STEADY
@given(edits=EDITS, wide=st.booleans(), layout=st.sampled_from([LAYOUT, "", 'headers = ["game"]']))
def test_mutated_wide_sheets(edits: Edits, wide: bool, layout: str) -> None:
    text = (
        WIDE if wide else b"card,Bay ultra 2160p,Tide low 4K 1% low,n/a\nOstra 4,1,-,\n007,3,,4\n"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = write_csv(Path(name), {}, layout=layout)
        (folder / "results.csv").write_bytes(mutated(text, edits))
        read_or_refuse(folder, wide=True)


@STEADY
@given(edits=EDITS)
def test_mutated_layouts(edits: Edits) -> None:
    layout = b'platform = "x"\nheaders = ["game", "preset", "resolution", "metric"]\npresets = []\n'
    layout += b'ignore = ["y"]\nresolutions = { "2160p" = "3840x2160" }\nsheets = "game"\n'
    with tempfile.TemporaryDirectory() as name:
        folder = write_csv(Path(name), {"results": WIDE.decode()})
        (folder / "layout.toml").write_bytes(mutated(layout, edits))
        read_or_refuse(folder, wide=True)


WORDS = ["", "Ostra 4", "ostra 4", "007", "card", "game", "2160p", "2160", "Bay ultra", "ultra"]
WORDS += ["avg", "1% low", "run 2", "61.5", "61,5", "n/a", "Average", "price", "platform", "Bay"]
CELLS = st.sampled_from(WORDS)


@settings(STEADY, max_examples=200)
@given(rows=st.lists(st.lists(CELLS, min_size=1, max_size=6), min_size=1, max_size=7))
def test_any_words_of_a_sheet_in_any_place(rows: list[list[str]]) -> None:
    with tempfile.TemporaryDirectory() as name:
        text = csv_text([list(row) for row in rows])
        read_or_refuse(write_csv(Path(name), {"results": text}, layout=LAYOUT), wide=True)
