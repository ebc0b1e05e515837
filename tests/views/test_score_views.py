"""Tables and figures of scores: everything judged is shown, and nothing that is not there."""

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.answers.score import Score
from scalemodel.answers.workers import Cores
from scalemodel.views.figures.forecast import forecast_figure
from scalemodel.views.figures.layout import FigureError
from scalemodel.views.figures.score import score_figure
from scalemodel.views.style import figure_bytes
from scalemodel.views.terminal.forecast import forecast_view
from scalemodel.views.terminal.parts import as_text
from scalemodel.views.terminal.score import score_view
from tests.answers import small_lab
from tests.answers.test_score import FOUR, SMALL, only


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Fit:
    return only(small_lab.simulate(SMALL), tmp_path_factory.mktemp("four"), FOUR)


@pytest.fixture(scope="module")
def score(whole: Fit) -> Score:
    return whole.score(workers=Cores(1))


def test_every_card_is_drawn_and_the_picture_is_the_same_again(score: Score) -> None:
    figure = score_figure(score)
    errors, coverage, calibration = figure.axes
    assert {label.get_text() for label in errors.get_yticklabels()} == set(FOUR)
    assert "mean error by card" in {text.get_text() for text in errors.texts}
    assert coverage.get_xlabel().startswith("level")
    assert calibration.get_xlabel().startswith("probability")
    assert figure_bytes(figure, "png") == figure_bytes(score_figure(score), "png")


def test_nothing_judged_is_said_and_not_drawn(score: Score) -> None:
    table = score.table.assign(reason="fell for lack of memory")
    none = replace(
        score,
        table=table,
        cards=score.cards.assign(mean_error=np.nan, where="not judged: fell for lack of memory"),
        summary=score.summary.iloc[:0],
        calibration=score.calibration.iloc[:0],
    )
    with pytest.raises(FigureError, match="No held-out cell was judged"):
        score_figure(none)
    assert str(none) == "None of 16 held-out cells could be judged: fell for lack of memory."
    shown = as_text(score_view(str(none), none))
    assert "No cell was judged." in shown
    assert "nan" not in shown


def test_the_same_reason_is_said_once(score: Score) -> None:
    shown = " ".join(as_text(score_view(str(score), score)).split())
    why = "too few other cards to promise a level of 80%"
    assert shown.count(why) == 1
    assert (
        f"nearest card, regression per chart, gradient boosting, Gaussian process: {why}" in shown
    )


def test_a_rate_outside_its_range_is_marked(whole: Fit, tmp_path: Path) -> None:
    lab = small_lab.simulate(SMALL)
    results = lab.results
    results.loc[results["card"] == "Mirel 55", "avg_fps"] *= 1.4
    sheet = lab.cards[lab.cards["card"] == "Mirel 55"]
    known = whole.bench.cards[whole.bench.cards["card"].isin(sheet["card"])]
    made = whole.forecast(known, datetime.date(2026, 3, 1))
    now = only(small_lab.Lab(lab.cards, results, lab.truth), tmp_path, (*FOUR, "Mirel 55"))
    answer = now.score_forecast(made)
    shown = as_text(forecast_view(str(answer), answer))
    outside = int((~answer.table["inside"].astype(bool)).sum())
    assert outside > 0
    assert shown.count("▲") == outside + 1  # and once in the legend
    figure = forecast_figure(answer.table, str(answer.cards["where"].iloc[0]), answer.date, 0.8)
    assert len(figure.axes) == 2  # one panel a resolution
    assert figure_bytes(figure, "png")
