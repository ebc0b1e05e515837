"""Every figure in every size and format: nothing cut off, legible, the same on a rerun."""

from collections.abc import Callable

import pandas as pd
import pytest
from matplotlib.figure import Figure

from scalemodel.views.figures.bench import bench_figure
from scalemodel.views.figures.ceilings import ceilings_figure
from scalemodel.views.figures.comparison import comparison_figure
from scalemodel.views.figures.explain import explain_figure
from scalemodel.views.figures.forecast import forecast_figure
from scalemodel.views.figures.groups import groups_figure
from scalemodel.views.figures.knee import knee_figure
from scalemodel.views.figures.latency import latency_figure
from scalemodel.views.figures.lead import lead_figure
from scalemodel.views.figures.lows import lows_figure
from scalemodel.views.figures.order import order_figure
from scalemodel.views.figures.plan import plan_figure
from scalemodel.views.figures.power import power_figure
from scalemodel.views.figures.prediction import prediction_figure
from scalemodel.views.figures.repeat import repeat_figure
from scalemodel.views.figures.score import score_figure
from scalemodel.views.figures.shares import shares_figure
from scalemodel.views.figures.slopes import slopes_figure
from scalemodel.views.figures.standings import standings_figure
from scalemodel.views.figures.value import value_figure
from scalemodel.views.sizes import PRINT, SIZES, SLIDE, Size
from scalemodel.views.style import FigureFormat, figure_bytes
from tests.views import examples, latency_examples, score_examples, wide_examples
from tests.views.looks import cut_off, overlapping, smallest_letters

COPIES = 20
LEGIBLE = 0.021
"""Smallest type on a slide over its height: about 11.5 points on a slide of 540 points."""


def many_leads() -> pd.DataFrame:
    table = examples.lead()
    charts = table["row_kind"] == "chart"
    return pd.concat([examples.many(table[charts], COPIES), table[~charts]])


def leads_of_both_kinds() -> pd.DataFrame:
    table = examples.lead()
    upscaled = table.assign(upscaling="upscaled", preset=table["preset"] + ", upscaled")
    return pd.concat([table, upscaled])


def repeat(size: Size) -> Figure:
    answer = examples.repeatability()
    scenes = examples.many(answer.scenes, COPIES)
    return repeat_figure(answer.every_run, scenes, answer.metric, size)


def plan(size: Size) -> Figure:
    return plan_figure(examples.plan(), examples.plan_targets(), 0.8, size)


def prediction(size: Size) -> Figure:
    cards = examples.many(examples.ceilings(), COPIES)[["card", *examples.CHART, "rate"]]
    return prediction_figure(examples.many(examples.prediction(), COPIES), cards, size)


def ceilings(size: Size) -> Figure:
    tables = (examples.many(one, COPIES) for one in (examples.ceilings(), examples.charts()))
    return ceilings_figure(*tables, 0.8, size)


def slopes(size: Size) -> Figure:
    return slopes_figure(wide_examples.places(40), wide_examples.pairs(40), 0.8, size)


def knee(size: Size) -> Figure:
    answer = wide_examples.knee()
    return knee_figure((answer.table, answer.charts, answer.curve), 0.8, size)


def power(size: Size) -> Figure:
    cards, curves = wide_examples.power_cards(40), wide_examples.power_curves()
    return power_figure(cards, wide_examples.limits(), curves, 0.8, size)


def forecast(size: Size) -> Figure:
    return forecast_figure(score_examples.forecast(COPIES), "", "2031-03-01", 0.8, size)


FIGURES: dict[str, Callable[[Size], Figure]] = {
    "bench": lambda size: bench_figure(wide_examples.cells(40, 15), size),
    "ceilings": ceilings,
    "comparison": lambda size: comparison_figure(examples.comparison(), size),
    "explain": lambda size: explain_figure(examples.explanation(), 0.8, size),
    "forecast": forecast,
    "groups": lambda size: groups_figure(latency_examples.groups(20), size),
    "knee": knee,
    "latency": lambda size: latency_figure(latency_examples.latency(7), examples.PLATFORM, size),
    "lead": lambda size: lead_figure(many_leads(), 0.8, size),
    "leads of both kinds": lambda size: lead_figure(leads_of_both_kinds(), 0.8, size),
    "lows": lambda size: lows_figure(latency_examples.lows(30), examples.PLATFORM, size),
    "order": lambda size: order_figure(examples.order(), ("3840x2160", "1920x1080"), 0.8, size),
    "plan": plan,
    "power": power,
    "prediction": prediction,
    "repeat": repeat,
    "score": lambda size: score_figure(score_examples.score(40), size),
    "shares": lambda size: shares_figure(wide_examples.shares(30), size),
    "slopes": slopes,
    "standings": lambda size: standings_figure(wide_examples.places(40), 0.8, size),
    "value": lambda size: value_figure(wide_examples.value(40), 0.04, 0.8, size),
}
each_figure = pytest.mark.parametrize("name", FIGURES)


@each_figure
@pytest.mark.parametrize("size", SIZES)
def test_no_text_is_cut_off_or_on_another(name: str, size: str) -> None:
    figure = FIGURES[name](SIZES[size])
    assert cut_off(figure) == []
    assert overlapping(figure) == []


@each_figure
def test_a_slide_has_1920_by_1080_pixels_and_large_type(name: str) -> None:
    figure = FIGURES[name](SLIDE)
    picture = figure_bytes(figure, "png")
    assert [int.from_bytes(picture[at : at + 4], "big") for at in (16, 20)] == [1920, 1080]
    assert smallest_letters(figure) >= LEGIBLE * 1080


@each_figure
def test_print_fits_a_sheet_on_white_paper(name: str) -> None:
    # A4 on its side is 11.7 by 8.3 inches, Letter 11 by 8.5; margins of 0.7 inches are left.
    figure = FIGURES[name](PRINT)
    wide, tall = figure.get_size_inches()
    assert wide <= 9.6
    assert tall <= 6.9
    assert figure.get_facecolor() == (1.0, 1.0, 1.0, 1.0)


@pytest.mark.parametrize("kind", ["pdf", "svg"])
@pytest.mark.parametrize("name", ["lead", "knee", "standings"])
def test_the_same_figure_gives_the_same_file(name: str, kind: FigureFormat) -> None:
    first, second = (figure_bytes(FIGURES[name](PRINT), kind) for _ in range(2))
    assert first == second
    for sign in (b"CreationDate", b"Matplotlib", b"<dc:date>"):
        assert kind == "svg" or sign not in first


def test_a_pdf_holds_texts_and_not_shapes_of_letters() -> None:
    document = figure_bytes(FIGURES["lead"](PRINT), "pdf")
    assert document.startswith(b"%PDF-")
    assert b"/FontFile2" in document
    assert b"/Subtype /Type3" not in document


FIGURES_OF_MANY = ("bench", "groups", "latency", "lead", "lows", "prediction", "repeat", "shares")
FIGURES_OF_MANY += ("standings", "forecast", "score")


def test_what_is_left_out_is_said() -> None:
    for name in FIGURES_OF_MANY:
        words = " ".join(text.get_text() for text in FIGURES[name](SLIDE).texts)
        assert "not drawn" in words, name


@pytest.mark.parametrize("name", ["power", "value"])
def test_points_without_a_name_are_counted_and_a_page_names_all(name: str) -> None:
    for size in SIZES.values():
        figure = FIGURES[name](size)
        texts = [text.get_text() for text in figure.axes[0].texts]
        lacking = 40 - sum(text.startswith(("Ka ", "$1", "Magn")) for text in texts)
        lacking += 4 * (name == "power") - sum(text.endswith(" W") for text in texts)
        said = [text.get_text() for text in figure.texts if "without" in text.get_text()]
        assert bool(said) == (lacking > 0)
        assert not said or f" {lacking} point" in said[0]
        assert size.limited or not lacking
