"""A fit as plain arrays and values, and back."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scalemodel.model.arrays import FloatArray, IntArray, read_only, read_only_mask
from scalemodel.model.draws import Draws
from scalemodel.model.fitting import ModelFit
from scalemodel.model.inputs import CardSpecs, Observed, shape_of
from scalemodel.model.problem import prepare
from scalemodel.model.scales import Scales
from scalemodel.model.settings import FitSettings

ARRAYS = frozenset({"kept", "needs", "theta", "draws_theta", "centers", "draws_scales"})
PLAIN = frozenset({"scales", "log_sd", "status", "rounds", "log_marginal"})


def stored_fit(fit: ModelFit) -> tuple[dict[str, FloatArray], dict[str, object]]:
    """Return what `restore_fit` needs beside the data: arrays and plain values."""
    arrays = {
        "kept": fit.kept.astype(np.float64),
        "needs": fit.needs_more_than_gb,
        "theta": fit.theta,
        "draws_theta": fit.draws.theta,
        "centers": fit.draws.centers,
        "draws_scales": fit.draws.scales,
    }
    meta: dict[str, object] = {
        "scales": dict(fit.scales.values),
        "log_sd": dict(fit.scales.log_sd),
        "status": fit.status,
        "rounds": fit.rounds,
        "log_marginal": fit.log_marginal,
    }
    return arrays, meta


def restore_fit(
    observed: Observed,
    specs: CardSpecs,
    game_of_scene: IntArray,
    settings: FitSettings,
    arrays: Mapping[str, NDArray[Any]],
    meta: Mapping[str, Any],
) -> ModelFit | None:
    """Return the fit of the same data that `stored_fit` took apart, or None if it is another's."""
    if not _is_complete(arrays, meta):
        return None
    shape = shape_of(specs, observed.rows, game_of_scene, ceiling=settings.ceiling)
    kept = np.asarray(arrays["kept"]) > 0
    if kept.shape != observed.log_rate.shape or not kept.any():
        return None
    layout = prepare(observed.take(np.flatnonzero(kept)), specs, shape).layout
    names = layout.scale_names()
    draws = settings.draws // settings.scale_points * settings.scale_points
    sizes = {
        "needs": (len(shape.scene_of_view),),
        "theta": (layout.size,),
        "draws_theta": (draws, layout.size),
        "centers": (settings.scale_points, layout.size),
        "draws_scales": (draws, len(names)),
    }
    if any(arrays[name].shape != size for name, size in sizes.items()):
        return None
    if not all(set(names) == set(_numbers(meta[name])) for name in ("scales", "log_sd")):
        return None
    return ModelFit(
        layout=layout,
        specs=specs,
        kept=read_only_mask(kept),
        needs_more_than_gb=read_only(arrays["needs"]),
        theta=read_only(arrays["theta"]),
        scales=Scales(dict(meta["scales"]), dict(meta["log_sd"])),
        draws=Draws(
            read_only(arrays["draws_theta"]),
            read_only(arrays["centers"]),
            read_only(arrays["draws_scales"]),
            names,
        ),
        status=str(meta["status"]),
        rounds=int(meta["rounds"]),
        log_marginal=float(meta["log_marginal"]),
    )


def _is_complete(arrays: Mapping[str, NDArray[Any]], meta: Mapping[str, Any]) -> bool:
    """Say whether everything is there and of its kind; a forged fit may lack anything."""
    return (
        ARRAYS.issubset(arrays)
        and PLAIN.issubset(meta)
        and arrays["needs"].dtype.kind == "f"
        and all(_is_finite(arrays[name]) for name in ARRAYS - {"needs"})
        and all(_is_number(meta[name]) for name in ("rounds", "log_marginal"))
    )


def _is_finite(array: NDArray[Any]) -> bool:
    return array.dtype.kind == "f" and bool(np.isfinite(array).all())


def _numbers(values: object) -> Mapping[str, float]:
    """Return a mapping to numbers; an empty one for anything else."""
    if isinstance(values, Mapping) and all(_is_number(value) for value in values.values()):
        return values
    return {}


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and bool(np.isfinite(value))
