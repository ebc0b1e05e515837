"""Where climbs start from: levels and ceilings set roughly, everything else at its prior mean.

A card at its ceiling and a slow card with a far ceiling can look alike to a climb, so there are
several starts: all scenes GPU-bound, all at the ceiling, and each scene as fits it best.
"""

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.likelihood import CellLikelihood, cell_model, linear_predictors

#: Margin of ceilings over the highest rates, and quantile of the cells that levels are set to.
UNIFORM_STARTS = ((0.05, 0.6), (0.0, 0.95))
#: Quantiles of what levels and ceilings are tried, and margins over the highest.
LEVEL_QUANTILES, LEVEL_MARGINS = np.linspace(0.02, 0.98, 33), np.array([0.1, 0.3, 0.6])
CEILING_QUANTILES, CEILING_MARGIN = np.linspace(0.3, 1.0, 15), 0.05
#: Largest residual that counts: a cell further off is off whatever the ceiling.
FARTHEST_OFF = 0.5


def starts(likelihood: CellLikelihood) -> tuple[FloatArray, ...]:
    """Return the parameters to climb from."""
    uniform = tuple(_uniform_start(likelihood, *choice) for choice in UNIFORM_STARTS)
    if not likelihood.layout.shape.has_ceiling:
        return uniform
    return (*uniform, _scene_start(likelihood))


def _highest_rates(likelihood: CellLikelihood) -> FloatArray:
    """Return (scenes, platforms) the highest log rate seen; NaN where there are no cells."""
    rows, shape = likelihood.observed.rows, likelihood.layout.shape
    tops = np.full((shape.scenes, shape.platforms), -np.inf)
    np.maximum.at(tops, (rows.scene, rows.platform), likelihood.observed.log_rate)
    return np.where(np.isfinite(tops), tops, np.nan)


def _uniform_start(likelihood: CellLikelihood, margin: float, quantile: float) -> FloatArray:
    """Start with ceilings a margin above the highest rates.

    GPU-side levels are set so that the given share of the cells lies below what they give.
    """
    layout, rows = likelihood.layout, likelihood.observed.rows
    theta = layout.prior_mean()
    if layout.shape.has_ceiling:
        ceiling = theta[layout.position("ceiling")[0]]
        tops = _highest_rates(likelihood)
        for game, where in enumerate(layout.position("game_ceiling")):
            here = tops[layout.shape.game_of_scene == game]
            if np.isfinite(here).any():
                theta[where] = np.nanmax(here) + margin - ceiling
    excess = likelihood.observed.log_rate - _uncapped(likelihood, theta)
    for scene, where in enumerate(layout.position("level")):
        here = rows.scene == scene
        if here.any():
            theta[where] += np.quantile(excess[here], quantile)
    return theta


def _uncapped(likelihood: CellLikelihood, theta: FloatArray) -> FloatArray:
    """Return (rows,) log rates without ceilings."""
    values = linear_predictors(likelihood.design, likelihood.layout, theta)
    return cell_model(likelihood.speeds, values, ceiling=False).log_rate


def _scene_start(likelihood: CellLikelihood) -> FloatArray:
    """Start each scene at the level and the ceilings that leave its cells the least far off."""
    layout, rows = likelihood.layout, likelihood.observed.rows
    theta, shape = layout.prior_mean(), layout.shape
    excess = likelihood.observed.log_rate - _uncapped(likelihood, theta)
    ceilings = np.full((shape.scenes, shape.platforms), np.nan)
    for scene, where in enumerate(layout.position("level")):
        here = np.flatnonzero(rows.scene == scene)
        if len(here):
            log_rate = likelihood.observed.log_rate[here]
            level, found = _capped_fit(log_rate, excess[here], rows.platform[here], shape.platforms)
            theta[where] += level
            ceilings[scene] = found
    _set_ceilings(likelihood, theta, ceilings - theta[layout.position("ceiling")[0]])
    return theta


def _capped_fit(
    log_rate: FloatArray, excess: FloatArray, platform: IntArray, platforms: int
) -> tuple[float, FloatArray]:
    """Return the level to add, and (platforms,) ceilings, of the least absolute residuals."""
    levels = np.append(np.quantile(excess, LEVEL_QUANTILES), excess.max() + LEVEL_MARGINS)
    loss = np.zeros(len(levels))
    best = np.full((len(levels), platforms), np.nan)
    for k in range(platforms):
        here = platform == k
        if not here.any():
            continue
        own = log_rate[here]
        tried = np.append(np.quantile(own, CEILING_QUANTILES), own.max() + CEILING_MARGIN)[::-1]
        below = levels[:, None, None] + (own - excess[here])
        off = np.abs(own - np.minimum(below, tried[:, None]))
        total = np.minimum(off, FARTHEST_OFF).sum(axis=2)
        # Of ceilings that fit as well, the highest.
        chosen = total.argmin(axis=1)
        best[:, k] = tried[chosen]
        loss += total[np.arange(len(levels)), chosen]
    at = int(loss.argmin())
    return float(levels[at]), best[at]


def _set_ceilings(likelihood: CellLikelihood, theta: FloatArray, above: FloatArray) -> None:
    """Split (scenes, platforms) log ceilings, relative to the common one, among their effects."""
    layout = likelihood.layout
    shape, names = layout.shape, {group.name for group in layout.groups}
    rest = above.copy()
    for game, where in enumerate(layout.position("game_ceiling")):
        own = shape.game_of_scene == game
        if np.isfinite(rest[own]).any():
            theta[where] = np.nanmean(rest[own])
            rest[own] -= theta[where]
    if "preset_ceiling" in names:
        seen = np.isfinite(rest).any(axis=1)
        mean = np.nanmean(rest[seen], axis=1)
        theta[layout.position("preset_ceiling")[seen]] = mean
        rest[seen] -= mean[:, None]
    if "platform_ceiling" in names:
        theta[layout.position("platform_ceiling")] = np.nan_to_num(rest).ravel()
