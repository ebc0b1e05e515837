"""Board power from sheets: recovered where it is known, ranges that hold, a peer beside."""

import numpy as np
import pytest

from scalemodel.errors import ScalemodelError
from scalemodel.model.board_power import PowerCells, fit_board_power, hold_out_power

CHARTS = 12


def cells(
    rng: np.random.Generator, between: float, within: float, cell: float = 0.01, use: float = 0.7
) -> PowerCells:
    """Simulate 20 cards of 5 architectures; fast cards are used less on the first charts."""
    card, chart = np.repeat(np.arange(20), CHARTS), np.tile(np.arange(CHARTS), 20)
    gone = rng.random(len(card)) < 0.15
    card, chart = card[~gone], chart[~gone]
    architecture = np.arange(20) % 5
    of_card = between * rng.standard_normal(5)[architecture] + within * rng.standard_normal(20)
    log_use = np.where((card > 12) & (chart < 4), -0.3 * rng.random(len(card)), 0.0)
    of_chart = np.linspace(-0.2, 0.0, CHARTS)
    share = of_chart[chart] + use * log_use + of_card[card] + cell * rng.standard_normal(len(card))
    return PowerCells(share, log_use, card, chart, architecture)


def test_what_is_known_is_found() -> None:
    found = fit_board_power(cells(np.random.default_rng(1), 0.0, 1e-6, cell=1e-6), CHARTS)
    assert found.use == pytest.approx(0.7, abs=1e-4)
    np.testing.assert_allclose(found.chart, np.linspace(-0.2, 0.0, CHARTS), atol=1e-4)
    assert found.within < 1e-4


def test_ranges_hold_cards_kept_from_the_fit() -> None:
    # 40 labs of 20 cards; errors of one card go together, so a share has an sd of about 0.018.
    rng = np.random.default_rng(2)
    held, error, plain = [], [], []
    for _ in range(40):
        found = hold_out_power(cells(rng, 0.03, 0.03), CHARTS, 0.8)
        held.append(np.mean(np.abs(found.error) <= found.reach))
        error.append(np.mean(found.error**2))
        plain.append(np.nanmean(found.plain**2))
    assert np.mean(held) == pytest.approx(0.8, abs=0.055)
    assert np.mean(error) < 0.8 * np.mean(plain)


def test_a_new_architecture_is_less_sure() -> None:
    found = fit_board_power(cells(np.random.default_rng(3), 0.06, 0.01), CHARTS)
    assert found.card_sd(-1) > 2 * found.card_sd(0)
    still = np.zeros((4000, 2))
    draws = found.draws(np.random.default_rng(4), np.array([0, 5]), still, 0)
    low, high = np.quantile(draws[:, 1], [0.1, 0.9])
    assert (high - low) / 2 == pytest.approx(found.reach(0, 0.8), rel=0.1)
    assert np.corrcoef(draws.T)[0, 1] > 0.3  # one board, the same on all charts


def test_a_chart_that_nobody_measured_is_taken_as_usual() -> None:
    found = fit_board_power(cells(np.random.default_rng(5), 0.0, 0.02), CHARTS + 1)
    assert found.chart[CHARTS] == pytest.approx(found.chart[:CHARTS].mean())


def test_architectures_of_one_card_each_have_no_shift() -> None:
    every = cells(np.random.default_rng(6), 0.0, 0.03)
    alone = PowerCells(every.log_share, every.log_use, every.card, every.chart, np.arange(20))
    found = fit_board_power(alone, CHARTS)
    assert found.between == 0
    assert (found.shift == 0).all()


def test_too_few_cards_are_refused() -> None:
    every = cells(np.random.default_rng(7), 0.0, 0.03)
    few = every.take(every.card < 3)
    with pytest.raises(
        ScalemodelError, match=r"^fewer than 4 cards have power_w and board_power_w"
    ):
        fit_board_power(few, CHARTS)
