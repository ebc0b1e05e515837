"""Does a lead differ between groups of charts, beyond test error and the spread of charts?"""

from collections.abc import Hashable
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import f as f_law
from scipy.stats import norm
from scipy.stats import t as student

from scalemodel.answers.comparison import OPEN, judged
from scalemodel.answers.groups import APART, NATIVE, chart_groups, check_column
from scalemodel.answers.lead import lead
from scalemodel.answers.levels import counted
from scalemodel.answers.margins import check_margin, share
from scalemodel.data.repeats import index_by
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.equivalence import ALPHA, tested
from scalemodel.model.layout import ScalePrior
from scalemodel.model.mixed import Effect, MixedData, MixedFit, fit_mixed

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

SCENE, GAME, CHART = ScalePrior(0.04, 0.8), ScalePrior(0.03, 0.8), ScalePrior(0.02, 0.8)
"""Priors of what log leads of scenes, games and charts stray by."""

FEWEST_SCENES = 2
"""Scenes a group needs to be told from its scenes."""

MIXED = "the two cards, or their runs, differ in it"
ONE_GROUP = "all charts used are of one group"
ONE_SCENE = "one of the groups has one scene only: nobody can tell the group from the scene"
MOST_NAMED = 3
"""Groups whose leads are all named in words."""

COLUMNS = (
    "a",
    "b",
    "platform",
    "by",
    "group",
    "other",
    "row_kind",
    "charts_used",
    "scenes",
    "lead",
    "lower",
    "upper",
    "p_different",
    "p_equal",
    "verdict",
    "reason",
)
CHART_TABLE = ("a", "b", *CHART_COLUMNS, "by", "group", "lead", "used", "reason")


@dataclass(frozen=True)
class LeadGroups:
    """The lead of `a` over `b` by group of charts.

    Attributes:
        table: on each platform one row a group (row_kind "group") with its lead, then one a pair
            of groups ("difference"): the lead in `group` over the lead in `other`, less 1, and its
            verdict; then one of all groups ("all"), whose p_different is the chance that leads of
            groups differ so much where there is no difference.
        charts: the charts with their group, and why some are not used.
        a, b: the cards.
        by: the column.
        margin: the smallest difference that matters.
        level: level of the ranges.
    """

    table: pd.DataFrame
    charts: pd.DataFrame
    a: str
    b: str
    by: str
    margin: float
    level: float

    def __str__(self) -> str:
        parts = self.table.groupby("platform", sort=False)
        return " ".join(self._words(str(platform), rows) for platform, rows in parts)

    def _words(self, platform: str, rows: pd.DataFrame) -> str:
        groups = rows[rows["row_kind"] == "group"].to_dict(orient="records")
        whole = rows[rows["row_kind"] == "all"].iloc[0]
        where = f"On {platform} the lead of {self.a} over {self.b}"
        if not groups:
            return f"{where} cannot be grouped by {self.by}: {whole['reason']}."
        named = groups
        if len(groups) > MOST_NAMED:
            ordered = sorted(groups, key=lambda row: row["lead"])
            named = [ordered[0], ordered[-1]]
        leads = (" to " if len(named) < len(groups) else ", ").join(
            f"{row['lead']:+.1%} ({row['lower']:+.1%} to {row['upper']:+.1%}) with {self.by} "
            f"{row['group']} ({counted(row['charts_used'], 'chart')})"
            for row in named
        )
        spans = f"of {len(groups)} groups goes from " if len(named) < len(groups) else ""
        words = f"{where} {spans or 'is '}{leads}"
        if whole["reason"]:
            return f"{words}; {whole['reason']}."
        pairs = rows[rows["row_kind"] == "difference"].to_dict(orient="records")
        if len(pairs) == 1:
            return f"{words}: {_verdict_words(pairs[0], self.margin)}."
        differs = "differs" if whole["p_different"] < ALPHA else "does not surely differ"
        return f"{words}: it {differs} between groups (p = {whole['p_different']:.3f})."


def _verdict_words(row: dict[Hashable, Any], margin: float) -> str:
    if row["reason"]:
        return str(row["reason"])
    return {
        "tied": f"the same, surely within {share(margin)}",
        "different": f"different ({row['lower']:+.1%} to {row['upper']:+.1%} between the two)",
        OPEN: f"open, neither surely different nor surely within {share(margin)}",
    }[str(row["verdict"])]


def lead_groups(fit: "Fit", column: str, a: str, b: str, margin: float, level: float) -> LeadGroups:
    """Compare the lead of two cards between the groups that a column of results makes.

    Charts of a scene, and scenes of a game, have leads that are alike, so their number is not that
    of independent pieces of evidence: a mixed model with random scenes and games, fixed resolutions
    and the known test error of each chart.

    Raises:
        ScalemodelError: the column cannot group, a card was not measured, or the margin or level
            is not possible.
    """
    check_margin(margin)
    check_column(fit.bench, column)
    found = lead(fit, a, b, level).table
    charts = _charts(fit, found[found["row_kind"] == "chart"], column, (a, b), level)
    rows: list[dict[str, object]] = []
    for platform, here in charts.groupby("platform", sort=False):
        fixed = {"a": a, "b": b, "platform": platform, "by": column}
        rows += [{**fixed, **row} for row in _platform(here, margin, level)]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return LeadGroups(table, charts.reindex(columns=list(CHART_TABLE)), a, b, column, margin, level)


def _charts(
    fit: "Fit", charts: pd.DataFrame, column: str, cards: tuple[str, str], level: float
) -> pd.DataFrame:
    """Return the charts with their group, log lead and its error, and why some are not used."""
    group = chart_groups(fit.bench, column, cards).rename("group")
    charts = charts.join(group, on=list(CHART_COLUMNS)).assign(by=column)
    used = charts["used"].astype(bool)
    reason = charts["reason"].where(~used, "")
    reason = reason.mask(used & charts["group"].str.contains(" / ", regex=False), MIXED)
    native = set(charts.loc[used & (charts["upscaling"] == NATIVE), "platform"])
    stray = charts["platform"].isin(native) & (charts["upscaling"] != NATIVE)
    if column != "upscaling":
        reason = reason.mask(used & stray, APART)
    reach = float(norm.ppf((1 + level) / 2))
    log_lead = np.log1p(charts["lead"].astype(float))
    se = (np.log1p(charts["upper"].astype(float)) - log_lead) / reach
    return charts.assign(reason=reason, used=reason == "", log_lead=log_lead, se=se)


def _platform(charts: pd.DataFrame, margin: float, level: float) -> list[dict[str, object]]:
    used = charts[charts["used"]].reset_index(drop=True)
    names = sorted(set(used["group"]))
    whole: dict[str, object] = {"row_kind": "all", "charts_used": len(used), "verdict": ""}
    whole |= {"scenes": used.groupby(["game", "preset"]).ngroups, "reason": ""}
    if used.empty:
        return [{**whole, "reason": str(charts["reason"].value_counts().index[0])}]
    fit = fit_mixed(_data(used, names))
    dof = _dof(used, names)
    if dof < 1:
        why = "too few scenes to tell groups from scenes"
        return [*_group_rows(used, names, fit, 1.0, level), {**whole, "reason": why}]
    groups = _group_rows(used, names, fit, dof, level)
    if len(names) == 1:
        return [*groups, {**whole, "reason": ONE_GROUP}]
    pairs = [_pair_row(used, names, fit, pair, dof, margin, level) for pair in _pairs(names)]
    return [*groups, *pairs, {**whole, "p_different": _p_all(fit, len(names), dof)}]


def _pairs(names: list[str]) -> list[tuple[int, int]]:
    return list(combinations(range(len(names)), 2))


def _data(used: pd.DataFrame, names: list[str]) -> MixedData:
    """Return the mixed model: groups and resolutions fixed, scenes and games random."""
    one = np.ones(len(used))
    groups = used["group"].to_numpy()[:, None] == np.array(names, dtype=object)
    sizes = sorted(set(used["resolution"]))
    # Coded so that the lead of a group is that at the mean of the resolutions.
    last = (used["resolution"] == sizes[-1]).to_numpy(dtype=float)
    columns = [(used["resolution"] == size).to_numpy(dtype=float) - last for size in sizes[:-1]]
    X = np.column_stack([groups.astype(float), *columns])
    if np.linalg.matrix_rank(X) < X.shape[1]:  # a group of one resolution only
        X = groups.astype(float)
    scene, game = index_by(used, ("game", "preset")), index_by(used, ("game",))
    effects = [Effect(scene, one, SCENE, int(scene.max()) + 1)]
    if game.max() < scene.max() and list(used["group"]) != list(used["game"]):
        effects.append(Effect(game, one, GAME, int(game.max()) + 1))
    known = used["se"].to_numpy(dtype=float) ** 2
    y = used["log_lead"].to_numpy(dtype=float)
    return MixedData(y, X, tuple(effects), known, one, CHART)


def _dof(used: pd.DataFrame, names: list[str]) -> float:
    """Return degrees of freedom of a difference of groups.

    Scenes less groups where every scene is of one group; else what charts leave beside scenes.
    """
    scenes = used.groupby(["game", "preset"])["group"].nunique()
    if (scenes == 1).all():
        return float(len(scenes) - len(names))
    return float(len(used) - len(scenes) - len(names) + 1)


def _group_rows(
    used: pd.DataFrame, names: list[str], fit: MixedFit, dof: float, level: float
) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for k, name in enumerate(names):
        here = used[used["group"] == name]
        mean, se = float(fit.coefficients[k]), float(np.sqrt(fit.covariance[k, k]))
        reach = float(student.ppf((1 + level) / 2, dof)) * se
        rows.append(
            {
                "group": name,
                "row_kind": "group",
                "charts_used": len(here),
                "scenes": here.groupby(["game", "preset"]).ngroups,
                "lead": np.expm1(mean),
                "lower": np.expm1(mean - reach),
                "upper": np.expm1(mean + reach),
                "verdict": "",
                "reason": "",
            }
        )
    return rows


def _pair_row(
    used: pd.DataFrame,
    names: list[str],
    fit: MixedFit,
    pair: tuple[int, int],
    dof: float,
    margin: float,
    level: float,
) -> dict[str, object]:
    contrast = np.zeros(len(fit.coefficients))
    contrast[list(pair)] = 1.0, -1.0
    difference = float(contrast @ fit.coefficients)
    se = float(np.sqrt(contrast @ fit.covariance @ contrast))
    both = used[used["group"].isin([names[k] for k in pair])]
    scenes = both.drop_duplicates(["game", "preset", "group"])["group"].value_counts()
    found = judged(tested(difference, se, dof, float(np.log1p(margin))), level)
    if scenes.min() < FEWEST_SCENES:
        found |= {"verdict": "", "reason": ONE_SCENE}
    return {
        "group": names[pair[0]],
        "other": names[pair[1]],
        "row_kind": "difference",
        "charts_used": len(both),
        "scenes": both.groupby(["game", "preset"]).ngroups,
        **found,
    }


def _p_all(fit: MixedFit, groups: int, dof: float) -> float:
    """Return the chance of leads of groups that differ so much if none does: Wald's F test."""
    contrasts: FloatArray = np.zeros((groups - 1, len(fit.coefficients)))
    contrasts[:, 0] = 1.0
    contrasts[np.arange(groups - 1), np.arange(1, groups)] = -1.0
    apart = contrasts @ fit.coefficients
    spread = contrasts @ fit.covariance @ contrasts.T
    return float(f_law.sf(apart @ np.linalg.solve(spread, apart) / (groups - 1), groups - 1, dof))
