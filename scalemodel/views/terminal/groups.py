"""Whether a lead differs between groups of charts."""

from typing import Any

from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.comparison import DIFFERENT, TIED
from scalemodel.answers.lead_groups import LeadGroups
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import lead_range_words, lead_words, level_words

MOST_PAIRS = 15
SIGNS = {TIED: "≈ ", DIFFERENT: ""}


def groups_view(answer: LeadGroups) -> RenderableType:
    """Show the lead of each group, then how far groups are apart."""
    parts: list[RenderableType] = [sentence(str(answer))]
    for platform, rows in answer.table.groupby("platform", sort=False):
        title = f"lead of {answer.a} over {answer.b} by {answer.by}"
        groups = [_group(row) for row in rows_of(rows[rows["row_kind"] == "group"])]
        columns = (answer.by, ">charts", ">scenes", ">lead", "range")
        parts += [heading(title, str(platform)), Text(), grid(columns, groups, "No group."), Text()]
        every = rows[rows["row_kind"] == "difference"]
        parts += [note(why) for why in dict.fromkeys(every["reason"]) if why]
        pairs = every[every["reason"] == ""]
        if pairs.empty:
            continue
        shown = [_pair(row) for row in rows_of(pairs.head(MOST_PAIRS))]
        parts += [grid(("lead with", "over that with", ">is", "range", ""), shown, ""), Text()]
        if len(pairs) > MOST_PAIRS:
            parts += [note(f"and {len(pairs) - MOST_PAIRS:,} more pairs: see --format csv")]
    left = answer.charts.loc[~answer.charts["used"].astype(bool), "reason"]
    if not left.empty:
        parts += [note("Left out:"), *reasons(left, "chart")]
    legend = (
        f"Leads at the mean of the resolutions, {level_words(answer.level)} ranges from the spread "
        "of scenes and test error.\n"
        f"≈ tied: surely within {level_words(answer.margin)}   ? open: neither"
    )
    return stack(*parts, note(legend))


def _group(row: Any) -> list[str | Text]:
    span = lead_range_words(row.lower, row.upper)
    lead = Text(lead_words(row.lead), style="bold")
    return [str(row.group), f"{row.charts_used}", f"{row.scenes}", lead, span]


def _pair(row: Any) -> list[str | Text]:
    sign = SIGNS.get(str(row.verdict), "? ")
    span = lead_range_words(row.lower, row.upper)
    return [str(row.group), str(row.other), f"{sign}{lead_words(row.lead)}", span, row.verdict]
