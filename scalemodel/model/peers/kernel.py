"""The kernel of the Gaussian process peer, learned from a few rows.

scikit-learn learns it too, with a gradient that holds one matrix a column in memory; scoring every
card of a bench needs it a few dozen times, and this is several times quicker.
"""

import numpy as np
from scipy.linalg import LinAlgError, cho_solve, cholesky
from scipy.optimize import minimize
from scipy.spatial.distance import cdist
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, Kernel, WhiteKernel

from scalemodel.model.arrays import FloatArray

JITTER = 1e-10
#: Variance of the function, lengths, variance of the noise: where to start, and how far to go.
START = (1.0, 2.0, 1e-3)
BOUNDS = ((1e-5, 1e5), (0.1, 50.0), (1e-5, 1e5))


def learn_kernel(X: FloatArray, y: FloatArray) -> Kernel:
    """Return the kernel of highest marginal likelihood: one length a column, and noise.

    Args:
        X: (rows, columns) standardised inputs.
        y: (rows,) outputs of mean 0 and sd 1.
    """
    repeats = (1, X.shape[1], 1)
    bounds = [(float(low), float(high)) for low, high in np.repeat(np.log(BOUNDS), repeats, axis=0)]
    start = np.repeat(np.log(START), repeats)
    found = minimize(
        negative_log_marginal, start, (X, y), method="L-BFGS-B", jac=True, bounds=bounds
    )
    values = np.exp(found.x)
    return ConstantKernel(values[0]) * RBF(values[1:-1]) + WhiteKernel(values[-1])


def negative_log_marginal(
    theta: FloatArray, X: FloatArray, y: FloatArray
) -> tuple[float, FloatArray]:
    """Return the negative log marginal likelihood and its gradient by logs of the parameters.

    Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, equations 5.8 and 5.9.
    """
    lengths, noise = np.exp(theta[1:-1]), float(np.exp(theta[-1]))
    Z = X / lengths
    signal = np.exp(theta[0] - 0.5 * cdist(Z, Z, "sqeuclidean"))
    identity = np.eye(len(y))
    try:
        lower = cholesky(signal + (noise + JITTER) * identity, lower=True)
    except LinAlgError:
        return float("inf"), np.zeros_like(theta)
    weights = cho_solve((lower, True), y)
    inner = np.outer(weights, weights) - cho_solve((lower, True), identity)
    log_marginal = -0.5 * y @ weights - np.log(np.diag(lower)).sum()
    log_marginal -= 0.5 * len(y) * np.log(2 * np.pi)
    product = inner * signal
    # Half the sum over pairs of product_ij (z_i - z_j)^2, a column at a time.
    by_length = product.sum(axis=1) @ Z**2 - np.einsum("ik,ik->k", Z, product @ Z)
    gradient = np.concatenate([[0.5 * product.sum()], by_length, [0.5 * noise * np.trace(inner)]])
    return -float(log_marginal), -gradient
