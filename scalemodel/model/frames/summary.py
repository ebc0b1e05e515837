"""One run from its frame times, in two goes through them: rates, lows, and how the run went."""

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray
from scalemodel.model.frames.counts import Counter, Counts
from scalemodel.model.frames.longrun import FEWEST, mean_error
from scalemodel.model.frames.lows import (
    SHARES,
    Low,
    Tail,
    fewest_frames,
    low_ranks,
    quantile_low,
    slowest_mean_low,
)
from scalemodel.model.frames.pacing import STRETCH, TOGETHER, Hold, hold, spikes
from scalemodel.model.frames.source import PIECE, FrameSource, Part, pieces

MOST_BATCHES = 8192
"""Sums kept for the errors of means; in a longer run each is over two, four, ... frames."""

TAIL = 0.02
"""Share of the slowest frames kept; more only where a range reaches further."""

ALL_KEPT = 100_000
"""Frames of a run so short that all are kept."""


@dataclass(frozen=True)
class RunLow:
    """A low of a run.

    Attributes:
        quantile, slowest_mean: by the two definitions; None if there are too few frames.
        fewest: frames that are needed.
    """

    quantile: Low | None
    slowest_mean: Low | None
    fewest: int


@dataclass(frozen=True)
class RunSummary:
    """What the frame times of a run come to. Times are in ms.

    Attributes:
        frames: number of frames.
        total: time they took.
        average: mean frame time and its range.
        lows: by metric: low_1pct and low_01pct.
        block_frames: frames in a block for the error of the average.
        drift: rate of the last third of the frames over that of the first, minus 1.
        spikes: number of spikes.
        spike_share: share of the time that is in spikes.
        input_wait, input_wait_sd: how long an input at any moment waits for the next frame.
        hold: the pace that holds the run, if any.
    """

    frames: int
    total: float
    average: Low
    lows: dict[str, RunLow]
    block_frames: int
    drift: float
    spikes: int
    spike_share: float
    input_wait: float
    input_wait_sd: float
    hold: Hold

    @property
    def rate(self) -> float:
        """Average rate: frames over the time they took."""
        return 1000 * self.frames / self.total


def summarise(source: FrameSource, level: float) -> RunSummary:
    """Reduce a run.

    Args:
        source: its frames, at least one, each between the shortest and longest time counted.
        level: of the ranges.
    """
    look = _first_look(source)
    n = source.count
    total = look.total
    mean = total / n
    average, block = Low(mean, math.nan, math.nan), 0
    if len(look.batch_means) >= FEWEST:
        error = mean_error(look.batch_means)
        reach = error.reach(level)
        slower = mean + reach
        average = Low(mean, max(mean - reach, mean**2 / slower), slower)
        block = error.block * look.batch_frames
    wait, wait_sd = input_wait(total, look.squares, look.cubes)
    third = n // 3
    drift = math.nan
    if third:
        drift = _sum(source, 0, third) / _sum(source, n - third, n) - 1
    averages = look.averages.counts() if n >= FEWEST * TOGETHER else None
    return RunSummary(
        frames=n,
        total=total,
        average=average,
        lows=_lows(source, look, level),
        block_frames=block,
        drift=drift,
        spikes=look.spikes,
        spike_share=look.spike_time / total,
        input_wait=wait,
        input_wait_sd=wait_sd,
        hold=hold(look.counts, averages),
    )


def average_rate(times: FloatArray) -> float:
    """Give frames over total time in frames per second, from frame times in ms.

    It is the harmonic mean of the frames' own rates; their arithmetic mean is too high.
    """
    return 1000 * len(times) / math.fsum(times)


def input_wait(total: float, squares: float, cubes: float) -> tuple[float, float]:
    """Give the mean and standard deviation of the wait from any moment to the next frame.

    E[X^2] / 2 E[X] and, squared, E[X^3] / 3 E[X]: the residual life of renewal theory (Feller,
    An Introduction to Probability Theory II, chapter XI). A moment is likelier to fall into a
    long frame, so stutter counts.

    Args:
        total, squares, cubes: sums of the frame times in ms, their squares and their cubes.
    """
    mean = squares / (2 * total)
    return mean, math.sqrt(max(cubes / (3 * total) - mean**2, 0.0))


@dataclass(frozen=True)
class _Look:
    total: float
    squares: float
    cubes: float
    spikes: int
    spike_time: float
    counts: Counts
    averages: Counter
    batch_means: FloatArray
    batch_frames: int


def _first_look(source: FrameSource) -> _Look:
    """Go through the run once, in a long run two pieces at a time."""
    batch_frames = 1 << max(math.ceil(math.log2(source.count / MOST_BATCHES)), 0)
    look = _Looking(source, min(batch_frames, PIECE), Counter(), Counter())
    firsts = range(0, source.count, PIECE)
    if len(firsts) == 1:
        looks = [look.at(0)]
    else:
        with ThreadPoolExecutor(2) as threads:
            looks = list(threads.map(look.at, firsts))
    total, squares, cubes, slow_time = (
        math.fsum(column) for column in zip(*(one.sums for one in looks), strict=True)
    )
    return _Look(
        total,
        squares,
        cubes,
        sum(one.spikes for one in looks),
        slow_time,
        look.counter.counts(),
        look.averages,
        np.concatenate([one.batch_means for one in looks]),
        look.batch_frames,
    )


@dataclass(frozen=True)
class _PieceLook:
    """What a piece comes to: its batches, its spikes, the sums of times, squares, cubes, spikes."""

    batch_means: FloatArray
    spikes: int
    sums: tuple[float, float, float, float]


@dataclass(frozen=True)
class _Looking:
    """Looks at pieces, in any order and side by side: only whole numbers are added up here."""

    source: FrameSource
    batch_frames: int
    counter: Counter
    averages: Counter

    def at(self, first: int) -> _PieceLook:
        """Look at the piece that begins at a frame, with its neighbours for the spikes."""
        last = min(first + PIECE, self.source.count)
        begin = max(first - STRETCH, 0)
        end = min(last + STRETCH + STRETCH // 2, self.source.count)
        around = self.source.read(begin, end)
        piece = around[first - begin : last - begin]
        self.counter.add(piece)
        self.averages.add(_means(piece, TOGETHER))
        found = spikes(around)
        slow = around[found[(found >= first - begin) & (found < last - begin)]]
        square = piece * piece
        sums = (float(part.sum()) for part in (piece, square, square * piece, slow))
        times, squares, cubes, slow_time = sums
        means = _means(piece, self.batch_frames)
        return _PieceLook(means, len(slow), (times, squares, cubes, slow_time))


def _means(times: FloatArray, frames: int) -> FloatArray:
    """Give the mean of each so many frames; what is left at the end is left out."""
    if frames == 1:
        return times
    whole = len(times) // frames
    return np.asarray(times[: whole * frames].reshape(whole, frames).mean(axis=1))


def _sum(source: FrameSource, first: int, last: int) -> float:
    part = Part(source, first, last)
    return math.fsum(float(piece.sum()) for piece in pieces(part))


def _lows(source: FrameSource, look: _Look, level: float) -> dict[str, RunLow]:
    n = source.count
    share = 1.0 if n <= ALL_KEPT else TAIL
    tail = _tail(source, look, share)
    lows = {}
    for metric, slowest in SHARES.items():
        fewest = fewest_frames(slowest)
        if n < fewest:
            lows[metric] = RunLow(None, None, fewest)
            continue
        ranks = low_ranks(tail, slowest, level)
        if ranks.fast >= len(tail.times):
            tail = _tail(source, look, 1.0)
        lows[metric] = RunLow(
            quantile_low(tail, slowest, ranks),
            slowest_mean_low(tail, slowest, ranks, level),
            fewest,
        )
    return lows


def _tail(source: FrameSource, look: _Look, share: float) -> Tail:
    """Go through the run a second time for its slowest frames, at least the share asked for."""
    n = source.count
    least = look.counts.edge_at(n - math.ceil(n * share))
    times, places, first = [], [], 0
    for piece in pieces(source):
        there = np.flatnonzero(piece >= least)
        times.append(piece[there])
        places.append((there + first) // look.batch_frames)
        first += len(piece)
    slowest, place = np.concatenate(times), np.concatenate(places)
    order = np.argsort(slowest)[::-1]
    batches = len(look.batch_means)
    return Tail(slowest[order], np.minimum(place[order], batches), n, batches, look.batch_frames)
