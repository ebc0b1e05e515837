"""Explanations: identities, what is left out and why, and changes whose cause is known."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.changes import LEFT_OVER
from scalemodel.answers.explain import ALL, CHANGE, Explanation, ordered_parts
from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.order import FLIPS
from scalemodel.data.bench import read_bench
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import CHART, Settings, simulate

A, B = "Mirel 55", "Halvor D"


def test_parts_sum_to_the_change_of_the_lead(lab_fit: Fit) -> None:
    table = lab_fit.explain(A, B).table
    for _, rows in table.groupby(["row_kind", *CHART]):
        whole = rows[rows["part"] == CHANGE].iloc[0]
        assert whole["points"] == pytest.approx(whole["lead_to"] - whole["lead_from"], abs=1e-12)
        parts = rows[rows["part"] != CHANGE]
        assert parts["points"].sum() == pytest.approx(whole["points"], abs=1e-12)
        assert (rows["lower"] <= rows["points"]).all()
        assert (rows["points"] <= rows["upper"]).all()


def test_leads_are_those_measured_and_the_mean_is_geometric(lab_fit: Fit) -> None:
    table = lab_fit.explain(A, B).table
    leads = lab_fit.lead(A, B).table.set_index(CHART)["lead"]
    whole = table[table["part"] == CHANGE]
    charts = whole[whole["row_kind"] == "chart"]
    for row in charts.to_dict(orient="records"):
        assert row["resolution"] == "3840x2160"
        place = [row[name] for name in ("platform", "game", "preset")]
        assert row["lead_from"] == pytest.approx(leads[(*place, "3840x2160")])
        assert row["lead_to"] == pytest.approx(leads[(*place, "1920x1080")])
    mean = whole[whole["row_kind"] == "summary"].iloc[0]
    for end in ("lead_from", "lead_to"):
        assert np.log1p(mean[end]) == pytest.approx(np.log1p(charts[end]).mean())
    assert mean["charts_used"] == len(charts) == 4


def test_the_other_way_round_parts_change_their_sign(lab_fit: Fit) -> None:
    there = lab_fit.explain(A, B, "3840x2160", "1920x1080").table
    back = lab_fit.explain(A, B, "1920x1080", "3840x2160").table
    np.testing.assert_allclose(there["lead_from"], back["lead_to"])
    # The model's parts to rounding; the test error, and so what is left over, is drawn anew.
    model = ~there["part"].isin([CHANGE, LEFT_OVER])
    np.testing.assert_allclose(there.loc[model, "points"], -back.loc[model, "points"], atol=1e-9)


def test_the_ceiling_is_named_where_it_is_the_cause(lab_fit: Fit) -> None:
    # Both cards are GPU-bound in every game at 3840x2160. At 1920x1080 the first three games have
    # ceilings that stop them, the fourth has none near.
    answer = lab_fit.explain("Mirel 55", "Mirel 20")
    for game in ("Game 1", "Game 2", "Game 3"):
        rows = answer.table[answer.table["game"] == game]
        chief = ordered_parts(rows).iloc[0]
        assert chief["part"] == "ceiling"
        assert chief["proven"]
    rows = answer.table[(answer.table["game"] == "Game 4") & (answer.table["part"] == "ceiling")]
    assert not rows["proven"].iloc[0]
    assert "come from the CPU ceiling" in str(answer)


def test_what_takes_more_and_less_time(lab_fit: Fit) -> None:
    # In the lab's physics arithmetic grows with the pixels and fixed work does not: it takes a
    # larger share of a small frame.
    rows = lab_fit.explain(A, B).table
    weighs = rows.drop_duplicates("part").set_index("part")["weighs"]
    assert weighs["fixed work"] == "more"
    assert weighs["ceiling"] == weighs[CHANGE] == ""


def test_one_scene_by_its_name_or_its_game(lab_fit: Fit) -> None:
    named = lab_fit.explain(A, B, scenes=("Game 2 | High",)).table
    game = lab_fit.explain(A, B, scenes=("Game 2",)).table
    pd.testing.assert_frame_equal(named, game)
    assert set(named["game"]) == {"Game 2", ALL}


def test_between_platforms_only_the_ceiling_differs(tmp_path: Path) -> None:
    lab = simulate(Settings(platforms={"Fast": 1.0, "Slow": 0.6}))
    answer = fit(lab.bench(tmp_path)).explain("Mirel 55", "Mirel 30", "Fast", "Slow")
    charts = answer.table[answer.table["row_kind"] == "chart"]
    assert set(charts["changed"]) == {"platform"}
    still = charts[~charts["part"].isin([CHANGE, "ceiling", LEFT_OVER])]
    assert still["points"].abs().max() < 1e-12
    at_low = charts[(charts["resolution"] == "1920x1080") & (charts["game"] == "Game 2")]
    assert ordered_parts(at_low).iloc[0]["part"] == "ceiling"


def test_results_that_lack_are_rows_with_their_reason(lab_fit: Fit, tmp_path: Path) -> None:
    results = lab_fit.bench.results
    lacks = (results["card"] == B) & (results["game"] == "Game 1")
    folder = tmp_path / "bench"
    folder.mkdir()
    names = ["card", *CHART, "run", "avg_fps"]
    kept = results[~(lacks & (results["resolution"] == "1920x1080"))]
    kept[names].to_csv(folder / "results.csv", index=False)
    source = Path(lab_fit.bench.source) / "cards.csv"
    (folder / "cards.csv").write_bytes(source.read_bytes())

    thin = fit(read_bench(folder))
    answer = thin.explain(A, B)
    row = answer.table[answer.table["game"] == "Game 1"]
    assert list(row["reason"]) == [f"no result of {B} at 1920x1080"]
    assert row[["points", "lead_from", "lead_to"]].isna().all(axis=None)
    assert "(3 scenes)" in str(answer)
    order = thin.order()
    assert order.scenes.set_index("game")["cards"]["Game 1"] == 9
    with pytest.raises(ScalemodelError) as refused:
        thin.explain(A, B, scenes=("Game 1",))
    assert str(refused.value) == (
        f"There is no scene in which {A} and {B} both have results at 3840x2160 and at 1920x1080: "
        f"no result of {B} at 1920x1080. Name other cards, or where both were tested."
    )


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((A, A), f'A and B are both "{A}". Name two different cards.'),
        (
            (A, B, "1920x1080", "1920x1080"),
            'From and to are both "1920x1080". Name two different ones: "1920x1080", "2560x1440", '
            '"3840x2160".',
        ),
        (
            (A, B, "800x600", "1920x1080"),
            '"800x600" and "1920x1080" are not two resolutions, presets or platforms of this '
            'bench. Allowed: two of resolutions "1920x1080", "2560x1440", "3840x2160"; presets '
            '"High"; platforms "Bench".',
        ),
        (
            (A, B, None, None, ("Game 9",)),
            'No scene is named "Game 9". Allowed: a game, or a scene such as "Game 1 | High", '
            '"Game 2 | High", "Game 3 | High", "Game 4 | High".',
        ),
    ],
)
def test_names_that_are_not_there_are_refused(
    lab_fit: Fit, words: tuple[str, ...], message: str
) -> None:
    with pytest.raises(ScalemodelError) as refused:
        lab_fit.explain(*words)
    assert str(refused.value) == message


def test_a_bench_of_one_resolution_says_so(tmp_path: Path) -> None:
    lab = simulate(Settings(resolutions=("3840x2160",)))
    with pytest.raises(ScalemodelError, match="has one resolution, 3840x2160"):
        fit(lab.bench(tmp_path)).explain(A, B)


def test_order_counts_every_pair_in_opposite_order(lab_fit: Fit) -> None:
    answer = lab_fit.order()
    rates = lab_fit.cells.table.set_index(["game", "resolution", "card"])["rate"].sort_index()
    expected = set()
    for game in lab_fit.labels.games:
        high, low = (rates[game, r] for r in ("3840x2160", "1920x1080"))
        for a in high.index:
            for b in high.index:
                if high[a] > high[b] and low[a] < low[b]:
                    expected.add((game, a, b))
    found = set(answer.table[["game", "a", "b"]].itertuples(index=False, name=None))
    assert found == expected
    assert found
    scenes = answer.scenes.set_index("game")
    counts = answer.table.groupby(["game", "verdict"]).size()
    for game in scenes.index:
        assert scenes.loc[game, "flips"] == counts.get((game, FLIPS), 0)
        assert scenes.loc[game, "pairs"] == 45
    assert ((answer.table["verdict"] == FLIPS) == (answer.table["p_flip"] >= 0.8)).all()


def test_order_names_the_cause_that_explain_names(lab_fit: Fit) -> None:
    answer = lab_fit.order()
    for row in answer.table.to_dict(orient="records")[:6]:
        table = lab_fit.explain(row["a"], row["b"], scenes=(row["game"],)).table
        chief = ordered_parts(table[table["row_kind"] == "chart"]).iloc[0]
        assert row["lead_from"] > 0 > row["lead_to"]
        assert row["cause"] == chief["part"]
        # A quarter of the draws: the mean is off by a few hundredths of a point.
        assert row["cause_points"] == pytest.approx(chief["points"], abs=1e-3)


def test_same_question_same_answer(lab_fit: Fit) -> None:
    for ask in (lambda: lab_fit.explain(A, B), lab_fit.order):
        first, second = ask(), ask()
        pd.testing.assert_frame_equal(first.table, second.table, check_exact=True)
        assert str(first) == str(second)


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        (0.1, 0.2, "leads Mirel 35 by 10.0% at 2160p and by 20.0% at 1080p (3 scenes)."),
        (0.1, -0.2, "leads Mirel 35 by 10.0% at 2160p and trails by 20.0% at 1080p (3 scenes)."),
        (-0.1, 1e-5, "trails Mirel 35 by 10.0% at 2160p and is level at 1080p (3 scenes)."),
        (-1e-5, 0.1, "is level with Mirel 35 at 2160p and leads by 10.0% at 1080p (3 scenes)."),
        (0.0, 0.0, "is level with Mirel 35 at 2160p and is level at 1080p (3 scenes)."),
    ],
)
def test_how_two_cards_stand_in_words(start: float, end: float, words: str) -> None:
    whole: dict[str, object] = {
        "row_kind": "summary",
        "platform": "bench",
        "part": CHANGE,
        "reason": "",
        "changed": "resolution",
    }
    whole |= {"lead_from": start, "lead_to": end, "charts_used": 3, "points": 0, "proven": False}
    table = pd.DataFrame([whole])
    told = str(Explanation(table, table, "Halvor D", "Mirel 35", "2160p", "1080p", 0.8))
    assert told.startswith(f"On bench Halvor D {words}")
