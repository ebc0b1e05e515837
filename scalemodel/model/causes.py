"""What a change of a lead from one chart to another is due to.

Seen from the reference card, a chart differs from another in a few ways: how far above that card's
rate the ceiling lies, how much traffic, raster work and fixed work there is for each bit of
arithmetic, how well wide cards are filled, and what the game or resolution does to an architecture
or a board. Each of these is a switch between its state on the first chart and its state on the
second. The rates of two cards at all settings of the switches give the Shapley value of each one:
parts of the change that add up to it exactly. What all cards share drops out of a lead.
"""

from dataclasses import dataclass, replace

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.fitting import ModelFit
from scalemodel.model.inputs import CardSpecs, Rows
from scalemodel.model.layout import RowDesign
from scalemodel.model.likelihood import as_predictors, linear_predictors, stage_speeds
from scalemodel.model.linear import DrawnPredictors, linear_gpu_side
from scalemodel.model.physics import StageSpeeds, gpu_side, under_ceiling
from scalemodel.model.shapley import shapley

#: What belongs to the chart and what to an architecture of all that adds to the offset; the rest
#: is the card's own.
CHART_KEYS = frozenset({"scene", "view"})
ARCHITECTURE_KEYS = frozenset({"vendor", "architecture", "architecture_scene"})
#: Predictors that switch with the traffic stage.
TRAFFIC_PREDICTORS = ("request", "hit", "working_set", "set_growth")


@dataclass(frozen=True)
class Causes:
    """What moves cards against the reference card from one chart to another, in log rate.

    Attributes:
        names: a stage's name each ("arithmetic": how well wide cards are filled), then
            "architecture", "card" and, with a ceiling, "ceiling".
        parts: (names, draws, cards) part of each; the difference of two cards is the part of the
            change of their lead.
        log_rate, sensitivity: (2, draws, cards) the model of each card on the two charts.
        stage_shares: (2, stages) share of each stage in the time of the reference card's frame on
            the two charts.
    """

    names: tuple[str, ...]
    parts: FloatArray
    log_rate: FloatArray
    sensitivity: FloatArray
    stage_shares: FloatArray


def find_causes(fit: ModelFit, cards: IntArray, start: Rows, end: Rows, chosen: IntArray) -> Causes:
    """Return what moves tested cards from one chart to another.

    Args:
        fit: the fit.
        cards: (cards,) which cards.
        start, end: one row each: the two charts (their card is not looked at).
        chosen: (draws,) which of the joint draws to use.
    """
    specs = with_reference(fit, cards)
    charts = [_Chart.of(fit, specs, rows, chosen) for rows in (start, end)]
    stages = specs.stages
    gpu = np.stack([_against_reference(fit, specs, charts, k) for k in range(2 ** len(stages))])
    names: tuple[str, ...] = (*stages, "architecture", "card")
    worth = _with_switch(gpu, charts[0].architecture, charts[1].architecture)
    worth = _with_switch(worth, charts[0].card, charts[1].card)
    ends = worth[[0, -1]]
    sensitivity = np.ones_like(ends)
    if fit.layout.shape.has_ceiling:
        names = (*names, "ceiling")
        capped = [under_ceiling(worth, chart.gap, chart.log_p) for chart in charts]
        worth = np.concatenate([c.log_rate for c in capped])
        ends = worth[[0, -1]]
        sensitivity = np.stack([capped[0].sensitivity[0], capped[1].sensitivity[-1]])
    return Causes(
        names=names,
        parts=shapley(worth),
        log_rate=ends + np.stack([chart.reference for chart in charts]),
        sensitivity=sensitivity,
        stage_shares=np.stack([chart.stage_shares for chart in charts]),
    )


@dataclass(frozen=True)
class _Chart:
    """One chart: cards first, the reference card last.

    Attributes:
        speeds: what the sheets say of the rows.
        drawn: linear predictors of the rows at the draws.
        architecture, card: (draws, cards) what each adds to the offset.
        reference: (draws, 1) log GPU rate of the reference card, and what nobody's cards add.
        log_p: (draws, 1) sharpness of the knee.
        gap: (draws, 1) log of the ceiling over the reference card's GPU rate.
        stage_shares: (stages,) share of each stage in the reference card's frame.
    """

    speeds: StageSpeeds
    drawn: DrawnPredictors
    architecture: FloatArray
    card: FloatArray
    reference: FloatArray
    log_p: FloatArray
    gap: FloatArray
    stage_shares: FloatArray

    @staticmethod
    def of(fit: ModelFit, specs: CardSpecs, chart: Rows, chosen: IntArray) -> "_Chart":
        rows = replace(chart.take(np.zeros(len(specs), dtype=np.intp)), card=np.arange(len(specs)))
        layout, theta = fit.layout, fit.draws.theta[chosen]
        design = layout.design(rows, specs)
        speeds = stage_speeds(rows, specs, layout)
        values = linear_predictors(design, layout, theta)
        paired = fit.draws.paired
        drawn = DrawnPredictors(
            centers=linear_predictors(design, layout, fit.draws.centers),
            pairs=linear_predictors(design, layout, fit.draws.theta[paired]),
            values=values,
            pair_point=fit.draws.point[paired],
            point=fit.draws.point[chosen],
        )
        gpu = linear_gpu_side(layout, speeds, drawn)
        reference = gpu[:, -1:]
        gap = log_p = np.zeros_like(reference)
        if layout.shape.has_ceiling:
            ceiling, sharp = (values[layout.predictors.index(n)] for n in ("ceiling", "log_p"))
            gap, log_p = ceiling[:, -1:] - reference, sharp[:, -1:]
        at = gpu_side(speeds, as_predictors(drawn.centers, len(specs.stages)))
        return _Chart(
            speeds=speeds,
            drawn=drawn,
            architecture=_offset(fit, design, theta, own=False),
            card=_offset(fit, design, theta, own=True),
            reference=reference,
            log_p=log_p,
            gap=gap,
            stage_shares=-at.by_growth[:, -1].mean(axis=0),
        )


def with_reference(fit: ModelFit, cards: IntArray) -> CardSpecs:
    """Return the sheets of the cards, and last that of the reference card, which nobody made."""
    specs, reference = fit.specs.take(np.append(cards, cards[0])), fit.layout.reference
    last = len(cards)

    def ended(values: FloatArray, end: FloatArray | float) -> FloatArray:
        out = values.copy()
        out[last] = end
        return out

    nobody = [np.append(index[:last], -1) for index in (specs.fitted, specs.architecture)]
    return replace(
        specs,
        log_speed=ended(specs.log_speed, reference.log_speed),
        log_width=ended(specs.log_width, reference.log_width),
        log_cache=ended(specs.log_cache, reference.log_cache),
        capacity=ended(specs.capacity, reference.capacity),
        fitted=nobody[0],
        architecture=nobody[1],
        vendor=np.append(specs.vendor[:last], -1),
        release=None if specs.release is None else ended(specs.release, reference.release),
    )


def _offset(fit: ModelFit, design: RowDesign, theta: FloatArray, *, own: bool) -> FloatArray:
    """Return (draws, cards) what the architecture, or the card's own, adds to the offset."""
    terms = [
        k
        for k, group in enumerate(fit.layout.groups)
        if group.predictor == "offset"
        and group.key not in CHART_KEYS
        and (group.key not in ARCHITECTURE_KEYS) == own
    ]
    part = RowDesign(design.index[:-1, terms], design.weight[:-1, terms], design.predictor[terms])
    offset: FloatArray = linear_predictors(part, fit.layout, theta)[
        fit.layout.predictors.index("offset")
    ]
    return offset


def _against_reference(
    fit: ModelFit, specs: CardSpecs, charts: list[_Chart], switches: int
) -> FloatArray:
    """Return (draws, cards) log GPU rates over the reference card's, but for the offset."""
    start, end = (chart.drawn for chart in charts)
    centers, pairs, values = (
        _mixed(fit, specs, a, b, switches)
        for a, b in (
            (start.centers, end.centers),
            (start.pairs, end.pairs),
            (start.values, end.values),
        )
    )
    mixed = replace(start, centers=centers, pairs=pairs, values=values)
    log_rate = linear_gpu_side(fit.layout, charts[0].speeds, mixed)
    return log_rate[:, :-1] - log_rate[:, -1:]


def _mixed(
    fit: ModelFit, specs: CardSpecs, start: FloatArray, end: FloatArray, switches: int
) -> FloatArray:
    """Return linear predictors with the stages whose bits are set in their state at the end.

    What counts of a stage is its log time over that of arithmetic, whose own switch is the fill.
    """
    names, stages = fit.layout.predictors, len(specs.stages)
    base = specs.arithmetic or 0
    out = start.copy()
    out[names.index("offset")] = 0.0
    for k in range(stages):
        if not switches >> k & 1:
            continue
        if k == base:
            moved = names.index("fill")
            out[moved] = end[moved]
            continue
        for at, of in ((k, base), (stages + k, stages + base)):
            out[at] = end[at] - end[of] + start[of]
        if k == specs.traffic:
            for name in TRAFFIC_PREDICTORS:
                out[names.index(name)] = end[names.index(name)]
    return out


def _with_switch(worth: FloatArray, off: FloatArray, on: FloatArray) -> FloatArray:
    """Add a player whose switch adds `on` instead of `off`."""
    return np.concatenate([worth + off, worth + on])
