"""Causes of a lead's change: sums, and changes whose cause is known."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.cells import measured_cells
from scalemodel.answers.fitting import Fit
from scalemodel.answers.labels import Labels, make_labels, observed_cells
from scalemodel.data.bench import read_bench
from scalemodel.model.causes import Causes, find_causes
from scalemodel.model.fitting import ModelFit, fit_model
from scalemodel.model.inputs import Rows
from scalemodel.model.likelihood import linear_predictors, stage_speeds
from scalemodel.model.linear import draw_gpu_side
from scalemodel.model.physics import under_ceiling
from scalemodel.model.settings import FitSettings
from tests.answers.small_lab import Lab, sheets

EVERY = np.arange(0, 1024, 16)


def chart(of: Fit, game: str, resolution: str) -> Rows:
    charts = of.labels.charts
    row = charts[(charts["game"] == game) & (charts["resolution"] == resolution)]
    return of.labels.rows(row, np.zeros(1, dtype=np.intp))


def causes(of: Fit, game: str = "Game 2") -> Causes:
    cards = np.arange(len(of.labels.cards))
    ends = (chart(of, game, resolution) for resolution in ("3840x2160", "1920x1080"))
    return find_causes(of.model, cards, *ends, EVERY)


def test_parts_sum_to_the_change_of_every_lead(lab_fit: Fit) -> None:
    found = causes(lab_fit)
    assert found.names == (*lab_fit.labels.stages, "architecture", "card", "ceiling")
    change = found.log_rate[1] - found.log_rate[0]
    whole = found.parts.sum(axis=0)
    lead, total = (x - x[:, :1] for x in (whole, change))
    np.testing.assert_allclose(lead, total, atol=1e-12)


def test_rates_are_those_of_the_model(lab_fit: Fit) -> None:
    model = lab_fit.model
    found = causes(lab_fit)
    for end, resolution in enumerate(("3840x2160", "1920x1080")):
        one = chart(lab_fit, "Game 2", resolution)
        rows = one.take(np.zeros(len(model.specs), dtype=np.intp))
        rows = replace(rows, card=np.arange(len(model.specs)))
        design = model.layout.design(rows, model.specs)
        values = linear_predictors(design, model.layout, model.draws.theta[EVERY])
        speeds = stage_speeds(rows, model.specs, model.layout)
        gpu = draw_gpu_side(model.layout, model.draws, speeds, design, values, EVERY)
        ceiling, log_p = (values[model.layout.predictors.index(n)] for n in ("ceiling", "log_p"))
        capped = under_ceiling(gpu, ceiling, log_p)
        np.testing.assert_allclose(found.log_rate[end], capped.log_rate, atol=1e-10)
        np.testing.assert_allclose(found.sensitivity[end], capped.sensitivity, atol=1e-10)


def test_shares_of_the_reference_frame_sum_to_one_and_fixed_work_grows(lab_fit: Fit) -> None:
    shares = causes(lab_fit).stage_shares
    np.testing.assert_allclose(shares.sum(axis=1), 1.0)
    assert shares[1, -1] > shares[0, -1] > 0


def test_where_nothing_changes_nothing_is_due_to_anything(lab_fit: Fit) -> None:
    one = chart(lab_fit, "Game 1", "2560x1440")
    found = find_causes(lab_fit.model, np.arange(3), one, one, EVERY)
    np.testing.assert_allclose(found.parts, 0.0, atol=1e-12)


@pytest.fixture(scope="module")
def twins(lab: Lab, tmp_path_factory: pytest.TempPathFactory) -> tuple[Labels, ModelFit]:
    """Fit a lab without a ceiling in which two cards have the same sheet."""
    folder = tmp_path_factory.mktemp("twins")
    lab.write(folder)
    cards = sheets()
    twin = cards[cards["card"] == "Halvor B"].assign(card="Halvor B2")
    pd.concat([cards, twin]).to_csv(folder / "cards.csv", index=False)
    more = lab.results[lab.results["card"] == "Halvor B"].assign(card="Halvor B2")
    more["avg_fps"] *= 1.01
    pd.concat([lab.results, more]).to_csv(folder / "results.csv", index=False)
    bench = read_bench(folder)
    cells = measured_cells(bench, "average")
    labels = make_labels(bench.cards, cells.table)
    observed = observed_cells(labels, cells.table)
    tested = bench.cards.set_index("card").loc[list(labels.cards)].reset_index()
    model = fit_model(
        observed, labels.specs(tested), labels.game_of_scene, FitSettings(ceiling=False)
    )
    return labels, model


def test_without_a_ceiling_equal_sheets_change_by_the_boards_alone(
    twins: tuple[Labels, ModelFit],
) -> None:
    labels, model = twins
    pair = np.array([labels.cards.index(name) for name in ("Halvor B", "Halvor B2")])
    charts = labels.charts[labels.charts["game"] == "Game 1"]
    ends = [
        labels.rows(charts[charts["resolution"] == r], np.zeros(1, dtype=np.intp))
        for r in ("3840x2160", "1920x1080")
    ]
    found = find_causes(model, pair, *ends, EVERY)
    assert "ceiling" not in found.names
    parts = found.parts[..., 0] - found.parts[..., 1]
    for name, part in zip(found.names, parts, strict=True):
        if name != "card":
            np.testing.assert_allclose(part, 0.0, atol=1e-12, err_msg=name)
