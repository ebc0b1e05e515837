"""A fit cut down for an imagined card: its columns are the model's own numbers, rounded."""

import numpy as np
import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.model.imagined import LARGEST_CODE, Imagined, coded, imagine
from scalemodel.model.inputs import Rows
from scalemodel.model.likelihood import linear_predictors
from scalemodel.model.predictive import draw_new, draw_noise

SEED = 4


@pytest.fixture(scope="module")
def charts(lab_fit: Fit) -> Rows:
    table = lab_fit.labels.charts
    return lab_fit.labels.rows(table, np.zeros(len(table), dtype=np.intp))


@pytest.fixture(scope="module")
def cut(lab_fit: Fit, charts: Rows) -> Imagined:
    return imagine(lab_fit.model, charts, SEED)


def column(of: Imagined, number: int) -> np.ndarray:
    return of.codes[number] * of.steps[number]


def test_terms_add_up_to_the_linear_predictors(lab_fit: Fit, charts: Rows, cut: Imagined) -> None:
    fit = lab_fit.model
    card = 5
    rows = Rows(
        np.full(len(charts), card), charts.scene, charts.view, charts.platform, charts.log_pixels
    )
    design = fit.layout.design(rows, fit.specs)
    # What the card itself adds is not kept, since an imagined card is another one.
    own = np.concatenate([fit.layout.position(n) for n in ("card", "card_pixels", "smooth")])
    theta = fit.draws.theta.copy()
    theta[:, own] = 0.0
    expected = linear_predictors(design, fit.layout, theta)
    owners = {"chart": 0, "architecture": fit.specs.architecture[card]}
    owners["vendor"] = fit.specs.vendor[card]
    found, slack = np.zeros_like(expected), np.zeros(len(expected))
    for term in cut.terms:
        times = {"one": np.ones(len(rows)), "log_pixels": rows.log_pixels}[term.times]
        for chart in range(len(rows)):
            k = term.first + term.stride * owners[term.owner] + term.index[chart]
            value = column(cut, k) + cut.centers[k][fit.draws.point]
            found[term.predictor, :, chart] += times[chart] * value
        slack[term.predictor] += np.abs(times).max() * cut.steps[k] + cut.steps.max() / 100
    for k, name in enumerate(fit.layout.predictors):
        np.testing.assert_allclose(found[k], expected[k], atol=slack[k], err_msg=name)


def test_what_is_new_is_what_predictions_draw(lab_fit: Fit, charts: Rows, cut: Imagined) -> None:
    fit = lab_fit.model
    noise_gpu, noise = draw_noise(fit, len(charts), SEED)
    for first, drawn in ((cut.noise_gpu, noise_gpu), (cut.noise, noise)):
        for chart in (0, len(charts) - 1):
            near = column(cut, first + chart)
            np.testing.assert_allclose(near, drawn[:, chart], atol=cut.steps[first + chart] / 2)
    groups = [g for g in fit.layout.groups if g.key in ("card", "architecture", "vendor")]
    drawn = {g.name: draw_new(fit, g, 1, SEED)[:, 0] for g in groups}
    kept = [column(cut, term.first) for term in cut.new] + [column(cut, cut.smooth.own)]
    for name, values in drawn.items():
        gaps = [np.abs(values - one).max() / np.abs(values).max() for one in kept]
        assert min(gaps) < 1 / LARGEST_CODE, name


def test_codes_are_within_half_a_step_and_use_all_of_their_span() -> None:
    values = np.random.default_rng(1).standard_normal((3, 200))
    values[1] = 0.0
    codes, steps = coded(values)
    assert np.abs(codes).max(axis=1).tolist() == [LARGEST_CODE, 0, LARGEST_CODE]
    assert (np.abs(codes * steps[:, None] - values) <= steps[:, None] / 2 + 1e-12).all()


def test_the_same_fit_gives_the_same_columns(lab_fit: Fit, charts: Rows, cut: Imagined) -> None:
    again = imagine(lab_fit.model, charts, SEED)
    np.testing.assert_array_equal(again.codes, cut.codes)
    np.testing.assert_array_equal(again.centers, cut.centers)
