"""The outlook on cells: its slopes, and its ranges beside those of the joint draws."""

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array

from scalemodel.answers.fitting import Fit
from scalemodel.answers.plan_grid import Grid, make_grid
from scalemodel.answers.sheets import complete_sheets
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.design import expected_variances
from scalemodel.model.likelihood import CellLikelihood
from scalemodel.model.predictive import draw_cells
from tests.conftest import HELD_OUT

#: Half an 80% range of a normal, in sds.
REACH = 1.2815515655446004


@pytest.fixture(scope="module")
def grid(lab_fit: Fit) -> Grid:
    return make_grid(lab_fit, None, (), in_hand=False)


def places(grid: Grid, cells: pd.DataFrame) -> np.ndarray:
    keys = list(CELL_COLUMNS)
    every, some = (pd.MultiIndex.from_frame(table[keys]) for table in (grid.cells, cells))
    return every.get_indexer(some)


def kept_open(fit: Fit) -> FloatArray:
    """Give the share of each measured cell's stray that its own runs leave open."""
    model = fit.model
    likelihood = CellLikelihood.of(fit.observed, model.specs, model.layout)
    noise, sensitivity = model.scales.noise, likelihood.model(model.theta).sensitivity
    stray = noise.cell**2 + (sensitivity * noise.gpu) ** 2
    return fit.observed.run_variance / (fit.observed.run_variance + stray)


def test_slopes_are_those_of_the_model_as_far_as_a_cells_runs_leave_it_open(
    lab_fit: Fit, grid: Grid
) -> None:
    model = lab_fit.model
    likelihood = CellLikelihood.of(lab_fit.observed, model.specs, model.layout)
    direction = np.random.default_rng(0).standard_normal(model.layout.size)
    up, down = (likelihood.model(model.theta + s * direction).log_rate for s in (1e-6, -1e-6))
    slopes = grid.outlook.prospects.slopes[places(grid, lab_fit.cells.table)].toarray()
    analytic = slopes[:, : model.layout.size] @ direction
    numeric = kept_open(lab_fit) * (up - down) / 2e-6
    np.testing.assert_allclose(analytic, numeric, rtol=1e-5, atol=1e-8)


def test_rates_of_measured_cells_lie_between_the_model_and_what_was_measured(
    lab_fit: Fit, grid: Grid
) -> None:
    model = lab_fit.model
    likelihood = CellLikelihood.of(lab_fit.observed, model.specs, model.layout)
    expected, shown = likelihood.model(model.theta).log_rate, lab_fit.observed.log_rate
    share = kept_open(lab_fit)
    found = grid.outlook.log_rate[places(grid, lab_fit.cells.table)]
    np.testing.assert_allclose(found, share * expected + (1 - share) * shown, rtol=1e-9)


def test_ranges_are_those_of_the_joint_draws(lab_fit: Fit, grid: Grid) -> None:
    """A new card, chart by chart and as a mean: the linear view against draws of everything.

    Draws have the scales' uncertainty, a t's tails and no linear ceiling. Measured on the demo
    bench: 0.97 to 1.00 of the draws' range for the typical chart, 0.85 to 1.28 at most.
    """
    sheets = complete_sheets(
        lab_fit, lab_fit.bench.cards[lab_fit.bench.cards["card"] == HELD_OUT]
    ).table
    charts = lab_fit.labels.charts
    rows = lab_fit.labels.rows(charts, np.zeros(len(charts), dtype=np.intp))
    drawn = draw_cells(lab_fit.model, lab_fit.labels.specs(sheets), rows, 0).log_rate
    here = np.flatnonzero(grid.cells["card"] == HELD_OUT)
    each = np.zeros((len(here) + 1, len(grid.cells)))
    each[np.arange(len(here)), here] = 1.0
    each[-1, here] = 1 / len(here)
    variances = expected_variances(
        grid.outlook.prospects, csr_array(each), np.zeros(len(grid.cells))
    )
    with_mean = np.column_stack([drawn, drawn.mean(axis=1)])
    low, high = np.quantile(with_mean, [0.1, 0.9], axis=0)
    ratio = 2 * REACH * np.sqrt(variances) / (high - low)
    assert np.median(ratio) == pytest.approx(1.0, abs=0.1)
    assert ratio[-1] == pytest.approx(1.0, abs=0.1)
    assert 0.7 < ratio.min() < ratio.max() < 1.4


def test_a_new_card_has_states_of_its_own(lab_fit: Fit, grid: Grid) -> None:
    size = lab_fit.model.layout.size
    new = grid.outlook.prospects.slopes[:, size:].toarray()
    is_new = (grid.cells["card"] == HELD_OUT).to_numpy()
    assert (new[~is_new] == 0).all()
    names = {grid.outlook.groups[k] for k in grid.outlook.group[size:]}
    # Its architecture and vendor are known: only its board is not.
    assert names == {"card", "card_pixels", "smooth"}
