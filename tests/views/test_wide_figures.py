"""Figures about all cards, all scenes or the whole bench: what they hold."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.text import Text

from scalemodel.views.figures.bench import bench_figure
from scalemodel.views.figures.comparison import comparison_figure
from scalemodel.views.figures.knee import knee_figure
from scalemodel.views.figures.layout import FigureError, fitted_rows, spread_out
from scalemodel.views.figures.shares import shares_figure
from scalemodel.views.figures.slopes import moved, slopes_figure
from scalemodel.views.figures.standings import standings_figure
from scalemodel.views.sizes import PAGE, PRINT, SLIDE
from scalemodel.views.style import CONTEXT, PAPER, PLUM
from tests.views import examples, wide_examples


def texts(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.findobj(Text) if isinstance(text, Text)]


def test_places_have_a_panel_a_resolution_the_largest_first() -> None:
    figure = standings_figure(wide_examples.places(), 0.8)
    found = texts(figure)
    assert any(text.startswith("Fastest of 4 cards: Ka 1 at 3840x2160, Magn") for text in found)
    assert [axes.texts[0].get_text() for axes in figure.axes] == ["3840x2160", "1920x1080"]
    names = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert names[0] == "Ka 1  1"
    assert names[2] == "$1 & <Tag> $x^2$  3"
    assert "At the right: geometric mean rate in frames per second over the same 4 charts." in found
    assert any("2 of 6 steps in the order not certain" in text for text in found)


def test_a_place_mostly_filled_in_is_hollow_and_an_open_step_is_bracketed() -> None:
    large, small = standings_figure(wide_examples.places(), 0.8).axes
    for axes, hollow in ((large, []), (small, [0.0])):
        dots = [line for line in axes.lines if line.get_marker() == "o"]
        empty = [line for line in dots if to_hex(line.get_markerfacecolor()) == PAPER]
        assert [float(line.get_ydata()[0]) for line in empty] == hollow
        brackets = [line for line in axes.lines if len(line.get_xdata()) == 4]
        assert [list(line.get_ydata()) for line in brackets] == [[0.8, 0.8, 2.2, 2.2]]


def test_places_of_many_cards_say_how_many_are_left_out() -> None:
    found = texts(standings_figure(wide_examples.places(60), 0.8, SLIDE))
    assert any(text.endswith("slower cards not drawn.") for text in found)
    assert not any(
        "not drawn" in text for text in texts(standings_figure(wide_examples.places(60), 0.8))
    )


def test_cards_that_change_places_stand_out() -> None:
    figure = slopes_figure(wide_examples.places(), wide_examples.pairs(), 0.8)
    colours = [
        to_hex(line.get_color()) for line in figure.axes[0].lines if line.get_marker() == "o"
    ]
    assert colours == [PLUM, PLUM, CONTEXT, CONTEXT]
    found = texts(figure)
    assert any(text.startswith("2 of 4 cards change places from 3840x2160") for text in found)
    none = wide_examples.pairs().assign(p_ahead=0.9)
    found = texts(slopes_figure(wide_examples.places(), none, 0.8))
    assert "None of 4 cards is likely to change places from 3840x2160 to 1920x1080" in found


def test_a_change_counts_only_if_both_ends_are_certain() -> None:
    ends = ("3840x2160", "1920x1080")
    table = wide_examples.pairs()
    assert moved(table, *ends, 0.8) == wide_examples.names(4)[:2]
    assert moved(table, *ends, 0.95) == []


def test_places_that_cannot_be_drawn_are_refused() -> None:
    table = wide_examples.places()
    none = table.assign(place=pd.NA)
    for draw in (lambda t: standings_figure(t, 0.8), lambda t: slopes_figure(t, t, 0.8)):
        with pytest.raises(
            FigureError, match=r"^No chart compares cards; there is nothing to draw\.$"
        ):
            draw(none)
        with pytest.raises(FigureError, match=r"^A figure shows the places on one platform\.$"):
            draw(pd.concat([table, table.assign(platform="other")]))
    with pytest.raises(FigureError, match=r"^All places are at one resolution"):
        slopes_figure(table[table["resolution"] == "1920x1080"], wide_examples.pairs(), 0.8)


def test_a_knee_draws_every_result_with_its_range_and_the_ceiling() -> None:
    answer = wide_examples.knee()
    figure = knee_figure((answer.table, answer.charts, answer.curve), 0.8)
    found = texts(figure)
    assert "Saltmarch | ultra: ceiling 200 (196–205), 1 of 6 results at it" in found
    assert "ceiling 200 (196–205)" in found
    axes, strip = figure.axes
    marks = [
        line for line in axes.lines if line.get_marker() in "os" and len(line.get_xdata()) == 1
    ]
    drawn = sorted((float(line.get_xdata()[0]), float(line.get_ydata()[0])) for line in marks)
    assert drawn == sorted(zip(answer.table["gpu_rate"], answer.table["rate"], strict=True))
    spans = [line for line in axes.lines if to_hex(line.get_color()) == CONTEXT]
    assert len(spans) == len(answer.table)
    assert strip.get_ylim()[0] < 0
    assert strip.get_ylim()[1] > 1


def test_a_ceiling_out_of_reach_is_a_bound() -> None:
    answer = wide_examples.knee(reached=False)
    figure = knee_figure((answer.table, answer.charts, answer.curve), 0.8)
    assert "ceiling above 199" in texts(figure)
    assert "ceiling is above this" in texts(figure)
    several = pd.concat([answer.table, answer.table.assign(game="Other")])
    with pytest.raises(FigureError, match=r"^A figure shows one scene on one platform\.$"):
        knee_figure((several, answer.charts, answer.curve), 0.8)
    with pytest.raises(FigureError, match=r"^No result of this scene is in the fit"):
        knee_figure((answer.table.assign(gpu_rate=np.nan), answer.charts, answer.curve), 0.8)


def test_shares_have_a_panel_a_stage_on_one_scale() -> None:
    figure = shares_figure(wide_examples.shares())
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == ["arithmetic", "bandwidth and cache", "raster rate", "fixed work"]
    scale = [np.ptp(axes.get_xlim()) / axes.get_position().width for axes in figure.axes]
    assert scale == pytest.approx([scale[0]] * 4)
    title = "Bandwidth and cache take 27% of a typical card's frame at 1920x1080, 35% at 3840x2160"
    assert title in texts(figure)
    with pytest.raises(FigureError, match=r"^The fit has no scene"):
        shares_figure(wide_examples.shares().iloc[:0])


def test_the_bench_has_a_mark_a_cell() -> None:
    table = wide_examples.cells()
    figure = bench_figure(table)
    full = [line for axes in figure.axes for line in axes.lines if line.get_marker() == "o"]
    assert sum(len(line.get_xdata()) for line in full) == len(table)
    crosses = [line for axes in figure.axes for line in axes.lines if line.get_marker() == "x"]
    assert sum(len(line.get_xdata()) for line in crosses) == 1
    assert "47 of 48 cells are tested, 1 run left out" in texts(figure)
    with pytest.raises(FigureError, match=r"^Nothing was tested"):
        bench_figure(table.iloc[:0])


def test_a_comparison_draws_the_mean_first_and_every_lead() -> None:
    answer = examples.comparison()
    figure = comparison_figure(answer)
    known = answer.table[answer.table["lead"].notna()]
    dots = [line for axes in figure.axes for line in axes.lines if line.get_marker() == "o"]
    assert sorted(float(line.get_xdata()[0]) for line in dots) == sorted(known["lead"])
    assert figure.axes[0].get_yticklabels()[0].get_text().startswith("mean of")
    with pytest.raises(FigureError, match=r"^The two share no chart"):
        comparison_figure(type(answer)(known.iloc[:0], "a", "b", "card", 0.02, 0.8))


def test_rows_are_shared_out_as_there_is_room() -> None:
    everything = fitted_rows([40, 3], PAGE, 2.0, 0.5, 0.2)
    assert everything.drawn == (40, 3)
    assert everything.inches == pytest.approx(43 * 0.2 + 2 * 0.5)
    few = fitted_rows([40, 3], SLIDE, 2.0, 0.5, 0.2)
    assert few.drawn == (9, 3)  # 2.4 inches are 12 rows of 0.2
    assert fitted_rows([2], SLIDE, 2.0, 0.4, 0.2).height == pytest.approx(0.3)
    assert fitted_rows([2], PRINT, 2.0, 0.4, 0.2).height == pytest.approx(0.2)


def test_rows_that_stay_are_spread_over_all() -> None:
    assert spread_out(3, 5) == [0, 1, 2]
    assert spread_out(9, 3) == [0, 4, 8]
    assert spread_out(9, 1) == [0]
    assert spread_out(9, 0) == []


def test_a_first_place_that_is_mostly_the_model_s_is_said_to_be() -> None:
    table = wide_examples.places()
    table.loc[table["card"] == wide_examples.names(4)[1], ["place", "rate_mean"]] = [9, 1.0]
    assert "Ka 1 is the fastest of 4 cards at every resolution" in texts(
        standings_figure(table.assign(measured=4), 0.8)
    )
    words = texts(standings_figure(table.assign(measured=1), 0.8))
    assert "Ka 1 is the fastest of 4 cards at every resolution, by the model" in words


def test_a_short_span_of_places_has_ticks_too() -> None:
    near = wide_examples.places(3)
    for name in ("over_field", "over_field_lower", "over_field_upper"):
        near[name] = 0.05 * near[name]
    (axes, _) = standings_figure(near, 0.8).axes
    shown = [text.get_text() for text in axes.get_xticklabels()]
    assert shown == ["+3%", "+4%"]
