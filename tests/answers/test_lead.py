"""Leads: identities that hold for any two cards, and what is left out and why."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.repeats import NO_REPEATS
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import CHART, Lab, Settings, simulate

A, B = "Mirel 55", "Halvor D"


def charts(table: pd.DataFrame) -> pd.DataFrame:
    return table[table["row_kind"] == "chart"]


def summaries(table: pd.DataFrame) -> pd.DataFrame:
    return table[table["row_kind"] == "summary"]


def test_the_lead_of_b_over_a_is_the_inverse(lab_fit: Fit) -> None:
    there, back = (lab_fit.lead(*pair).table for pair in ((A, B), (B, A)))
    np.testing.assert_allclose((1 + there["lead"]) * (1 + back["lead"]), 1.0, rtol=1e-12)
    np.testing.assert_allclose((1 + there["lower"]) * (1 + back["upper"]), 1.0, rtol=1e-12)
    for name in ("used", "within_test_error", "odd_one_out", "charts_used"):
        assert list(there[name]) == list(back[name]), name


def test_leads_are_ratios_of_the_measured_rates(lab_fit: Fit) -> None:
    rates = lab_fit.cells.table.set_index(["card", *CHART])["rate"]
    for row in charts(lab_fit.lead(A, B).table).to_dict(orient="records"):
        chart = tuple(row[name] for name in CHART)
        assert 1 + row["lead"] == pytest.approx(rates[(A, *chart)] / rates[(B, *chart)])


def test_summaries_are_geometric_means_over_the_charts_used(lab_fit: Fit) -> None:
    # Identity: the geometric mean of ratios is the ratio of geometric means (Fleming & Wallace
    # 1986, Communications of the ACM 29(3)).
    table = lab_fit.lead(A, B).table
    rates = lab_fit.cells.table
    rows = summaries(table).to_dict(orient="records")
    assert [row["resolution"] for row in rows] == ["1920x1080", "2560x1440", "3840x2160", "(all)"]
    for row in rows:
        used = charts(table)[charts(table)["used"].astype(bool)]
        if row["resolution"] != "(all)":
            used = used[used["resolution"] == row["resolution"]]
        assert row["charts_used"] == len(used)
        both = rates.merge(used[CHART], on=CHART)
        means = np.exp(np.log(both["rate"]).groupby(both["card"]).mean())
        assert 1 + row["lead"] == pytest.approx(means[A] / means[B], rel=1e-12)


def test_the_typical_interval_is_the_shortest_that_holds_half(lab_fit: Fit) -> None:
    table = lab_fit.lead(A, B).table
    overall = summaries(table).iloc[-1]
    used = charts(table)[charts(table)["used"].astype(bool)]
    values = np.sort(np.log1p(used["lead"].to_numpy(dtype=float)))
    low, high = np.log1p(overall[["typical_lower", "typical_upper"]].to_numpy(dtype=float))
    inside = (values >= low - 1e-12) & (values <= high + 1e-12)
    held = int(np.ceil(len(values) / 2))
    assert inside.sum() >= held
    shortest = min(values[i + held - 1] - values[i] for i in range(len(values) - held + 1))
    assert high - low == pytest.approx(shortest)


def test_charts_at_the_ceiling_are_left_out_with_the_reason(lab_fit: Fit) -> None:
    table = charts(lab_fit.lead(A, B).table)
    judged = lab_fit.ceilings().table.set_index(["card", *CHART])["p_ceiling"]
    for row in table.to_dict(orient="records"):
        chart = tuple(row[name] for name in CHART)
        bound = [card for card in (A, B) if judged[(card, *chart)] >= 0.5]
        assert row["used"] == (not bound)
        verb = "sit" if len(bound) == 2 else "sits"
        assert row["reason"] == (f"{' and '.join(bound)} {verb} at the ceiling" if bound else "")
    assert not table["used"].astype(bool).all()
    assert f"; {(~table['used'].astype(bool)).sum()} left out." in str(lab_fit.lead(A, B))


def test_charts_that_only_one_was_tested_on_are_counted_as_left_out(
    lab: Lab, tmp_path: Path
) -> None:
    gone = (lab.results["card"] == B) & (lab.results["game"] == "Game 4")
    answer = fit(replace(lab, results=lab.results[~gone]).bench(tmp_path)).lead(A, B)
    table = charts(answer.table)
    assert (table["reason"] == f"no result of {B}").sum() == 3
    listed = int((table["reason"] != "").sum())
    assert f"; {listed} left out." in str(answer)


def test_within_test_error_is_no_larger_than_the_range(lab_fit: Fit) -> None:
    table = charts(lab_fit.lead(A, B).table)
    crosses = (table["lower"] <= 0) & (table["upper"] >= 0)
    assert (table["within_test_error"].astype(bool) == crosses).all()
    at_ceiling = table[table["resolution"] == "1920x1080"]
    assert at_ceiling["within_test_error"].astype(bool).any()


def test_the_range_of_a_chart_is_its_test_error(lab_fit: Fit) -> None:
    # Normal theory: 80 % are 1.2816 sds; with three runs a card, each with an sd of 0.004.
    table = charts(lab_fit.lead(A, B, 0.8).table)
    assert lab_fit.cells.run_sd == pytest.approx(0.004, rel=0.2)
    se = lab_fit.cells.table.set_index(["card", *CHART])["se"]
    assert se.median() == pytest.approx(0.004 / np.sqrt(3), rel=0.2)
    for row in table.to_dict(orient="records"):
        a, b = (se[(card, *(row[name] for name in CHART))] for card in (A, B))
        reach = np.log1p(row["upper"]) - np.log1p(row["lead"])
        assert reach == pytest.approx(1.2815515655446004 * np.hypot(a, b), rel=1e-9)


def test_an_odd_one_out_is_marked(lab: Lab, tmp_path: Path) -> None:
    results = lab.results.copy()
    odd = (results["card"] == "Mirel 10") & (results["game"] == "Game 4")
    odd &= results["resolution"] == "3840x2160"
    results.loc[odd, "avg_fps"] *= 1.3
    table = charts(
        fit(replace(lab, results=results).bench(tmp_path)).lead("Mirel 10", "Mirel 20").table
    )
    marked = table[table["odd_one_out"].astype(bool)]
    assert marked[["game", "resolution"]].to_numpy().tolist() == [["Game 4", "3840x2160"]]


def test_no_chart_in_common_gives_rows_with_reasons(lab: Lab, tmp_path: Path) -> None:
    first = lab.results["game"].isin(["Game 1", "Game 2"])
    gone = ((lab.results["card"] == A) & first) | ((lab.results["card"] == B) & ~first)
    answer = fit(replace(lab, results=lab.results[~gone]).bench(tmp_path)).lead(A, B)
    rows = charts(answer.table)
    assert len(rows) == 12
    assert rows["lead"].isna().all()
    expected = np.where(rows["game"].isin(["Game 1", "Game 2"]), A, B)
    assert (
        rows["reason"] == pd.Series(expected, index=rows.index).map("no result of {}".format)
    ).all()
    assert not answer.table["used"].astype(bool).any()
    assert rows["within_test_error"].isna().all()
    assert str(answer) == (
        f"On Bench no chart compares {A} with {B}: no result of {A} on 6 of 12 charts."
    )


def test_memory_that_did_not_suffice_is_left_out_with_the_reason(lab: Lab, tmp_path: Path) -> None:
    small = lab.cards.loc[lab.cards["memory_gb"] <= 12, "card"]
    results = lab.results.copy()
    fell = (results["game"] == "Game 4") & (results["resolution"] == "3840x2160")
    results.loc[fell & results["card"].isin(small), "avg_fps"] *= 0.4
    fitted = fit(replace(lab, results=results).bench(tmp_path))
    table = charts(fitted.lead("Mirel 30", "Mirel 20").table)
    reasons = table[table["reason"] == "Mirel 20 fell for lack of memory"]
    assert reasons[["game", "resolution"]].to_numpy().tolist() == [["Game 4", "3840x2160"]]


def test_without_repeats_the_answer_says_what_its_test_error_rests_on(tmp_path: Path) -> None:
    single = fit(simulate(Settings(runs=1)).bench(tmp_path))
    assert single.cells.run_sd is None
    answer = single.lead(A, B)
    assert answer.note == NO_REPEATS
    assert str(answer).endswith(
        "No cell has repeated runs: the test error is taken from how far cells stray from the "
        "model."
    )
    rows = charts(answer.table)
    assert (rows["upper"] > rows["lower"]).all()


def test_with_repeats_there_is_no_note(lab_fit: Fit) -> None:
    assert lab_fit.lead(A, B).note == ""


def test_cards_that_were_not_measured_or_are_the_same_are_refused(lab_fit: Fit) -> None:
    with pytest.raises(ScalemodelError, match=r'^A and B are both "Mirel 55"\. Name two different'):
        lab_fit.lead(A, A)
    with pytest.raises(ScalemodelError, match=r'^No measured card is named "Mirel 45"\. Allowed: '):
        lab_fit.lead(A, "Mirel 45")


def test_each_platform_has_its_own_rows(tmp_path: Path) -> None:
    two = fit(simulate(Settings(platforms={"Bench": 1.0, "Case": 0.8})).bench(tmp_path))
    answer = two.lead(A, B)
    assert len(charts(answer.table)) == 24
    overall = summaries(answer.table)
    assert list(overall.loc[overall["resolution"] == "(all)", "platform"]) == ["Bench", "Case"]
    assert str(answer).startswith("On Bench Mirel 55 is ")
    assert " On Case Mirel 55 is " in str(answer)
