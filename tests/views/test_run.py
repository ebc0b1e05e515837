"""The figure of one run, and the table of reduced runs: every number is there and readable."""

from pathlib import Path

import numpy as np
import pytest

from scalemodel.answers.reduce import Reduced, reduce_logs
from scalemodel.answers.trace import Trace, trace
from scalemodel.data.schema import ID_COLUMNS
from scalemodel.views.figures.run import _apart, run_figure
from scalemodel.views.style import Figure, figure_bytes
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import as_text
from scalemodel.views.terminal.reduce import reduce_view
from scalemodel.views.words import rate_words
from tests.data.logs import column, frame_times, write_logs

TIMES = frame_times(4000)
TIMES[[500, 2500]] = 60.0, 45.0


@pytest.fixture
def answer(tmp_path: Path) -> Reduced:
    rows = ("a.csv", "steady.csv", "short.csv")
    steady = 1000 / 90 + 0.001 * np.random.default_rng(3).standard_normal(2000)
    logs = {"a_csv": column(TIMES), "steady_csv": column(steady), "short_csv": column(TIMES[:100])}
    return reduce_logs(write_logs(tmp_path, rows, **logs))


def drawn(answer: Reduced, bench: Path, number: int) -> tuple[Figure, Trace]:
    row = list(rows_of(answer.table))[number]
    found = trace(bench, tuple(answer.table[list(ID_COLUMNS)].iloc[number]))
    return run_figure(row, found.along, found.spread), found


def texts(figure: Figure) -> list[str]:
    return [text.get_text() for axes in figure.axes for text in axes.texts]


def test_both_lows_are_marked_by_both_definitions(answer: Reduced, tmp_path: Path) -> None:
    figure, found = drawn(answer, tmp_path, 0)
    row = answer.table.iloc[0]
    assert sorted(texts(figure)) == sorted(
        [
            f"average: {rate_words(row['avg_fps'])}",
            f"1% low, quantile: {rate_words(row['low_1pct_fps'])}",
            f"1% low, slowest_mean: {rate_words(row['low_1pct_slowest_mean_fps'])}",
            f"0.1% low, quantile: {rate_words(row['low_01pct_fps'])}",
            f"0.1% low, slowest_mean: {rate_words(row['low_01pct_slowest_mean_fps'])}",
        ]
    )
    way, side = figure.axes
    assert way.get_ylim() == side.get_ylim()
    lows = {float(np.asarray(line.get_ydata())[0]) for line in side.lines}
    rates = [c for c in answer.table.columns if c.startswith("low") and c.endswith("_fps")]
    assert lows == {1000 / row[rate] for rate in rates}
    marks = next(line for line in way.lines if line.get_marker() == "v")
    assert len(np.asarray(marks.get_xdata())) == found.along["spikes"].sum() == 2
    assert figure_bytes(figure, "png") == figure_bytes(figure, "png")


def test_what_is_missing_is_said(answer: Reduced, tmp_path: Path) -> None:
    figure, _ = drawn(answer, tmp_path, 2)
    assert texts(figure) == [f"average: {rate_words(answer.table['avg_fps'][2])}"]
    lines = " ".join(text.get_text() for text in figure.texts)
    assert "1% low: 100 frames are fewer than the 299 needed" in lines
    held, _ = drawn(answer, tmp_path, 1)
    lines = " ".join(text.get_text() for text in held.texts)
    assert "Held at 90.0 frames per second by a cap or a refresh interval." in lines


def test_the_table_fits_and_says_what_is_worth_a_look(answer: Reduced) -> None:
    text = as_text(reduce_view(str(answer), answer))
    assert max(map(len, text.splitlines())) <= 100
    words = " ".join(text.split())
    assert "steady.csv: held at 90.0 frames per second" in words
    assert "short.csv: 1% low: 100 frames are fewer than the 299 needed" in words
    assert "1% low and 0.1% low by quantile; the last column has both by slowest_mean" in words


@pytest.mark.parametrize("heights", [[0.5] * 5, [0.9, 0.95, 0.97, 0.98, 1.0], [0.0, 0.5, 1.0]])
def test_labels_stand_apart_and_inside(heights: list[float]) -> None:
    placed = _apart(np.array(heights), 0.048)
    assert min(np.diff(placed)) > 0.04
    assert placed[-1] <= 1 + 1e-9
