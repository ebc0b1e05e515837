"""Split-conformal prediction: exact ranks and coverages (theorems)."""

from fractions import Fraction

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from scalemodel.model.peers.conformal import conformal_half_width, conformal_rank


@pytest.mark.parametrize(("n", "rank"), [(9, 9), (19, 18), (20, 19), (99, 90)])
def test_rank(n: int, rank: int) -> None:
    """Vovk, Gammerman & Shafer 2005; Lei et al. 2018, JASA 113: ceil(0.9 (n + 1)).

    Computing (1 - 0.9) (n + 1) in binary and rounding down gives rank 91 at n = 99.
    """
    assert conformal_rank(n, 0.9) == rank
    assert conformal_rank(n, Fraction(9, 10)) == rank


@pytest.mark.parametrize(("n", "rank"), [(9, 9), (19, 18), (20, 19), (99, 90)])
def test_coverage_is_rank_over_n_plus_one(n: int, rank: int) -> None:
    """Leave each of n + 1 exchangeable errors out in turn: exactly `rank` of them are held."""
    errors = np.random.default_rng(3).permutation(np.arange(1.0, n + 2))
    held = 0
    for left_out in range(n + 1):
        others = np.delete(errors, left_out)
        half = conformal_half_width(others, np.arange(n), 0.9)
        assert half == np.sort(others)[rank - 1]
        held += errors[left_out] <= half
    assert Fraction(int(held), n + 1) == Fraction(rank, n + 1)


def test_plain_quantile_would_cover_too_little() -> None:
    """With 20 errors the interpolated 90% quantile covers 18.1 / 21 = 0.862 on average."""
    rng = np.random.default_rng(0)
    errors = rng.uniform(size=(4000, 20))  # the coverage of a uniform error is the width itself
    plain = np.quantile(errors, 0.9, axis=1)
    ours = [conformal_half_width(row, np.arange(20), 0.9) for row in errors]
    standard_error = np.std(plain) / np.sqrt(4000)
    assert abs(np.mean(plain) - 18.1 / 21) < 4 * standard_error
    assert abs(np.mean(ours) - 19 / 21) < 4 * standard_error


def test_coverage_given_the_calibration_errors_is_beta() -> None:
    """Vovk 2012, ACML: with n = 99 and 90% the coverage is Beta(90, 10)."""
    law = stats.beta(90, 10)
    assert_allclose(law.std(), 0.02985, atol=5e-6)
    assert_allclose(law.ppf(0.05), 0.8467, atol=5e-5)
    errors = np.random.default_rng(1).uniform(size=(2000, 99))
    covered = [conformal_half_width(row, np.arange(99), 0.9) for row in errors]
    assert stats.kstest(covered, law.cdf).pvalue > 0.001
