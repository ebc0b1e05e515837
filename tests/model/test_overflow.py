"""Climbs from places where the physics overflows: they come back, and say nothing of it."""

import numpy as np

from scalemodel.model.mode import Prior, find_mode
from scalemodel.model.scales import first_scales
from tests.model.random_cells import random_problem, start_of


def test_a_wild_trial_is_not_taken() -> None:
    # Warnings are errors here: an overflow on the way would fail the test.
    problem = random_problem(2)
    scales = first_scales(problem.layout)
    prior = Prior.at(problem.layout, scales.values)
    wild = start_of(problem).copy()
    wild[problem.layout.position("fill")] = 6.0
    wild[problem.layout.position("hit")] = 5.0
    mode = find_mode(problem.likelihood, prior, scales.noise, wild, 400)
    assert np.isfinite(mode.theta).all()
    assert np.isfinite(mode.log_density)
