"""A fit taken apart and put together again: the same bits."""

import json
from typing import Any

import numpy as np
import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.model.fitting import ModelFit
from scalemodel.model.settings import FitSettings
from scalemodel.model.storage import restore_fit, stored_fit


def restored(of: Fit, arrays: dict[str, Any], meta: dict[str, Any]) -> ModelFit | None:
    data = (of.observed, of.model.specs, of.labels.game_of_scene)
    return restore_fit(*data, FitSettings(seed=of.seed), arrays, meta)


def test_round_trip_bit_for_bit(lab_fit: Fit) -> None:
    arrays, meta = stored_fit(lab_fit.model)
    back = restored(lab_fit, arrays, json.loads(json.dumps(meta)))
    model = lab_fit.model
    assert back is not None
    for name in ("theta", "kept", "needs_more_than_gb"):
        np.testing.assert_array_equal(getattr(back, name), getattr(model, name))
    np.testing.assert_array_equal(back.draws.theta, model.draws.theta)
    np.testing.assert_array_equal(back.draws.scales, model.draws.scales)
    assert back.draws.scale_names == model.draws.scale_names
    assert back.scales == model.scales
    assert (back.status, back.rounds, back.log_marginal) == (
        model.status,
        model.rounds,
        model.log_marginal,
    )
    assert back.layout.size == model.layout.size
    for ours, theirs in zip(back.layout.positions, model.layout.positions, strict=True):
        np.testing.assert_array_equal(ours, theirs)


def test_what_is_restored_cannot_be_written_to(lab_fit: Fit) -> None:
    back = restored(lab_fit, *stored_fit(lab_fit.model))
    assert back is not None
    with pytest.raises(ValueError, match="read-only"):
        back.draws.theta[0, 0] = 1.0


@pytest.mark.parametrize("name", ["kept", "needs", "theta", "draws_theta", "draws_scales"])
def test_what_is_not_a_fit_of_these_data_is_refused(lab_fit: Fit, name: str) -> None:
    arrays, meta = stored_fit(lab_fit.model)
    assert restored(lab_fit, {**arrays, name: arrays[name][..., :-1]}, meta) is None
    del arrays[name]
    assert restored(lab_fit, arrays, meta) is None


def test_what_lacks_plain_values_is_refused(lab_fit: Fit) -> None:
    arrays, meta = stored_fit(lab_fit.model)
    for name in meta:
        rest = {key: value for key, value in meta.items() if key != name}
        assert restored(lab_fit, arrays, rest) is None


def test_nobody_can_write_into_a_fit(lab_fit: Fit) -> None:
    model = lab_fit.model
    for array in (model.kept, model.theta, model.draws.theta, model.draws.centers):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0
