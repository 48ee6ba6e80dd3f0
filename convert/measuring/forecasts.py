"""How good chances are that are told for positions of games, with what chance alone would give.

Chances are an array (n, 3): won, drawn, lost for White, each row adding up to 1.  Outcomes are 1, 0
or -1 for White.  Positions of one game hang together: each game has the same weight whatever the
number of its positions, intervals are found by drawing games, not positions, again (bootstrap,
Efron 1979; of clusters: Davison and Hinkley, Bootstrap Methods, 1997, 3.8), and so is what chance
alone would give.  All draws are seeded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from convert.measuring.quality import LEAST

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Bins of equal width for the calibration error, as in :mod:`convert.measuring.quality`.
BINS = 15
#: Told above this counts as nearly certain.
CERTAIN = 0.9
#: Draws for intervals, and for what chance alone gives.
BOOTSTRAP, SIMULATED = 1000, 200


@dataclass(frozen=True)
class Interval:
    """A figure with the 95% interval about it."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Certain:
    """Wins told above :data:`CERTAIN`: how many, mean of what was told, share that came true."""

    number: int
    told: float
    true: Interval


@dataclass(frozen=True)
class Figures:
    """How good one judge's chances are on a set of positions.

    Attributes:
        number: positions.
        games: games that they are from.
        log_loss: mean of minus the natural logarithm of the chance of what came; no chance counts
            as less than 0.0001.
        brier: mean of the squared errors of the three chances, added up (Brier 1950; 0 to 2).
        calibration: expected calibration error of the two winning chances of each position, over
            15 bins (Naeini, Cooper, Hauskrecht 2015).
        by_chance: mean calibration error that outcomes drawn by the told chances would give.
        certain: what became of wins told above 0.9; None where none was.
    """

    number: int
    games: int
    log_loss: Interval
    brier: Interval
    calibration: float
    by_chance: float
    certain: Certain | None


def game_weights(games: Sequence[str] | NDArray[Any]) -> Floats:
    """Weight of each position: each game has the same, its positions share it; adds up to 1."""
    _, place, number = np.unique(np.asarray(games), return_inverse=True, return_counts=True)
    return 1.0 / (number[place] * len(number))


def columns(outcomes: Ints) -> Ints:
    """Outcomes 1, 0, -1 as columns 0, 1, 2 of the chances."""
    return (1 - np.asarray(outcomes)).astype(np.int64)


def log_losses(chances: Floats, outcomes: Ints) -> Floats:
    """Minus the logarithm of the chance of what came, for each position."""
    came = chances[np.arange(len(chances)), columns(outcomes)]
    losses: Floats = -np.log(np.maximum(LEAST, came))
    return losses


def brier_scores(chances: Floats, outcomes: Ints) -> Floats:
    """Squared errors of the three chances, added up, for each position."""
    scores: Floats = ((chances - np.eye(3)[columns(outcomes)]) ** 2).sum(axis=1)
    return scores


def calibration_error(chances: Floats, outcomes: Ints, weights: Floats) -> float:
    """How far, over bins, the winning chances told lie from the share that came true."""
    values = np.concatenate([chances[:, 0], chances[:, 2]])
    true = np.concatenate([outcomes == 1, outcomes == -1])
    twice = np.concatenate([weights, weights])
    bins = np.minimum(BINS - 1, (values * BINS).astype(np.int64))
    apart = np.bincount(bins, weights=twice * (values - true), minlength=BINS)
    return float(np.abs(apart).sum() / twice.sum())


def drawn_outcomes(chances: Floats, place: Ints, games: int, random: np.random.Generator) -> Ints:
    """Outcomes by the told chances: one number is drawn for each game.

    So positions of one game hang together as much as they can, as they do when the game's result
    is their outcome; each position still has the chances that were told of it.
    """
    number = random.random(games)[place]
    lost, won = number < chances[:, 2], number >= 1 - chances[:, 0]
    return np.where(won, 1, np.where(lost, -1, 0)).astype(np.int64)


def calibration_by_chance(
    chances: Floats,
    games: Sequence[str] | NDArray[Any],
    weights: Floats,
    seed: int,
    times: int = SIMULATED,
) -> float:
    """Mean calibration error of outcomes drawn by the chances themselves, ``times`` times."""
    names, place = np.unique(np.asarray(games), return_inverse=True)
    random = np.random.default_rng(seed)
    return float(
        np.mean(
            [
                calibration_error(
                    chances, drawn_outcomes(chances, place, len(names), random), weights
                )
                for _ in range(times)
            ]
        )
    )


def mean_by_games(
    values: Floats,
    weights: Floats,
    games: Sequence[str] | NDArray[Any],
    seed: int,
    times: int = BOOTSTRAP,
) -> Interval:
    """Weighted mean, with the interval that drawing the games again gives (percentiles)."""
    names, place = np.unique(np.asarray(games), return_inverse=True)
    above = np.bincount(place, weights=weights * values, minlength=len(names))
    below = np.bincount(place, weights=weights, minlength=len(names))
    value = float(above.sum() / below.sum())
    random = np.random.default_rng(seed)
    drawn = np.empty(times)
    for time in range(times):
        again = random.integers(len(names), size=len(names))
        drawn[time] = above[again].sum() / below[again].sum()
    low, high = np.quantile(drawn, [0.025, 0.975])
    return Interval(value, float(low), float(high))


def nearly_certain(
    chances: Floats,
    outcomes: Ints,
    weights: Floats,
    games: Sequence[str] | NDArray[Any],
    seed: int,
) -> Certain | None:
    """What became of the wins that were told above :data:`CERTAIN`."""
    side = np.where(chances[:, 0] > CERTAIN, 1, np.where(chances[:, 2] > CERTAIN, -1, 0))
    sure = side != 0
    if not sure.any():
        return None
    data = np.maximum(chances[:, 0], chances[:, 2])[sure]
    true = (side == outcomes)[sure].astype(np.float64)
    weigh = weights[sure]
    return Certain(
        int(sure.sum()),
        float(weigh @ data / weigh.sum()),
        mean_by_games(true, weigh, np.asarray(games)[sure], seed),
    )


def figures(
    chances: Floats, outcomes: Ints, games: Sequence[str] | NDArray[Any], seed: int = 1
) -> Figures:
    """All measures of chances told for positions of games.

    Raises:
        ValueError: no positions, arrays that do not belong together, or rows that do not add up
            to 1.
    """
    chances = np.asarray(chances, dtype=np.float64)
    outcomes = np.asarray(outcomes, dtype=np.int64)
    if not len(outcomes) or chances.shape != (len(outcomes), 3) or len(games) != len(outcomes):
        raise ValueError(f"chances {chances.shape}, {len(outcomes)} outcomes, {len(games)} games")
    if (chances < 0).any() or np.abs(chances.sum(axis=1) - 1).max() > 1e-6:
        raise ValueError("chances that are negative or do not add up to 1")
    weights = game_weights(games)
    return Figures(
        len(outcomes),
        len(np.unique(np.asarray(games))),
        mean_by_games(log_losses(chances, outcomes), weights, games, seed),
        mean_by_games(brier_scores(chances, outcomes), weights, games, seed),
        calibration_error(chances, outcomes, weights),
        calibration_by_chance(chances, games, weights, seed),
        nearly_certain(chances, outcomes, weights, games, seed),
    )


def expected(chances: Floats) -> Floats:
    """Expected score for White: won 1, drawn a half."""
    score: Floats = chances[:, 0] + chances[:, 1] / 2
    return score


def jumps(
    before: Floats,
    after: Floats,
    games: Sequence[str] | NDArray[Any],
    least: float = 0.25,
    seed: int = 1,
) -> Interval:
    """Share of moves after which the expected score has changed by more than ``least``.

    Args:
        before: chances of the position before each move.
        after: chances of the position after it.
        games: the game of each move; each move counts the same.

    Raises:
        ValueError: there are no moves.
    """
    if not len(before):
        raise ValueError("no moves")
    far = np.abs(expected(after) - expected(before)) > least
    return mean_by_games(far.astype(np.float64), np.ones(len(far)), games, seed)
