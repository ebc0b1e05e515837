"""Terminal tables, as plain text."""

from dataclasses import replace
from pathlib import Path

import pandas as pd
from rich.text import Text

from scalemodel.data.bench import check_bench
from scalemodel.views.terminal.ceilings import ceilings_view
from scalemodel.views.terminal.check import check_sentence, check_view, problems_table
from scalemodel.views.terminal.comparison import comparison_view
from scalemodel.views.terminal.explain import explain_view
from scalemodel.views.terminal.fit import fit_view
from scalemodel.views.terminal.lead import lead_view
from scalemodel.views.terminal.order import order_view
from scalemodel.views.terminal.parts import as_text, by_scene, grid, reasons, stack
from scalemodel.views.terminal.plan import plan_view
from scalemodel.views.terminal.prediction import against_view, prediction_view, ranks_view
from scalemodel.views.terminal.repeat import repeat_view
from scalemodel.views.words import CAUTION, EXPECTED
from tests.views import examples


def lines(text: str) -> list[str]:
    return [" ".join(line.split()) for line in text.splitlines()]


def test_ceilings_show_one_line_a_scene() -> None:
    found = lines(as_text(ceilings_view("The answer.", examples.charts(), 0.8)))
    assert "The answer." in found
    assert "▍ceilings open bench, average rate" in found
    assert "scene ceiling 1920x1080 3840x2160" in found
    assert "Saltmarch | ultra 200 (196–205) ○ not usable 2/3 ● usable" in found
    assert "Cash $5 & <Tag> $x^2$ | high [bold] above 203 ◐ below 181 1/3 ● usable" in found


def test_ceilings_of_nothing_say_so() -> None:
    text = as_text(ceilings_view("None.", examples.charts().iloc[:0], 0.8))
    assert "No chart has a result that can be used." in text


def test_predictions_show_median_range_ceiling_and_reason() -> None:
    text = as_text(prediction_view("The answer.", examples.prediction()))
    found = lines(text)
    assert "▍New $1 open bench, average rate in frames per second" in found
    assert "Saltmarch | ultra 197 (188–203) ○ 102 (95.0–108)" in found
    assert "Cash $5 & <Tag> $x^2$ | high [bold] 181 (170–192) no estimate" in found
    assert "1 chart: no card with this memory size" in found
    assert " ".join(found).count(CAUTION) == 1


def test_predictions_against_a_card() -> None:
    found = lines(as_text(against_view(examples.against(), 0.9)))
    assert "▍New $1 against Kb open bench" in found
    assert "Saltmarch | ultra −1.0…12.0% 0.75 3.1…20.0% 0.91" in found
    assert "90% range of its lead, and the probability that it is faster." in found


def test_ranks_show_the_likeliest_positions() -> None:
    found = lines(as_text(ranks_view(examples.ranks())))
    assert "▍New $1: position open bench" in found
    assert "Saltmarch | ultra 2 (0.60), 3 (0.30) 1 (>0.99)" in found


def test_leads_show_summaries_then_charts_then_what_was_left_out() -> None:
    found = lines(as_text(lead_view("The answer.", examples.lead(), 0.8)))
    assert "resolution charts used typical geometric mean range" in found
    assert "3840x2160 2 +12.0% to +33.3% +22.2% +21.0% to +23.0%" in found
    assert "(all) 3 +0.6% to +12.0% +14.6% +13.0% to +16.0%" in found
    assert "Saltmarch | ultra ○ +0.4% (−0.6…1.4) ◆ +33.3% (32.0…34.6)" in found
    scene = "Cash $5 & <Tag> $x^2$ | high [bold] ≈ +0.6% (−0.4…1.6) +12.0% (11.0…13.0)"
    assert scene in found
    assert "1 chart: both at the ceiling" in found


def test_an_explanation_shows_the_mean_then_scenes_then_what_lacks() -> None:
    found = lines(as_text(explain_view("The answer.", examples.explanation(), 0.8)))
    assert "▍lead of Kc over Kb 3840x2160 to 1920x1080, open bench" in found
    assert "the mean change −22.0 −23.0 to −21.0" in found
    assert "bandwidth and cache −3.0 −5.0 to −1.0 weighs less" in found
    assert "left over ≈ +1.0 −1.0 to +3.0" in found
    assert "Saltmarch | ultra +33.3% +11.3% −22.0 ceiling −20.0" in found
    assert "1 scene: no result of Kb at 1920x1080" in found


def test_an_order_shows_causes_with_their_largest_change() -> None:
    places = ("3840x2160", "1920x1080")
    view = order_view("The answer.", examples.order(), examples.order_scenes(), places, 0.8)
    found = lines(as_text(view))
    assert "▍changes of order 3840x2160 to 1920x1080, open bench" in found
    assert "Saltmarch | ultra 1 ceiling Kc over Kb +33.3% to −2.0%" in found
    assert any(line.endswith("1 bandwidth and cache Kb over Ka +5.0% to −4.0%") for line in found)
    assert "1 within test error" in found
    assert "1 scene: fewer than two cards" in found


def test_plans_show_questions_then_runs_card_by_card() -> None:
    tables = (examples.plan(), examples.plan_targets(), examples.plan_wasted())
    found = lines(as_text(plan_view("The answer.", *tables, 0.8)))
    assert "mean rate of New $1 over 3 charts 6.00% 3.00% 2.51%" in found
    assert "mean rate of Kz: Kz would sit at the ceiling" in found
    assert "▍New $1 open bench, 3 runs" in found
    assert "▍Kb bare, 1 run" in found
    row = "| high [bold] 3840x2160 2 0:18 4.10% no result yet: known to ±3.1%"
    assert any(line.startswith("Cash $5 & <Tag>") and line.endswith(row) for line in found)
    assert "Saltmarch | ultra 1920x1080 1 0:36 3.00% 3 runs so far" in found
    assert "1 chart: at the ceiling" in found
    assert " ".join(found).count(EXPECTED) == 1
    nothing = as_text(plan_view("None.", examples.plan().iloc[:0], *tables[1:], 0.8))
    assert "None." in nothing


def test_a_fit_shows_its_table_and_what_it_left_out() -> None:
    table = pd.DataFrame(
        {
            "quantity": ["rate beyond the specs", "rate beyond the specs", "sharpness"],
            "of": ["Cairn", "Weft", "all"],
            "value": [-0.0547778, 0.0012, 12.2331],
            "lower": [-0.12, -0.05, 11.78],
            "upper": [0.0, 0.07, 12.71],
            "unit": ["share", "share", "number"],
        }
    )
    left_out = pd.DataFrame({"card": ["Ka", "Kb"], "reason": ["too little memory"] * 2})
    found = lines(as_text(fit_view("The answer.", table, left_out)))
    assert "quantity of value 80% range unit" in found
    assert "rate beyond the specs Cairn −0.055 −0.120 to 0.000 share" in found
    assert "Weft 0.001 −0.050 to 0.070 share" in found
    assert "sharpness all 12.2 11.8 to 12.7 number" in found
    assert "2 results: too little memory" in found


def test_a_check_shows_the_verdict_the_files_and_every_problem(tmp_path: Path) -> None:
    header = "card,vendor,architecture,shaders,boost_clock_mhz,memory_gb,memory_bandwidth_gbs\n"
    (tmp_path / "cards.csv").write_text(header + "007,Ostrel,Cairn,2048,2000,8,256\n")
    header = "card,platform,game,preset,resolution,run,avg_fps\n"
    row = "007,open bench,Saltmarch,ultra,1920x1080,1,"
    (tmp_path / "results.csv").write_text(header + row + "abc\n")
    report = check_bench(tmp_path)
    found = " ".join(lines(as_text(check_view(report))))
    assert check_sentence(report) == "Not sound: 1 problem; correct them and check again."
    assert 'error results.csv, row 2, column avg_fps: "abc" is not a number.' in found
    table = problems_table(report.problems)
    assert table.loc[0, "row"] == 2
    (tmp_path / "results.csv").write_text(header + row + "99\n")
    sound = check_bench(tmp_path)
    assert check_sentence(sound).startswith("Sound: 1 card, 1 chart, 1 cell, 1 run; ")
    assert "results.csv 1 UTF-8 comma point" in " ".join(lines(as_text(check_view(sound))))


def test_every_view_fits_a_hundred_columns() -> None:
    views = [
        ceilings_view("Answer. " * 40, examples.many(examples.charts(), 3), 0.8),
        prediction_view("Answer. " * 40, examples.many(examples.prediction(), 3)),
        lead_view("Answer. " * 40, examples.many(examples.lead(), 3), 0.8),
        explain_view("Answer. " * 40, examples.explanation(), 0.8),
        order_view("A. " * 90, examples.order(), examples.order_scenes(), ("4K", "2K"), 0.8),
    ]
    for view in views:
        text = as_text(view)
        assert max(len(line) for line in text.splitlines()) <= 100
        assert not any(line.endswith(" ") for line in text.splitlines())


def test_more_resolutions_than_fit_get_rows_of_their_own() -> None:
    sizes = [f"{640 * n}x{360 * n}" for n in range(1, 6)]
    charts = pd.concat([examples.charts().iloc[:1].assign(resolution=size) for size in sizes])
    found = lines(as_text(ceilings_view("Answer.", charts, 0.8)))
    assert "Saltmarch | ultra 200 (196–205) 3200x1800 ○ not usable 2/3" in found


def test_an_empty_grid_says_so() -> None:
    assert as_text(grid(["a", "b"], [], "Nothing here.")) == "  Nothing here.\n"
    text = as_text(by_scene(examples.charts().iloc[:0], Text, empty="No chart."))
    assert text == "  No chart.\n"


def test_many_reasons_are_counted_the_commonest_first() -> None:
    found = pd.Series([f"reason {n}" for n in range(10)] + ["reason 7"])
    text = as_text(stack(*reasons(found, "chart"))).splitlines()
    assert text[0] == "  2 charts: reason 7"
    assert text[-1] == "  2 charts for other reasons: see --format csv"
    assert len(text) == 9


def test_repeat_shows_spread_scenes_runs_and_older_results() -> None:
    found = lines(as_text(repeat_view(examples.repeatability())))
    assert "metric rates cells s_r range limit r s_R runs for 2%" in found
    assert "average rate (all) 4 0.60% 0.50…0.80 1.7% – 3" in found
    assert "1% low: no run." in found
    assert "Saltmarch | ultra open bench 0.90% 0.70…1.40 1.50× 5" in found
    assert "4 Ka Saltmarch | ultra 1920x1080 3 80.0 −20.3% 100 (93.1) × 0.004" in found
    assert "7 Ka Saltmarch | ultra 1920x1080 3 91.0 +0.6% 90.5 (90.5) ○ 0" in found
    text = " ".join(found)
    assert "+6.0% 5.0…7.0 ○ no 4 results" in text
    assert "? not known 1 result" in text
    assert "Saltmarch | ultra: not all shifted alike; 1 of 2 cards: Ka." in found
    assert "the shift is against the fit of all else." in text
    assert "1 change tested again in full shifted nothing by 2%." in found


def test_repeat_of_nothing_says_so() -> None:
    empty = examples.repeatability()
    nothing = replace(empty, runs=empty.runs.iloc[:0], stale=empty.stale.iloc[:0])
    found = lines(as_text(repeat_view(nothing)))
    assert "None." in found
    assert "No change of game version, driver or date matters." in found


def test_comparison_marks_ties_and_what_is_open() -> None:
    found = lines(as_text(comparison_view(examples.comparison())))
    assert "▍Kc against Kb open bench" in found
    assert "3 used, mean +14.6% (+13.0% to +16.0%): different" in found
    assert "Saltmarch | ultra ≈ +0.4% (−0.6…1.4) +33.3% (32.0…34.6)" in found
    assert "1 chart: no result of Kb" in found
    by_cell = lines(as_text(comparison_view(examples.comparison("driver"))))
    assert "Ka Saltmarch | ultra 1920x1080 ≈ +0.4% (−0.6…1.4)" in by_cell
