"""What is not known of rates that a ceiling hides: more, the further beyond those that are seen."""

import numpy as np

from scalemodel.answers.fitting import Fit
from scalemodel.model.likelihood import CellLikelihood
from scalemodel.model.measured import SHOWS_GPU, _spread, gpu_quantiles


def test_the_spread_is_the_usual_one_among_rates_that_are_seen(lab_fit: Fit) -> None:
    model, observed = lab_fit.model, lab_fit.observed
    at = CellLikelihood.of(observed, model.specs, model.layout).model(model.theta)
    usual, spread = model.scales.noise.gpu, _spread(model, observed)
    seen = at.sensitivity > 0.9
    assert (spread >= usual).all()
    assert np.median(spread[seen]) < 1.2 * usual
    smooth = model.scales.values["smooth"]
    for scene in range(model.layout.shape.scenes):
        here = observed.rows.scene == scene
        hidden = here & (at.sensitivity < SHOWS_GPU)
        if not hidden.any():
            continue
        order = np.argsort(at.log_gpu[hidden])
        assert (np.diff(spread[hidden][order]) > 0).all()
        # One sd of the rates that are seen beyond the fastest of them, it is as unknown as
        # the smooth residual is beyond the tested cards: about its scale.
        rates = at.log_gpu[here & ~hidden]
        far = at.log_gpu[hidden] > rates.max() + rates.std()
        assert (spread[hidden][far] > 0.7 * smooth).all()


def test_ranges_of_hidden_rates_are_wider_than_those_of_rates_that_are_seen(lab_fit: Fit) -> None:
    model, observed = lab_fit.model, lab_fit.observed
    at = CellLikelihood.of(observed, model.specs, model.layout).model(model.theta)
    every = np.arange(len(observed.log_rate))
    lower, upper = gpu_quantiles(model, observed, every, (0.1, 0.9))
    hidden = at.sensitivity < 0.1
    assert hidden.sum() >= 4
    assert np.median((upper - lower)[hidden]) > 2 * np.median((upper - lower)[at.sensitivity > 0.9])


def test_cells_may_be_asked_for_one_by_one(lab_fit: Fit) -> None:
    model, observed = lab_fit.model, lab_fit.observed
    some = np.array([3, 40, 7])
    whole = gpu_quantiles(model, observed, np.arange(len(observed.log_rate)), (0.5,))
    np.testing.assert_array_equal(gpu_quantiles(model, observed, some, (0.5,)), whole[:, some])
