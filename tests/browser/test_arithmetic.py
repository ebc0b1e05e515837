"""The page's arithmetic gives what `predict` gives, for cards of every kind on every chart."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.predict import predict_card
from scalemodel.answers.sheets import complete_sheets
from tests.answers import small_lab
from tests.browser.arithmetic import RANGE, by_page, imagined_sheets

#: What the panel promises: of a rate, and of a probability.
RATE, CHANCE = 0.005, 0.02


@pytest.fixture(scope="module")
def plain_fit(tmp_path_factory: pytest.TempPathFactory) -> Fit:
    """Fit a bench whose sheets give no cache and no raster units, on two platforms."""
    settings = small_lab.Settings(platforms={"Bench": 1.0, "Old bench": 0.8})
    lab = small_lab.simulate(settings)
    bare = replace(lab, cards=lab.cards.drop(columns=["cache_mb", "rops"]))
    return fit(bare.bench(tmp_path_factory.mktemp("plain")))


def compare(of: Fit, sheets: pd.DataFrame, level: float = 0.8) -> None:
    page = by_page(of, sheets, level).table
    library = of.predict(sheets, level).table
    assert list(page["reason"]) == list(library["reason"])
    assert list(page["basis"]) == list(library["basis"])
    apart = np.log(page[RANGE].to_numpy() / library[RANGE].to_numpy())
    assert np.nanmax(np.abs(apart)) < RATE
    assert np.nanmax((page["p_ceiling"] - library["p_ceiling"]).abs()) < CHANCE


def test_a_bench_without_dates(lab_fit: Fit) -> None:
    compare(lab_fit, imagined_sheets(lab_fit, 10, 1))


def test_the_demo_bench_with_dates_platforms_and_too_little_memory(demo_fit: Fit) -> None:
    sheets = imagined_sheets(demo_fit, 10, 2)
    sheets.loc[::3, "memory_gb"] = 8.0
    reasons = demo_fit.predict(sheets).table["reason"]
    assert reasons.str.contains("fell for lack of memory").any()
    assert reasons.str.contains("outside the tested cards").any() or (reasons == "").any()
    compare(demo_fit, sheets, 0.5)


def test_a_bench_without_caches_and_raster_units(plain_fit: Fit) -> None:
    sheets = imagined_sheets(plain_fit, 10, 3)
    assert sheets["cache_mb"].isna().all()
    compare(plain_fit, sheets)


def test_a_card_too_far_out_is_refused_everywhere(lab_fit: Fit) -> None:
    sheets = imagined_sheets(lab_fit, 1, 4)
    sheets["shaders"] *= 40
    sheets["shader_rate"] *= 40
    page = by_page(lab_fit, sheets).table
    assert list(page["reason"]) == list(lab_fit.predict(sheets).table["reason"])
    assert (page["reason"] != "").all()


def test_the_mean_is_that_of_the_charts_below_the_ceiling(demo_fit: Fit) -> None:
    sheets = imagined_sheets(demo_fit, 4, 5)
    placed = by_page(demo_fit, sheets)
    platforms = demo_fit.labels.charts["platform"]
    complete = complete_sheets(demo_fit, sheets.drop(columns="what"))
    counted = 0
    for k, card in enumerate(sheets["card"]):
        own = placed.table[placed.table["card"] == card].reset_index(drop=True)
        _, draws = predict_card(demo_fit, complete, k, 0.8)
        assert draws is not None
        for platform, mean in zip(platforms.unique(), placed.overall[k], strict=True):
            counts = (platforms == platform) & (own["reason"] == "") & (own["p_ceiling"] < 0.5)
            assert mean["used"] == list(np.flatnonzero(counts))
            if counts.any():
                means = draws.log_rate[:, counts.to_numpy()].mean(axis=1)
                expected = np.exp(np.quantile(means, [0.1, 0.5, 0.9]))
                np.testing.assert_allclose([mean[key] for key in RANGE], expected, rtol=RATE)
                counted += 1
    assert counted >= 4
