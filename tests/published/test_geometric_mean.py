"""Why leads are averaged geometrically: Fleming & Wallace 1986, Communications of the ACM 29(3)."""

import numpy as np
from numpy.testing import assert_allclose

from scalemodel.model.summaries import geometric_mean_ratio


def test_mean_of_ratios_is_ratio_of_means_only_geometrically() -> None:
    """Identity: rates 100 and 200, power 50 and 400 W."""
    rate, watts = np.array([100.0, 200.0]), np.array([50.0, 400.0])
    assert_allclose(rate.sum() / watts.sum(), 2 / 3, atol=1e-12)
    assert_allclose(np.mean(rate / watts), 1.25, atol=1e-12)
    of_ratios = geometric_mean_ratio(np.log(rate / watts))
    ratio_of = geometric_mean_ratio(np.log(rate)) / geometric_mean_ratio(np.log(watts))
    assert_allclose(of_ratios, 1, atol=1e-12)
    assert_allclose(ratio_of, 1, atol=1e-12)


def test_geometric_lead_does_not_depend_on_the_base() -> None:
    """Theorem: seen from the other card the ratio is exactly the inverse."""
    log_ratios = np.log([1.31, 0.97, 1.12, 1.55])
    forward, backward = geometric_mean_ratio(log_ratios), geometric_mean_ratio(-log_ratios)
    assert_allclose(forward * backward, 1, rtol=1e-14)
    assert_allclose(forward, (1.31 * 0.97 * 1.12 * 1.55) ** 0.25, rtol=1e-14)
