"""Whether the lows are where the averages say: which cards stray, in which scenes."""

from functools import partial

import pandas as pd

from scalemodel.answers.lows import LOW_WORDS, Lows
from scalemodel.answers.report import Report
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.views.figures.lows import lows_figure
from scalemodel.views.report.parts import (
    Cell,
    Column,
    Part,
    Section,
    Table,
    Words,
    detail,
    drawing,
    folded_if_long,
    number,
    table,
)
from scalemodel.views.words import (
    count_words,
    lead_range_words,
    lead_words,
    level_words,
    probability_words,
    scene_words,
)

KEY, TITLE = "lows", "Are the lows where the averages say?"
DRAWN = ["low_fps", "expected_fps", "expected_lower_fps", "expected_upper_fps", "apart"]
"""What is kept of a cell: its average is in the table of results."""


def section(report: Report) -> Section:
    """Show what is out of step, then how low over average goes by scene."""
    answer = report.lows
    if answer is None:
        words = f"Lows are not known: {report.missing['lows']}"
        return Section(KEY, TITLE, "Lows are not known.", words)
    judged = answer.table[answer.table["reason"] == ""]
    out = _out(answer)
    parts: list[Part] = []
    for n, platform in enumerate(dict.fromkeys(answer.table["platform"])):
        title = f"{LOW_WORDS[answer.metric]} against average on {platform}"
        parts.append(
            drawing(
                partial(lows_figure, answer, str(platform)),
                title,
                "A row a scene: how far the low of every cell is from what its average says. The "
                "numbers are in the tables below.",
                folded=f"{title} (figure)" if n else "",
            )
        )
    nothing = f"The {LOW_WORDS[answer.metric]} of no card is out of step in a scene."
    parts.append(_places(answer, out) if len(out) else Words(nothing))
    parts += [_scenes(answer), detail("In words, with what it hints at", str(answer))]
    cells = judged[[*CELL_COLUMNS, *DRAWN, "out_of_step"]]
    tables = {"lows": cells, "lows-out-of-step": out, "lows-scenes": answer.scenes}
    words = sentence(answer)
    return Section(KEY, TITLE, words, words, tuple(parts), tables)


def _out(answer: Lows) -> pd.DataFrame:
    rows: pd.DataFrame = answer.places[answer.places["out_of_step"].astype(bool)]
    return rows


def sentence(answer: Lows) -> str:
    """Name the card whose low strays furthest, and count the others."""
    low, known = LOW_WORDS[answer.metric], answer.table["p"].notna()
    if not known.any():
        return f"The {low} cannot be judged: {answer.scenes['reason'].iloc[0]}."
    out = _out(answer)
    alone = answer.alone(answer.table, out)
    single = f", but for {count_words(alone, 'single cell')}" if alone else ""
    if out.empty:
        return f"Yes: the {low} of every card is in step with its average{single}."
    cards = dict.fromkeys(out["card"])
    first = out.iloc[int(out["apart"].abs().argmax())]
    own = out[out["card"] == first["card"]]
    way = "below" if first["apart"] < 0 else "above"
    words = (
        f"The {low} of {first['card']} is up to {abs(first['apart']):.0%} {way} what its average "
        f"says, in {count_words(len(own), 'scene')}"
    )
    others = len(cards) - 1
    rest = f"{count_words(others, 'other card')} in {count_words(len(out) - len(own), 'scene')} too"
    return f"{words}; {rest}." if others else f"{words}. The other cards are in step{single}."


def _places(answer: Lows, out: pd.DataFrame) -> Table:
    columns = [
        Column("card", lambda row: row.card),
        Column("platform", lambda row: row.platform),
        Column("scene", lambda row: scene_words(row.game, row.preset)),
        Column("cells", lambda row: f"{row.cells}", number=True),
        Column("low", lambda row: number(row.apart, lead_words(row.apart), strong=True), True),
        Column("range", lambda row: lead_range_words(row.apart_lower, row.apart_upper), True),
        Column("by chance", lambda row: number(row.p, probability_words(row.p)), number=True),
        Column("hint", lambda row: row.hint or "–"),
    ]
    caption = (
        f"Cards whose {LOW_WORDS[answer.metric]} is surely out of step in a scene, by "
        f"{level_words(answer.margin)} or more, against what the average says, with "
        f"{level_words(answer.level)} ranges. By chance: that the farthest of all would be so far."
    )
    folded = folded_if_long(out, f"All {len(out)} cards and scenes out of step")
    return table(caption, columns, out, folded=folded)


def _scenes(answer: Lows) -> Table:
    columns = [
        Column("scene", lambda row: scene_words(row.game, row.preset)),
        Column("platform", lambda row: row.platform),
        Column("cells", lambda row: f"{row.cells}", number=True),
        Column("low / average", lambda row: _share(row.low_share), number=True),
        Column("at the ceiling", lambda row: _share(row.low_share_at_ceiling), number=True),
        Column("scatter", lambda row: _percent(row.scatter), number=True),
        Column("test error", lambda row: _percent(row.test_error), number=True),
    ]
    low = LOW_WORDS[answer.metric]
    caption = (
        f"What the {low} is of the average, scene by scene. Scatter: what cells of a scene stray "
        "beyond test error."
    )
    folded = folded_if_long(answer.scenes, f"{low} over average, scene by scene")
    return table(caption, columns, answer.scenes, folded=folded)


def _share(share: float) -> Cell:
    return number(share, f"{share:.3f}")


def _percent(share: float) -> Cell:
    return number(share, f"{share:.2%}")
