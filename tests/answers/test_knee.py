"""One scene and its ceiling: the rows of ceilings, the curve of the model, rates beyond it."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.answers.knee import CURVE
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import CHART, Lab

SCENE = "Game 1 | High"


def test_the_rows_are_those_of_ceilings(lab_fit: Fit) -> None:
    answer, whole = lab_fit.knee([SCENE]), lab_fit.ceilings()
    own = whole.table[whole.table["game"] == "Game 1"].reset_index(drop=True)
    pd.testing.assert_frame_equal(answer.table[list(own)], own)
    assert set(answer.charts["game"]) == {"Game 1"}
    assert list(answer.curve) == list(CURVE)
    bound = int((own["state"] == "cpu_bound").sum())
    known = own["ceiling_rate"].iloc[0]
    assert str(answer) == (
        f"Game 1 | High on Bench: ceiling {known:.1f} fps, {bound} of 30 results at it."
    )


def test_the_curve_is_the_smooth_minimum(lab_fit: Fit) -> None:
    # rate^-p = gpu^-p + ceiling^-p, and the sensitivity is (rate / gpu)^p (docs/model.md).
    curve = lab_fit.knee([SCENE]).curve
    gpu, rate, slope = (curve[name].to_numpy() for name in ("gpu_rate", "rate", "sensitivity"))
    assert (np.diff(rate) > 0).all()
    assert ((curve["lower"] <= curve["rate"]) & (curve["rate"] <= curve["upper"])).all()
    learned = lab_fit.table.set_index("quantity")
    p = learned.loc["sharpness of the knee, p", "value"]
    ceiling = lab_fit.knee([SCENE]).charts["ceiling_rate"].iloc[0]
    np.testing.assert_allclose(rate, (gpu**-p + ceiling**-p) ** (-1 / p), rtol=0.003)
    np.testing.assert_allclose(slope, (rate / gpu) ** p, atol=0.03)


def test_a_ceiling_out_of_reach_ends_the_curve(lab_fit: Fit) -> None:
    answer = lab_fit.knee(["Game 4"])
    assert answer.charts["ceiling_rate"].isna().all()
    assert answer.curve["gpu_rate"].max() == pytest.approx(answer.table["rate"].max())
    assert "ceiling above" in str(answer)


def test_rates_without_the_ceiling_are_near_the_true_ones(lab: Lab, lab_fit: Fit) -> None:
    # What a cell strays by (0.8%) bounds how well the rate of one at the ceiling can be known.
    table = lab_fit.knee([f"Game {n}" for n in range(1, 5)]).table
    both = table.merge(lab.truth, on=["card", *CHART])
    away = np.log(both["gpu_rate"] / both["gpu_fps"]).abs()
    capped = both["state"] == "cpu_bound"
    assert capped.sum() >= 8
    assert away[capped].mean() < 0.03
    assert away[~capped].mean() < 0.005
    inside = both["gpu_fps"].between(both["gpu_lower"], both["gpu_upper"])
    assert inside[~capped].mean() >= 0.7


def test_the_demo_is_as_the_page_of_ceilings_says(demo_fit: Fit) -> None:
    truth = pd.read_csv(Path(__file__).parents[2] / "datasets" / "demo" / "truth.csv")
    games = [game for game, _ in demo_fit.labels.scenes]
    both = demo_fit.knee(games).table.merge(truth, on=["card", *CHART])
    capped = both[(both["state"] == "cpu_bound") & ~both["over_memory"]]
    away = np.log(capped["gpu_rate"] / capped["gpu_fps"]).abs().mean()
    inside = capped["gpu_fps"].between(capped["gpu_lower"], capped["gpu_upper"]).mean()
    # Results of a card, and of a scene, err together: 101 cells are a dozen independent ones.
    assert away == pytest.approx(0.011, abs=0.003)
    assert inside == pytest.approx(0.70, abs=0.08)


def test_a_scene_that_nobody_tested_is_refused(lab_fit: Fit) -> None:
    with pytest.raises(ScalemodelError, match=r'^No scene is named "Game 9"'):
        lab_fit.knee(["Game 9"])
