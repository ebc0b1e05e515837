"""The statistics of a run: properties that hold for any frames, and simulated truths."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.signal import lfilter
from scipy.stats import norm

from scalemodel.model.arrays import FloatArray
from scalemodel.model.frames import source as source_module
from scalemodel.model.frames.counts import Counter
from scalemodel.model.frames.longrun import block_length, mean_error
from scalemodel.model.frames.pacing import STRETCH, running_medians, spikes
from scalemodel.model.frames.source import PIECE, FrameArray, Part, cut, pieces
from scalemodel.model.frames.summary import ALL_KEPT, RunSummary, summarise

LEVEL = 0.8

runs = st.builds(
    lambda seed, count, spread: np.random.default_rng(seed).lognormal(2.5, spread, count),
    st.integers(0, 2**32 - 1),
    st.integers(300, 5000),
    st.floats(0.001, 1.5),
)
property_test = settings(max_examples=40, deadline=None, derandomize=True)


def dependent(count: int, rho: float, sd: float, *seed: int) -> FloatArray:
    """Simulate frame times whose logarithm is AR(1), about 12 ms."""
    z = np.random.default_rng(seed).standard_normal(count) * math.sqrt(1 - rho**2)
    z[0] /= math.sqrt(1 - rho**2)
    return np.asarray(12 * np.exp(sd * lfilter([1.0], [1.0, -rho], z)))


def summary(times: FloatArray) -> RunSummary:
    return summarise(FrameArray(times), LEVEL)


@property_test
@given(runs)
def test_rates_are_within_what_frames_allow(times: FloatArray) -> None:
    run = summary(times)
    assert 1000 / times.max() * (1 - 1e-12) <= run.rate <= 1000 / times.min() * (1 + 1e-12)
    assert run.average.faster <= run.average.time <= run.average.slower
    low, lower = run.lows["low_1pct"], run.lows["low_01pct"]
    assert low.quantile is not None
    assert low.slowest_mean is not None
    assert low.slowest_mean.time >= run.average.time * (1 - 1e-12)
    assert low.slowest_mean.time >= low.quantile.time * (1 - 1e-12)
    for found in (low.quantile, low.slowest_mean):
        assert found.faster <= found.time * (1 + 1e-12)
        assert found.time <= found.slower * (1 + 1e-12)
    assert (lower.quantile is None) == (len(times) < 2995)
    if lower.quantile is not None and lower.slowest_mean is not None:
        assert lower.quantile.time >= low.quantile.time
        assert lower.slowest_mean.time >= low.slowest_mean.time


@property_test
@given(runs, st.randoms(use_true_random=False))
def test_rates_do_not_depend_on_the_order_of_frames(times: FloatArray, random: object) -> None:
    assert isinstance(random, __import__("random").Random)
    order = list(range(len(times)))
    random.shuffle(order)
    one, other = summary(times), summary(times[order])
    assert_allclose(other.rate, one.rate, rtol=1e-12)
    assert_allclose(other.input_wait, one.input_wait, rtol=1e-12)
    for metric, low in one.lows.items():
        for name in ("quantile", "slowest_mean"):
            ours, theirs = getattr(low, name), getattr(other.lows[metric], name)
            if ours is not None:
                assert_allclose(theirs.time, ours.time, rtol=1e-12)


@property_test
@given(runs, st.floats(0.1, 10))
def test_a_slower_clock_only_scales_the_rates(times: FloatArray, factor: float) -> None:
    one, other = summary(times), summary(times * factor)
    assert_allclose(other.rate * factor, one.rate, rtol=1e-9)
    assert_allclose(other.drift, one.drift, atol=1e-9)
    assert other.spikes == one.spikes


@pytest.mark.parametrize("count", [ALL_KEPT + 1, 3 * PIECE + 17, 700_001])
def test_long_runs_are_exact_too(count: int) -> None:
    times = dependent(count, 0.9, 0.2, 3, count)
    run = summary(times)
    assert_allclose(run.total, math.fsum(times), rtol=1e-14)
    slow = np.sort(times)[::-1]
    for metric, share in (("low_1pct", 0.01), ("low_01pct", 0.001)):
        low = run.lows[metric]
        assert low.quantile is not None
        assert low.slowest_mean is not None
        assert_allclose(low.quantile.time, np.quantile(times, 1 - share), rtol=1e-13)
        worst = slow[: math.ceil(share * count)]
        assert_allclose(low.slowest_mean.time, worst.mean(), rtol=1e-13)
    assert run.spikes == len(spikes(times))
    assert_allclose(run.spike_share, times[spikes(times)].sum() / times.sum(), rtol=1e-12)


def test_the_same_run_the_same_bits() -> None:
    times = dependent(200_000, 0.9, 0.2, 4)
    assert summary(times) == summary(times.copy())


def test_a_part_is_as_good_as_a_log_of_its_own() -> None:
    times = dependent(80_000, 0.9, 0.2, 5)
    assert summarise(Part(FrameArray(times), 777, 70_777), LEVEL) == summary(times[777:70_777])


def test_frames_are_cut_out_by_time() -> None:
    source = FrameArray(np.full(1000, 10.0))
    part = cut(source, 1000, 2000)
    assert (part.first, part.last) == (100, 300)
    assert (cut(source, 0, math.inf).first, cut(source, 0, math.inf).last) == (0, 1000)
    part = cut(source, 995, 1004)  # frames that lie whole within
    assert (part.first, part.last) == (100, 199)
    assert cut(source, 10_000, 10).count == 0
    assert cut(source, 9_990, 10).count == 1


@pytest.mark.parametrize("piece", [64, 128, 4096])
def test_a_cut_does_not_depend_on_pieces(piece: int, monkeypatch: pytest.MonkeyPatch) -> None:
    times = dependent(9000, 0.9, 0.3, 6)
    ends = np.cumsum(times)
    whole = cut(FrameArray(times), 20_000, 50_000)
    monkeypatch.setattr(source_module, "PIECE", piece)
    part = cut(FrameArray(times), 20_000, 50_000)
    assert (part.first, part.last) == (whole.first, whole.last)
    assert part.first == 1 + np.searchsorted(ends, 20_000)
    assert part.last == np.searchsorted(ends, 70_000)


def test_pieces_join_to_the_whole() -> None:
    times = dependent(2 * PIECE + 5, 0.5, 0.1, 7)
    assert_array_equal(np.concatenate(list(pieces(FrameArray(times)))), times)


def test_counts_are_exact_between_bins() -> None:
    times = dependent(50_000, 0.9, 0.5, 8)
    counter = Counter()
    for part in np.array_split(times, 7):
        counter.add(part)
    counts = counter.counts()
    assert counts.total == len(times)
    assert_array_equal(counts.below[:-1], [np.count_nonzero(times < e) for e in counts.edges[:-1]])
    assert (np.diff(counts.edges) / counts.edges[:-1] <= 1 / 1024).all()
    assert counts.edge_at(0) <= times.min()


def test_a_hitch_is_a_spike_and_a_cut_to_a_heavy_scene_is_not() -> None:
    times = np.concatenate([np.full(700, 5.0), np.full(900, 14.0)])
    assert not len(spikes(times))
    times[[300, 1200]] = 11.0, 29.0
    assert list(spikes(times)) == [300, 1200]


@pytest.mark.parametrize("count", [1, 31, 32, 64, 95, 96, 97, 1000])
def test_every_frame_has_a_running_median(count: int) -> None:
    times = dependent(count, 0.5, 0.2, 9)
    level = running_medians(times)
    assert len(level) == count
    assert (level >= np.sort(times[:STRETCH])[0]).all()
    assert set(level) <= set(times)


def test_drift_is_last_against_first_third() -> None:
    times = np.concatenate([np.full(100, 10.0), np.full(100, 3.0), np.full(100, 12.5)])
    assert_allclose(summary(times).drift, 10 / 12.5 - 1)


@pytest.mark.parametrize("jitter", [0.05, 0.3, 0.6])
def test_a_cap_is_found_behind_jitter(jitter: float) -> None:
    rng = np.random.default_rng([10, int(100 * jitter)])
    starts = np.arange(6001) * 1000 / 144 + jitter * rng.standard_normal(6001)
    hold = summary(np.diff(starts)).hold
    assert 1000 / hold.time == pytest.approx(144, rel=0.005)


def test_missed_refreshes_are_multiples() -> None:
    rng = np.random.default_rng(11)
    times = 1000 / 60 * rng.choice([1, 2, 3], p=[0.8, 0.15, 0.05], size=4000)
    hold = summary(times + 0.02 * rng.standard_normal(4000)).hold
    assert 1000 / hold.time == pytest.approx(60, rel=0.01)
    assert hold.multiples == pytest.approx(0.2, abs=0.02)
    assert hold.share > 0.98


@pytest.mark.parametrize("sd", [0.02, 0.05, 0.12])
def test_work_alone_does_not_look_held(sd: float) -> None:
    for k in range(20):
        assert math.isnan(summary(dependent(6000, 0.92, sd, 12, k)).hold.time)


def test_few_frames_have_an_average_and_nothing_else() -> None:
    run = summary(np.array([10.0, 30.0]))
    assert run.rate == 50
    assert math.isnan(run.average.slower)
    assert run.lows["low_1pct"].quantile is None
    assert run.lows["low_1pct"].fewest == 299
    assert math.isnan(run.drift)


def test_equal_frames_have_no_spread() -> None:
    run = summary(np.full(5000, 8.0))
    assert (run.average.faster, run.average.slower) == (8.0, 8.0)
    low = run.lows["low_01pct"]
    assert low.quantile is not None
    assert low.quantile.time == 8.0
    assert run.hold.time == pytest.approx(8.0, rel=1e-3)


@pytest.mark.parametrize(("rho", "low", "high"), [(0.0, 1, 3), (0.8, 30, 65), (0.95, 80, 220)])
def test_blocks_are_as_long_as_theory_wants(rho: float, low: int, high: int) -> None:
    """(2 G^2 / D n)^(1/3), D = 4/3 g(0)^2: for AR(1) 47 at rho 0.8, 126 at 0.95, n = 3500."""
    lengths = [
        block_length(np.log(dependent(3500, rho, 0.2, 13, k)) - math.log(12)) for k in range(30)
    ]
    assert low <= np.median(lengths) <= high


def test_negative_dependence_does_not_break_the_error() -> None:
    error = mean_error(np.diff(np.random.default_rng(14).standard_normal(4001)))
    assert 0 <= error.sd < 0.01  # independent numbers of this spread: 0.022


TRUE_SD = 0.2


def covered(rho: float, count: int, repeats: int) -> dict[str, float]:
    """Give how often ranges hold the truth: mean and quantiles of a lognormal AR(1)."""
    z99, z999 = norm.ppf(0.99), norm.ppf(0.999)
    tail = {a: norm.sf(norm.ppf(1 - a) - TRUE_SD) / a for a in (0.01, 0.001)}
    mean = 12 * math.exp(TRUE_SD**2 / 2)
    truth = {
        "average": mean,
        "low_1pct quantile": 12 * math.exp(TRUE_SD * z99),
        "low_01pct quantile": 12 * math.exp(TRUE_SD * z999),
        "low_1pct slowest_mean": mean * tail[0.01],
        "low_01pct slowest_mean": mean * tail[0.001],
    }
    hits = dict.fromkeys(truth, 0)
    for k in range(repeats):
        run = summary(dependent(count, rho, TRUE_SD, 15, k))
        for name, true in truth.items():
            metric, _, definition = name.partition(" ")
            found = getattr(run.lows[metric], definition) if definition else run.average
            hits[name] += found.faster <= true <= found.slower
    return {name: hit / repeats for name, hit in hits.items()}


@pytest.mark.parametrize(("rho", "count"), [(0.0, 4000), (0.8, 6000), (0.92, 20_000)])
def test_ranges_hold_the_truth_about_as_often_as_they_say(rho: float, count: int) -> None:
    """At a level of 0.8; three standard errors of 150 runs are 0.1.

    The mean of the slowest frames is the hardest: a few frames decide it.
    """
    found = covered(rho, count, 150)
    assert 0.7 <= found["average"] <= 0.9
    assert 0.7 <= found["low_1pct quantile"] <= 0.93
    assert found["low_01pct quantile"] >= 0.7
    assert found["low_1pct slowest_mean"] >= 0.68
    assert found["low_01pct slowest_mean"] >= 0.63
