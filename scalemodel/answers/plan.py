"""Which tests next, for the hours there are?"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from scalemodel.answers.levels import check_level, counted, width_words
from scalemodel.answers.plan_grid import Grid, make_grid
from scalemodel.answers.plan_reasons import limit_words, wasted, why
from scalemodel.answers.plan_targets import Asked, Targets, make_targets
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray
from scalemodel.model.design import expected_variances
from scalemodel.model.planning import Costs, Step, Stop, choose_runs, follow_plan

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

NO_REPEATS = (
    "No cell has repeated runs: half of how far cells stray from the model is taken as test error."
)
#: Runs that are planned at once, at most.
MOST_RUNS = 5000
#: A plan that leaves this much of the way to the limit, or less, is as good as at the limit.
NEAR_LIMIT = 0.1
#: Share of what a plan brings after which the rest is slow.
MOST = 0.9
COLUMNS = (
    *CELL_COLUMNS,
    "runs_before",
    "runs",
    "install_minutes",
    "minutes",
    "hours_end",
    "range_before",
    "range_after",
    "reason",
)


@dataclass(frozen=True)
class Plan:
    """Runs to make, in order.

    Attributes:
        table: one row a cell, in the order to run: card, platform, game, preset, resolution,
            runs_before (so far), runs (to make), install_minutes (where the card comes first),
            minutes (with these), hours_end (since the start), range_before, range_after (mean
            width of the targets' ranges, upper over lower minus 1), reason.
        targets: one row a target: target, quantities, range_now, range_after (expected),
            range_limit (if all at hand were tested without end), reason (why it cannot be told).
        wasted: cells without a result that would tell nothing of what is asked: card, platform,
            game, preset, resolution, sensitivity, reason.
        level: level of the ranges.
        hours: the time there is.
        limit: what sets the limit, or "".
        note: what the plan cannot know of this bench, or "".
    """

    table: pd.DataFrame
    targets: pd.DataFrame
    wasted: pd.DataFrame
    level: float
    hours: float
    limit: str
    note: str

    def __str__(self) -> str:
        words = [*self._words_on_targets(), self._words_on_time(), self._words_on_runs(), self.note]
        return " ".join(part for part in words if part)

    def _words_on_runs(self) -> str:
        if self.table.empty:
            return "No run of the cards at hand would narrow what is asked."
        setups = len(self.table[["card", "platform"]].drop_duplicates())
        used = float(self.table["hours_end"].iloc[-1])
        return (
            f"{counted(int(self.table['runs'].sum()), 'run')} on "
            f"{counted(len(self.table), 'cell')}, {counted(setups, 'card')} to install, "
            f"{used:.1f} of {self.hours:g} hours."
        )

    def _words_on_targets(self) -> list[str]:
        words = []
        for row in self.targets.to_dict(orient="records"):
            name = str(row["target"])
            if row["reason"]:
                words.append(f"{name[0].upper()}{name[1:]}: no plan ({row['reason']}).")
                continue
            widths = (row[f"range_{when}"] for when in ("now", "after", "limit"))
            now, after, limit = (width_words(width) for width in widths)
            change = f"stays at {now}" if now == after else f"should shrink from {now} to {after}"
            part = f"{name[0].upper()}{name[1:]}: the {self.level:.0%} range {change}"
            end = "" if limit == width_words(0.0) else f"; tests without end would bring {limit}"
            words.append(f"{part}{end}.")
        return words

    def _words_on_time(self) -> str:
        known = self.targets.dropna(subset="range_now")
        if known.empty:
            return ""
        now, after, limit = (
            float(known[f"range_{when}"].mean()) for when in ("now", "after", "limit")
        )
        if self.limit and after - limit <= NEAR_LIMIT * now:
            tests = "Tests" if now - limit <= NEAR_LIMIT * now else "More tests than these"
            return f"{tests} would hardly help: {self.limit}."
        if self.table.empty or now - after <= 0:
            return ""
        reached = self.table["range_after"] <= now - MOST * (now - after)
        hours = float(self.table.loc[reached, "hours_end"].iloc[0])
        if hours > MOST * float(self.table["hours_end"].iloc[-1]):
            return ""
        return f"{MOST:.0%} of that comes in the first {hours:.1f} hours."


@dataclass(frozen=True)
class Time:
    """The hours there are, and the minutes that a run and installing a card take."""

    hours: float
    minutes_per_run: float
    minutes_per_swap: float

    @property
    def costs(self) -> Costs:
        """The same in minutes, for the model.

        Raises:
            ScalemodelError: a number is no time, or there is not enough or far too much of it.
        """
        run, swap, total = self.minutes_per_run, self.minutes_per_swap, 60 * self.hours
        for name, value in (("hours", total), ("minutes per run", run)):
            if not 0 < value < np.inf:
                raise ScalemodelError(f"The {name} must be a number above 0.")
        if not 0 <= swap < np.inf:
            raise ScalemodelError("The minutes per swap must be a number, 0 or more.")
        costs = Costs(run, swap, total)
        if costs.most_runs < 1:
            least = np.ceil((run + swap) / 0.6) / 100
            raise ScalemodelError(
                f"{self.hours:g} hours are {total:g} minutes; to install a card and make one run "
                f"takes {run + swap:g}. Give at least {least:g} hours, or fewer minutes per run or "
                "per swap."
            )
        if costs.most_runs > MOST_RUNS:
            raise ScalemodelError(
                f"{self.hours:g} hours hold {costs.most_runs:,} runs; at most {MOST_RUNS:,} are "
                "planned at once. Give fewer hours."
            )
        return costs


def plan(
    fit: "Fit", time: Time, asked: Asked, only: tuple[str, ...], level: float, *, in_hand: bool
) -> Plan:
    """Choose the runs that narrow the targets most in the time there is.

    Raises:
        ScalemodelError: the time, the level, a card or a scene is not usable.
    """
    check_level(level)
    costs = time.costs
    if in_hand and asked.specs is None:
        raise ScalemodelError("Only cards of spec sheets can be said to be in hand. Give specs.")
    with threadpool_limits(limits=1, user_api="blas"):
        grid = make_grid(fit, asked.specs, only, in_hand=in_hand)
        targets = make_targets(grid, asked)
        course = _Course.chosen(grid, targets, costs)
        after = course.steps[-1].variances if course.steps else course.now
        ranges = {
            f"range_{when}": targets.ranges(variances, level)
            for when, variances in (("now", course.now), ("after", after), ("limit", course.bound))
        }
        names = {"target": targets.names, "quantities": targets.counts}
        return Plan(
            table=_table(grid, targets, course, costs, level),
            targets=pd.DataFrame({**names, **ranges, "reason": targets.reasons}),
            wasted=wasted(grid, targets),
            level=level,
            hours=time.hours,
            limit=course.limit,
            note="" if fit.cells.run_sd else NO_REPEATS,
        )


@dataclass(frozen=True)
class _Course:
    """The stops of a plan and what they tell.

    Attributes:
        stops, steps: the stops, and what each tells.
        now, bound: variances of the targets before any run, and after tests without end.
        limit: what sets that bound, or "".
    """

    stops: list[Stop]
    steps: list[Step]
    now: FloatArray
    bound: FloatArray
    limit: str

    @staticmethod
    def chosen(grid: Grid, targets: Targets, costs: Costs) -> "_Course":
        """Choose the stops."""
        if not len(targets.of):
            return _Course([], [], np.zeros(0), np.zeros(0), "")
        prospects, setup = grid.outlook.prospects, grid.setup
        stops = choose_runs(prospects, targets.matrix, setup, costs)
        endless = np.where(setup >= 0, np.inf, 0.0)
        return _Course(
            stops,
            follow_plan(prospects, targets.matrix, stops, grid.outlook.group),
            expected_variances(prospects, targets.matrix, np.zeros(len(setup))),
            expected_variances(prospects, targets.matrix, endless),
            limit_words(grid, targets, endless),
        )


def _table(
    grid: Grid, targets: Targets, course: _Course, costs: Costs, level: float
) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    before = _overall(targets, course.now, level) if course.stops else np.nan
    clock, installed = 0.0, None
    for stop, step in zip(course.stops, course.steps, strict=True):
        cell = grid.cells.iloc[stop.row]
        setup = (cell["card"], cell["platform"])
        install = costs.swap if setup != installed else 0.0
        minutes = stop.runs * costs.run + install
        installed, clock = setup, clock + minutes
        after = _overall(targets, step.variances, level)
        rows.append(
            {
                **{name: cell[name] for name in CELL_COLUMNS},
                "runs_before": int(cell["runs"]),
                "runs": stop.runs,
                "install_minutes": install,
                "minutes": minutes,
                "hours_end": clock / 60,
                "range_before": before,
                "range_after": after,
                "reason": why(grid, stop.row, step, level),
            }
        )
        before = after
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _overall(targets: Targets, variances: FloatArray, level: float) -> float:
    return float(np.nanmean(targets.ranges(variances, level)))
