"""Board power of cards from their sheets: what cards draw of what their sheets say."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.repeatability import precision

FEWEST_CARDS = 4
"""Cards with power and a sheet that gives its board power, for a spread between cards."""


@dataclass(frozen=True)
class PowerCells:
    """Measured power.

    Attributes:
        log_share: (cells,) log of power over the board power of the sheet.
        log_use: (cells,) log of the rate over what the card would reach without the ceiling, at
            most 0.
        card, chart: (cells,) indices.
        architecture: (all cards,) index of each card's architecture.
    """

    log_share: FloatArray
    log_use: FloatArray
    card: IntArray
    chart: IntArray
    architecture: IntArray

    def take(self, keep: BoolArray) -> "PowerCells":
        """Return some of the cells."""
        return PowerCells(
            self.log_share[keep],
            self.log_use[keep],
            self.card[keep],
            self.chart[keep],
            self.architecture,
        )


@dataclass(frozen=True)
class BoardPower:
    """log(power / board power) = chart + use x log_use + architecture + card.

    Attributes:
        chart: (charts,) usual log share on a chart at full use; the mean over all charts where
            nobody measured.
        use: what a log of use moves it by.
        shift: (architectures,) what cards of one differ by, drawn towards 0 the more the fewer
            there are.
        shift_sd: (architectures,) what is not known of that.
        between: sd of architectures, all that is known of a new one.
        within: sd of the cards of an architecture.
        cell: sd of what single cells stray by beyond that.
        cards: how many cards it was learned from.
    """

    chart: FloatArray
    use: float
    shift: FloatArray
    shift_sd: FloatArray
    between: float
    within: float
    cell: float
    cards: int

    def mean(self, chart: IntArray, log_use: FloatArray, architecture: int) -> FloatArray:
        """Return the log share to be expected; a negative architecture is a new one."""
        shift = self.shift[architecture] if architecture >= 0 else 0.0
        return np.asarray(self.chart[chart] + self.use * log_use + shift)

    def card_sd(self, architecture: int) -> float:
        """Return the sd of what a new card differs by from what is expected of it."""
        unsure = self.shift_sd[architecture] if architecture >= 0 else self.between
        whole = np.hypot(self.between, self.within)
        return float(np.sqrt(self.within**2 + unsure**2 + whole**2 / self.cards))

    def draws(
        self, rng: np.random.Generator, chart: IntArray, log_use: FloatArray, architecture: int
    ) -> FloatArray:
        """Draw (draws, rows) log shares of one new card, given its use in each draw.

        What the card differs by is one t a draw, the same on all charts; what cells stray by is
        their own.
        """
        own = self.card_sd(architecture) * rng.standard_t(self.cards - 1, len(log_use))
        cell = self.cell * rng.standard_normal(log_use.shape)
        return np.asarray(self.mean(chart, log_use, architecture) + own[:, None] + cell)

    def reach(self, architecture: int, level: float) -> float:
        """Return how far the log share of a cell of a new card reaches, its use being known."""
        sd = np.hypot(self.card_sd(architecture), self.cell)
        return float(student.ppf((1 + level) / 2, self.cards - 1) * sd)


def fit_board_power(cells: PowerCells, charts: int) -> BoardPower:
    """Learn what cards draw on each of `charts` charts of what their sheets say.

    Charts, cards and the slope of use by least squares; then the spread of the cards within and
    between architectures by analysis of variance, each card counting once however often it was
    tested. An architecture's shift is its best linear prediction from these (Robinson 1991,
    Statistical Science 6).

    Raises:
        ScalemodelError: there are fewer than FEWEST_CARDS cards.
    """
    names, card = np.unique(cells.card, return_inverse=True)
    if len(names) < FEWEST_CARDS:
        raise ScalemodelError(
            f"fewer than {FEWEST_CARDS} cards have power_w and board_power_w on their sheets"
        )
    places, chart = np.unique(cells.chart, return_inverse=True)
    rows = np.arange(len(card))
    X = np.zeros((len(card), len(names) + len(places) + 1))
    X[rows, card] = X[rows, len(names) + chart] = 1.0
    X[:, -1] = cells.log_use
    at = np.asarray(np.linalg.lstsq(X, cells.log_share, rcond=None)[0], dtype=np.float64)
    residual = cells.log_share - X @ at
    free = max(len(card) - int(np.linalg.matrix_rank(X)), 1)
    own = at[: len(names)]
    on_chart = at[len(names) : -1] + own.mean()
    usual = np.full(charts, float(on_chart.mean()))
    usual[places] = on_chart
    between, within = _spread(own, cells.architecture[names])
    shift, shift_sd = _shifts(own - own.mean(), cells.architecture, names, between, within)
    cell = float(np.sqrt((residual**2).sum() / free))
    return BoardPower(usual, float(at[-1]), shift, shift_sd, between, within, cell, len(names))


def _spread(own: FloatArray, architecture: IntArray) -> tuple[float, float]:
    """Return the sd between architectures and within them."""
    index = np.unique(architecture, return_inverse=True)[1].astype(np.intp)
    found = precision(own, np.zeros_like(index), index)
    if not found.dof_r:
        return 0.0, float(own.std(ddof=1))
    return (found.s_session if found.dof_session else 0.0), found.s_r


def _shifts(
    away: FloatArray, architecture: IntArray, names: IntArray, between: float, within: float
) -> tuple[FloatArray, FloatArray]:
    """Return the shift of each architecture and the sd of what is not known of it."""
    size = int(architecture.max()) + 1
    count = np.bincount(architecture[names], minlength=size)
    total = np.bincount(architecture[names], away, minlength=size)
    whole = count * between**2 + within**2
    weight = count * between**2 / whole if between else np.zeros(size)
    mean = total / np.maximum(count, 1)
    return weight * mean, between * np.sqrt(1 - weight)


@dataclass(frozen=True)
class HeldOutPower:
    """Every card predicted from all others; (cells,) each.

    Attributes:
        error: log of measured over predicted power.
        plain: the same for the plain peer: the board power of the sheet times what the other cards
            draw of theirs on the same chart, on geometric average; NaN where there is none.
        reach: how far the range around the prediction reaches.
    """

    error: FloatArray
    plain: FloatArray
    reach: FloatArray


def hold_out_power(cells: PowerCells, charts: int, level: float) -> HeldOutPower:
    """Leave every card out in turn and predict its cells; their use is taken as known.

    Raises:
        ScalemodelError: too few cards would be left.
    """
    error, plain, reach = (np.zeros(len(cells.card)) for _ in range(3))
    for card in np.unique(cells.card):
        own = cells.card == card
        rest = cells.take(~own)
        known = set(cells.architecture[rest.card].tolist())
        architecture = int(cells.architecture[card])
        if architecture not in known:
            architecture = -1
        fitted = fit_board_power(rest, charts)
        error[own] = cells.log_share[own] - fitted.mean(
            cells.chart[own], cells.log_use[own], architecture
        )
        reach[own] = fitted.reach(architecture, level)
        total, count = (np.bincount(rest.chart, w, charts) for w in (rest.log_share, None))
        with np.errstate(invalid="ignore"):
            plain[own] = cells.log_share[own] - (total / count)[cells.chart[own]]
    return HeldOutPower(error, plain, reach)
