import warnings

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

from scalemodel.errors import ScalemodelError
from scalemodel.model.peers import (
    PEERS,
    PeerData,
    PeerPrediction,
    Question,
    predict_conformal,
    predict_peer,
)
from scalemodel.model.peers.conformal import (
    conformal_half_width,
    conformal_rank,
    held_out_errors,
)
from scalemodel.model.peers.data import usable_columns
from scalemodel.model.peers.kernel import learn_kernel, negative_log_marginal
from scalemodel.model.peers.law import fit_power_law

SLOPES = np.array([0.6, 0.25])
OWN_RANGES = ["per_chart_regression", "gaussian_process", "power_law"]


def lab(
    seed: int = 0,
    n_cards: int = 12,
    ceiling: float = np.inf,
    noise: float = 0.01,
    card: float = 0.0,
) -> PeerData:
    """Cards on five scenes at two resolutions that follow a power law up to a ceiling."""
    rng = np.random.default_rng(seed)
    speed = np.linspace(0, 1.6, n_cards)
    specs = np.column_stack([speed, 0.8 * speed + rng.normal(0, 0.2, n_cards)])
    pixels = np.tile([0.0, 1.4], 5)
    scene = np.repeat(np.arange(5), 2)
    features = np.column_stack([pixels, np.eye(5)[scene]])
    level = 4 + 0.3 * scene - 0.8 * pixels
    cards, charts = (index.ravel() for index in np.indices((n_cards, 10)))
    offset = rng.normal(0, card, n_cards)
    rate = level[charts] + specs[cards] @ SLOPES + offset[cards]
    rate = np.minimum(rate, level[charts] + ceiling) + rng.normal(0, noise, cards.size)
    return PeerData(rate, cards, charts, specs, features)


def held_out(data: PeerData, cards: list[int], **options: float) -> tuple[Question, np.ndarray]:
    rows = np.isin(data.card_index, cards)
    question = Question(data.row_specs[rows], data.chart_index[rows], **options)
    return question, data.log_rate[rows]


def rms(error: np.ndarray) -> float:
    return float(np.sqrt(np.mean(error**2)))


@pytest.mark.parametrize("name", PEERS)
def test_every_peer_beats_the_chart_mean_inside_the_span(name: str) -> None:
    data = lab(card=0.02)
    held = [3, 7]
    question, truth = held_out(data, held)
    known = data.without_cards(held)
    prediction = predict_peer(name, known, question)
    means = [known.log_rate[known.chart_index == chart].mean() for chart in range(10)]
    assert rms(prediction.median - truth) < rms(np.array(means)[question.charts] - truth) / 2
    assert (prediction.lower is None) == (name not in OWN_RANGES)


@pytest.mark.parametrize("name", PEERS)
def test_same_input_same_answer_bit_for_bit(name: str) -> None:
    data = lab(card=0.02)
    question, _ = held_out(data, [4], seed=3)
    first, second = (predict_peer(name, data.without_cards([4]), question) for _ in range(2))
    assert_array_equal(first.median, second.median)
    if first.lower is not None:
        assert_array_equal(first.lower, second.lower)


@pytest.mark.parametrize("name", PEERS)
def test_a_chart_without_any_card_has_no_prediction(name: str) -> None:
    data = lab()
    keep = data.chart_index != 9
    known = PeerData(
        data.log_rate[keep],
        data.card_index[keep],
        data.chart_index[keep],
        data.card_specs,
        data.chart_features,
    )
    prediction = predict_peer(name, known, Question(data.card_specs[[2, 2]], np.array([0, 9])))
    assert_array_equal(np.isnan(prediction.median), [False, True])


@pytest.mark.parametrize("name", ["per_chart_regression", "gaussian_process", "power_law"])
def test_peers_with_a_law_find_it_without_noise_beyond_the_span(name: str) -> None:
    """Close to exact on data that follow the law; the noise of 0.1% keeps every fit regular."""
    data = lab(noise=0.001)
    question = Question(np.array([[2.0, 1.7]] * 10), np.arange(10))
    truth = 4 + 0.3 * np.repeat(np.arange(5), 2) - 0.8 * np.tile([0, 1.4], 5) + [2.0, 1.7] @ SLOPES
    assert rms(predict_peer(name, data, question).median - truth) < 0.005


def test_boosted_trees_do_not_extrapolate() -> None:
    data = lab()
    near, far = (
        predict_peer(
            "gradient_boosting", data, Question(np.full((10, 2), specs), np.arange(10))
        ).median
        for specs in (5.0, 9.0)
    )
    assert_array_equal(near, far)


def test_nearest_card_by_hand() -> None:
    data = PeerData(
        np.log([50.0, 52.0, 90.0, 30.0]),
        np.array([0, 0, 1, 1]),
        np.array([0, 0, 0, 1]),
        np.log([[10.0, 300.0], [20.0, 600.0]]),
        np.zeros((2, 1)),
    )
    question = Question(np.log([[11.0, 320.0], [11.0, 320.0]]), np.array([0, 1]))
    got = predict_peer("nearest_card", data, question).median
    # On the second chart only the farther card was measured.
    assert_allclose(np.exp(got), [np.sqrt(50 * 52) * 1.1, 30 * 11 / 20])


def test_crowd_at_the_top_is_found() -> None:
    rate = np.log([100.0, 99.0, 98.1, 97.9, 60.0, 100.0, 99.0, 60.0])
    cards, charts = np.array([0, 1, 2, 3, 4, 0, 1, 2]), np.array([0, 0, 0, 0, 0, 1, 1, 1])
    data = PeerData(rate, cards, charts, np.zeros((5, 1)), np.zeros((2, 1)))
    # Within 2% of the top; two cards are no crowd.
    assert_array_equal(data.crowded(), [True, True, True, False, False, False, False, False])


def test_repeats_of_one_card_are_no_crowd() -> None:
    data = PeerData(
        np.log([100.0, 99.9, 99.8]), np.zeros(3, int), np.zeros(3, int), [[0.0]], [[0.0]]
    )
    assert not data.crowded().any()


def test_per_chart_regression_sees_through_a_ceiling_and_stays_below_it() -> None:
    data = lab(ceiling=0.9, noise=0.002)
    slow = Question(np.array([[0.0, 0.3]] * 10), np.arange(10))
    fast = Question(np.array([[1.7, 1.4]] * 10), np.arange(10))
    level = 4 + 0.3 * np.repeat(np.arange(5), 2) - 0.8 * np.tile([0, 1.4], 5)
    below = predict_peer("per_chart_regression", data, slow)
    assert_allclose(below.median, level + [0.0, 0.3] @ SLOPES, atol=0.01)
    above = predict_peer("per_chart_regression", data, fast)
    assert_allclose(above.median, level + 0.9, atol=0.01)
    assert np.all(above.upper <= level + 0.92)
    # The law that knows no ceiling misses both.
    blind = predict_peer("power_law", data, fast)
    assert rms(blind.median - level - 0.9) > 0.02


def test_a_chart_with_few_cards_borrows_slopes() -> None:
    data = lab(noise=0.001)
    keep = (data.chart_index != 0) | np.isin(data.card_index, [2, 9])
    few = PeerData(
        data.log_rate[keep],
        data.card_index[keep],
        data.chart_index[keep],
        data.card_specs,
        data.chart_features,
    )
    got = predict_peer("per_chart_regression", few, Question([[1.0, 0.5]], np.array([0])))
    assert_allclose(got.median, 4 + np.array([1.0, 0.5]) @ SLOPES, atol=0.005)
    assert got.lower is not None
    assert got.lower[0] < got.median[0]


def test_power_law_slopes_and_their_errors() -> None:
    """Least squares within charts: two-way layout, so dof is rows - charts - slopes."""
    data = lab(noise=0.02)
    law = fit_power_law(data)
    assert law.dof == 120 - 10 - 2
    assert np.all(np.abs(law.slopes - SLOPES) < 4 * np.sqrt(np.diag(law.covariance)))
    assert abs(law.residual_sd / 0.02 - 1) < 4 / np.sqrt(2 * law.dof)


def test_power_law_slopes_leave_out_the_crowd() -> None:
    data = lab(ceiling=0.9, noise=0.002)
    assert data.crowded().sum() >= 30
    assert_allclose(fit_power_law(data).slopes, SLOPES, atol=0.02)


def test_gaussian_process_learns_a_bend_that_the_law_cannot_have() -> None:
    straight = lab(n_cards=20, noise=0.003)
    bend = 0.3 * np.sin(4 * straight.row_specs[:, 0])
    data = PeerData(
        straight.log_rate + bend,
        straight.card_index,
        straight.chart_index,
        straight.card_specs,
        straight.chart_features,
    )
    question, truth = held_out(data, [5, 10, 15])
    process, law = (
        rms(predict_peer(name, data.without_cards([5, 10, 15]), question).median - truth)
        for name in ("gaussian_process", "power_law")
    )
    assert process < law / 3


def test_columns_that_cards_cannot_tell_apart_are_left_out() -> None:
    speed = np.arange(6.0)
    specs = np.column_stack([speed, 2 * speed, np.ones(6), [0, 1, 0, 1, 1, 0]])
    assert usable_columns(specs - specs.mean(axis=0), 6) == [0, 3]
    assert usable_columns(specs - specs.mean(axis=0), 3) == [0]
    assert usable_columns(specs - specs.mean(axis=0), 2) == []


def test_ranges_grow_away_from_the_cards() -> None:
    data = lab(noise=0.02)
    specs = np.array([[0.8, 0.65], [2.6, 2.1]])
    for name in OWN_RANGES:
        got = predict_peer(name, data, Question(specs, np.zeros(2, int)))
        assert got.upper is not None
        inside, outside = got.upper - got.median
        assert outside > inside, name


def test_ranges_of_the_mixed_model_hold_their_level_without_card_offsets() -> None:
    """80% of 800 truths; cells of one split share slopes, so six binomial errors are allowed."""
    inside = []
    for seed in range(8):
        data = lab(seed, noise=0.03)
        held = [1, 4, 6, 8, 10]
        question, truth = held_out(data, held)
        got = predict_peer("power_law", data.without_cards(held), question)
        inside.append((got.lower <= truth) & (truth <= got.upper))
    assert abs(np.mean(inside) - 0.8) < 6 * np.sqrt(0.16 / 400)


def test_conformal_ranges_hold_their_level_for_cards_with_offsets() -> None:
    """Each of 600 labs holds a card out at random; four standard errors of the mean share."""
    shares = []
    for seed in range(600):
        data = lab(seed, n_cards=13, card=0.05)
        held = [int(np.random.default_rng(seed).integers(13))]
        question, truth = held_out(data, held, level=0.8, seed=seed)
        got = predict_conformal(PEERS["nearest_card"], data.without_cards(held), question)
        assert got.lower is not None
        shares.append(np.mean((got.lower <= truth) & (truth <= got.upper)))
    error = np.std(shares) / np.sqrt(len(shares))
    assert abs(np.mean(shares) - 0.8) < 4 * error
    assert error < 0.015


def test_conformal_ranges_never_see_the_held_out_card() -> None:
    """A peer that records the cards it learned from: the fold's own are never among them."""
    data = lab()
    seen: list[tuple[set[int], set[float]]] = []

    def spy(known: PeerData, question: Question) -> PeerPrediction:
        seen.append((set(known.cards.tolist()), set(question.specs[:, 0].tolist())))
        return PeerPrediction(np.zeros(question.charts.size))

    predict_conformal(spy, data, Question([[0.5, 0.5]], np.array([0])), folds=4)
    assert len(seen) == 5
    for cards, asked in seen[:-1]:
        assert not {float(data.card_specs[card, 0]) for card in cards} & asked
    assert len(seen[-1][0]) == 12


def test_conformal_weights_cards_not_rows() -> None:
    """Three cards of weight 1/4 each: half of the first's rows reach 1/8, and so on."""
    errors = [0.1, 0.2, 0.3, 0.4]
    cards = ["a", "a", "b", "c"]
    assert conformal_half_width(errors, cards, 0.25) == 0.2
    assert conformal_half_width(errors, cards, 0.26) == 0.3
    assert conformal_half_width(errors, cards, 0.75) == 0.4
    assert conformal_half_width(errors, cards, 0.76) == np.inf
    assert conformal_half_width([-0.4, 0.1, 0.2], [0, 1, 2], 0.75) == 0.4


@pytest.mark.parametrize("level", [0.0, 1.0, 80, -0.1])
def test_levels_outside_0_and_1_are_refused(level: float) -> None:
    with pytest.raises(ScalemodelError, match="level must lie between 0 and 1, got"):
        conformal_rank(10, level)
    with pytest.raises(ScalemodelError, match="level must lie between 0 and 1, got"):
        Question([[0.0]], np.array([0]), level=level)


def test_bad_input_is_explained() -> None:
    data = lab()
    with pytest.raises(ScalemodelError, match=r"no peer is called 'oracle'; there are per_chart_"):
        predict_peer("oracle", data, Question([[0.0, 0.0]], np.array([0])))
    with pytest.raises(ScalemodelError, match="1 specs a card for data with 2"):
        predict_peer("power_law", data, Question([[0.0]], np.array([0])))
    with pytest.raises(ScalemodelError, match="charts must hold 1 whole numbers from 0 to 9"):
        predict_peer("power_law", data, Question([[0.0, 0.0]], np.array([10])))
    with pytest.raises(ScalemodelError, match="one row of specs for each chart"):
        Question([[0.0, 0.0]], np.array([0, 1]))
    with pytest.raises(ScalemodelError, match="card_index must hold 1 whole numbers from 0 to 0"):
        PeerData([1.0], np.array([1]), np.array([0]), [[0.0]], [[0.0]])
    with pytest.raises(ScalemodelError, match="log_rate without missing or infinite values"):
        PeerData([np.nan], np.array([0]), np.array([0]), [[0.0]], [[0.0]])
    known = data.without_cards(list(range(2, 12)))
    with pytest.raises(ScalemodelError, match="2 cards on shared charts cannot fix"):
        predict_peer("power_law", known, Question([[0.0, 0.0]], np.array([0])))


def test_the_learned_kernel_is_the_one_of_the_library() -> None:
    """scikit-learn's own search from the same start, and its likelihood at the end of ours."""
    rng = np.random.default_rng(5)
    X = rng.normal(size=(60, 3))
    y = np.sin(X[:, 0]) + 0.3 * X[:, 1] + 0.1 * rng.normal(size=60)
    y = (y - y.mean()) / y.std()
    start = ConstantKernel(1.0) * RBF(np.full(3, 2.0), (0.1, 50.0)) + WhiteKernel(1e-3)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # a length at its bound
        theirs = GaussianProcessRegressor(start).fit(X, y)
    ours = learn_kernel(X, y)
    assert_allclose(ours.theta, theirs.kernel_.theta, atol=1e-5)
    for theta in (ours.theta, start.theta):
        value, slope = theirs.log_marginal_likelihood(theta, eval_gradient=True)
        negative, gradient = negative_log_marginal(theta, X, y)
        assert_allclose(-negative, value, rtol=1e-9)
        assert_allclose(-gradient, slope, rtol=1e-6, atol=1e-6)


def test_held_out_errors_leave_a_card_out_and_serve_every_level() -> None:
    data = lab()
    known = held_out_errors(PEERS["nearest_card"], data, folds=4)
    assert set(known.cards) == set(data.cards)
    assert 3 not in set(known.without(3).cards)
    question = Question(data.card_specs[[0]], np.array([0]))
    for level in (0.5, 0.8):
        asked = Question(question.specs, question.charts, level=level)
        whole = predict_conformal(PEERS["nearest_card"], data, asked, folds=4)
        again = known.around(whole.median, level)
        assert again.upper is not None
        assert whole.upper is not None
        assert_allclose(again.upper, whole.upper, rtol=0, atol=0)
