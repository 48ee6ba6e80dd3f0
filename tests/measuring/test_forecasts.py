"""Measures of chances: what they are on known cases, held against scikit-learn, and invariants."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from convert.measuring.forecasts import (
    Figures,
    brier_scores,
    calibration_by_chance,
    calibration_error,
    columns,
    drawn_outcomes,
    expected,
    figures,
    game_weights,
    jumps,
    log_losses,
    mean_by_games,
)
from convert.measuring.quality import quality


def random_chances(seed: int, number: int) -> np.ndarray:
    return np.random.default_rng(seed).dirichlet([1.0, 1.0, 1.0], size=number)


def come(chances: np.ndarray, seed: int) -> np.ndarray:
    """Outcomes of independent positions by their chances, drawn one by one."""
    random = np.random.default_rng(seed)
    return np.array([random.choice([1, 0, -1], p=row) for row in chances])


def names(number: int, each: int = 1) -> np.ndarray:
    return np.array([f"{i // each:016x}" for i in range(number)])


counts = st.tuples(st.integers(1, 40), st.integers(1, 40), st.integers(1, 40))


@given(counts)
def test_a_constant_with_the_shares_has_the_entropy_as_log_loss(shares: tuple[int, ...]) -> None:
    outcomes = np.repeat([1, 0, -1], shares)
    told = np.array(shares) / sum(shares)
    chances = np.tile(told, (len(outcomes), 1))
    entropy = -float(told @ np.log(told))
    assert log_losses(chances, outcomes).mean() == pytest.approx(entropy)
    # Its Brier score is one minus the sum of the squared shares, and it is calibrated.
    assert brier_scores(chances, outcomes).mean() == pytest.approx(1 - float(told @ told))
    weights = game_weights(names(len(outcomes)))
    assert calibration_error(chances, outcomes, weights) == pytest.approx(0, abs=1e-12)


@given(st.integers(0, 10_000), st.integers(2, 60))
def test_the_measures_are_those_of_the_sequential_code(seed: int, number: int) -> None:
    """Written a second time in :mod:`convert.measuring.quality`, row by row."""
    chances = random_chances(seed, number)
    outcomes = come(chances, seed + 1)
    weights = game_weights(names(number))
    slow = quality([tuple(row) for row in chances], list(outcomes))
    assert log_losses(chances, outcomes) @ weights == pytest.approx(slow.log_loss)
    assert brier_scores(chances, outcomes) @ weights == pytest.approx(slow.brier)
    assert calibration_error(chances, outcomes, weights) == pytest.approx(slow.ece)


@pytest.mark.parametrize("seed", range(3))
def test_the_measures_are_those_of_scikit_learn(seed: int) -> None:
    metrics = pytest.importorskip("sklearn.metrics")
    chances = random_chances(seed, 300)
    outcomes = come(chances, seed + 10)
    weights = game_weights(names(300, each=7))
    # Classes in the order lost, drawn, won.
    loss = metrics.log_loss(outcomes, chances[:, ::-1], sample_weight=weights, labels=[-1, 0, 1])
    assert log_losses(chances, outcomes) @ weights == pytest.approx(loss, abs=1e-9)
    brier = sum(
        metrics.brier_score_loss(columns(outcomes) == k, chances[:, k], sample_weight=weights)
        for k in range(3)
    )
    assert brier_scores(chances, outcomes) @ weights == pytest.approx(brier)


@given(st.lists(st.integers(0, 5), min_size=1, max_size=40))
def test_games_weigh_the_same_and_share_their_weight(games: list[int]) -> None:
    weights = game_weights([str(game) for game in games])
    assert weights.sum() == pytest.approx(1)
    for game in set(games):
        own = [w for w, g in zip(weights, games, strict=True) if g == game]
        assert sum(own) == pytest.approx(1 / len(set(games)))
        assert max(own) == pytest.approx(min(own))


def test_a_perfect_judge_errs_in_calibration_as_chance_does() -> None:
    found, by_chance = [], []
    for seed in range(12):
        chances = random_chances(seed, 800)
        games = names(800)
        weights = game_weights(games)
        found.append(calibration_error(chances, come(chances, 100 + seed), weights))
        by_chance.append(calibration_by_chance(chances, games, weights, seed, times=40))
    assert np.mean(found) == pytest.approx(np.mean(by_chance), rel=0.12)


def test_chance_alone_errs_more_where_positions_of_a_game_hang_together() -> None:
    chances = np.tile([0.5, 0.3, 0.2], (1000, 1))
    apart = calibration_by_chance(chances, names(1000), game_weights(names(1000)), 1)
    games = names(1000, each=10)
    together = calibration_by_chance(chances, games, game_weights(games), 1)
    # A hundred games instead of a thousand: the error grows with the root of ten.
    assert together / apart == pytest.approx(10**0.5, rel=0.15)


@given(st.integers(0, 1000))
def test_drawn_outcomes_come_as_often_as_told(seed: int) -> None:
    told = random_chances(seed, 1)[0]
    chances = np.tile(told, (20_000, 1))
    random = np.random.default_rng(seed)
    drawn = drawn_outcomes(chances, np.arange(20_000), 20_000, random)
    shares = [(drawn == outcome).mean() for outcome in (1, 0, -1)]
    assert shares == pytest.approx(list(told), abs=0.02)


def test_a_judge_that_exaggerates_is_worse_calibrated_than_chance() -> None:
    chances = np.tile([0.6, 0.2, 0.2], (500, 1))
    outcomes = come(chances, 3)
    bold = np.tile([0.95, 0.04, 0.01], (500, 1))
    told = figures(bold, outcomes, names(500))
    assert told.calibration > 0.2 > 0.05 > told.by_chance
    assert told.certain is not None
    assert told.certain.number == 500
    assert told.certain.true.value == pytest.approx((outcomes == 1).mean())
    assert told.certain.true.high < 0.9 < told.certain.told


def test_intervals_come_from_games_not_from_positions() -> None:
    values = np.repeat(np.random.default_rng(5).normal(size=50), 20)
    weights = np.ones(1000)
    by_games = mean_by_games(values, weights, names(1000, each=20), seed=1)
    by_positions = mean_by_games(values, weights, names(1000), seed=1)
    assert by_games.value == pytest.approx(by_positions.value)
    wide, narrow = by_games.high - by_games.low, by_positions.high - by_positions.low
    assert wide / narrow == pytest.approx(20**0.5, rel=0.15)
    # The mean of fifty independent numbers: 1.96 standard errors to either side.
    error = values[::20].std() / 50**0.5
    assert wide == pytest.approx(2 * 1.96 * error, rel=0.1)


def test_intervals_cover_as_often_as_they_say() -> None:
    covered = 0
    for seed in range(200):
        random = np.random.default_rng(seed)
        hits = (random.random(60) < 0.4).astype(float)
        told = mean_by_games(hits, np.ones(60), names(60), seed, times=300)
        covered += told.low <= 0.4 <= told.high
    assert 0.89 <= covered / 200 <= 0.99


def close(a: Figures, b: Figures) -> bool:
    return (a.number, a.games) == (b.number, b.games) and [
        a.log_loss.value,
        a.log_loss.low,
        a.log_loss.high,
        a.brier.value,
        a.brier.low,
        a.calibration,
        a.by_chance,
    ] == pytest.approx(
        [
            b.log_loss.value,
            b.log_loss.low,
            b.log_loss.high,
            b.brier.value,
            b.brier.low,
            b.calibration,
            b.by_chance,
        ],
        rel=1e-9,
        abs=1e-12,
    )


@settings(max_examples=15)
@given(st.integers(0, 500), st.permutations(range(24)))
def test_the_order_of_positions_does_not_count(seed: int, order: list[int]) -> None:
    chances = random_chances(seed, 24)
    outcomes, games = come(chances, seed), names(24, each=3)
    told = figures(chances, outcomes, games)
    assert close(told, figures(chances[order], outcomes[order], games[order]))


@settings(max_examples=15)
@given(st.integers(0, 500))
def test_exchanging_the_colours_changes_nothing_but_the_draws(seed: int) -> None:
    chances = random_chances(seed, 40)
    outcomes, games = come(chances, seed), names(40, each=2)
    told, other = figures(chances, outcomes, games), figures(chances[:, ::-1], -outcomes, games)
    assert told.log_loss == other.log_loss
    assert told.calibration == pytest.approx(other.calibration)
    assert told.brier.value == pytest.approx(other.brier.value)


@pytest.mark.parametrize(
    ("chances", "outcomes", "games"),
    [
        (np.zeros((0, 3)), [], []),
        (np.full((2, 3), 1 / 3), [1], ["a"]),
        (np.full((1, 3), 0.5), [1], ["a"]),
        (np.array([[1.2, -0.1, -0.1]]), [1], ["a"]),
        (np.full((1, 3), 1 / 3), [1], ["a", "b"]),
    ],
)
def test_what_does_not_belong_together_is_refused(
    chances: np.ndarray, outcomes: list[int], games: list[str]
) -> None:
    with pytest.raises(ValueError, match=r"outcomes|chances"):
        figures(chances, outcomes, games)


def test_expected_score_and_jumps() -> None:
    before = np.array([[0.5, 0.5, 0.0], [0.2, 0.6, 0.2], [0.1, 0.1, 0.8], [1.0, 0.0, 0.0]])
    after = np.array([[0.5, 0.4, 0.1], [0.8, 0.1, 0.1], [0.1, 0.1, 0.8], [0.4, 0.2, 0.4]])
    assert expected(before) == pytest.approx([0.75, 0.5, 0.15, 1.0])
    assert jumps(before, after, ["a", "a", "b", "b"]).value == pytest.approx(0.5)
    with pytest.raises(ValueError, match="no moves"):
        jumps(before[:0], after[:0], [])
