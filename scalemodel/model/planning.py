"""Which runs to make in the time there is, so that the targets' ranges shrink the most.

The runs are chosen one after another, each the one that takes most variance out of the targets a
minute. Installing a card on a platform (a setup) takes minutes too, once for each setup in the
plan: a setup that is not installed yet is judged by the batch of its runs that is worth most a
minute with the installing paid. At the end the best batch of a single setup is tried against the
whole.

Variance taken out is not submodular: a run can be worth more after another one, so nothing is
guaranteed of a greedy choice. (What runs tell of all parameters together, in nats, is submodular;
without installing, greedy choices would reach 1 - 1/e of the most; Nemhauser, Wolsey & Fisher 1978,
Mathematical Programming 14. It is not what is asked.) So a plan is set beside the limit that no
plan passes, that of testing everything without end. For the same reason the value of a setup, which
is worked out anew only when it might be the best (Minoux 1978), may be taken as too low.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_array

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.design import Course, Look, Prospects

#: A row is known once its variance is less than this share of what it was.
KNOWN = 1e-9
#: A run that takes out less of the targets' variance than this share is not worth making.
LEAST_GAIN = 1e-6


@dataclass(frozen=True)
class Costs:
    """Minutes a run takes, minutes to install a card on a platform, and the minutes there are."""

    run: float
    swap: float
    total: float

    @property
    def most_runs(self) -> int:
        """Runs for which there is time if one card is installed."""
        return self.runs_in(self.total - self.swap)

    def runs_in(self, minutes: float) -> int:
        """Return how many runs fit in so many minutes."""
        return max(int((minutes + 1e-9) // self.run), 0)


@dataclass(frozen=True)
class Stop:
    """A row of a plan: which row of the prospects, and its runs, one right after the other."""

    row: int
    runs: int


@dataclass(frozen=True)
class Step:
    """What one stop of a plan tells.

    Attributes:
        before: variance of its own row before it.
        variances: (targets,) what is left of the targets' variances after it.
        shares: (groups,) share of what it tells that comes through each group of states.
        direct: share of what it tells that is about its own row.
    """

    before: float
    variances: FloatArray
    shares: FloatArray
    direct: float


def choose_runs(
    prospects: Prospects, targets: csr_array, setup: IntArray, costs: Costs
) -> list[Stop]:
    """Choose runs, grouped by setup in the order in which these are to be installed.

    Args:
        prospects: the rows.
        targets: (targets, rows) each target as a combination of rows; the sum of their variances
            is to become small.
        setup: (rows,) the setup a row is tested with; -1 for one that cannot be tested.
        costs: what runs cost.
    """
    blocks = _blocks(prospects, targets, setup)
    if not blocks or costs.most_runs < 1:
        return []
    course = Course(prospects, targets, costs.runs_in(costs.total))
    least = LEAST_GAIN * float(course.variances.sum())
    alone = [block.best_batch(costs, costs.total, least, whole=True) for block in blocks]
    search = _Search(course, targets, prospects.run, blocks, costs)
    picks, gained = search.run(least)
    best = max(alone, key=lambda batch: batch.gained)
    if best.gained > gained:
        picks = list(best.rows)
    return _grouped(picks, setup)


def follow_plan(
    prospects: Prospects, targets: csr_array, stops: list[Stop], group: IntArray
) -> list[Step]:
    """Return what each stop of a plan tells; `group` is (states,) the group of each state."""
    course = Course(prospects, targets, len(stops))
    steps = []
    for stop in stops:
        look = course.look(stop.row)
        pull = targets.T @ (targets @ look.rows)
        told = max(float(pull @ look.rows), 1e-300)
        through = (prospects.slopes.T @ pull) * look.states
        shares = np.bincount(group, through, int(group.max()) + 1) / told
        course.see(look, float(prospects.run[stop.row]) / stop.runs)
        direct = float(pull[stop.row] * look.variance) / told
        steps.append(Step(look.variance, course.variances, shares, direct))
    return steps


def _grouped(picks: list[int], setup: IntArray) -> list[Stop]:
    order = list(dict.fromkeys(int(setup[row]) for row in picks))
    counts = {row: picks.count(row) for row in dict.fromkeys(picks)}
    rows = sorted(counts, key=lambda row: order.index(int(setup[row])))
    return [Stop(row, counts[row]) for row in rows]


@dataclass(frozen=True)
class _Batch:
    """Runs of one setup: their rows, the variance they take out, and that a minute."""

    rows: tuple[int, ...]
    gained: float
    a_minute: float


@dataclass
class _Block:
    """The rows of one setup.

    Attributes:
        rows: which rows of the prospects.
        covariance: (rows, rows) of the rows.
        pull: (rows, rows) sum over targets of products of their covariances with the rows.
        error: (rows,) variance of the error of a run.
        known: (rows,) variance of a run's result from which there is nothing more to learn.
        installed: whether the setup is in the plan already.
        a_minute: what it was last found to gain a minute.
    """

    rows: IntArray
    covariance: FloatArray
    pull: FloatArray
    error: FloatArray
    known: FloatArray
    installed: bool = False
    a_minute: float = np.inf

    def gains(self) -> FloatArray:
        """Return (rows,) the variance that one run of each row takes out of the targets."""
        total = np.diag(self.covariance) + self.error
        taken = np.diag(self.pull) / np.where(total > self.known, total, 1.0)
        return np.where(total > self.known, taken, 0.0)

    def see(self, rows: FloatArray, pull: FloatArray, own_pull: float) -> None:
        """Take in a result: covariances of the rows and pulls with it, over its own sd."""
        self.covariance -= rows[:, None] * rows
        half = (pull - 0.5 * own_pull * rows)[:, None] * rows
        self.pull -= half
        self.pull -= half.T

    def best_batch(
        self, costs: Costs, minutes: float, least: float, *, whole: bool = False
    ) -> _Batch:
        """Return the runs worth most a minute, installing included, or all that time allows."""
        trial = replace(self, covariance=self.covariance.copy(), pull=self.pull.copy())
        paid = 0.0 if self.installed else costs.swap
        rows: list[int] = []
        gained, best = 0.0, 0.0
        for _ in range(costs.runs_in(minutes - paid)):
            gains = trial.gains()
            at = int(np.argmax(gains))
            a_minute = (gained + gains[at]) / (paid + (len(rows) + 1) * costs.run)
            if gains[at] <= least or (a_minute <= best and not whole):
                break
            gained, best = gained + float(gains[at]), a_minute
            rows.append(int(self.rows[at]))
            root = np.sqrt(trial.covariance[at, at] + trial.error[at])
            own = trial.pull[:, at] / root
            trial.see(trial.covariance[:, at] / root, own, float(own[at]) / root)
        return _Batch(tuple(rows), gained, best)


class _Search:
    """A greedy choice under way."""

    def __init__(
        self,
        course: Course,
        targets: csr_array,
        error: FloatArray,
        blocks: list[_Block],
        costs: Costs,
    ) -> None:
        self._course, self._targets, self._error = course, targets, error
        self._blocks, self._costs = blocks, costs

    def run(self, least: float) -> tuple[list[int], float]:
        """Return the rows in the order chosen, and the variance they take out together."""
        picks: list[int] = []
        left, before = self._costs.total, float(self._course.variances.sum())
        while (block := self._best(left, least)) is not None:
            left -= self._costs.run + (0.0 if block.installed else self._costs.swap)
            block.installed = True
            picks.append(int(block.rows[np.argmax(block.gains())]))
            self._see(self._course.look(picks[-1]))
        return picks, before - float(self._course.variances.sum())

    def _best(self, minutes: float, least: float) -> _Block | None:
        """Return the setup whose next run is worth most a minute, or None if none is worth it."""
        best, a_minute = None, 0.0
        for block in (b for b in self._blocks if b.installed):
            gain = float(block.gains().max())
            if gain > least and gain / self._costs.run > a_minute and minutes >= self._costs.run:
                best, a_minute = block, gain / self._costs.run
        waiting = sorted((b for b in self._blocks if not b.installed), key=lambda b: -b.a_minute)
        for block in waiting:
            if block.a_minute <= a_minute:
                break
            block.a_minute = block.best_batch(self._costs, minutes, least).a_minute
            if block.a_minute > a_minute:
                best, a_minute = block, block.a_minute
        return best

    def _see(self, look: Look) -> None:
        error = float(self._error[look.row])
        root = np.sqrt(look.variance + error)
        pull = self._course.spread(self._targets.T @ (self._targets @ look.rows)) / root
        own_pull = float(pull[look.row]) / root
        self._course.see(look, error)
        for block in self._blocks:
            block.see(look.rows[block.rows] / root, pull[block.rows], own_pull)


def _blocks(prospects: Prospects, targets: csr_array, setup: IntArray) -> list[_Block]:
    slopes = csr_array(targets @ prospects.slopes)
    blocks = []
    for one in np.unique(setup[setup >= 0]):
        rows = np.flatnonzero(setup == one)
        own = prospects.slopes[rows]
        states = prospects.covariance(own.toarray().T)
        covariance = own @ states + np.diag(prospects.own[rows])
        with_targets = slopes @ states + targets[:, rows].toarray() * prospects.own[rows]
        known = KNOWN * np.diag(covariance)
        pull = with_targets.T @ with_targets
        blocks.append(_Block(rows, covariance, pull, prospects.run[rows], known))
    return blocks
