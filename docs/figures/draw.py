"""Draw the figures of the README and the guide: ``python docs/figures/draw.py``."""

import tempfile
from pathlib import Path

import scalemodel as sm
from scalemodel.cli.figure_file import write_figure
from scalemodel.cli.guide import EXPLAIN, LEAD, LEVEL, write_demo
from scalemodel.views.figures.ceilings import ceilings_figure
from scalemodel.views.figures.explain import explain_figure
from scalemodel.views.figures.knee import knee_figure
from scalemodel.views.figures.lead import lead_figure
from scalemodel.views.figures.prediction import prediction_figure
from scalemodel.views.figures.shares import shares_figure
from scalemodel.views.figures.slopes import slopes_figure
from scalemodel.views.figures.standings import standings_figure

HERE = Path(__file__).parent
PLATFORM = "open bench"
CARD = "Ostrel T65"
SCENE = "Oxbow | maximum"
GAMES = ("Second Meridian", "Glasswing Rally", "Harrow Line", "Lanternfall", "Cindervale", "Oxbow")


def draw(folder: Path) -> None:
    """Draw the answers into a folder."""
    with tempfile.TemporaryDirectory() as place:
        bench, specs = write_demo(Path(place) / "demo")
        fit = sm.fit(sm.read_bench(bench))
        sheets = sm.read_specs(specs)
    shown = fit.ceilings(LEVEL)
    tables = (
        table[(table["platform"] == PLATFORM) & table["game"].isin(GAMES)]
        for table in (shown.table, shown.charts)
    )
    write_figure(folder / "ceilings.png", ceilings_figure(*tables, LEVEL))
    answer = fit.predict(sheets[sheets["card"] == CARD], LEVEL)
    parts = (table[table["platform"] == PLATFORM] for table in (answer.table, answer.neighbours))
    write_figure(folder / "predict.png", prediction_figure(*parts))
    write_figure(folder / "lead.png", lead_figure(fit.lead(*LEAD, level=LEVEL).table, LEVEL))
    why = fit.explain(*EXPLAIN, level=LEVEL).table
    write_figure(folder / "explain.png", explain_figure(why, LEVEL))
    _draw_all_cards(folder, fit)


def _draw_all_cards(folder: Path, fit: sm.Fit) -> None:
    """Draw what is about all cards and scenes."""
    answer = fit.standings(LEVEL)
    places = answer.places[answer.places["platform"] == PLATFORM]
    write_figure(folder / "places.png", standings_figure(places, LEVEL))
    write_figure(folder / "changes.png", slopes_figure(places, answer.table, LEVEL))
    found = fit.knee((SCENE,), LEVEL)
    tables = [
        table[table["platform"] == PLATFORM] for table in (found.table, found.charts, found.curve)
    ]
    write_figure(folder / "knee.png", knee_figure((tables[0], tables[1], tables[2]), LEVEL))
    write_figure(folder / "shares.png", shares_figure(fit.learned_scenes))


if __name__ == "__main__":
    draw(HERE)
