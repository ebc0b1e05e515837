"""Fits without some cards: they agree with fits of a bench that never had them."""

from pathlib import Path

import numpy as np
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.data.bench import read_bench
from scalemodel.errors import ScalemodelError
from tests.answers import small_lab
from tests.conftest import HELD_OUT

CHART = ["platform", "game", "preset", "resolution"]


@pytest.fixture(scope="module")
def whole(lab: small_lab.Lab, tmp_path_factory: pytest.TempPathFactory) -> Fit:
    return fit(lab.bench(tmp_path_factory.mktemp("whole")))


@pytest.fixture(scope="module")
def less(whole: Fit) -> Fit:
    return whole.without((HELD_OUT,))


def test_it_agrees_with_a_fit_that_never_saw_the_card(whole: Fit, less: Fit, lab_fit: Fit) -> None:
    assert less.status == "converged"
    assert less.labels.cards == lab_fit.labels.cards
    sheet = whole.bench.cards[whole.bench.cards["card"] == HELD_OUT]
    warm, cold = (f.predict(sheet).table.set_index(CHART) for f in (less, lab_fit))
    width = np.log(cold["upper"] / cold["lower"])
    # The same posterior from other draws: ends differ by what a few hundred draws leave open.
    for end in ("lower", "median", "upper"):
        assert (np.abs(np.log(warm[end] / cold[end])) < 0.2 * width).all(), end


def test_the_card_is_nowhere_in_it(less: Fit) -> None:
    assert HELD_OUT not in less.labels.cards
    assert HELD_OUT not in set(less.cells.table["card"])
    assert HELD_OUT not in set(less.ceilings().table["card"])


def test_the_start_does_not_matter_for_the_peak(less: Fit, lab_fit: Fit) -> None:
    cold, warm = lab_fit.model.scales, less.model.scales
    for name, sd in cold.log_sd.items():
        # Both end a Newton step from where alternating stopped, at a tenth of an sd a round.
        assert abs(np.log(warm.values[name] / cold.values[name])) < 0.1 * sd, name


def test_a_card_that_was_not_measured_is_refused(whole: Fit) -> None:
    with pytest.raises(ScalemodelError, match="No measured card"):
        whole.without(("nobody",))


def test_too_few_left_is_refused(whole: Fit) -> None:
    with pytest.raises(ScalemodelError, match="too few to fit"):
        whole.without(whole.labels.cards[2:])


def test_the_store_keeps_it_apart(whole: Fit, less: Fit) -> None:
    assert less.settings["draws"] != whole.settings["draws"]


def test_architectures_may_leave_with_their_last_card(demo_folder: Path, demo_fit: Fit) -> None:
    cards = demo_fit.bench.cards
    rare = cards.groupby("architecture")["card"].apply(list)
    out = min(rare, key=len)
    left = demo_fit.without(tuple(out))
    assert len(left.labels.architectures) == len(demo_fit.labels.architectures) - 1
    assert left.status == "converged"
    assert read_bench(demo_folder).digest == left.bench.digest
