"""Two measurements of the same things: how far apart, with which standard error."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scalemodel.answers.runs import Runs, compact
from scalemodel.data.repeats import settle
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.equivalence import effective_dof


@dataclass(frozen=True)
class Settled:
    """What some runs say of each unit, such as a chart; arrays by unit.

    Attributes:
        unit: which unit.
        location, se: log rate and its standard error; the latter NaN without repeats in the lab.
        dof: degrees of freedom of the standard error.
    """

    unit: IntArray
    location: FloatArray
    se: FloatArray
    dof: FloatArray


def settled(runs: Runs, keep: BoolArray, unit: IntArray) -> Settled:
    """Combine some runs to one location a unit.

    The error is that of repeats and, where known, of sessions; each unit counts as one session.
    """
    group = compact(unit[keep])
    scale, wide = runs.agreed.scale[keep], runs.agreed.wide[keep]
    first = np.unique(group, return_index=True)[1]
    known = not np.isnan(scale).any()
    one = np.ones_like(scale)
    found = settle(runs.log_rate[keep], group, scale if known else one, wide if known else one)
    count = np.bincount(group)
    pooled = runs.agreed.scale_dof[keep][first]
    dof = np.where(found.agreed, pooled, np.maximum(count - 1.0, 1.0))
    se = found.se if known else np.full(len(count), np.nan)
    if runs.session_sd:
        sessions = float(runs.spread(~runs.agreed.far).dof_session)
        parts = np.stack([se, np.full_like(se, runs.session_sd)], axis=1)
        dof = np.array(
            [effective_dof(p, np.array([d, sessions])) for p, d in zip(parts, dof, strict=True)]
        )
        se = np.hypot(se, runs.session_sd)
    return Settled(unit[keep][first], found.location, se, dof)


def differences(a: Settled, b: Settled) -> pd.DataFrame:
    """Return unit, difference (a - b), se and dof of the units that both have."""
    both, at_a, at_b = np.intersect1d(a.unit, b.unit, return_indices=True)
    parts = np.stack([a.se[at_a], b.se[at_b]], axis=1)
    dofs = np.stack([a.dof[at_a], b.dof[at_b]], axis=1)
    return pd.DataFrame(
        {
            "unit": both,
            "difference": a.location[at_a] - b.location[at_b],
            "se": np.hypot(parts[:, 0], parts[:, 1]),
            "dof": [effective_dof(p, d) for p, d in zip(parts, dofs, strict=True)],
        }
    )
