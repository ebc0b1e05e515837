"""The 1% and 0.1% low of a run, in two definitions, each with a range.

``quantile`` is the rate at the 99th or 99.9th percentile of frame time, of type 7 in Hyndman and
Fan 1996, The American Statistician 50(4): linear between the order statistics, the fastest frame
at 0 and the slowest at 1. ``slowest_mean`` is the rate of the mean time of the slowest 1% or 0.1%
of frames, rounded up to whole frames. They differ: the second looks at what lies beyond the first.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom, norm
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray
from scalemodel.model.frames.longrun import FEWEST, MeanError, mean_error

SHARES = {"low_1pct": 0.01, "low_01pct": 0.001}
"""Share of the frames that a low is about."""

CONFIDENCE = 0.95


@dataclass(frozen=True)
class Low:
    """A frame time, and the range that holds the true one with the level asked for, in ms.

    Attributes:
        time: the frame time; its rate is the low.
        faster, slower: ends of the range; NaN where it cannot be given, `slower` infinite where
            the frames do not bound it.
    """

    time: float
    faster: float
    slower: float


@dataclass(frozen=True)
class Tail:
    """The slow frames of a run.

    Attributes:
        times: their times in ms, the slowest first.
        batch: for each the batch of frames it is in.
        count: frames of the whole run.
        batches: number of whole batches; frames after the last one have its number.
        batch_frames: frames in a batch.
    """

    times: FloatArray
    batch: NDArray[np.int64]
    count: int
    batches: int
    batch_frames: int

    def batch_means(self, of_frames: FloatArray) -> FloatArray:
        """Give the mean in each batch of a number that is zero for all faster frames."""
        sums = np.bincount(
            self.batch[: len(of_frames)], weights=of_frames, minlength=self.batches + 1
        )
        return np.asarray(sums[: self.batches] / self.batch_frames)


def fewest_frames(share: float) -> int:
    """Give the fewest frames whose slowest bounds a quantile from one side, 19 times in 20.

    Wilks 1941, Annals of Mathematical Statistics 12: (1 - share)^n is at most 0.05.
    """
    return math.ceil(math.log(1 - CONFIDENCE) / math.log1p(-share) - 1e-9)


def order_ranks(count: float, p: float, level: float) -> tuple[int, int]:
    """Give the ranks (from 1) of the order statistics between which the p-quantile lies.

    For independent numbers; the chance is at least `level`. A rank of 0 or of more than `count`:
    not bounded on that side.
    """
    low, high = (int(binom.ppf(at, int(count), p)) for at in ((1 - level) / 2, (1 + level) / 2))
    return low, high + 1


def quantile_place(count: int, share: float) -> tuple[int, float]:
    """Give where the quantile lies: ranks from the slowest (from 0), and how far to the next.

    Of type 7: the place is (n - 1) share from the slowest frame.
    """
    place = (count - 1) * share
    whole = math.floor(place + 1e-9)
    return whole, max(place - whole, 0.0)


def frames_in(count: int, share: float) -> int:
    """Give how many frames are the slowest `share`: rounded up, at least 1."""
    return max(math.ceil(count * share - 1e-9), 1)


def quantile_time(slowest: FloatArray, count: int, share: float) -> float:
    """Give the frame time that only `share` of the frames exceed.

    Args:
        slowest: frame times in ms, the slowest first; as many as are needed.
        count: frames in all.
        share: 0.01 for the 99th percentile.
    """
    whole, part = quantile_place(count, share)
    step = slowest[min(whole + 1, len(slowest) - 1)] - slowest[whole]
    return float(slowest[whole] + part * step)


def slowest_mean_time(slowest: FloatArray, count: int, share: float) -> float:
    """Give the mean time of the slowest `share` of the frames; arguments as above."""
    return float(np.mean(slowest[: frames_in(count, share)]))


@dataclass(frozen=True)
class Ranks:
    """What the range of a low rests on.

    Attributes:
        error: of the share of frames beyond the quantile.
        fast, slow: ranks from the slowest (from 0) of the frames that bound the quantile;
            `slow` is -1 where no frame bounds it.
    """

    error: MeanError
    fast: int
    slow: int


def low_ranks(tail: Tail, share: float, level: float) -> Ranks:
    """Find the frames between which the true quantile lies.

    The frames beyond the quantile come in bursts. Their share varies as that of fewer,
    independent frames would: as many as give the variance found in blocks of frames. The range
    is that of the order statistics of so many (Wilks 1941), for a somewhat higher level, since
    the variance is itself estimated.
    """
    time = quantile_time(tail.times, tail.count, share)
    beyond = (tail.times > time).astype(float)
    error = mean_error(tail.batch_means(beyond))
    found = beyond.sum() / tail.count
    plain = found * (1 - found) / tail.count
    inflation = max(error.sd**2 / plain, 1.0) if plain > 0 else 1.0
    wider = student.ppf((1 + level) / 2, error.freedom) / norm.ppf((1 + level) / 2)
    independent = max(tail.count / inflation / wider**2, 2.0)
    low, high = order_ranks(independent, 1 - share, level)
    scale = tail.count / int(independent)
    fast = tail.count - max(math.floor((low - 1) * scale), 0) - 1
    slow = tail.count - math.ceil(high * scale)
    return Ranks(error, min(fast, tail.count - 1), slow if high <= int(independent) else -1)


def quantile_low(tail: Tail, share: float, ranks: Ranks) -> Low:
    """Give the quantile and its range."""
    slower = tail.times[ranks.slow] if ranks.slow >= 0 else math.inf
    time = quantile_time(tail.times, tail.count, share)
    return Low(time, min(float(tail.times[ranks.fast]), time), max(float(slower), time))


def slowest_mean_low(tail: Tail, share: float, ranks: Ranks, level: float) -> Low:
    """Give the mean of the slowest frames and its range.

    Two things make it uncertain: how many frames lie beyond the true quantile, and how long those
    take. The first moves the mean as if the frames up to another rank had been averaged; the
    second is the error of the mean excess, with no more degrees of freedom than there are
    independent bursts. Each end of the range is the outer one of the two.
    """
    time = quantile_time(tail.times, tail.count, share)
    mean = slowest_mean_time(tail.times, tail.count, share)
    excess = np.maximum(tail.times - time, 0.0)
    error = mean_error(tail.batch_means(excess))
    plain = float(np.mean(np.square(excess)) * len(excess) / tail.count)
    plain = (plain - (excess.sum() / tail.count) ** 2) / tail.count
    inflation = max(error.sd**2 / plain, 1.0) if plain > 0 else 1.0
    bursts = tail.count * share / inflation
    freedom = min(error.freedom, max(bursts - 1, 1.0))
    off = float(student.ppf((1 + level) / 2, freedom)) * error.sd / share / mean
    faster = min(float(np.mean(tail.times[: ranks.fast + 1])), mean * math.exp(-off))
    if ranks.slow < 0:
        return Low(mean, faster, math.inf)
    slower = float(np.mean(tail.times[: ranks.slow + 1]))
    return Low(mean, faster, max(slower, mean * math.exp(off)))


def enough_batches(tail: Tail) -> bool:
    """Tell whether there are enough batches for a range."""
    return tail.batches >= FEWEST
