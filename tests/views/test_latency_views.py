"""Views and figures of latency, lows and groups: what they show, with awkward names."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Text

from scalemodel.answers.fitting import Fit
from scalemodel.answers.latency import Latency, latency
from scalemodel.answers.lead_groups import LeadGroups
from scalemodel.answers.lows import Lows
from scalemodel.data.bench import read_bench
from scalemodel.views.figures.groups import groups_figure
from scalemodel.views.figures.latency import latency_figure
from scalemodel.views.figures.layout import FigureError
from scalemodel.views.figures.lows import lows_figure
from scalemodel.views.style import Figure, figure_bytes
from scalemodel.views.terminal.groups import groups_view
from scalemodel.views.terminal.latency import compare_view, compare_words, latency_view
from scalemodel.views.terminal.lows import lows_view
from scalemodel.views.terminal.parts import WIDTH, as_text
from tests.answers import latency_bench
from tests.answers.latency_bench import CARDS

ODD = "<Tag> $5 [b]"


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Latency:
    results, shots = latency_bench.tables(extra_ms={CARDS[3]: 6.0})
    odd = {"Game 0": ODD}
    results, shots = (table.replace({"game": odd}) for table in (results, shots))
    folder = tmp_path_factory.mktemp("views")
    return latency(read_bench(latency_bench.write(folder, results, shots)))


@pytest.fixture(scope="module")
def low(demo_fit: Fit) -> Lows:
    return demo_fit.lows()


@pytest.fixture(scope="module")
def groups(demo_fit: Fit) -> LeadGroups:
    return demo_fit.lead_by("ray_tracing", "Ostrel T80", "Ostrel F90")


def texts(figure: Figure) -> list[str]:
    found = figure.findobj(Text)
    return [text.get_text() for text in found if isinstance(text, Text) and text.get_text()]


def test_the_view_of_latency_names_lines_cards_and_ties(told: Latency) -> None:
    shown = as_text(latency_view(told))
    assert "latency is a constant and some frames" in shown
    assert "all scenes" in shown
    assert next(line for line in shown.splitlines() if "◆ breaks" in line).startswith(
        f"  {CARDS[3]}"
    )
    assert max(map(len, shown.splitlines())) <= WIDTH
    assert "[b]" in shown


def test_the_view_of_two_cards(told: Latency) -> None:
    table = told.compare(*CARDS[:2])
    shown = as_text(compare_view(table, told))
    assert shown.startswith("\n  On P the latency of ")
    assert compare_words(table, 1.0).endswith(": different.")
    assert f"latency of {CARDS[0]} less that of {CARDS[1]}" in shown


def test_the_figure_of_latency_draws_every_cell_and_names_the_card(told: Latency) -> None:
    figure = latency_figure(told, "P")
    found = texts(figure)
    assert any(text.startswith("Latency is ") and CARDS[3] in text for text in found)
    assert found.count(CARDS[3]) == 2  # once a scene
    points = [line for axes in figure.axes for line in axes.lines if line.get_marker() in "oDs"]
    assert len(points) == len(told.table)
    drawn = sorted(float(np.asarray(line.get_ydata())[0]) for line in points)
    np.testing.assert_allclose(drawn, sorted(told.table["latency_ms"]))
    assert figure_bytes(figure, "png") == figure_bytes(latency_figure(told, "P"), "png")


def test_a_platform_without_a_line_has_no_figure(tmp_path: Path) -> None:
    lost = latency(latency_bench.bench(tmp_path, platform="Rig"))
    with pytest.raises(FigureError, match=r"^There is no line of latency on Rig"):
        latency_figure(lost, "Rig")
    shown = as_text(latency_view(lost))
    assert "32 cells: no rate was measured on this platform" in shown
    assert "nan" not in shown


def test_lows_out_of_step_are_named(low: Lows) -> None:
    shown = as_text(lows_view(low))
    assert "Tumarin S5  Tidewright | epic" in shown
    assert "6 cells: the average fell for lack of memory" in shown
    found = texts(lows_figure(low, "open bench"))
    assert any(text.startswith("1% low out of step: Tumarin S5 in ") for text in found)
    assert sum(text.startswith("Tumarin S5 −") for text in found) == 2
    calm = texts(lows_figure(low, "small case"))
    assert "The 1% low of every card is in step with its average in every scene" in calm
    with pytest.raises(FigureError, match="No low on nowhere"):
        lows_figure(low, "nowhere")


def test_the_figure_of_lows_draws_every_cell(low: Lows) -> None:
    (axes,) = lows_figure(low, "open bench").axes
    drawn = np.concatenate(
        [np.asarray(line.get_xdata()) for line in axes.lines if line.get_marker() in "oDs"]
    )
    judged = low.table[(low.table["platform"] == "open bench") & (low.table["reason"] == "")]
    np.testing.assert_allclose(np.sort(drawn), np.sort(judged["apart"]))


def test_groups_are_shown_with_their_charts(groups: LeadGroups) -> None:
    shown = as_text(groups_view(groups))
    assert "ray_tracing  charts  scenes" in shown
    assert "1 chart: upscaled: kept apart from native charts" in shown
    figure = groups_figure(groups)
    (axes,) = figure.axes
    drawn = np.concatenate(
        [np.asarray(line.get_xdata()) for line in axes.lines if line.get_marker() == "o"]
    )
    used = groups.charts[groups.charts["used"].astype(bool)]
    np.testing.assert_allclose(np.sort(drawn), np.sort(used["lead"].astype(float)))
    none = replace(groups, table=groups.table[groups.table["row_kind"] == "all"])
    with pytest.raises(FigureError, match="can be grouped"):
        groups_figure(none)
