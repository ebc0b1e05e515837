"""Numbers spread evenly: one in each stratum, over all draws and at each point."""

import numpy as np

from scalemodel.model.strata import spread_normals, spread_uniforms


def test_one_number_falls_in_each_stratum() -> None:
    drawn = spread_uniforms(np.random.default_rng(1), 4, 8, 3)
    assert drawn.shape == (32, 3)
    for column in drawn.T:
        assert sorted((column * 32).astype(int)) == list(range(32))
        for point in column.reshape(4, 8):
            assert sorted((point * 8).astype(int)) == list(range(8))


def test_columns_are_independent() -> None:
    drawn = spread_uniforms(np.random.default_rng(2), 16, 64, 6)
    away = np.corrcoef(drawn.T) - np.eye(6)
    assert np.abs(away).max() < 5 / np.sqrt(len(drawn))


def test_means_and_quantiles_move_less_than_those_of_plain_draws() -> None:
    rng = np.random.default_rng(3)
    drawn = spread_normals(rng, 16, 64, 200)
    plain = rng.standard_normal((1024, 200))
    for of in (np.mean, lambda x, axis: np.quantile(x, 0.9, axis=axis)):
        assert of(drawn, axis=0).std() < of(plain, axis=0).std() / 10
    # The sum of four columns: its mean is as sure, its quantiles gain too.
    sums, plain_sums = (x.reshape(1024, 50, 4).sum(axis=2) for x in (drawn, plain))
    assert np.quantile(sums, 0.9, axis=0).std() < np.quantile(plain_sums, 0.9, axis=0).std()


def test_the_same_seed_gives_the_same_numbers() -> None:
    one, two = (spread_normals(np.random.default_rng(4), 2, 8, 5) for _ in range(2))
    np.testing.assert_array_equal(one, two)
