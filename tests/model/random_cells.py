"""Random cards and cells as plain arrays, unbalanced, to test the parts of the model with."""

from dataclasses import replace

import numpy as np

from scalemodel.model.inputs import CardSpecs, Observed, Rows, shape_of
from scalemodel.model.problem import FitProblem, prepare

CARDS, PLATFORMS, RESOLUTIONS = 7, 2, 3
#: Four scenes of three games: the second game has two presets.
GAME_OF_SCENE = np.array([0, 1, 1, 2], dtype=np.intp)


def random_specs(rng: np.random.Generator, cards: int = CARDS) -> CardSpecs:
    size = rng.normal(0, 0.5, cards)
    speed = size[:, None] + rng.normal(0, 0.15, (cards, 4))
    speed[:, 3] = 0.0
    architecture = np.arange(cards) % 3
    return CardSpecs(
        stages=("arithmetic", "traffic", "raster", "fixed"),
        log_speed=speed,
        log_width=8.0 + size,
        log_cache=np.log(24.0) + size,
        capacity=np.zeros((cards, 0)),
        memory_gb=np.full(cards, 16.0),
        fitted=np.arange(cards, dtype=np.intp),
        architecture=architecture.astype(np.intp),
        vendor=(architecture // 2).astype(np.intp),
        arithmetic=0,
        traffic=1,
    )


def random_observed(rng: np.random.Generator, cards: int = CARDS, share: float = 0.8) -> Observed:
    scenes = len(GAME_OF_SCENE)
    grid = np.indices((cards, scenes, RESOLUTIONS, PLATFORMS)).reshape(4, -1).astype(np.intp)
    grid = grid[:, rng.permutation(grid.shape[1])[: int(share * grid.shape[1])]]
    card, scene, column, platform = grid
    pixels = np.array([-0.58, 0.0, 0.81])[column]
    rows = Rows(card, scene, scene * RESOLUTIONS + column, platform, pixels)
    return Observed(
        rows,
        log_rate=4.4 - 0.8 * pixels + 0.2 * (card - 3) / 3 + rng.normal(0, 0.05, len(card)),
        run_variance=rng.uniform(1e-6, 1e-4, len(card)),
    )


def random_problem(seed: int, *, ceiling: bool = True) -> FitProblem:
    """Prepare a fit of cells that stray from what the model says at random parameters."""
    rng = np.random.default_rng(seed)
    specs, observed = random_specs(rng), random_observed(rng)
    shape = shape_of(specs, observed.rows, GAME_OF_SCENE, ceiling=ceiling)
    rough = prepare(observed, specs, shape)
    model = rough.likelihood.model(random_theta(rough, seed))
    log_rate = model.log_rate + 0.015 * rng.standard_t(6.0, len(model.log_rate))
    return prepare(replace(observed, log_rate=log_rate), specs, shape)


def start_of(problem: FitProblem) -> np.ndarray:
    """Give a place that a climb can start from."""
    return problem.starts[-1]


def random_theta(problem: FitProblem, seed: int) -> np.ndarray:
    """Give parameters around the start, far enough to reach both sides of the knee."""
    rng = np.random.default_rng(seed)
    theta: np.ndarray = start_of(problem) + rng.normal(0, 0.1, problem.layout.size)
    return theta
