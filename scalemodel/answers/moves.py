"""From one chart to another: pairs of charts that differ in resolution, preset or platform only."""

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from scalemodel.answers.labels import Labels
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.errors import ScalemodelError

#: What may differ between two charts, in the order in which a name is looked up.
MOVES = ("resolution", "preset", "platform")


@dataclass(frozen=True)
class Moves:
    """Pairs of charts.

    Attributes:
        changed: "resolution", "preset" or "platform".
        start, end: its values.
        before, after: charts at the start and at the end, row by row: CHART_COLUMNS and pixels.
    """

    changed: str
    start: str
    end: str
    before: pd.DataFrame
    after: pd.DataFrame

    def __len__(self) -> int:
        return len(self.before)


def find_moves(
    labels: Labels, start: str | None, end: str | None, scenes: Sequence[str] = ()
) -> Moves:
    """Return the pairs of charts between two resolutions, presets or platforms.

    Args:
        labels: names of the fit.
        start, end: what to go from and to; None: the highest and the lowest resolution.
        scenes: only these, "Game | preset" or "Game"; empty: all.

    Raises:
        ScalemodelError: a name is unknown, both are the same, or no scene has charts at both.
    """
    charts = chosen_charts(labels, scenes)
    by_pixels = charts.sort_values("pixels")["resolution"]
    start = start or str(by_pixels.iloc[-1])
    end = end or str(by_pixels.iloc[0])
    changed = _what_changes(labels.charts, start, end)
    if changed == "preset":
        charts = labels.charts[labels.charts["game"].isin(charts["game"])]
    same = [
        name for name in (*CHART_COLUMNS, "pixels") if name not in (changed, *_goes_with(changed))
    ]
    at_start, at_end = (charts[charts[changed] == value] for value in (start, end))
    both = at_start.merge(at_end[same], on=same)[same]
    if both.empty:
        raise ScalemodelError(
            f'No scene has a chart at "{start}" and one at "{end}". '
            "Name two between which charts can be compared, or other scenes."
        )
    columns = [*CHART_COLUMNS, "pixels"]
    before, after = (both.merge(part, on=same)[columns] for part in (at_start, at_end))
    return Moves(changed, start, end, before, after)


def _goes_with(changed: str) -> tuple[str, ...]:
    return ("pixels",) if changed == "resolution" else ()


def _what_changes(charts: pd.DataFrame, start: str, end: str) -> str:
    for name in MOVES:
        values = set(charts[name])
        if start in values and end in values:
            if start == end:
                raise ScalemodelError(_same(charts, name, start))
            return name
    shown = "; ".join(f"{name}s {_some(charts[name])}" for name in MOVES)
    raise ScalemodelError(
        f'"{start}" and "{end}" are not two resolutions, presets or platforms of this bench. '
        f"Allowed: two of {shown}."
    )


def _same(charts: pd.DataFrame, name: str, value: str) -> str:
    if charts[name].nunique() == 1 and name == "resolution":
        return f"This bench has one resolution, {value}. Name two presets or two platforms."
    return f'From and to are both "{value}". Name two different ones: {_some(charts[name])}.'


def _some(values: "pd.Series[str]") -> str:
    names = list(dict.fromkeys(values))
    shown = ", ".join(f'"{name}"' for name in names[:6])
    return f"{shown}, ..." if len(names) > 6 else shown


def chosen_charts(labels: Labels, scenes: Sequence[str]) -> pd.DataFrame:
    """Return the charts of scenes named "Game | preset" or "Game"; of all where none is named.

    Raises:
        ScalemodelError: no scene has one of the names.
    """
    charts = labels.charts
    if not scenes:
        return charts
    names = charts["game"] + " | " + charts["preset"]
    unknown = [one for one in scenes if not in_scenes(charts, (one,)).any()]
    if unknown:
        raise ScalemodelError(
            f"No scene is named {_some(pd.Series(unknown))}. "
            f"Allowed: a game, or a scene such as {_some(names)}."
        )
    return charts[in_scenes(charts, scenes)]


def in_scenes(table: pd.DataFrame, scenes: Sequence[str]) -> "pd.Series[bool]":
    """Mark the rows, with game and preset, that are of scenes "Game | preset" or of a "Game"."""
    names = table["game"] + " | " + table["preset"]
    return names.isin(scenes) | table["game"].isin(scenes)
