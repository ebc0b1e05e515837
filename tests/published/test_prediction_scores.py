"""Scores whose values follow from their definitions."""

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose
from scipy import stats
from sklearn.metrics import brier_score_loss

from scalemodel.answers.score_tables import calibration_table
from scalemodel.model.scores import brier, crps_ensemble, interval_score


def test_crps_of_a_normal() -> None:
    """Gneiting & Raftery 2007, JASA 102, section 4.2 (closed form); the values follow from it.

    An ensemble of n points at equal steps of probability nears the normal as 1 / n^2: 1e-10 here.
    """
    n = 100_000
    draws = stats.norm.ppf((np.arange(n) + 0.5) / n)
    assert_allclose(crps_ensemble(draws, 0.0), (np.sqrt(2) - 1) / np.sqrt(np.pi), atol=1e-9)
    assert_allclose(crps_ensemble(draws, 0.0), 0.2336949773, atol=1e-9)
    assert_allclose(crps_ensemble(draws, 1.0), 0.6024413576, atol=1e-9)
    # Linear in the scale: printed with seven decimals.
    assert_allclose(crps_ensemble(100 + 10 * draws, 120.0), 14.5279182, atol=5e-8)


def test_crps_of_an_ensemble_is_the_plain_one() -> None:
    """Gneiting & Raftery 2007, JASA 102, equation 21; the fair version would give 1/6."""
    assert_allclose(crps_ensemble([1.0, 2.0, 3.0, 4.0], 2.5), 0.375, atol=1e-12)


def test_interval_score_of_a_miss() -> None:
    """Gneiting & Raftery 2007, JASA 102, equation 43: width 2, missed by 2, times 2 / 0.1."""
    assert_allclose(interval_score(8, 10, 12, 0.9), 42, atol=1e-9)


def test_brier_score() -> None:
    """Brier 1950, Monthly Weather Review 78 (definition)."""
    stated, happened = [0.1, 0.9, 0.8, 0.3], [0, 1, 1, 0]
    assert_allclose(np.mean(brier(stated, happened)), 0.0375, atol=1e-12)
    assert_allclose(brier_score_loss(happened, stated), 0.0375, atol=1e-12)


def test_brier_score_of_the_answer() -> None:
    """The same four statements as `score` counts them: two pairs of cards, not told apart or not.

    Brier 1950 (definition), on the two statements of each kind: (.01 + .01) / 2, (.04 + .09) / 2.
    """
    pairs = pd.DataFrame(
        {
            "p_faster": [0.1, 0.9, 0.8, 0.3],
            "faster": [False, True, True, False],
            "within_test_error": [False, False, True, True],
        }
    )
    nothing = pd.DataFrame({"p_ceiling": [0.2], "p_ceiling_measured": [0.5]})  # not clear: no truth
    table = calibration_table(pairs, nothing).groupby("what")["brier"].first()
    assert_allclose(table["p_faster"], 0.01, atol=1e-12)
    assert_allclose(table["p_faster within test error"], 0.065, atol=1e-12)
    assert "p_ceiling" not in table.index
