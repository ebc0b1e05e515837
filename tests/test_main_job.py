"""The main job on the demo bench, judged against the truth that its simulator wrote down.

Every bound is looser than what was measured when it was written (given beside it): tight enough
to notice a broken model, loose enough not to be tuned to one bench.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from sklearn.metrics import roc_auc_score

from datasets.demo import generate
from scalemodel.answers.explain import ordered_parts
from scalemodel.answers.fitting import Fit
from scalemodel.answers.predict import Prediction
from scalemodel.cli.main import run
from scalemodel.data.bench import read_specs
from tests.answers.small_lab import CELL, CHART, Lab
from tests.conftest import HELD_OUT

SCENE = ["platform", "game", "preset"]


def truth(name: str = "truth") -> pd.DataFrame:
    return pd.read_csv(generate.TRUTH_FOLDER / f"{name}.csv", dtype={"run": "string"})


def faults(kind: str) -> pd.DataFrame:
    table = truth("truth_faults")
    return table[table["fault"] == kind]


@pytest.fixture(scope="module")
def prediction(demo_fit: Fit, demo_folder: Path) -> Prediction:
    return demo_fit.predict(read_specs(demo_folder / "specs.csv"))


@pytest.fixture(scope="module")
def predicted(prediction: Prediction) -> pd.DataFrame:
    """Predictions of the unreleased cards beside the truth."""
    both = prediction.table.merge(truth(), on=CELL)
    assert len(both) == len(prediction.table) == 3 * 63
    return both


@pytest.fixture(scope="module")
def judged(demo_fit: Fit) -> pd.DataFrame:
    """Measured results beside the truth, without those that fell for lack of memory."""
    both = demo_fit.ceilings().table.merge(truth(), on=CELL)
    assert len(both) == 1167
    return both[~both["over_memory"]]


def test_the_fit_converges(demo_fit: Fit) -> None:
    assert demo_fit.status == "converged"


def test_medians_of_unreleased_cards_are_near_the_truth(predicted: pd.DataFrame) -> None:
    error = np.log(predicted["median"] / predicted["true_fps"]).abs()
    # Measured 1.4 %. The boards of the simulator stray from their sheets by 1.5 %, so one card's
    # error cannot be much less; 2.5 % allows the three cards bad luck of about twice that size.
    assert error.mean() < 0.025
    # Measured 0.9 % to 1.9 %, and 2.1 % for the card far beyond the tested ones where GPU-bound.
    assert error.groupby(predicted["card"]).mean().max() < 0.04
    below = ~predicted["at_ceiling"]
    assert error[below].groupby(predicted["card"]).mean().max() < 0.05


def test_medians_beat_scaling_the_nearest_card(demo_fit: Fit, predicted: pd.DataFrame) -> None:
    # The plain peer: the measured card nearest in shaders x clock, scaled with that.
    cells = demo_fit.cells.table
    speed = demo_fit.bench.cards.set_index("card")["shader_rate"]
    sheets = read_specs(Path(demo_fit.bench.source) / "specs.csv").set_index("card")["shader_rate"]
    pairs = predicted.merge(cells[[*CELL, "rate"]], on=CHART, suffixes=("", "_other"))
    ratio = pairs["card"].map(sheets) / pairs["card_other"].map(speed)
    pairs = pairs.assign(scaled=pairs["rate"] * ratio, far=np.log(ratio).abs())
    nearest = pairs.sort_values("far").groupby(CELL, sort=False).first()
    peer = np.log(nearest["scaled"] / nearest["true_fps"]).abs().mean()
    ours = np.log(nearest["median"] / nearest["true_fps"]).abs().mean()
    assert ours < peer / 3  # measured: 1.4 % against 16 %


def test_ranges_of_unreleased_cards_hold_the_truth(predicted: pd.DataFrame) -> None:
    inside = predicted["true_fps"].between(predicted["lower"], predicted["upper"])
    # Measured 0.83 of 189 cells for 80 % ranges. The 63 cells of a card move together, so this is
    # nearer to three trials than to 189: two cards at 0.8 and one missed by half would be 0.67.
    assert inside.mean() > 0.65


def test_ranges_are_narrow_enough_to_be_of_use(predicted: pd.DataFrame) -> None:
    width = np.log(predicted["upper"] / predicted["lower"])
    below = ~predicted["at_ceiling"]
    # Measured 5 to 7 %; a step between neighbouring cards of one maker is 15 to 40 %.
    assert width[below].groupby(predicted["card"]).median().max() < 0.15


def test_predictions_know_where_the_ceiling_will_be(predicted: pd.DataFrame) -> None:
    brier = ((predicted["p_ceiling"] - predicted["at_ceiling"]) ** 2).mean()
    assert brier < 0.04  # measured 0.011; saying the usual share everywhere gives 0.24


def test_results_at_the_ceiling_are_flagged(judged: pd.DataFrame) -> None:
    # 8.6 % of the results are at the ceiling. Measured AUC 0.9999, Brier 0.0035 (saying 8.6 %
    # everywhere gives 0.078), and 99.6 % of results on the right side of one half.
    assert roc_auc_score(judged["at_ceiling"], judged["p_ceiling"]) > 0.995
    brier = ((judged["p_ceiling"] - judged["at_ceiling"]) ** 2).mean()
    assert brier < 0.01
    right = (judged["p_ceiling"] > 0.5) == judged["at_ceiling"]
    assert right.mean() > 0.985


def test_states_are_as_right_as_their_level(judged: pd.DataFrame) -> None:
    for state, at_ceiling in (("cpu_bound", True), ("gpu_bound", False)):
        called = judged[judged["state"] == state]
        assert len(called) > 50
        assert (called["at_ceiling"] == at_ceiling).mean() > 0.8


def test_ceilings_are_near_the_truth(demo_fit: Fit) -> None:
    charts = demo_fit.ceilings().charts.merge(truth("truth_ceilings"), on=SCENE)
    reached = charts.dropna(subset="ceiling_rate")
    assert reached.groupby(SCENE).ngroups > 15
    error = np.log(reached["ceiling_rate"] / reached["ceiling_fps"]).abs()
    # Measured 0.9 % on average and 2.8 % at most: drivers cost up to 2 % of the ceiling, which
    # the truth leaves out and results at the ceiling do not.
    assert error.mean() < 0.02
    assert error.max() < 0.06


def test_ceilings_that_are_only_bounded_are_above_their_bound(demo_fit: Fit) -> None:
    charts = demo_fit.ceilings(0.95).charts.merge(truth("truth_ceilings"), on=SCENE)
    above = charts[charts["ceiling_rate"].isna()]
    assert len(above)
    assert (above["ceiling_low"] < 1.03 * above["ceiling_fps"]).all()


def test_engine_caps_are_found(demo_fit: Fit) -> None:
    charts = demo_fit.ceilings().charts
    for cap in faults("engine_cap").to_dict(orient="records"):
        here = charts[(charts["game"] == cap["game"]) & (charts["platform"] == "open bench")]
        here = here[here["preset"] == cap["preset"]].dropna(subset="ceiling_rate")
        assert len(here)
        # Measured within 1 %.
        np.testing.assert_allclose(here["ceiling_rate"], float(cap["value"]), rtol=0.03)


def test_exactly_the_planted_memory_cliff_is_found(demo_fit: Fit) -> None:
    fell = demo_fit.cells.table[~demo_fit.model.kept]
    planted = faults("memory_cliff")
    assert set(fell[CELL].itertuples(index=False, name=None)) == set(
        planted[CELL].itertuples(index=False, name=None)
    )
    words = "6 results fell for lack of memory and are kept out of the fit."
    assert str(demo_fit).endswith(words)


def test_a_card_with_as_little_memory_is_refused_there(demo_fit: Fit, demo_folder: Path) -> None:
    specs = read_specs(demo_folder / "specs.csv").head(1).assign(memory_gb=8.0)
    table = demo_fit.predict(specs).table
    refused = table[table["reason"] != ""]
    assert set(refused["game"]) == {"Undertow Station"}
    assert set(refused["resolution"]) == {"3840x2160"}
    reason = "8 GB: cards with 8 GB fell for lack of memory here"
    assert (refused["reason"] == reason).all()


def test_runs_left_out_are_the_planted_ones_with_their_reasons(demo_fit: Fit) -> None:
    every = demo_fit.left_out
    limited = every["reason"] == "tested at a power limit that is not the card's own"
    assert limited.sum() == len(demo_fit.bench.limited) > 0
    out = every[~limited]
    expected = set()
    for fault, reason in (
        ("bad_run", "run far from its repeats: it hardly counts"),
        ("frame_generation", "generated frames do not cost the CPU what rendered ones do"),
        ("exclude", None),
        ("memory_cliff", "fell for lack of memory: not what the other specs would give"),
    ):
        for row in faults(fault).to_dict(orient="records"):
            cell = tuple(row[name] for name in CELL)
            number = "all" if fault == "memory_cliff" else str(row["run"])
            expected.add((*cell, number, reason or f"marked exclude: {row['note']}"))
    assert set(out[[*CELL, "run", "reason"]].itertuples(index=False, name=None)) == expected
    assert len(out) == len(expected)


def messy(table: pd.DataFrame, numbers: tuple[str, ...]) -> bytes:
    """Write a table as a spreadsheet in many a country would, after a busy week."""
    lines = ["", ";".join([f" {name.capitalize()} " for name in table] + ["my notes", ""]), ";;;"]
    for k, row in enumerate(table.to_dict(orient="records")):
        cells = []
        for name, value in row.items():
            text = str(value)
            if name in numbers and pd.notna(value):
                text = text.replace(".", ",")
                text = [text, f'"{text}"', f" {text}", f"0{text}"][k % 4]
            cells.append(text if pd.notna(value) else "")
        lines.append(";".join([*cells, "seen", ""]))
        if k % 7 == 3:
            lines += ["", "  ;;"]
    return b"\xef\xbb\xbf" + "\r\n".join(lines).encode()


def test_a_messy_bench_gives_the_answers_of_its_clean_twin(lab: Lab, tmp_path: Path) -> None:
    names = {"Mirel 10": "007", "Mirel 20": "07"}  # ids are text: two cards
    cards = lab.cards.assign(card=lab.cards["card"].replace(names))
    results = lab.results.assign(card=lab.results["card"].replace(names))
    results = results[(results["card"] != HELD_OUT) & (results["game"] != "Game 2")]
    specs = cards[cards["card"] == HELD_OUT]
    clean, mess = tmp_path / "clean", tmp_path / "mess"
    for folder in (clean, mess):
        folder.mkdir()
    figures = tuple(cards.columns[3:])
    lows = results.assign(
        low_1pct_fps=(results["avg_fps"] * 0.8).round(3).where(results["run"] == 1),
        power_w=np.nan,
    )
    for name, table, more in (
        ("cards", cards, cards),
        ("specs", specs, specs),
        ("results", results, lows),
    ):
        table.to_csv(clean / f"{name}.csv", index=False)
        numbers = (*figures, "avg_fps", "low_1pct_fps", "power_w")
        (mess / f"{name}.csv").write_bytes(messy(more, numbers))
    assert answers(clean) == answers(mess)


def answers(folder: Path) -> list[str]:
    bench = str(folder)
    texts = []
    for words in (
        ["fit", bench],
        ["ceilings", bench],
        ["ceilings", bench, "--charts"],
        ["predict", bench, "--specs", str(folder / "specs.csv"), "--against", "007"],
        ["lead", bench, "07", "007"],
    ):
        result = CliRunner().invoke(run, words, catch_exceptions=False)
        assert result.exit_code == 0, result.output
        texts.append(result.stdout)
    return texts


def test_the_planted_cause_of_a_changed_order_is_named_first(demo_fit: Fit) -> None:
    """Nine in ten of the flips whose change one cause alone makes (measured: 32 of 34)."""
    names = {"ceiling": "ceiling", "bandwidth": "bandwidth and cache"}
    names |= {"fill": "arithmetic", "memory": "memory capacity"}
    flips = truth("truth_flips")
    without = flips[[f"change_without_{cause}" for cause in names]]
    alone = (without.to_numpy() < 0.5 * flips[["change"]].to_numpy()).sum(axis=1) == 1
    flips = flips[alone]
    assert len(flips) > 30
    assert flips["cause"].nunique() == 3
    right = 0
    for flip in flips.to_dict(orient="records"):
        scene = f"{flip['game']} | {flip['preset']}"
        table = demo_fit.explain(flip["a"], flip["b"], scenes=(scene,)).table
        rows = table[(table["row_kind"] == "chart") & (table["platform"] == flip["platform"])]
        right += ordered_parts(rows).iloc[0]["part"] == names[flip["cause"]]
    assert right >= 0.9 * len(flips)


def test_orders_that_change_for_certain_do_so_in_truth(demo_fit: Fit) -> None:
    """Flips with a probability of 0.8 or more are flips of the true rates (measured: 97%)."""
    rates = truth().set_index(CELL)["true_fps"]
    flips = demo_fit.order().table
    flips = flips[flips["verdict"] == "flips"]
    assert len(flips) > 50

    def lead(flip: dict[str, str], resolution: str) -> float:
        place = [flip[name] for name in SCENE]
        return float(rates[flip["a"], *place, resolution] / rates[flip["b"], *place, resolution])

    true = [lead(f, f["resolution"]) > 1 > lead(f, f["to"]) for f in flips.to_dict("records")]
    # Stated: at least 80%. A binomial share of so many is above 0.8 but for chance.
    assert np.mean(true) > 0.8
