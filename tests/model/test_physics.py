"""What a frame costs: every analytic derivative against central differences, and the limits."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scalemodel.model.physics import (
    Predictors,
    StageSpeeds,
    gpu_side,
    smooth_min,
    under_ceiling,
)

STEP = 1e-5
#: Central differences with that step err by about STEP^2 times third derivatives of order one.
CLOSE = {"rtol": 1e-6, "atol": 1e-8}
STAGES = 4
seeds = st.integers(0, 2**32 - 1)
same_each_time = settings(derandomize=True, deadline=None, max_examples=60)


def random_point(seed: int, rows: int = 5) -> tuple[StageSpeeds, Predictors]:
    rng = np.random.default_rng(seed)
    cache = rng.normal(3.0, 1.5, rows)
    cache[0] = -np.inf  # a card without one
    speeds = StageSpeeds(
        log_speed=rng.normal(0, 0.7, (rows, STAGES)),
        log_width=rng.normal(0, 0.7, rows),
        log_cache=cache,
        reference_cache=float(rng.normal(3.0, 1.0)),
        arithmetic=0,
        traffic=1,
    )
    at = Predictors(
        stage=rng.normal(-1.5, 1.0, (rows, STAGES)),
        growth=rng.normal(0.0, 0.5, (rows, STAGES)),
        offset=rng.normal(4.0, 1.0, rows),
        fill=rng.normal(-2.5, 0.8, rows),
        request=rng.normal(0.3, 0.6, rows),
        hit=rng.normal(-1.0, 0.5, rows),
        working_set=rng.normal(3.0, 0.8, rows),
        set_growth=rng.normal(0.0, 0.4, rows),
    )
    return speeds, at


@given(seeds)
@same_each_time
def test_derivatives_of_the_gpu_side(seed: int) -> None:
    speeds, at = random_point(seed)
    exact = gpu_side(speeds, at)
    for name in ("fill", "request", "hit", "working_set", "set_growth"):
        value = getattr(at, name)
        up = gpu_side(speeds, replace(at, **{name: value + STEP})).log_rate
        down = gpu_side(speeds, replace(at, **{name: value - STEP})).log_rate
        slope = getattr(exact, f"by_{name}")
        np.testing.assert_allclose(slope, (up - down) / (2 * STEP), **CLOSE)
    for k in range(STAGES):
        shift = STEP * np.eye(STAGES)[k]
        up = gpu_side(speeds, replace(at, stage=at.stage + shift)).log_rate
        down = gpu_side(speeds, replace(at, stage=at.stage - shift)).log_rate
        np.testing.assert_allclose(exact.by_stage[:, k], (up - down) / (2 * STEP), **CLOSE)
        up = gpu_side(speeds, replace(at, growth=at.growth + shift)).log_rate
        down = gpu_side(speeds, replace(at, growth=at.growth - shift)).log_rate
        np.testing.assert_allclose(exact.by_growth[:, k], (up - down) / (2 * STEP), **CLOSE)


@given(seeds)
@same_each_time
def test_the_stages_share_the_frame_among_them(seed: int) -> None:
    # Theorem: the time of a frame is a sum over stages, so their elasticities sum to one.
    shares = -gpu_side(*random_point(seed)).by_growth
    assert (shares >= 0).all()
    np.testing.assert_allclose(shares.sum(axis=-1), 1.0, rtol=1e-12)


def test_without_a_spec_for_a_stage_its_laws_do_not_act() -> None:
    speeds, at = random_point(1)
    bare = gpu_side(replace(speeds, arithmetic=None, traffic=None), at)
    time = np.exp(at.stage + at.growth - speeds.log_speed).sum(axis=1)
    np.testing.assert_allclose(
        bare.log_rate, at.offset - np.log(time / np.exp(at.stage).sum(axis=1))
    )
    for slope in (bare.by_fill, bare.by_request, bare.by_hit, bare.by_working_set):
        assert (slope == 0).all()


def test_the_offset_is_the_rate_of_the_reference_card() -> None:
    speeds, at = random_point(5)
    card = replace(
        speeds,
        log_speed=np.zeros_like(speeds.log_speed),
        log_width=np.zeros_like(speeds.log_width),
        log_cache=np.full_like(speeds.log_cache, speeds.reference_cache),
    )
    here = replace(at, growth=np.zeros_like(at.growth), set_growth=np.zeros_like(at.set_growth))
    np.testing.assert_allclose(gpu_side(card, here).log_rate, at.offset, rtol=1e-12)
    # What all stages have in common drops out, for any card.
    heavier = gpu_side(speeds, replace(at, stage=at.stage + 0.7))
    np.testing.assert_allclose(heavier.log_rate, gpu_side(speeds, at).log_rate, rtol=1e-12)


def test_evaluating_leaves_its_input_alone() -> None:
    speeds, at = random_point(2)
    before = at.stage.copy(), speeds.log_speed.copy()
    gpu_side(speeds, at)
    np.testing.assert_array_equal(at.stage, before[0])
    np.testing.assert_array_equal(speeds.log_speed, before[1])


@pytest.mark.parametrize("stage", range(STAGES))
def test_a_faster_stage_never_slows_a_card(stage: int) -> None:
    speeds, at = random_point(3, rows=40)
    faster = speeds.log_speed.copy()
    faster[:, stage] += 0.3
    gain = gpu_side(replace(speeds, log_speed=faster), at).log_rate - gpu_side(speeds, at).log_rate
    assert (gain > 0).all()
    assert (gain < 0.3 + 1e-12).all()


def test_bandwidth_beyond_what_the_shaders_request_is_worth_nothing() -> None:
    speeds, at = random_point(4, rows=40)
    wide = speeds.log_speed.copy()
    wide[:, 1] = wide[:, 0] + at.request + 12.0
    wider = wide + np.array([0, 1.0, 0, 0])
    gain = (
        gpu_side(replace(speeds, log_speed=wider), at).log_rate
        - gpu_side(replace(speeds, log_speed=wide), at).log_rate
    )
    assert (np.abs(gain) < 1e-9).all()


@given(seeds)
@same_each_time
def test_derivatives_under_the_ceiling(seed: int) -> None:
    rng = np.random.default_rng(seed)
    gpu, ceiling = rng.normal(4.6, 0.3, (2, 8))
    log_p = rng.uniform(np.log(3), np.log(60), 8)
    exact = under_ceiling(gpu, ceiling, log_p)

    def slope(of: str, along: str) -> np.ndarray:
        # Steps are scaled with the knee, whose width is 1 / p.
        step = 1e-4 * np.exp(-log_p)
        shift = {"gpu": (step, 0.0, 0.0), "ceiling": (0.0, step, 0.0), "p": (0.0, 0.0, step)}
        d_gpu, d_ceiling, d_p = shift[along]
        up = getattr(under_ceiling(gpu + d_gpu, ceiling + d_ceiling, log_p + d_p), of)
        down = getattr(under_ceiling(gpu - d_gpu, ceiling - d_ceiling, log_p - d_p), of)
        return np.asarray((up - down) / (2 * step))

    close = {"rtol": 1e-5, "atol": 1e-7}
    np.testing.assert_allclose(exact.sensitivity, slope("log_rate", "gpu"), **close)
    np.testing.assert_allclose(1 - exact.sensitivity, slope("log_rate", "ceiling"), **close)
    np.testing.assert_allclose(exact.rate_by_log_p, slope("log_rate", "p"), **close)
    np.testing.assert_allclose(exact.sensitivity_by_gap, slope("sensitivity", "gpu"), **close)
    np.testing.assert_allclose(-exact.sensitivity_by_gap, slope("sensitivity", "ceiling"), **close)
    np.testing.assert_allclose(exact.sensitivity_by_log_p, slope("sensitivity", "p"), **close)


@given(seeds)
@same_each_time
def test_the_two_sides_share_the_rate_among_them(seed: int) -> None:
    # Theorem: the smooth minimum scales with both sides, so their elasticities sum to one.
    rng = np.random.default_rng(seed)
    gpu, ceiling = rng.normal(4.6, 0.5, (2, 20))
    log_p = rng.uniform(np.log(3), np.log(60), 20)
    for factor in (0.5, 2.0):
        shifted = under_ceiling(gpu + np.log(factor), ceiling + np.log(factor), log_p)
        moved = shifted.log_rate - under_ceiling(gpu, ceiling, log_p).log_rate
        np.testing.assert_allclose(moved, np.log(factor), atol=1e-12)


@given(seeds)
@same_each_time
def test_the_log_form_is_the_smooth_minimum(seed: int) -> None:
    rng = np.random.default_rng(seed)
    gpu, ceiling = rng.uniform(20, 500, (2, 12))
    p = rng.uniform(3, 60, 12)
    rate = np.exp(under_ceiling(np.log(gpu), np.log(ceiling), np.log(p)).log_rate)
    np.testing.assert_allclose(rate, smooth_min(gpu, ceiling, p), rtol=1e-12)
    assert (rate <= np.minimum(gpu, ceiling) * (1 + 1e-13)).all()  # but for rounding


def test_far_from_the_knee_nothing_overflows() -> None:
    log_p = np.full(2, np.log(60.0))
    far = under_ceiling(np.array([-50.0, 60.0]), np.array([5.0, 5.0]), log_p)
    np.testing.assert_allclose(far.log_rate, [-50.0, 5.0], atol=1e-12)
    np.testing.assert_allclose(far.sensitivity, [1.0, 0.0], atol=1e-12)
    assert np.isfinite(far.rate_by_log_p).all()
