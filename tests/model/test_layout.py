"""Where parameters live: every one exactly once, those of a game beside each other."""

from dataclasses import replace

import numpy as np
import pytest

from scalemodel.model.layout import key_game, key_index, key_size
from tests.model.random_cells import random_problem, random_specs

KEYS = (
    *("one", "card", "architecture", "vendor", "platform"),
    *("game", "scene", "view", "architecture_scene", "scene_platform"),
)


@pytest.mark.parametrize("ceiling", [True, False])
def test_positions_are_a_permutation(ceiling: bool) -> None:
    layout = random_problem(0, ceiling=ceiling).layout
    everything = np.concatenate(layout.positions)
    np.testing.assert_array_equal(np.sort(everything), np.arange(layout.size))


def test_parameters_of_a_game_are_contiguous_and_the_shared_ones_last() -> None:
    layout = random_problem(0).layout
    assert layout.bounds[0] == 0
    assert (np.diff(layout.bounds) > 0).all()
    for group, where in zip(layout.groups, layout.positions, strict=True):
        game = key_game(group.key, layout.shape)
        if game is None:
            assert (where >= layout.bounds[-1]).all(), group.name
        else:
            assert (where >= layout.bounds[game]).all(), group.name
            assert (where < layout.bounds[game + 1]).all(), group.name


def test_groups_with_a_precision_of_their_own_are_in_one_piece() -> None:
    layout = random_problem(0).layout
    dense = [
        (group, where)
        for group, where in zip(layout.groups, layout.positions, strict=True)
        if group.precision is not None
    ]
    assert dense
    for group, where in dense:
        assert group.precision is not None
        np.testing.assert_array_equal(where, where[0] + np.arange(len(group.precision)))


@pytest.mark.parametrize("key", KEYS)
def test_every_row_finds_a_parameter_of_its_own_game(key: str) -> None:
    problem = random_problem(1)
    likelihood, shape = problem.likelihood, problem.layout.shape
    rows = likelihood.observed.rows
    index = key_index(key, rows, random_specs(np.random.default_rng(1)), shape)
    assert (index >= 0).all()
    assert (index < key_size(key, shape)).all()
    games = key_game(key, shape)
    if games is not None:
        np.testing.assert_array_equal(games[index], shape.game_of_scene[rows.scene])


def test_rows_touch_their_own_game_and_the_shared_parameters_only() -> None:
    problem = random_problem(2)
    layout, design = problem.layout, problem.likelihood.design
    block = layout.shape.game_of_scene[problem.likelihood.observed.rows.scene][:, None]
    used = design.weight != 0
    own = (design.index >= layout.bounds[block]) & (design.index < layout.bounds[block + 1])
    assert (own | (design.index >= layout.bounds[-1]) | ~used).all()


def test_a_card_the_fit_does_not_know_has_no_card_effects() -> None:
    problem = random_problem(3)
    layout, rows = problem.layout, problem.likelihood.observed.rows
    specs = random_specs(np.random.default_rng(3))
    stranger = replace(
        specs,
        fitted=np.full(len(specs), -1, dtype=np.intp),
        architecture=np.full(len(specs), -1, dtype=np.intp),
        vendor=np.full(len(specs), -1, dtype=np.intp),
    )
    weight = layout.design(rows, stranger).weight
    for term, group in enumerate(layout.groups):
        if group.key in ("card", "architecture", "vendor", "architecture_scene"):
            assert (weight[:, term] == 0).all(), group.name


def test_unknown_groups_are_not_found() -> None:
    with pytest.raises(KeyError):
        random_problem(0).layout.position("no such group")
