"""Lines through cells of many cards: what is out of step is found, and nothing else."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from scalemodel.model.layout import ScalePrior
from scalemodel.model.lines import FEWEST_CARDS, LineData, fit_lines
from scalemodel.model.mixed import Effect, MixedData, draw_coefficients, fit_mixed
from scalemodel.model.out_of_step import cells_apart, pairs_apart
from scalemodel.model.tails import repeat_tail, tail_of_mean

PRIORS = (ScalePrior(3.0, 1.0), ScalePrior(0.3, 0.8), ScalePrior(0.5, 0.8), ScalePrior(0.4, 0.8))


def drawn(seed: int, cards: int = 12, scenes: int = 4, per: int = 2) -> LineData:
    """Draw cells on lines of 12 and 2.5 with known scatter of 0.3."""
    rng = np.random.default_rng(seed)
    card, scene, _ = (a.ravel() for a in np.indices((cards, scenes, per)))
    x = rng.uniform(-4, 8, len(card))
    level, slope = rng.normal(12, 3, scenes), rng.normal(2.5, 0.1, scenes)
    y = level[scene] + slope[scene] * x + rng.normal(0, 0.2, cards)[card]
    y = y + np.hypot(0.3, 0.4) * rng.standard_normal(len(card))
    one = np.ones(len(card))
    return LineData(
        y, 0.16 * one, x[:, None], (True,), scene, card, one, one > 1, PRIORS, tail=100.0
    )


def moved(data: LineData, rows: np.ndarray, by: float) -> LineData:
    return replace(data, y=data.y + by * rows)


def test_the_line_is_found() -> None:
    lines = fit_lines(drawn(1))
    level, slope = lines.fit.coefficients[:2]
    se = np.sqrt(np.diag(lines.fit.covariance))[:2]
    assert abs(slope - 2.5) < 3 * se[1]
    assert abs(level - 12) < 3 * se[0]
    assert lines.apart_cards == ()
    assert lines.fit.status == "converged"


def test_a_card_that_breaks_is_found_and_kept_out_of_the_line() -> None:
    data = drawn(2)
    lines = fit_lines(moved(data, data.card == 5, 4.0))
    assert np.flatnonzero(lines.cards.out(1.0)).tolist() == [5]
    assert lines.apart_cards == (5,)
    assert lines.cards.apart[5] == pytest.approx(4.0, abs=1.0)
    clean = fit_lines(replace(data, y=data.y))
    assert lines.fit.coefficients[1] == pytest.approx(clean.fit.coefficients[1], abs=0.03)


def test_two_such_cards_do_not_hide_each_other() -> None:
    data = drawn(3)
    lines = fit_lines(moved(data, np.isin(data.card, (2, 7)), 3.0))
    assert np.flatnonzero(lines.cards.out(1.0)).tolist() == [2, 7]


def test_a_single_cell_and_a_card_in_one_scene() -> None:
    data = drawn(4, per=3)
    one = moved(data, np.arange(len(data.y)) == 20, 6.0)
    assert np.flatnonzero(cells_apart(fit_lines(one)).out(1.0)).tolist() == [20]
    there = (data.card == 3) & (data.scene == 1)
    pair, found = pairs_apart(fit_lines(moved(data, there, -2.5)))
    assert np.flatnonzero(found.out(1.0)).tolist() == [int(pair[there][0])]


def test_a_card_in_two_scenes_is_found_where_each_alone_is_not_sure() -> None:
    data = drawn(21, cards=14, scenes=8)
    there = (data.card == 3) & np.isin(data.scene, (1, 5))
    pair, two = pairs_apart(fit_lines(moved(data, there, -1.5)))
    assert sorted(np.flatnonzero(two.out(1.0))) == sorted(set(pair[there]))
    pair, one = pairs_apart(fit_lines(moved(data, there & (data.scene == 1), -1.5)))
    assert not one.out(1.0).any()


def test_cells_whose_columns_are_not_sure_are_judged_less_surely() -> None:
    data = drawn(9, per=3)
    off = moved(data, np.arange(len(data.y)) == 20, 4.0)
    unsure = np.zeros((len(data.y), 1, 1))
    unsure[20] = 1.0  # of a slope of 2.5: 2.5 ms of sd
    assert np.flatnonzero(cells_apart(fit_lines(off)).out(1.0)).tolist() == [20]
    found = cells_apart(fit_lines(replace(off, unsure=unsure)))
    assert not found.out(1.0).any()
    assert found.sd[20] == pytest.approx(np.hypot(2.5, found.sd[21]), rel=0.1)


def test_families_share_the_chance() -> None:
    data = drawn(10)
    one, three = (cells_apart(fit_lines(replace(data, families=n))).p for n in (1, 3))
    np.testing.assert_allclose(three, np.minimum(1.0, 3 * one))


def test_what_is_surely_apart_but_small_is_not_out() -> None:
    data = drawn(5)
    lines = fit_lines(moved(data, data.card == 5, 4.0))
    assert not lines.cards.out(10.0).any()


def test_few_cards_cannot_be_told_apart() -> None:
    lines = fit_lines(drawn(6, cards=FEWEST_CARDS - 1))
    assert np.isnan(lines.cards.p).all()
    assert not lines.cards.out(0.0).any()


def test_nothing_is_found_in_most_benches_where_nothing_is() -> None:
    """Each kind of question errs in one bench of twenty; 20 benches, so three errors are many."""
    out = [
        (
            one.cards.out(0.0).any(),
            cells_apart(one).out(0.0).any(),
            pairs_apart(one)[1].out(0.0).any(),
        )
        for one in (fit_lines(drawn(100 + seed)) for seed in range(20))
    ]
    assert (np.array(out).sum(axis=0) <= 3).all()  # binomial, p = .05: more has a chance of 1.6%


def test_normal_errors_inform_as_normal_ones_do() -> None:
    """The variance of a t4 estimate of a normal mean by Huber's formula, 1.08 / n by quadrature."""
    rng = np.random.default_rng(11)
    n = 4000
    group = np.arange(n) % 20
    one = np.ones(n)
    effect = Effect(group, one, ScalePrior(0.1, 1.0), 20)
    y = rng.standard_normal(n)
    fit = fit_mixed(MixedData(y, one[:, None], (effect,), one, one, ScalePrior(0.01, 0.1), 4.0))
    own = fit.covariance[0, 0] - fit.sds[0] ** 2 / 20
    z = np.linspace(-12, 12, 24001)
    law = norm.pdf(z) / norm.pdf(z).sum()
    weight = 5 / (4 + z**2)
    push, slope = (law * weight**2 * z**2).sum(), (law * weight * (4 - z**2) / (4 + z**2)).sum()
    assert own * n == pytest.approx(push / slope**2, rel=0.05)


def test_draws_have_the_covariance_of_the_fit_and_that_of_the_scales() -> None:
    fit = fit_mixed(drawn(7).mixed())
    draws, scales = draw_coefficients(fit, 4096, 64, seed=1)
    np.testing.assert_allclose(draws[:, :2].mean(axis=0), fit.coefficients[:2], atol=0.3)
    ratio = draws[:, :2].std(axis=0) / np.sqrt(np.diag(fit.covariance))[:2]
    assert (ratio > 0.9).all()
    assert (ratio < 2.0).all()  # wider, since scales are not known
    assert (scales.std(axis=0) > 0).all()
    again, _ = draw_coefficients(fit, 4096, 64, seed=1)
    np.testing.assert_array_equal(draws, again)


@pytest.mark.parametrize(("dof", "low", "high"), [(3.0, 2.3, 4.2), (np.inf, 15.0, 200.1)])
def test_tails_of_repeats(dof: float, low: float, high: float) -> None:
    """Simulated: cells of 3 runs with t errors; residuals of 3 are a little lighter-tailed."""
    rng = np.random.default_rng(8)
    cell = np.repeat(np.arange(1500), 3)
    errors = norm.rvs(size=4500, random_state=rng)
    if np.isfinite(dof):
        errors = rng.standard_t(dof, 4500)
    assert low < repeat_tail(errors, cell, np.ones(4500)) < high


def test_tails_of_means_and_no_repeats() -> None:
    assert tail_of_mean(3.0, 4.0) == 3.0  # no fourth moment: as heavy
    assert tail_of_mean(10.0, 3.0) == pytest.approx(4 + 3 * 6)
    assert np.isnan(repeat_tail(np.arange(3.0), np.arange(3), np.ones(3)))
