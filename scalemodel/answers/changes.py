"""How leads change from one chart to another: what was measured, what the model says."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.moves import Moves
from scalemodel.answers.repeats import standard_errors
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.causes import Causes, find_causes
from scalemodel.model.likelihood import Noise

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

#: Parts of a change by the model's name for them.
PART_NAMES = {
    "ceiling": "ceiling",
    "arithmetic": "arithmetic",
    "traffic": "bandwidth and cache",
    "raster": "raster rate",
    "fixed": "fixed work",
    "architecture": "architecture",
    "card": "the card itself",
}
FIXED = PART_NAMES["fixed"]
#: How much of the variance that does not fade at the ceiling is true of a cell, and not test error:
#: little, as changes of order in simulated labs show (docs/benchmarks/explaining.md).
TRUE_SHARE = 0.2
#: A stage whose time beside arithmetic's changes by less than this, in log, weighs the same.
SAME_WEIGHT = 0.02
#: What the model does not say: a fall for lack of memory, and the rest of what was measured.
MEMORY, LEFT_OVER = "memory capacity", "left over"


@dataclass(frozen=True)
class Change:
    """How one lead changes in log, and what that is due to.

    Attributes:
        leads: log leads measured on the two charts.
        total: (draws,) change of the lead, test error included; its mean is what was measured.
        parts: (draws,) each part of it, by name; they sum to the total.
        fell: whether a card fell for lack of memory on one of the charts.
    """

    leads: tuple[float, float]
    total: FloatArray
    parts: dict[str, FloatArray]
    fell: bool


@dataclass(frozen=True)
class Moved:
    """Tested cards on two charts; arrays are (2, cards) or (2, draws, cards).

    Attributes:
        chart: CHART_COLUMNS of the chart gone from.
        cards: names of the cards.
        measured: log rates, NaN without a result.
        test_sd: sd of their test error.
        fell: results that fell for lack of memory.
        test_error: joint draws of the test error, which average to nothing.
        causes: what the model says.
    """

    chart: dict[str, str]
    cards: tuple[str, ...]
    measured: FloatArray
    test_sd: FloatArray
    fell: BoolArray
    test_error: FloatArray
    causes: Causes

    def missing(self, a: int, b: int, places: tuple[str, str]) -> str:
        """Return which result is missing to compare two cards, or ""."""
        for k, place in enumerate(places):
            for card in (a, b):
                if np.isnan(self.measured[k, card]):
                    return f"no result of {self.cards[card]} at {place}"
        return ""

    def leads(self, a: int, b: int) -> tuple[float, float]:
        """Return the log leads of a card over another on the two charts."""
        lead = self.measured[:, a] - self.measured[:, b]
        return float(lead[0]), float(lead[1])

    def change(self, a: int, b: int) -> Change:
        """Return how the lead of a card over another changes, and why."""
        leads = self.leads(a, b)
        error = self.test_error[..., a] - self.test_error[..., b]
        total = leads[1] - leads[0] + error[1] - error[0]
        parts = {
            PART_NAMES[name]: part[:, a] - part[:, b]
            for name, part in zip(self.causes.names, self.causes.parts, strict=True)
        }
        parts = {name: parts[name] for name in PART_NAMES.values() if name in parts}
        fell = bool(self.fell[:, [a, b]].any())
        parts[MEMORY if fell else LEFT_OVER] = total - sum(parts.values(), np.zeros_like(total))
        return Change(leads, total, parts, fell)

    def true_log_rate(self, noise: Noise, rng: np.random.Generator) -> FloatArray:
        """Draw (2, draws, cards) what careful measurements of the cells would show.

        A result and the model each say where the rate lies, the one to within its test error, the
        other to within what a cell strays; a result that the model finds hard to believe counts
        for more than the model does (the weight of a Student t error). A card that fell for lack
        of memory has its result only.
        """
        result = self.measured[:, None]
        stray = TRUE_SHARE * noise.cell**2 + (self.causes.sensitivity * noise.gpu) ** 2
        error = (1 - TRUE_SHARE) * noise.cell**2 + self.test_sd[:, None] ** 2
        away = (result - self.causes.log_rate) ** 2 / (stray + error)
        precision = (noise.tail + 1) / (noise.tail + away) / stray
        precision = np.where(self.fell[:, None], 0.0, precision)
        total = 1 / error + precision
        mean = (result / error + self.causes.log_rate * precision) / total
        drawn: FloatArray = mean + rng.standard_normal(mean.shape) / np.sqrt(total)
        return drawn

    def weighs(self) -> dict[str, str]:
        """Return which stages take "more" or "less" time beside arithmetic at the end, else ""."""
        with np.errstate(divide="ignore", invalid="ignore"):
            log_share = np.log(self.causes.stage_shares)
        ahead = np.diff(log_share - log_share[:, :1], axis=0)[0]
        names = self.causes.names[1 : len(ahead)]
        return {
            PART_NAMES[name]: "" if abs(step) < SAME_WEIGHT else "more" if step > 0 else "less"
            for name, step in zip(names, ahead[1:], strict=True)
        }


def moved_cards(fit: "Fit", moves: Moves, k: int, cards: IntArray, chosen: IntArray) -> Moved:
    """Return the k-th move of charts for tested cards, at the chosen joint draws."""
    charts = [part.iloc[[k]] for part in (moves.before, moves.after)]
    rows = [fit.labels.rows(chart, cards[:1]) for chart in charts]
    causes = find_causes(fit.model, cards, rows[0], rows[1], chosen)
    names = tuple(fit.labels.cards[card] for card in cards)
    cells = [_cells(fit, chart, names) for chart in charts]
    test_sd = np.stack([cell["error"] for cell in cells])
    rng = np.random.default_rng([fit.seed, k])
    normals = rng.standard_normal((2, len(chosen), len(cards)))
    normals -= normals.mean(axis=1, keepdims=True)
    return Moved(
        chart={name: str(charts[0][name].iloc[0]) for name in CHART_COLUMNS},
        cards=names,
        measured=np.log(np.stack([cell["rate"] for cell in cells])),
        test_sd=test_sd,
        fell=np.stack([cell["fell"].eq(True) for cell in cells]),
        test_error=test_sd[:, None] * normals,
        causes=causes,
    )


def _cells(fit: "Fit", chart: pd.DataFrame, cards: tuple[str, ...]) -> pd.DataFrame:
    """Return rate, error (of its log) and fell of cards on a chart, NaN without a result."""
    table = fit.cells.table.assign(fell=~fit.model.kept, error=standard_errors(fit))
    here = np.logical_and.reduce([table[name] == chart[name].iloc[0] for name in CHART_COLUMNS])
    return table[here].set_index("card")[["rate", "error", "fell"]].reindex(list(cards))
