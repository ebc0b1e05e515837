"""What a click waits for: theorems of renewal and queueing theory."""

import numpy as np
import pytest

from scalemodel.model.waiting import (
    input_wait,
    least_latency,
    queue_latency,
    queue_wait,
    scanout_wait,
)


def test_an_input_waits_longer_than_half_a_frame_where_frames_differ() -> None:
    """99 frames of 10 ms and one of 110 ms: E[X^2] / (2 E[X]) = 10 ms, not 5.5.

    Renewal theory: Cox 1962, Renewal Theory; Feller 1971, II, XI.
    """
    times = np.array([10.0] * 99 + [110.0])
    assert input_wait(times) == pytest.approx(10.0, abs=1e-9)
    assert input_wait(np.full(7, 8.0)) == pytest.approx(4.0)
    ends = np.cumsum(np.random.default_rng(1).permutation(times))
    click = np.random.default_rng(2).uniform(0, ends[-1], 400_000)
    waited = ends[np.searchsorted(ends, click)] - click
    assert waited.mean() == pytest.approx(10.0, abs=0.1)  # Monte Carlo


def test_a_screen_is_waited_for_half_an_interval() -> None:
    """Uniform law: mean half an interval (its sd is the interval over sqrt(12))."""
    found = scanout_wait([60.0, 144.0, 240.0])
    np.testing.assert_allclose(found, [8.3333, 3.4722, 2.0833], atol=1e-4)
    np.testing.assert_allclose(2 * found / np.sqrt(12), [4.8113, 2.0047, 1.2028], atol=1e-4)


def test_waits_in_queues() -> None:
    """Pollaczek and Khinchine: M/M/1 and M/D/1 at a load of 0.9; Little 1961."""
    assert queue_wait(0.9, 1.0, 1.0) == pytest.approx(9.0, abs=1e-9)
    assert queue_wait(0.9, 1.0, 0.0) == pytest.approx(4.5, abs=1e-9)
    assert float(queue_latency(3, 60)) == pytest.approx(50.0, abs=1e-9)


def test_what_latency_cannot_be_below() -> None:
    """Half a frame, the GPU's work, half a refresh; an unknown refresh counts nothing."""
    frame, gpu = np.array([10.0, 10.0]), np.array([10.0, 4.0])
    found = least_latency(frame, gpu, np.array([250.0, np.nan]))
    np.testing.assert_allclose(found, [5.0 + 10.0 + 2.0, 5.0 + 4.0])
