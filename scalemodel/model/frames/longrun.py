"""How far the mean of a run of dependent numbers may be off.

Neighbouring frames are alike, so the usual standard error is far too small. The error is taken
from sums over overlapping blocks, which keep the dependence inside them, as a circular block
bootstrap would give it with endless resamples; nothing is drawn at random. The length of a block
is found from the numbers.
"""

from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray

FEWEST = 16
"""Numbers below which no error of a mean is given."""


@dataclass(frozen=True)
class MeanError:
    """The error of a mean.

    Attributes:
        sd: its standard error, in the unit of the numbers.
        freedom: degrees of freedom the error is known with.
        block: length of the blocks, in numbers.
        inflation: variance of the mean over what it were if the numbers were independent.
    """

    sd: float
    freedom: float
    block: int
    inflation: float

    def reach(self, level: float) -> float:
        """Give half the width of a range that holds the true mean with probability `level`."""
        return float(student.ppf((1 + level) / 2, self.freedom)) * self.sd


def autocovariance(numbers: FloatArray, lags: int) -> FloatArray:
    """Give the autocovariances at lags 0 to `lags` (divisor n)."""
    size = next_fast_len(len(numbers) + lags + 1, real=True)
    spectrum = np.fft.rfft(numbers - numbers.mean(), size)
    found = np.fft.irfft(np.abs(spectrum) ** 2, size)[: lags + 1]
    return np.asarray(found / len(numbers))


def block_length(numbers: FloatArray) -> int:
    """Give the block length that suits a circular block bootstrap of the mean best.

    The rule of Politis and White 2004, Econometric Reviews 23(1), as corrected by Patton, Politis
    and White 2009, same journal, 28(4): the dependence is taken to end where a few
    autocorrelations in a row are small, and the length balances bias and variance.
    """
    n = len(numbers)
    longest = int(np.ceil(min(3 * np.sqrt(n), n / 3)))
    in_a_row = max(5, int(np.ceil(np.sqrt(np.log10(n)))))
    most = int(np.ceil(np.sqrt(n))) + in_a_row
    covariance = autocovariance(numbers, min(2 * most, n - 1))
    if covariance[0] <= 0:
        return 1
    small = np.abs(covariance / covariance[0]) < 2 * np.sqrt(np.log10(n) / n)
    reach = 2 * _last_large(small[1 : most + 1], in_a_row)
    lags = np.arange(1, min(reach, len(covariance) - 1) + 1)
    window = np.minimum(1.0, 2 * (1 - lags / max(reach, 1)))
    spectrum = covariance[0] + 2 * np.sum(window * covariance[lags])
    slope = 2 * np.sum(window * lags * covariance[lags])
    if spectrum <= 0:  # the numbers make up for each other, as frame times under a cap do
        return longest
    best = (2 * slope**2 / (4 / 3 * spectrum**2) * n) ** (1 / 3)
    return int(np.clip(np.ceil(best), 1, longest))


def _last_large(small: "np.ndarray[tuple[int], np.dtype[np.bool_]]", in_a_row: int) -> int:
    """Give the lag after which `in_a_row` autocorrelations are small; at least 1."""
    runs = np.convolve(small, np.ones(in_a_row), "valid") >= in_a_row - 0.5
    if runs.any():
        return max(int(np.argmax(runs)), 1)
    return max(int(np.flatnonzero(~small)[-1]) + 1, 1) if (~small).any() else 1


def mean_error(numbers: FloatArray) -> MeanError:
    """Give the error of the mean of dependent numbers.

    Overlapping batch means (Meketon and Schmeiser 1984), blocks of the length above. Blocks of
    finite length miss the dependence beyond them, which is 1/length of it: what blocks of half
    the length miss more is added once (the idea of Vats and Flegal 2022, Biometrika 109(3)), but
    never taken away.
    """
    n = len(numbers)
    block = block_length(numbers)
    full = _block_variance(numbers, block)
    if block > 1:
        full = max(full, 2 * full - _block_variance(numbers, (block + 1) // 2))
    plain = float(np.var(numbers, ddof=1))
    freedom = max(1.5 * (n / (2 * block) - 1), 1.0) if block > 1 else n - 1.0
    inflation = full / plain if plain > 0 else 1.0
    return MeanError(float(np.sqrt(full / n)), freedom, block, inflation)


def _block_variance(numbers: FloatArray, block: int) -> float:
    """Give the variance of the mean, times n, from overlapping blocks."""
    n = len(numbers)
    if block == 1:
        return float(np.var(numbers, ddof=1))
    sums = np.concatenate([[0.0], np.cumsum(numbers - numbers.mean())])
    means = (sums[block:] - sums[:-block]) / block
    return float(np.mean(means**2) * block * n / (n - block))
