"""What reviewers know without a source ("common practice, no source"), on the demo bench.

A refresh with 22 % more shaders at the same clock and bandwidth gains about 15 % at 3840x2160;
7 % more shaders and 5 % more clock at the same bandwidth gain 6 to 9 %. A fast card well ahead at
3840x2160 that meets two others at 2560x1440 meets the CPU there, not them.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from datasets.demo import generate
from scalemodel.answers.fitting import Fit
from scalemodel.data.bench import read_specs

HIGH, MIDDLE = "3840x2160", "2560x1440"
PLANTED = pd.read_csv(generate.TRUTH_FOLDER / "truth_faults.csv").query("fault == 'equal_top'")


@pytest.mark.parametrize(
    ("card", "sibling", "shaders", "clock", "low", "high"),
    [
        ("Ostrel T65", "Ostrel T60", 1.22, 1.00, 0.115, 0.195),
        ("Kivand L210", "Kivand L200", 1.07, 1.05, 0.055, 0.095),
    ],  # 12 to 19 % and 6 to 9 %, both in whole percents
)
def test_refreshes_gain_what_such_refreshes_gain(
    demo_fit: Fit,
    demo_folder: Path,
    card: str,
    sibling: str,
    shaders: float,
    clock: float,
    low: float,
    high: float,
) -> None:
    specs = read_specs(demo_folder / "specs.csv").set_index("card").loc[[card]].reset_index()
    tested = demo_fit.bench.cards.set_index("card").loc[sibling]
    assert specs["shaders"][0] / tested["shaders"] == pytest.approx(shaders, abs=0.005)
    assert specs["boost_clock_mhz"][0] / tested["boost_clock_mhz"] == pytest.approx(
        clock, abs=0.005
    )
    assert specs["bandwidth_gbs"][0] == tested["bandwidth_gbs"]
    rows = demo_fit.predict(specs, against=(sibling,)).against
    free = rows[(rows["resolution"] == HIGH) & (rows["p_ceiling"] < 0.2)]
    assert len(free) >= 10
    gain = np.expm1(np.log1p(free["lead_median"]).mean())
    assert low < gain < high


@pytest.mark.parametrize("planted", PLANTED.to_dict(orient="records"))
def test_cards_that_meet_at_the_top_are_cpu_bound_there(
    demo_fit: Fit, planted: dict[str, str]
) -> None:
    table = demo_fit.ceilings().table
    scene = table[(table["game"] == planted["game"]) & (table["preset"] == planted["preset"])]
    scene = scene[scene["platform"] == planted["platform"]]
    above = scene[scene["resolution"] == HIGH].set_index("card")
    lead = above["rate"][planted["card"]] / above["rate"][planted["note"]] - 1
    assert lead == pytest.approx(0.38, abs=0.03)
    assert above["state"][planted["card"]] == "gpu_bound"
    level = scene[scene["resolution"] == planted["resolution"]].nlargest(3, "rate")
    assert planted["resolution"] == MIDDLE
    assert planted["card"] in set(level["card"])
    assert level["rate"].max() / level["rate"].min() < 1.02
    assert (level["state"] == "cpu_bound").all()
