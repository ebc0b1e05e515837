"""What did the fit learn: its quantities in the words of the trade, with ranges."""

import math

import numpy as np
import pandas as pd

from scalemodel.answers.labels import REFERENCE_PIXELS, Labels
from scalemodel.answers.levels import counted
from scalemodel.model.arrays import FloatArray
from scalemodel.model.causes import with_reference
from scalemodel.model.fitting import ModelFit
from scalemodel.model.likelihood import as_predictors, linear_predictors, stage_speeds
from scalemodel.model.physics import StageSpeeds, gpu_side

LEVEL = 0.8

SCALE_WORDS = {
    "vendor": "vendors differ by",
    "architecture": "architectures of a vendor differ by",
    "architecture_scene": "an architecture differs from scene to scene by",
    "card": "a card strays from its sheet by",
    "gpu_noise": "a cell strays on the GPU side by",
    "noise": "a cell strays at the ceiling too by",
}


def fit_words(model: ModelFit, labels: Labels, metric: str, status: str) -> str:
    """Say what was fitted, and what was kept out for lack of memory."""
    shape = model.layout.shape
    kept, cells = int(model.kept.sum()), len(model.kept)
    noise = math.hypot(model.scales.noise.gpu, model.scales.noise.cell)
    words = (
        f"Fitted {metric} of {kept} of {cells} cells: {counted(shape.cards, 'card')}, "
        f"{counted(shape.scenes, 'scene')}, {counted(len(labels.charts), 'chart')}, "
        f"{counted(shape.platforms, 'platform')}; {status}. "
        f"A cell strays {100 * noise:.1f}% from the model."
    )
    if kept == cells:
        return words
    verb = "is" if cells - kept == 1 else "are"
    fell = counted(cells - kept, "result")
    return f"{words} {fell} fell for lack of memory and {verb} kept out of the fit."


def learned_table(model: ModelFit, labels: Labels) -> pd.DataFrame:
    """Return quantity, of, value, lower, upper, unit: medians and 80% ranges of the posterior."""
    rows = [*_elasticities(model, labels), *_architectures(model, labels), *_scales(model)]
    return pd.DataFrame(rows, columns=["quantity", "of", "value", "lower", "upper", "unit"])


def scene_shares(model: ModelFit, labels: Labels) -> pd.DataFrame:
    """Return the share of each stage in a typical card's frame, scene by scene.

    The typical card is the reference card of the model, the geometric mean of the tested ones.

    Returns:
        One row a scene, resolution and stage: game, preset, resolution, stage, share, lower, upper:
        means, which sum to one, and 80% ranges of the posterior.
    """
    scene = ["game", "preset", "resolution"]
    charts = labels.charts.drop_duplicates(scene)
    specs = with_reference(model, np.zeros(1, dtype=np.intp))
    rows = labels.rows(charts, np.ones(len(charts), dtype=np.intp))
    values = linear_predictors(model.layout.design(rows, specs), model.layout, model.draws.theta)
    speeds = stage_speeds(rows, specs, model.layout)
    shares = -gpu_side(speeds, as_predictors(values, len(specs.stages))).by_growth
    ends = np.quantile(shares, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    each = charts[scene].loc[charts.index.repeat(len(specs.stages))].reset_index(drop=True)
    numbers = dict(zip(("lower", "upper"), ends.reshape(2, -1), strict=True))
    stages = list(specs.stages) * len(charts)
    return each.assign(stage=stages, share=shares.mean(axis=0).ravel(), **numbers)


def _row(quantity: str, of: str, draws: FloatArray, unit: str) -> list[object]:
    lower, value, upper = np.quantile(draws, [(1 - LEVEL) / 2, 0.5, (1 + LEVEL) / 2])
    return [quantity, of, float(value), float(lower), float(upper), unit]


def _elasticities(model: ModelFit, labels: Labels) -> list[list[object]]:
    """Shares of the time of a frame on the reference card, at each resolution."""
    rows = []
    for resolution, pixels in _resolutions(labels):
        shares = _shares(model, float(np.log(pixels / REFERENCE_PIXELS)))
        for k, stage in enumerate(model.specs.stages):
            words = f"share of a frame: {stage}"
            rows.append(_row(words, f"typical card at {resolution}", shares[:, k], "share"))
    return rows


def _resolutions(labels: Labels) -> list[tuple[str, float]]:
    pairs = labels.charts[["resolution", "pixels"]].drop_duplicates().sort_values("pixels")
    return [(str(r), float(p)) for r, p in zip(pairs["resolution"], pairs["pixels"], strict=True)]


def _shares(model: ModelFit, log_pixels: float) -> FloatArray:
    """Return (draws, stages) shares of the stages on the reference card, effects at zero."""
    layout, theta = model.layout, model.draws.theta
    values = np.zeros((len(layout.predictors), len(theta), 1))
    for group, where in zip(layout.groups, layout.positions, strict=True):
        if group.key == "one" and group.times in ("one", "log_pixels"):
            times = log_pixels if group.times == "log_pixels" else 1.0
            values[layout.predictors.index(group.predictor), :, 0] += theta[:, where[0]] * times
    reference = StageSpeeds(
        log_speed=np.zeros((1, len(model.specs.stages))),
        log_width=np.zeros(1),
        log_cache=np.array([layout.reference.log_cache]),
        reference_cache=layout.reference.log_cache,
        arithmetic=model.specs.arithmetic,
        traffic=model.specs.traffic,
    )
    at = as_predictors(values, len(model.specs.stages))
    shares: FloatArray = -gpu_side(reference, at).by_growth[:, 0]
    return shares


def _architectures(model: ModelFit, labels: Labels) -> list[list[object]]:
    theta = model.draws.theta
    own = theta[:, model.layout.position("architecture")]
    vendor = theta[:, model.layout.position("vendor")]
    maker = np.zeros(len(labels.architectures), dtype=np.intp)
    maker[model.specs.architecture] = model.specs.vendor
    total = own + vendor[:, maker]
    if model.specs.release is not None:
        years = np.zeros(len(maker))
        years[model.specs.architecture] = model.specs.release - model.layout.reference.release
        total = total + theta[:, model.layout.position("progress")] * years
    ratio = np.exp(total)
    return [
        _row("rate beyond the specs", name, ratio[:, k] - 1.0, "ratio minus 1")
        for k, name in enumerate(labels.architectures)
    ]


def _scales(model: ModelFit) -> list[list[object]]:
    rows = [
        _row(words, "all", model.draws.scale(name), "log rate, sd")
        for name, words in SCALE_WORDS.items()
    ]
    if model.layout.shape.has_ceiling:
        p = np.exp(model.draws.theta[:, model.layout.position("log_p")[0]])
        rows.append(_row("sharpness of the knee, p", "all", p, "number"))
    return rows
