"""Everything at once: all answers about a bench, and why one is missing."""

import platform
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

import pandas as pd

from scalemodel.answers.ceilings import Ceilings
from scalemodel.answers.changes import MEMORY
from scalemodel.answers.explain import Explanation
from scalemodel.answers.kept_score import kept_score
from scalemodel.answers.landing import Landing, landing
from scalemodel.answers.latency import Latency, latency
from scalemodel.answers.lead_groups import LeadGroups
from scalemodel.answers.levels import check_level
from scalemodel.answers.lows import Lows
from scalemodel.answers.newest import NO_PAIR, newest_by_kinds
from scalemodel.answers.order import FLIPS, Order
from scalemodel.answers.power import Power
from scalemodel.answers.predict import Prediction
from scalemodel.answers.repeatability import Repeatability
from scalemodel.answers.score import Score
from scalemodel.answers.splits import HOLDING_OUT
from scalemodel.answers.standings import Standings
from scalemodel.answers.value import Value
from scalemodel.data.store import code_digest
from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

Answer = TypeVar("Answer")
#: Libraries whose version the last digits of a fit can depend on.
LIBRARIES = ("numpy", "scipy", "pandas")
NO_SPECS = "no spec sheets were given"
NO_FLIP = "no two cards change places for certain"


@dataclass(frozen=True)
class Report:
    """All answers about a bench; an answer that cannot be given is None, with its reason.

    Attributes:
        fit: the fit that the answers come from.
        specs: the spec sheets given, or None.
        ceilings: which charts compare cards.
        repeatability: how far the runs can be trusted.
        prediction: where the cards of the spec sheets should land, chart by chart.
        landing: the same overall.
        standings: who leads whom.
        order: which cards change places between the highest and the lowest resolution.
        explanation: why, for the pair that shifts most.
        power: what cards give for their power.
        value: what they give for the prices on the spec sheets.
        groups: whether the lead of the newest card over its nearest neighbour differs between kinds
            of charts, a column of results after the other.
        lows: whether the 1% lows are where the averages say.
        latency: how latency follows the frame time; without a ceiling if the fit is not of
            averages.
        scores: those kept beside the bench, by how cards were held out.
        missing: why an answer is missing, by the name of its attribute.
        level: level of the ranges.
        settings: of the fit, with the digest of the code and the versions of what it stands on.
    """

    fit: "Fit"
    specs: pd.DataFrame | None
    ceilings: Ceilings
    repeatability: Repeatability
    prediction: Prediction | None
    landing: Landing | None
    standings: Standings | None
    order: Order | None
    explanation: Explanation | None
    power: Power | None
    value: Value | None
    groups: tuple[LeadGroups, ...] | None
    lows: Lows | None
    latency: Latency | None
    scores: Mapping[str, Score]
    missing: Mapping[str, str]
    level: float
    settings: Mapping[str, object]

    def __str__(self) -> str:
        pairs = (self.standings, self.order, *(self.groups or ()))
        others = (self.lows, self.latency, self.power, self.value)
        answers = (self.ceilings, self.landing, *pairs, *others)
        return " ".join(
            str(one) for one in (self.fit, *answers, self.repeatability) if one is not None
        )


def report(
    fit: "Fit",
    specs: pd.DataFrame | None = None,
    level: float = 0.8,
    progress: Callable[[], None] = lambda: None,
) -> Report:
    """Ask a fit everything.

    Args:
        fit: the fit of a bench.
        specs: spec sheets of unreleased cards, as `read_specs` gives them, or None.
        level: level of the ranges.
        progress: called after each of `QUESTIONS` answers.

    Raises:
        ScalemodelError: the level is not in (0, 1).
    """
    check_level(level)
    asked = _Asked(progress)
    return Report(
        fit=fit,
        specs=specs,
        ceilings=asked.surely(lambda: fit.ceilings(level)),
        repeatability=asked.surely(lambda: fit.repeatability(level=level)),
        prediction=asked("prediction", lambda: _given(specs, lambda s: fit.predict(s, level))),
        landing=asked("landing", lambda: _given(specs, lambda s: landing(fit, s, level))),
        standings=(standings := asked("standings", lambda: fit.standings(level))),
        order=(order := asked("order", lambda: fit.order(level=level))),
        explanation=asked("explanation", lambda: _largest_shift(fit, order, level)),
        power=asked("power", lambda: fit.power(specs, level)),
        value=asked("value", lambda: fit.value(specs=specs, level=level)),
        groups=asked("groups", lambda: _by_kinds(fit, standings, level)),
        lows=asked("lows", lambda: fit.lows(level=level)),
        latency=asked("latency", lambda: _latency(fit, specs, level)),
        scores=asked.surely(lambda: _kept_scores(fit, level)),
        missing=MappingProxyType(asked.missing),
        level=level,
        settings=MappingProxyType({**fit.settings, **_versions()}),
    )


#: Number of answers that a report is made of.
QUESTIONS = 13


class _Asked:
    """Asks, keeps the reason where there is no answer, and says when one is done."""

    def __init__(self, progress: Callable[[], None]) -> None:
        self.missing: dict[str, str] = {}
        self.progress = progress

    def __call__(self, name: str, question: Callable[[], Answer]) -> Answer | None:
        try:
            return self.surely(question)
        except ScalemodelError as error:
            self.missing[name] = str(error)
            self.progress()
            return None

    def surely(self, question: Callable[[], Answer]) -> Answer:
        answer = question()
        self.progress()
        return answer


def _given(specs: pd.DataFrame | None, question: Callable[[pd.DataFrame], Answer]) -> Answer:
    if specs is None:
        raise ScalemodelError(NO_SPECS)
    return question(specs)


def _by_kinds(fit: "Fit", standings: Standings | None, level: float) -> tuple[LeadGroups, ...]:
    if standings is None:
        raise ScalemodelError(NO_PAIR)
    return newest_by_kinds(fit, standings, level)


def _latency(fit: "Fit", specs: pd.DataFrame | None, level: float) -> Latency:
    """Ask for latency; its frame times are of averages, and so must the fit be to help."""
    if fit.metric != "average":
        return latency(fit.bench, level=level)
    return latency(fit.bench, level=level, fit=fit, specs=specs, seed=fit.seed)


def _largest_shift(fit: "Fit", order: Order | None, level: float) -> Explanation:
    """Explain the pair of cards whose changes of places shift its lead most, all together.

    What a lack of memory does is left aside, unless there is nothing else: the mean over scenes
    that `explain` shows leaves it out too.
    """
    flips = None if order is None else order.table[order.table["verdict"] == FLIPS]
    if flips is None or flips.empty:
        raise ScalemodelError(NO_FLIP)
    scaling = flips[flips["cause"] != MEMORY]
    chosen = flips if scaling.empty else scaling
    shifts = chosen.groupby(["a", "b"], sort=False)["points"].sum().reset_index()
    pair = shifts.sort_values("points", kind="stable").iloc[0]
    return fit.explain(str(pair["a"]), str(pair["b"]), level=level)


def _kept_scores(fit: "Fit", level: float) -> Mapping[str, Score]:
    found = {how: kept_score(fit, level, how) for how in HOLDING_OUT}
    return MappingProxyType({how: one for how, one in found.items() if one is not None})


def _versions() -> dict[str, object]:
    libraries = {name: version(name) for name in LIBRARIES}
    return {"code_digest": code_digest(), "python": platform.python_version(), **libraries}
