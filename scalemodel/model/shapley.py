"""Shapley values: what each part has to do with a whole, whichever order the parts come in."""

from math import factorial

import numpy as np
from numpy.typing import ArrayLike

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray


def shapley(values: ArrayLike) -> FloatArray:
    """Return the Shapley value of each of n players, shape (n, ...).

    `values` has shape (2^n, ...): entry k is what the players do whose bits are set in k, player
    0 the lowest bit. A player's value is what joining adds, averaged over all n! orders in which
    the players may join; the values sum to that of all less that of nobody (Shapley 1953, in
    Contributions to the Theory of Games II).

    Raises ScalemodelError when the first dimension is not a power of two.
    """
    worth = np.asarray(values, dtype=np.float64)
    size = worth.shape[0] if worth.ndim else 0
    if size < 2 or size & (size - 1):
        raise ScalemodelError(f"Shapley values need 2, 4, 8, ... coalitions, got {size}")
    players = size.bit_length() - 1
    sizes = np.array([k.bit_count() for k in range(size)])
    orders = [factorial(s) * factorial(players - 1 - s) for s in range(players)]
    weight = np.array(orders, dtype=np.float64) / factorial(players)
    share = np.zeros((players, size))
    for player in range(players):
        without = np.flatnonzero(~np.arange(size) >> player & 1)
        share[player, without] = -weight[sizes[without]]
        share[player, without | 1 << player] = weight[sizes[without]]
    return np.tensordot(share, worth, axes=1)


def log_mean(a: ArrayLike, b: ArrayLike) -> FloatArray:
    """Return ``(a - b) / log(a / b)`` of positive numbers, their common value where equal.

    It turns parts of a log ratio into parts of the difference: log(a / b) times the logarithmic
    mean is a - b (Ang 2005, Energy Policy 33).
    """
    first, second = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    half = 0.5 * np.log(first / second)
    near = np.abs(half) < 1e-4
    safe = np.where(near, 1.0, half)
    # sqrt(a b) sinh(x) / x, with its series near x = 0
    ratio = np.where(near, 1.0 + half**2 / 6.0, np.sinh(safe) / safe)
    return np.asarray(np.sqrt(first * second) * ratio)
