"""The views of power and value: what they show, what they leave out, that they can be drawn."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Annotation, Text

from scalemodel.answers.comparable import ALL
from scalemodel.answers.fitting import Fit
from scalemodel.answers.power import Power
from scalemodel.answers.value import Value
from scalemodel.views.figures.layout import FigureError
from scalemodel.views.figures.power import power_figure
from scalemodel.views.figures.value import value_figure
from scalemodel.views.style import figure_bytes
from scalemodel.views.tables import to_csv
from scalemodel.views.terminal.parts import WIDTH, as_text
from scalemodel.views.terminal.power import power_view
from scalemodel.views.terminal.value import compared_view, value_view
from scalemodel.views.words import CAUTION, PRICE_CAUTION, efficiency_words, price_words
from tests.answers.money_lab import HUNGRY, LIMITED
from tests.conftest import HELD_OUT

AWKWARD = "Odd $5 & <Tag> $x^2$"


@pytest.fixture(scope="module")
def sheet(money_fit: Fit) -> pd.DataFrame:
    return money_fit.bench.cards[money_fit.bench.cards["card"] == HELD_OUT]


@pytest.fixture(scope="module")
def power(money_fit: Fit, sheet: pd.DataFrame) -> Power:
    return money_fit.power(sheet)


@pytest.fixture(scope="module")
def value(money_fit: Fit, sheet: pd.DataFrame) -> Value:
    return money_fit.value(specs=sheet)


def draw(power: Power) -> Figure:
    return power_figure(power.cards, power.limits, power.curves, power.level)


def texts(figure: Figure) -> list[str]:
    return [t.get_text() for t in figure.findobj(Text) if isinstance(t, Text) and t.get_text()]


def dots(figure: Figure) -> list[tuple[float, float]]:
    lines = [line for line in figure.axes[0].lines if isinstance(line, Line2D)]
    marked = [line for line in lines if line.get_marker() in ("o", "D")]
    return [(float(line.get_xdata()[0]), float(line.get_ydata()[0])) for line in marked]


def test_power_shows_cards_limits_marks_and_the_caution_once(power: Power) -> None:
    shown = as_text(power_view(power))
    assert shown.count(CAUTION) == 1
    assert f"▼  {HUNGRY}" in shown
    assert f"◇  {HELD_OUT}" in shown
    assert "power limits" in shown
    assert f"The last 10% of the power of {LIMITED} on Bench brings " in shown
    assert "sits at the ceiling" in shown
    assert max(len(line) for line in shown.splitlines()) <= WIDTH


def test_power_without_predictions_needs_no_caution(money_fit: Fit) -> None:
    shown = as_text(power_view(money_fit.power()))
    assert CAUTION not in shown
    assert "held out" not in shown


def test_value_shows_cards_pairs_and_cautions_once(value: Value) -> None:
    shown = as_text(value_view(value, [PRICE_CAUTION, CAUTION]))
    assert shown.count(PRICE_CAUTION) == shown.count(CAUTION) == 1
    assert f"{HELD_OUT} ◇" in shown
    assert "fps for 100 EUR" in shown
    assert "A equal at" in shown
    assert max(len(line) for line in shown.splitlines()) <= WIDTH


def test_a_comparison_shows_every_resolution(value: Value) -> None:
    shown = as_text(compared_view(value.compare(HUNGRY, "Mirel 35"), value, [PRICE_CAUTION]))
    for resolution in ("1920x1080", "2560x1440", "3840x2160", ALL):
        assert resolution in shown
    assert shown.count(PRICE_CAUTION) == 1


@pytest.mark.parametrize("what", ["power", "value"])
def test_every_card_is_drawn_where_it_is_and_named(power: Power, value: Value, what: str) -> None:
    if what == "power":
        table, figure, x = power.cards, draw(power), "power_w"
    else:
        table, figure, x = value.table, value_figure(value.table, 0.04, 0.8), "price"
    placed = table[(table["resolution"] == ALL) & table["position"].notna()]
    for row in placed.itertuples():
        at = (getattr(row, x), row.rate)
        assert any(np.allclose(at, dot) for dot in dots(figure)), row.card
    assert set(placed["card"]) <= set(texts(figure))
    assert any(CAUTION in text for text in texts(figure))


def test_limits_are_drawn_with_their_numbers(power: Power) -> None:
    figure = draw(power)
    for limit in power.limits["power_limit_w"]:
        assert f"{limit:g} W" in texts(figure)
    own = power.cards[power.cards["resolution"] == ALL].set_index("card").loc[LIMITED]
    for row in power.limits.itertuples():
        at = (own["power_w"] * row.power_ratio, own["rate"] * row.rate_ratio)
        assert any(np.allclose(at, dot) for dot in dots(figure))


def test_names_keep_off_each_other(value: Value) -> None:
    figure = value_figure(value.table, 0.04, 0.8)
    figure.draw_without_rendering()
    cards = set(value.table["card"])
    boxes = [
        text.get_window_extent()
        for text in figure.axes[0].texts
        if isinstance(text, Annotation) and text.get_text() in cards
    ]
    assert len(boxes) == len(cards)
    pairs = [(a, b) for k, a in enumerate(boxes) for b in boxes[:k]]
    assert not any(a.shrunk(0.9, 0.7).overlaps(b.shrunk(0.9, 0.7)) for a, b in pairs)


def test_figures_are_1200_pixels_wide_and_the_same_on_a_rerun(power: Power, value: Value) -> None:
    for make in (lambda: draw(power), lambda: value_figure(value.table, 0.04, 0.8)):
        picture = figure_bytes(make(), "png")
        assert int.from_bytes(picture[16:20], "big") == 1200
        assert picture == figure_bytes(make(), "png")
        assert figure_bytes(make(), "svg") == figure_bytes(make(), "svg")


def test_awkward_names_and_a_single_card_can_be_drawn(power: Power, value: Value) -> None:
    one = power.cards[power.cards["card"] == HUNGRY].replace({HUNGRY: AWKWARD})
    alone = replace(power, cards=one, limits=power.limits.iloc[:0], curves=power.curves.iloc[:0])
    assert any(text.startswith("Odd $5 & <") for text in texts(draw(alone)))
    assert figure_bytes(draw(alone), "svg")
    table = value.table[value.table["card"] == HUNGRY].replace({HUNGRY: AWKWARD})
    assert figure_bytes(value_figure(table.assign(currency=""), 0.0, 0.8), "png")


def test_nothing_to_draw_and_two_platforms_are_refused(power: Power, value: Value) -> None:
    bare = replace(power, cards=power.cards[power.cards["position"].isna()])
    with pytest.raises(FigureError, match="nothing to draw"):
        draw(bare)
    with pytest.raises(FigureError, match="nothing to draw"):
        value_figure(value.table.iloc[:0], 0.04, 0.8)
    other = pd.concat([value.table, value.table.assign(platform="Case")])
    with pytest.raises(FigureError, match="shows one platform"):
        value_figure(other, 0.04, 0.8)


def test_csv_writes_each_number_as_what_it_is(power: Power, value: Value) -> None:
    text = to_csv(power.cards.head(1))
    header, row = (line.split(",") for line in text.splitlines()[:2])
    cells = dict(zip(header, row, strict=True))
    assert cells["level"] == "0.8"
    assert len(cells["p_first"].split(".")[1]) == 3
    assert len(cells["rate_lower"].split(".")[1]) == 2
    assert float(cells["frames_per_joule"]) == pytest.approx(
        power.cards["frames_per_joule"].iloc[0], rel=1e-5
    )
    header, row = (line.split(",") for line in to_csv(value.pairs.head(1)).splitlines()[:2])
    cells = dict(zip(header, row, strict=True))
    assert float(cells["equal_price"]) == pytest.approx(
        value.pairs["equal_price"].iloc[0], rel=1e-5
    )
    assert len(cells["lead"].split(".")[1]) == 4


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        (efficiency_words(0.0512), "0.0512"),
        (efficiency_words(0.9996), "1.00"),
        (efficiency_words(2.345), "2.35"),
        (price_words(1599.0), "1,599"),
        (price_words(49.9), "49.90"),
        (price_words(50.0), "50"),
        (price_words(579.42), "579"),
    ],
)
def test_numbers_in_words(written: str, expected: str) -> None:
    assert written == expected
