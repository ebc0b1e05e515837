"""Published values and theorems on frame times: averages, quantiles, tails, dependence, waits."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import lfilter
from scipy.stats import binom

from scalemodel.model.arrays import FloatArray
from scalemodel.model.frames.longrun import mean_error
from scalemodel.model.frames.lows import (
    fewest_frames,
    order_ranks,
    quantile_time,
    slowest_mean_time,
)
from scalemodel.model.frames.source import FrameArray
from scalemodel.model.frames.summary import average_rate, input_wait, summarise

STUTTER = np.array([10.0] * 99 + [110.0])


def slowest_first(times: FloatArray) -> FloatArray:
    return np.sort(times)[::-1]


def waits(times: FloatArray) -> tuple[float, float]:
    return input_wait(float(times.sum()), float((times**2).sum()), float((times**3).sum()))


def test_the_average_is_frames_over_time() -> None:
    """Identity; Smith 1988, Communications of the ACM 31(10): a rate is work over total time."""
    assert_allclose(average_rate(STUTTER), 90.9090909, atol=1e-7)
    assert_allclose(average_rate(STUTTER), 1 / np.mean(STUTTER / 1000), rtol=1e-9)
    rates = 1000 / STUTTER
    assert_allclose(average_rate(STUTTER), np.average(rates, weights=STUTTER), rtol=1e-9)
    assert_allclose(average_rate(STUTTER), 1 / np.mean(1 / rates), rtol=1e-9)
    assert_allclose(rates.mean(), 99.0909, atol=5e-5)  # the mean of rates is not it
    assert_allclose(summarise(FrameArray(STUTTER), 0.8).rate, 90.9090909, atol=1e-7)


@pytest.mark.parametrize(
    ("times", "arithmetic", "harmonic"),
    [((1, 1000), 50.05, 0.1998), ((10, 100), 5.5, 1.818), ((20, 20), 5.0, 5.0)],
)
def test_three_machines(times: tuple[int, int], arithmetic: float, harmonic: float) -> None:
    """Smith 1988, tables I and II (recalled from memory): two programs of 100 units of work.

    The total time orders the machines; the arithmetic mean of rates reverses the order.
    """
    seconds = np.array(times, dtype=float)
    assert_allclose((100 / seconds).mean(), arithmetic, atol=5e-5)
    assert_allclose(100 * average_rate(1000 * seconds), harmonic, atol=5e-4)


def test_the_quantile_is_of_type_7() -> None:
    """Hyndman and Fan 1996, The American Statistician 50(4): 10, 20, ..., 100.

    At 0.25 the nine types give 30, 30, 20, 25, 30, 27.5, 32.5, 29.17 and 29.37; at 0.99 all but
    type 7 give 99 or 100.
    """
    times = np.arange(10.0, 101.0, 10.0)
    assert_allclose(quantile_time(slowest_first(times), 10, 0.75), 32.5, atol=1e-9)
    assert_allclose(quantile_time(slowest_first(times), 10, 0.01), 99.1, atol=1e-9)


def test_the_two_definitions_differ() -> None:
    """From the definitions: 0.1, 0.2, ..., 100 ms."""
    times = np.arange(1, 1001) / 10
    slowest = slowest_first(times)
    assert_allclose(1000 / quantile_time(slowest, 1000, 0.01), 10.1009081, atol=1e-6)
    assert_allclose(1000 / slowest_mean_time(slowest, 1000, 0.01), 10.0452034, atol=1e-6)


def exponential(count: int, number: int) -> FloatArray:
    return np.random.default_rng([51, number]).exponential(1.0, count)


def test_how_far_a_quantile_strays() -> None:
    """Cramer 1946, 28.5: sd sqrt(p (1 - p) / n) / f = 0.0995 for Exp(1), p = 0.99, n = 10,000.

    And the expected shortfall of the exponential: 1 + ln 100 = 5.605. Bounds: 3 standard errors
    of what 3,000 samples give.
    """
    n, samples = 10_000, 3000
    slowest = [slowest_first(exponential(n, k)) for k in range(samples)]
    quantiles = [quantile_time(s, n, 0.01) for s in slowest]
    means = [slowest_mean_time(s, n, 0.01) for s in slowest]
    assert np.std(quantiles) == pytest.approx(0.0995, rel=3 / math.sqrt(2 * samples))
    assert np.mean(means) == pytest.approx(1 + math.log(100), rel=0.001)


def test_ranges_of_independent_frames_are_as_wide_as_theory_says() -> None:
    """The same sd, 0.0995, from single samples: a range of 68.27% is twice that wide.

    Order statistics are whole ranks, one of about 20 within the range, so that it is up to 10%
    wider; the variance is estimated, which adds a little.
    """
    widths = []
    for k in range(60):
        low = summarise(FrameArray(exponential(10_000, k)), 0.6827).lows["low_1pct"].quantile
        assert low is not None
        widths.append((low.slower - low.faster) / 2)
    assert 0.0995 < np.mean(widths) < 1.2 * 0.0995


def test_order_statistics_that_bound_a_quantile() -> None:
    """Wilks 1941, Annals of Mathematical Statistics 12 (exact): n = 1000, p = 0.99, 95%."""
    low, high = order_ranks(1000, 0.99, 0.95)
    assert (low, high) == (983, 997)
    covered = binom.cdf(high - 1, 1000, 0.99) - binom.cdf(low - 1, 1000, 0.99)
    assert_allclose(covered, 0.9761, atol=5e-5)


@pytest.mark.parametrize(("share", "fewest"), [(0.05, 59), (0.01, 299), (0.001, 2995)])
def test_fewest_frames_for_a_low(share: float, fewest: int) -> None:
    """Wilks 1941 (exact): the smallest n with (1 - share)^n at most 0.05."""
    assert fewest_frames(share) == fewest
    assert (1 - share) ** fewest <= 0.05 < (1 - share) ** (fewest - 1)


def test_the_error_of_a_mean_of_dependent_numbers() -> None:
    """Box and Jenkins; exact finite sum: AR(1), rho 0.8, n = 3500: sd of the mean 0.0845.

    Three times what independent numbers of the same variance would have (0.0282, the AR series
    has variance 2.78 with unit innovations). The mean of 200 estimates has a standard error of
    about 1%.
    """
    n, rho = 3500, 0.8
    lags = np.arange(1, n)
    variance = 1 / (1 - rho**2)
    exact = math.sqrt(variance / n**2 * (n + 2 * np.sum((n - lags) * rho**lags)))
    assert_allclose(exact, 0.0845, atol=5e-5)
    found = []
    for k in range(200):
        z = np.random.default_rng([52, k]).standard_normal(n)
        z[0] /= math.sqrt(1 - rho**2)
        found.append(mean_error(lfilter([1.0], [1.0, -rho], z)).sd)
    assert np.mean(found) == pytest.approx(exact, rel=0.04)
    assert np.mean(found) > 2.8 * math.sqrt(variance / n)


def test_the_wait_for_the_next_frame() -> None:
    """Renewal theory (Feller II, chapter XI; Cox 1962): E[X^2] / 2 E[X] = 10 ms, not 5.5."""
    mean, _ = waits(STUTTER)
    assert_allclose(mean, 10.0, rtol=1e-9)
    assert_allclose(summarise(FrameArray(STUTTER), 0.8).input_wait, 10.0, rtol=1e-9)
    moments = np.random.default_rng(53).uniform(0, STUTTER.sum(), 400_000)
    ends = np.cumsum(STUTTER)
    waited = ends[np.searchsorted(ends, moments)] - moments
    assert waited.mean() == pytest.approx(mean, abs=0.1)
    assert waited.std() == pytest.approx(waits(STUTTER)[1], abs=0.15)


@pytest.mark.parametrize(
    ("hertz", "mean", "sd"),
    [(60, 8.33333, 4.81125), (144, 3.47222, 2.00469), (240, 2.08333, 1.20281)],
)
def test_the_wait_for_a_refresh(hertz: int, mean: float, sd: float) -> None:
    """Uniform law: half an interval, and an interval over sqrt(12)."""
    steady = np.full(1000, 1000 / hertz)
    assert_allclose(waits(steady), (mean, sd), atol=1e-5)
    assert_allclose(math.sqrt(2) * waits(steady)[1], math.sqrt(2) * sd, atol=1e-5)


def test_two_waits_for_a_refresh() -> None:
    """Triangular law at 60 Hz: independent waits add in variance, sd 6.8041 ms."""
    _, sd = waits(np.full(1000, 1000 / 60))
    assert_allclose(math.hypot(sd, sd), 6.8041, atol=5e-5)
