"""What measured rates say of a card that joint draws had not expected: a shift, and where.

The charts of one card rise and fall together, so thirty charts outside their ranges can be one
surprise. Shifts over groups of charts are tried at once and judged by how large the largest of
them usually is in the draws themselves (Westfall & Young 1993, Resampling-based multiple testing:
the distribution of the maximum).
"""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import BoolArray, FloatArray

#: How seldom draws hold as large a shift of any group, for a shift to be called a surprise.
SELDOM = 0.05
#: Quantiles whose distance is two sd of a normal: the scale of a shift, deaf to long tails.
ONE_SD = (0.15865525393145707, 0.8413447460685429)


@dataclass(frozen=True)
class Shift:
    """A surprise.

    Attributes:
        group: which of the groups tried.
        size: log of measured over predicted rate there, beyond what other shifts explain.
        p: share of draws in which some group shifts as strongly.
    """

    group: int
    size: float
    p: float


@dataclass(frozen=True)
class Surprise:
    """How usual a card's rates are.

    Attributes:
        shifts: the surprises, what explains most first; empty if there is none.
        p: share of draws in which some group shifts as strongly as the strongest one.
    """

    shifts: tuple[Shift, ...]
    p: float


@dataclass(frozen=True)
class Groups:
    """Groups of charts that may shift together.

    Attributes:
        members: (groups, charts) whether a chart is in the group.
        beside: (groups, charts) charts that the group is compared with; none: with nothing, so
            that its own level is what may surprise.
    """

    members: BoolArray
    beside: BoolArray

    def weights(self) -> FloatArray:
        """Return (groups, charts) weights: the mean of a group less that of those beside it."""
        beside = self.beside.sum(axis=1, keepdims=True)
        less = self.beside / np.where(beside > 0, beside, 1)
        weights: FloatArray = self.members / self.members.sum(axis=1, keepdims=True) - less
        return weights


def tail_share(draws: FloatArray, observed: FloatArray) -> FloatArray:
    """Share of draws (n, ...) below what was observed; between the draws and never 0 or 1."""
    below = (draws < observed).sum(axis=0) + 0.5 * (draws == observed).sum(axis=0)
    share: FloatArray = (below + 0.5) / (len(draws) + 1)
    return share


def two_sided(share: FloatArray) -> FloatArray:
    """Probability of landing as far out as at this share of the draws, on either side."""
    p: FloatArray = 2 * np.minimum(share, 1 - share)
    return p


def find_shifts(draws: FloatArray, observed: FloatArray, groups: Groups) -> Surprise:
    """Find which groups of charts shifted.

    Of the groups that shift more strongly than draws do, the one is named first whose shift
    leaves the least to explain; it is taken out of the observed rates before the next is looked
    for. So a shift at one resolution is not told of the others, which it leaves behind.

    Args:
        draws: (draws, charts) joint draws of log rates.
        observed: (charts,) measured log rates.
        groups: what may have shifted.
    """
    if not len(groups.members):
        return Surprise((), 1.0)
    weights = groups.weights()
    drawn = draws @ weights.T
    center = np.median(drawn, axis=0)
    spread = np.diff(np.quantile(drawn, ONE_SD, axis=0), axis=0)[0] / 2
    usual = np.sort((np.abs(drawn - center) / spread).max(axis=1))

    def p_of(strength: FloatArray) -> FloatArray:
        above = len(usual) - np.searchsorted(usual, strength, side="left")
        return np.asarray((1 + above) / (len(usual) + 1))

    size = weights @ observed - center
    first = float(p_of(np.abs(size) / spread).min())
    found: list[Shift] = []
    while len(found) < len(weights):
        p = p_of(np.abs(size) / spread)
        named = [shift.group for shift in found]
        open_groups = np.setdiff1d(np.flatnonzero(p <= SELDOM), named)
        if not open_groups.size:
            break
        # What each shift would leave: (candidates, groups).
        rest = size - size[open_groups, None] * (groups.members[open_groups] @ weights.T)
        best = int(np.argmin((np.abs(rest) / spread).max(axis=1)))
        group = int(open_groups[best])
        found.append(Shift(group, float(size[group]), float(p[group])))
        size = rest[best]
    return Surprise(tuple(found), first)
