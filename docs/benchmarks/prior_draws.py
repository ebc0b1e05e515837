"""Benches drawn from the model itself: scales, parameters and cells from their priors.

calibration.py beside this fits the model to them.
"""

from dataclasses import dataclass, replace

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.inputs import CardSpecs, Reference, Rows, Shape, shape_of
from scalemodel.model.layout import Layout, ScalePrior, make_layout
from scalemodel.model.likelihood import (
    CellModel,
    Noise,
    cell_model,
    linear_predictors,
    squared_scale,
    stage_speeds,
)
from scalemodel.model.priors import SCALE_PRIORS, Levels, SmoothPrior, make_groups
from scalemodel.model.scales import TAIL_BOUNDS

LEVELS = Levels(scene=4.4, ceiling=5.0)
LOG_PIXELS = np.log(np.array([1920 * 1080, 2560 * 1440, 3840 * 2160]) / (2560 * 1440))
SHARE_TESTED = 0.8
#: Variance of a cell's mean log rate as repeated runs give it: three runs that differ by .6%.
RUN_VARIANCE = 0.006**2 / 3
#: The untested cards: inside the span of the tested, 30% faster than the fastest, and one inside
#: the span of an architecture that no tested card has.
NEW_CARDS = ("inside", "beyond", "new architecture")
DESIGN_SEED = 7


@dataclass(frozen=True)
class Design:
    """A bench without its rates.

    Attributes:
        specs: (cards,) sheets of the tested cards.
        every: (cards + new,) sheets of the tested and the new, all known to `world`.
        new: (new,) sheets of the new ones as a fit is asked about them.
        rows: the tested cells, of `specs`.
        new_rows: every chart of every new card, of `new`, card by card.
        shape: the shape of the tested bench.
        world: where the effects of tested and new cards are in a vector of true parameters.
        smooth_root: (cards + new, cards + new) root of the smooth residual's covariance at scale 1.
    """

    specs: CardSpecs
    every: CardSpecs
    new: CardSpecs
    rows: Rows
    new_rows: Rows
    shape: Shape
    world: Layout
    smooth_root: FloatArray


def make_design(cards: int, game_of_scene: IntArray, platforms: int) -> Design:
    """Lay out a bench of cards of three architectures of two vendors, a fifth of it missing."""
    rng = np.random.default_rng(DESIGN_SEED)
    every = draw_sheets(rng, cards)
    specs = every.take(np.arange(cards))
    new = replace(
        every.take(np.arange(cards, len(every))),
        fitted=np.full(len(NEW_CARDS), -1),
        architecture=np.array([0, 1, -1]),
    )
    full = charts(cards, len(game_of_scene), platforms)
    tested = rng.permutation(len(full))[: round(SHARE_TESTED * len(full))]
    rows = full.take(np.sort(tested))
    shape = shape_of(specs, rows, game_of_scene, ceiling=True)
    weights, conditional = SmoothPrior.over(specs).at(every.take(np.arange(cards, len(every))))
    root = smooth_root(np.linalg.inv(SmoothPrior.over(specs).precision), weights, conditional)
    world = make_layout(
        replace(shape, cards=len(every), architectures=shape.architectures + 1),
        Reference.of(specs),
        specs.stages,
        make_groups(specs, shape, LEVELS),
        SCALE_PRIORS,
    )
    new_rows = charts(len(new), len(game_of_scene), platforms)
    return Design(specs, every, new, rows, new_rows, shape, world, root)


def draw_sheets(rng: np.random.Generator, cards: int) -> CardSpecs:
    """Draw sheets of tested cards and add those of NEW_CARDS."""
    size = np.linspace(-0.7, 0.7, cards)
    speed = size[:, None] + rng.normal(0, 0.15, (cards, 4))
    width = 8.0 + size + rng.normal(0, 0.1, cards)
    cache = np.log(24.0) + size + rng.normal(0, 0.3, cards)
    fastest = speed.max(axis=0) + np.log(1.3)
    speed = np.vstack([speed, [0.1, 0.2, 0.15, 0.0], fastest, [0.25, 0.1, 0.2, 0.0]])
    speed[:, 3] = 0.0
    architecture = np.append(np.arange(cards) % 3, [0, 1, 3])
    return CardSpecs(
        stages=("arithmetic", "traffic", "raster", "fixed"),
        log_speed=speed,
        log_width=np.append(width, [8.1, width.max() + np.log(1.3), 8.2]),
        log_cache=np.append(cache, [np.log(26.0), cache.max() + np.log(1.3), np.log(30.0)]),
        capacity=np.zeros((len(speed), 0)),
        memory_gb=np.full(len(speed), 16.0),
        fitted=np.arange(len(speed)),
        architecture=architecture,
        vendor=np.array([0, 0, 1, 0])[architecture],
        arithmetic=0,
        traffic=1,
    )


def charts(cards: int, scenes: int, platforms: int) -> Rows:
    """Return a row for every card on every chart, card by card."""
    resolutions = len(LOG_PIXELS)
    grid = np.indices((cards, scenes, resolutions, platforms)).reshape(4, -1)
    card, scene, column, machine = grid
    return Rows(card, scene, scene * resolutions + column, machine, LOG_PIXELS[column])


def smooth_root(tested: FloatArray, weights: FloatArray, conditional: FloatArray) -> FloatArray:
    """Return a root of the joint covariance of the tested cards' residuals and the new ones'."""
    first = np.linalg.cholesky(tested)
    values, vectors = np.linalg.eigh(conditional)
    second = vectors * np.sqrt(np.clip(values, 0.0, None))
    zeros = np.zeros((len(tested), len(conditional)))
    return np.block([[first, zeros], [weights @ first, second]])


DESIGNS = {
    "ordinary": lambda: make_design(14, np.array([0, 1, 1, 2, 3, 3, 4, 5]), 2),
    "small": lambda: make_design(8, np.array([0, 1, 1, 2]), 1),
}


@dataclass(frozen=True)
class Truth:
    """What was drawn: scales, parameters in the design's world, and the cells."""

    scales: dict[str, float]
    theta: FloatArray
    model: CellModel
    log_rate: FloatArray
    new_log_rate: FloatArray


def draw_truth(design: Design, rng: np.random.Generator) -> Truth:
    """Draw scales and parameters from their priors and cells from the likelihood."""
    world = design.world
    scales = {name: draw_scale(world.scale_priors[name], name, rng) for name in world.scale_names()}
    theta = world.prior_mean()
    for group, where in zip(world.groups, world.positions, strict=True):
        sd = scales[group.scale] if isinstance(group.scale, str) else group.scale
        normals = rng.standard_normal(len(where))
        theta[where] += sd * (design.smooth_root @ normals if group.name == "smooth" else normals)
    noise = Noise(scales["gpu_noise"], scales["noise"], scales["tail"])
    model = model_of(design, theta, design.rows)
    tested = model.log_rate + draw_errors(model, RUN_VARIANCE, noise, rng)
    shifted = replace(design.new_rows, card=design.new_rows.card + len(design.specs))
    new = model_of(design, theta, shifted)
    return Truth(scales, theta, model, tested, new.log_rate + draw_errors(new, 0.0, noise, rng))


def draw_scale(prior: ScalePrior, name: str, rng: np.random.Generator) -> float:
    """Draw a scale; the tail again until it is within its bounds."""
    lower, upper = TAIL_BOUNDS if name == "tail" else (0.0, np.inf)
    while True:
        value = float(prior.median * np.exp(prior.log_sd * rng.standard_normal()))
        if lower <= value <= upper:
            return value


def model_of(design: Design, theta: FloatArray, rows: Rows) -> CellModel:
    """Return the model of rows of `design.every` at true parameters."""
    values = linear_predictors(design.world.design(rows, design.every), design.world, theta)
    return cell_model(stage_speeds(rows, design.every, design.world), values, ceiling=True)


def draw_errors(
    model: CellModel, run_variance: float, noise: Noise, rng: np.random.Generator
) -> FloatArray:
    """Draw what the log rate of each cell strays from the model's."""
    scale2 = squared_scale(np.full(len(model.log_rate), run_variance), model.sensitivity, noise)
    errors: FloatArray = np.sqrt(scale2) * rng.standard_t(noise.tail, len(scale2))
    return errors
