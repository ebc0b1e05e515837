"""The page's arithmetic gives what `predict` gives, for cards of every kind on every chart."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.data.bench import read_bench
from tests.answers import small_lab
from tests.browser.arithmetic import RANGE, by_page, imagined_sheets, records

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
    compare_refused = by_page(lab_fit, sheets).table
    library = lab_fit.predict(sheets).table
    assert list(compare_refused["reason"]) == list(library["reason"])
    assert (compare_refused["reason"] != "").all()


def test_the_mean_is_that_of_the_charts_below_the_ceiling(demo_fit: Fit) -> None:
    sheets = imagined_sheets(demo_fit, 2, 5)
    placed = by_page(demo_fit, sheets)
    charts = demo_fit.labels.charts
    for k, sheet in enumerate(records(sheets)):
        own = placed.table[placed.table["card"] == sheet["card"]].reset_index(drop=True)
        for platform, mean in zip(charts["platform"].unique(), placed.overall[k], strict=True):
            counts = (charts["platform"] == platform) & (own["reason"] == "")
            counts &= own["p_ceiling"] < 0.5
            assert mean["used"] == list(np.flatnonzero(counts))
            # The median of a mean of logs is near the mean of their medians; skew parts them.
            middle = np.exp(np.log(own["median"][counts]).mean())
            assert mean["median"] == pytest.approx(middle, rel=0.01)
            assert mean["lower"] < mean["median"] < mean["upper"]
