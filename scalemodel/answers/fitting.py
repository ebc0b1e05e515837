"""Fit a bench: the model's fit under the bench's own names, and the questions it can answer."""

import datetime
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from types import MappingProxyType

import pandas as pd

from scalemodel.answers.ceilings import Ceilings, ceilings
from scalemodel.answers.cells import Cells, measured_cells
from scalemodel.answers.explain import Explanation, explain
from scalemodel.answers.forecast import forecast
from scalemodel.answers.knee import Knee, knee
from scalemodel.answers.labels import Labels, make_labels, observed_cells
from scalemodel.answers.lead import Lead, lead
from scalemodel.answers.lead_groups import LeadGroups, lead_groups
from scalemodel.answers.learned import fit_words, learned_table, scene_shares
from scalemodel.answers.lows import MARGIN as LOWS_MARGIN
from scalemodel.answers.lows import Lows, lows
from scalemodel.answers.order import Order, order
from scalemodel.answers.plan import Plan, Time, plan
from scalemodel.answers.plan_targets import Asked
from scalemodel.answers.power import Power, power
from scalemodel.answers.predict import Prediction, predict
from scalemodel.answers.repeatability import Repeatability, repeatability
from scalemodel.answers.score import Score, score
from scalemodel.answers.score_forecast import ForecastScore, score_forecast
from scalemodel.answers.standings import Standings, standings
from scalemodel.answers.value import Value, value
from scalemodel.answers.workers import Workers
from scalemodel.data.bench import Bench
from scalemodel.data.forecast_file import Forecast
from scalemodel.data.store import FOLDER, code_digest, load_arrays, save_arrays
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import BoolArray, IntArray
from scalemodel.model.fitting import ModelFit, fit_model
from scalemodel.model.inputs import CardSpecs, Observed
from scalemodel.model.measured import MeasuredCells, judge_cells
from scalemodel.model.settings import FitSettings
from scalemodel.model.storage import restore_fit, stored_fit
from scalemodel.model.warm import WarmStart
from scalemodel.version import VERSION

#: A fit needs enough cells to tell cards from charts.
FEWEST_CARDS = 3
FEWEST_CELLS = 6
#: Joint draws, and points of the scales' posterior, of a fit without some cards.
HELD_OUT_DRAWS, HELD_OUT_POINTS = 512, 8


@dataclass(frozen=True)
class Fit:
    """A fitted bench.

    Attributes:
        bench: what was fitted.
        cells: the measured cells, and the runs not used.
        labels: names behind the indices.
        observed: the cells as arrays.
        model: the fitted model with its joint draws.
        status: "converged", or what did not converge.
        settings: everything that, with the bench's content, determines the fit.
        left_out: runs and cells not in the fit or hardly counting in it: card, chart, run and the
            reason.
    """

    bench: Bench
    cells: Cells
    labels: Labels
    observed: Observed
    model: ModelFit
    status: str
    settings: Mapping[str, object]
    left_out: pd.DataFrame

    @property
    def metric(self) -> str:
        """The metric that was fitted."""
        return self.cells.metric

    @property
    def seed(self) -> int:
        """Seed of the joint draws."""
        return int(str(self.settings["seed"]))

    @property
    def table(self) -> pd.DataFrame:
        """What the model learned: quantity, of, value, lower, upper, unit (80% ranges)."""
        return learned_table(self.model, self.labels)

    @property
    def learned_scenes(self) -> pd.DataFrame:
        """Shares of a typical card's frame by scene, resolution and stage (80% ranges)."""
        return scene_shares(self.model, self.labels)

    @cached_property
    def judged(self) -> MeasuredCells:
        """Where the model puts each measured cell; most answers start from it."""
        return judge_cells(self.model, self.observed)

    def __str__(self) -> str:
        return fit_words(self.model, self.labels, self.metric, self.status)

    def ceilings(self, level: float = 0.8) -> Ceilings:
        """Say which results and charts sit at the ceiling."""
        return ceilings(self, level)

    def knee(self, scenes: Sequence[str], level: float = 0.8) -> Knee:
        """Say how the rates of scenes ("Game | preset" or "Game") run into their ceilings."""
        return knee(self, scenes, level)

    def predict(
        self,
        specs: pd.DataFrame,
        level: float = 0.8,
        against: tuple[str, ...] = (),
        *,
        ranks: bool = False,
    ) -> Prediction:
        """Say where cards should land, from their spec sheets (as `read_specs` gives them)."""
        return predict(self, specs, level, against, ranks=ranks)

    def without(self, cards: tuple[str, ...]) -> "Fit":
        """Fit again without the results of some cards, starting from this fit.

        Raises:
            ScalemodelError: a card was not measured, or too few are left.
        """
        return without(self, cards)

    def score(
        self,
        level: float = 0.8,
        held_out: str = "each",
        *,
        scene: str = "",
        by: str = "",
        workers: Workers | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> Score:
        """Say how good predictions are: of each card held out in turn, or of some at once."""
        return score(self, level, held_out, scene, workers, progress, by)

    def forecast(self, specs: pd.DataFrame, date: datetime.date) -> Forecast:
        """Predict cards and keep all that is needed to judge the prediction later.

        Args:
            specs: spec sheets, as `read_specs` gives them.
            date: the day to put on the forecast.
        """
        return forecast(self, specs, date)

    def score_forecast(self, made: Forecast, level: float = 0.8) -> ForecastScore:
        """Say how good a forecast was, now that its cards have results in this bench."""
        return score_forecast(self, made, level)

    def without_cells(self, gone: BoolArray) -> "Fit":
        """Fit again without some cells, (cells,) marked, starting from this fit.

        Raises:
            ScalemodelError: too few are left.
        """
        return _rest(self, ~gone)

    def lead(self, a: str, b: str, level: float = 0.8, *, together: bool = False) -> Lead:
        """Say how far card `a` is ahead of card `b`; `together` mixes native and upscaled."""
        return lead(self, a, b, level, together=together)

    def lead_by(
        self, column: str, a: str, b: str, margin: float = 0.02, level: float = 0.8
    ) -> LeadGroups:
        """Say whether the lead of `a` over `b` differs between groups of charts."""
        return lead_groups(self, column, a, b, margin, level)

    def lows(
        self, metric: str = "low_1pct", margin: float = LOWS_MARGIN, level: float = 0.8
    ) -> Lows:
        """Say whether the lows of each card are where its averages say."""
        return lows(self, metric, margin, level)

    def standings(self, level: float = 0.8) -> Standings:
        """Say who leads whom: all pairs of tested cards, and the place of each card."""
        return standings(self, level)

    def explain(
        self,
        a: str,
        b: str,
        start: str | None = None,
        end: str | None = None,
        scenes: Sequence[str] = (),
        level: float = 0.8,
    ) -> Explanation:
        """Say why the lead of `a` over `b` changes between resolutions, presets or platforms.

        Without `start` and `end` from the highest to the lowest resolution. `scenes` are names
        such as "Game | preset" or "Game"; without them, all.
        """
        return explain(self, a, b, start, end, scenes, level)

    def order(
        self,
        start: str | None = None,
        end: str | None = None,
        scenes: Sequence[str] = (),
        level: float = 0.8,
    ) -> Order:
        """Say which cards change places between resolutions, presets or platforms, and why."""
        return order(self, start, end, scenes, level)

    def plan(
        self,
        hours: float,
        minutes_per_run: float = 4.0,
        minutes_per_swap: float = 10.0,
        *,
        specs: pd.DataFrame | None = None,
        lead: tuple[str, str] | None = None,
        ceiling: tuple[str, str] | None = None,
        in_hand: bool = False,
        only: tuple[str, ...] = (),
        level: float = 0.8,
    ) -> Plan:
        """Say which tests to make next in so many hours.

        They are to narrow one thing: the place of the cards of `specs`, the `lead` of a card over
        another, the `ceiling` of a game's preset, or, with none of them, the rate of every card on
        every chart. Cards of the bench can be tested, those of `specs` if they are `in_hand`; or
        those of `only`.
        """
        time = Time(hours, minutes_per_run, minutes_per_swap)
        return plan(self, time, Asked(specs, lead, ceiling), only, level, in_hand=in_hand)

    def power(self, specs: pd.DataFrame | None = None, level: float = 0.8) -> Power:
        """Say how many frames cards give for their power; those of `specs` from their sheets."""
        return power(self, specs, level)

    def value(
        self,
        prices: pd.DataFrame | None = None,
        tolerance: float = 0.04,
        specs: pd.DataFrame | None = None,
        level: float = 0.8,
    ) -> Value:
        """Say how much rate cards give for their prices.

        Without `prices` (as `read_prices` gives them) those of the sheets count; either may be off
        by the tolerance.
        """
        return value(self, prices, tolerance, specs, level)

    def repeatability(self, margin: float = 0.02, level: float = 0.8) -> Repeatability:
        """Say how repeatable the runs are, and judge changed results by the fit too."""
        return repeatability(self.bench, self.metric, margin, level, self)


def fit(bench: Bench, metric: str = "average", seed: int = 0) -> Fit:
    """Fit the model to a bench.

    Args:
        bench: as `read_bench` gives it.
        metric: "average", "low_1pct" or "low_01pct".
        seed: seed of the joint draws.

    Raises:
        ScalemodelError: the bench has too few cells for this metric.
    """
    return _Prepared.of(bench, metric, seed).fit()


def without(whole: Fit, cards: tuple[str, ...]) -> Fit:
    """Fit a bench again without the results of some cards, starting from the fit of all.

    Nothing of these cards is in the answer but where the search for it began.
    """
    for card in cards:
        whole.labels.card_index(card)
    return _rest(whole, ~whole.cells.table["card"].isin(cards).to_numpy(dtype=bool))


def _rest(whole: Fit, stays: BoolArray) -> Fit:
    cells = replace(whole.cells, table=whole.cells.table[stays].reset_index(drop=True))
    settings = FitSettings(HELD_OUT_DRAWS, HELD_OUT_POINTS, whole.seed)
    prepared = _Prepared.from_cells(whole.bench, cells, settings)
    warm = WarmStart(
        whole.model.layout,
        whole.model.theta,
        whole.model.scales,
        whole.model.kept[stays],
        prepared.labels.places_in(whole.labels),
    )
    return prepared.fit(warm)


def fit_cached(
    bench: Bench,
    metric: str = "average",
    seed: int = 0,
    not_kept: Callable[[Path], None] = lambda _folder: None,
) -> Fit:
    """Fit as `fit` does, or take the fit stored beside the bench by an earlier call.

    The store is keyed by the content of the bench and by everything else the fit depends on; if
    it cannot be read or written, the bench is fitted as if there were none; `not_kept` is
    told the folder that cannot be written to.
    """
    prepared = _Prepared.of(bench, metric, seed)
    folder, key = bench.folder, prepared.key()
    stored = load_arrays(folder, key) if folder.is_dir() else None
    if stored is not None:
        data = (prepared.observed, prepared.specs, prepared.game_of_scene)
        model = restore_fit(*data, prepared.settings, *stored)
        if model is not None:
            return prepared.answer(model)
    result = prepared.fit()
    if folder.is_dir() and not save_arrays(folder, key, *stored_fit(result.model)):
        not_kept(folder / FOLDER)
    return result


@dataclass(frozen=True)
class _Prepared:
    """A bench turned into what the model takes."""

    bench: Bench
    cells: Cells
    labels: Labels
    observed: Observed
    settings: FitSettings

    @staticmethod
    def of(bench: Bench, metric: str, seed: int) -> "_Prepared":
        return _Prepared.from_cells(bench, measured_cells(bench, metric), FitSettings(seed=seed))

    @staticmethod
    def from_cells(bench: Bench, cells: Cells, settings: FitSettings) -> "_Prepared":
        n_cards, n_cells = cells.table["card"].nunique(), len(cells.table)
        if n_cards < FEWEST_CARDS or n_cells < FEWEST_CELLS:
            raise ScalemodelError(
                f"{bench.source}: {n_cells} cell(s) of {n_cards} card(s) are too few to fit. "
                f"Needed: at least {FEWEST_CELLS} cells of {FEWEST_CARDS} cards. "
                "Add results of more cards."
            )
        labels = make_labels(bench.cards, cells.table)
        observed = observed_cells(labels, cells.table)
        return _Prepared(bench, cells, labels, observed, settings)

    @property
    def specs(self) -> CardSpecs:
        tested = self.bench.cards.set_index("card").loc[list(self.labels.cards)].reset_index()
        return self.labels.specs(tested)

    @property
    def game_of_scene(self) -> IntArray:
        return self.labels.game_of_scene

    def described(self) -> dict[str, object]:
        return {
            "version": VERSION,
            "bench_digest": self.bench.digest,
            "metric": self.cells.metric,
            "seed": self.settings.seed,
            "draws": self.settings.draws,
            "scale_points": self.settings.scale_points,
            **({"chosen": self.bench.chosen} if self.bench.chosen else {}),
        }

    def key(self) -> str:
        text = json.dumps({**self.described(), "code": code_digest()}, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:32]

    def fit(self, warm: WarmStart | None = None) -> Fit:
        data = (self.observed, self.specs, self.game_of_scene)
        return self.answer(fit_model(*data, self.settings, warm))

    def answer(self, model: ModelFit) -> Fit:
        return Fit(
            bench=self.bench,
            cells=self.cells,
            labels=self.labels,
            observed=self.observed,
            model=model,
            status=model.status,
            settings=MappingProxyType(self.described()),
            left_out=self._left_out(model),
        )

    def _left_out(self, model: ModelFit) -> pd.DataFrame:
        columns = list(self.cells.left_out.columns)
        fell = self.cells.table[~model.kept].assign(
            run="all", reason="fell for lack of memory: not what the other specs would give"
        )
        return pd.concat([self.cells.left_out, fell[columns]], ignore_index=True)
