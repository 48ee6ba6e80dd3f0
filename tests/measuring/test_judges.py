"""Judges: colours alike, what is fitted, scores mapped to chances, what cannot be had."""

from __future__ import annotations

import random
from collections.abc import Sequence

import chess
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_games import made_game

from convert.measuring import softmax
from convert.measuring.chances_fit import People
from convert.measuring.forecasts import log_losses
from convert.measuring.judges import (
    AsTold,
    Constant,
    FitSample,
    ForecastError,
    Recalibrated,
    Scored,
    Viewed,
    scored_by,
    seen_by,
)
from convert.measuring.plain_search import MATE, plain_search
from convert.measuring.plain_view import EVEN, ODD, material_view, plain_view, worth_of

pytest.importorskip("scipy")


def boards(number: int, seed: int = 1) -> list[chess.Board]:
    """Positions of made games, not over."""
    out: list[chess.Board] = []
    rng = random.Random(seed)
    while len(out) < number:
        nodes = list(made_game(rng.randrange(10_000)).mainline())[4:-1]
        for node in rng.sample(nodes, min(8, len(nodes))):
            board = node.board()
            board.clear_stack()
            out.append(board)
    return out[:number]


def worth(found: Sequence[chess.Board]) -> np.ndarray:
    """A plain score: worth of the men, hundredths of a pawn, for the side to move."""
    return np.array([100.0 * (worth_of(b, b.turn) - worth_of(b, not b.turn)) for b in found])


def sample(number: int = 400, seed: int = 3) -> FitSample:
    """Positions whose outcomes hang on the worth of the men."""
    found = boards(number, seed)
    lead = worth(found) * np.array([1 if b.turn else -1 for b in found]) / 100
    noise = np.random.default_rng(seed).logistic(size=number)
    outcomes = np.sign(np.where(np.abs(lead * 0.5 + noise) < 0.7, 0, lead * 0.5 + noise))
    return FitSample(found, outcomes.astype(np.int64), np.ones(number), People.nobody(number))


METHODS = [
    Constant(),
    Viewed("material", material_view),
    Viewed("32", plain_view),
    Scored("worth", worth),
    scored_by("convert.measuring.plain_search:plain_search", 0),
]


@pytest.mark.parametrize("method", METHODS, ids=lambda m: m.name)
def test_what_is_fitted_beats_even_chances_and_adds_up(method: Viewed) -> None:
    there = sample()
    told = method.fit(there).chances(there.boards)
    assert told.shape == (400, 3)
    assert told.sum(axis=1) == pytest.approx(np.ones(400))
    loss = log_losses(told, there.outcomes).mean()
    assert loss < (np.log(3) if method.name == "a constant" else 0.9)


@pytest.mark.parametrize("method", METHODS[1:4], ids=lambda m: m.name)
def test_colours_exchanged_exchange_won_and_lost(method: Viewed) -> None:
    judge = method.fit(sample())
    there = boards(60, 9)
    told = judge.chances(there)
    turned = judge.chances([board.mirror() for board in there])
    assert told[:, ::-1] == pytest.approx(turned)


def test_the_features_are_thirty_two() -> None:
    assert len({*ODD, *EVEN}) == len(ODD) + len(EVEN) == 32
    odd, even = plain_view(boards(40))
    assert odd.shape == (40, len(ODD))
    assert even.shape == (40, len(EVEN))
    # Each of them says something somewhere.
    more_odd, more_even = plain_view(boards(600, 4))
    assert (more_odd != 0).any(axis=0).all()
    assert (more_even != 0).any(axis=0).all()


def features(fen: str) -> dict[str, float]:
    odd, even = plain_view([chess.Board(fen)])
    return {**dict(zip(ODD, odd[0], strict=True)), **dict(zip(EVEN, even[0], strict=True))}


def test_features_of_a_position_counted_by_hand() -> None:
    # White: a doubled, isolated pair on the a-file, passed; Black: b- and c-pawn, not passed.
    told = features("4k3/8/8/8/P7/P7/1pp5/4K3 w - - 0 1")
    assert told["pawns"] == 0
    assert told["doubled pawns"] == 1
    assert told["isolated pawns"] == 2
    assert told["passed pawns"] == 1 - 2
    assert told["men"] == 6 / 32
    assert told["a simple ending"] == 1
    assert told["lead in worth, pawns on one wing"] == 0
    # A rook attacked by a pawn and not guarded hangs, the more so with its owner's enemy to move.
    hangs = features("4k3/8/8/3p4/4R3/8/8/4K3 b - - 0 1")
    moves = features("4k3/8/8/3p4/4R3/8/8/4K3 w - - 0 1")
    assert hangs["worth of men attacked and not guarded"] < 0
    assert (
        moves["worth of men attacked and not guarded"]
        > hangs["worth of men attacked and not guarded"]
    )


@given(st.integers(0, 300))
def test_the_regression_finds_numbers_that_are_known(seed: int) -> None:
    rng = np.random.default_rng(seed)
    odd, even = rng.normal(size=(3000, 1)), np.ones((3000, 1))
    true = softmax.Softmax(np.array([1.0]), np.array([0.3]))
    told = true.chances(odd, even)
    drawn = rng.random(3000)
    outcomes = np.where(drawn < told[:, 0], 1, np.where(drawn < told[:, :2].sum(1), 0, -1))
    found = softmax.fit(odd, even, outcomes, np.ones(3000))
    assert found.odd[0] == pytest.approx(1, abs=0.25)
    assert found.even[0] == pytest.approx(0.3, abs=0.25)


def test_the_regression_is_that_of_scikit_learn() -> None:
    linear = pytest.importorskip("sklearn.linear_model")
    rng = np.random.default_rng(4)
    odd = rng.normal(size=(2000, 2))
    truth = softmax.Softmax(np.array([0.8, -0.4]), np.array([0.2]))
    told = truth.chances(odd, np.ones((2000, 1)))
    drawn = rng.random(2000)
    outcomes = np.where(drawn < told[:, 0], 1, np.where(drawn < told[:, :2].sum(1), 0, -1))
    # Both colours: every position twice, the second time turned.
    both, came = np.concatenate([odd, -odd]), np.concatenate([outcomes, -outcomes])
    theirs = linear.LogisticRegression(C=1e6, tol=1e-8, max_iter=2000).fit(both, came)
    ours = softmax.fit(both, np.ones((4000, 1)), came, np.ones(4000))
    there = theirs.predict_proba(odd)[:, ::-1]  # classes -1, 0, 1
    assert ours.chances(odd, np.ones((2000, 1))) == pytest.approx(there, abs=2e-3)


def test_a_score_is_told_for_white() -> None:
    up = chess.Board("4k3/8/8/8/8/8/4P3/4K2R w K - 0 1")
    down = up.mirror()
    seen = seen_by(worth, [up, down])
    assert list(seen.score) == [6.0, -6.0]
    assert list(seen.turn) == [1, -1]
    assert list(seen.men) == [4, 4]


def test_scores_beyond_all_estimates_are_counted_apart() -> None:
    there = sample()
    plain = Scored("worth", worth).fit(there)

    def sure(found: Sequence[chess.Board]) -> np.ndarray:
        told = worth(found)
        return np.where(np.abs(told) >= 900, np.sign(told) * 30_000, told)

    judge = Scored("sure", sure).fit(there)
    score = seen_by(sure, there.boards).score
    ahead = there.outcomes[score > 100], -there.outcomes[score < -100]
    came = np.concatenate(ahead)
    assert len(came) > 10
    share = [(np.sum(came == outcome) + 1) / (len(came) + 3) for outcome in (1, 0, -1)]
    told = judge.chances(there.boards)
    assert told[score > 100] == pytest.approx(np.tile(share, (len(ahead[0]), 1)))
    assert told[score < -100] == pytest.approx(np.tile(share[::-1], (len(ahead[1]), 1)))
    rest = np.abs(score) <= 100
    assert told[rest] == pytest.approx(plain.chances(there.boards)[rest], abs=0.1)


def test_scores_that_are_none_are_refused() -> None:
    with pytest.raises(ForecastError, match="one finite number"):
        seen_by(lambda found: [1.0], boards(2))
    with pytest.raises(ForecastError, match="one finite number"):
        seen_by(lambda found: [float("nan")] * len(found), boards(2))


@pytest.mark.parametrize(
    "place", ["no.such.module:scores", "convert.board.kinds:scores", "", "convert"]
)
def test_a_search_that_is_not_there_is_told(place: str) -> None:
    with pytest.raises(ForecastError, match="no search"):
        scored_by(place, 10)


def test_the_estimate_as_told_is_asked_once_and_put_right() -> None:
    there = sample(60)
    told = AsTold()
    judge = told.fit(there)
    first = judge.chances(there.boards)
    assert first.sum(axis=1) == pytest.approx(np.ones(60), abs=1e-3)
    assert len(told._known) == len({board.fen() for board in there.boards})
    again = Recalibrated(told).fit(there).chances(there.boards)
    assert again.sum(axis=1) == pytest.approx(np.ones(60))
    assert (again > 0).all()
    assert log_losses(again, there.outcomes).mean() < log_losses(first, there.outcomes).mean()


def test_what_is_proved_is_told_as_certain() -> None:
    mate = chess.Board("4k3/8/4K3/8/8/8/8/7Q w - - 0 1")
    drawn = chess.Board("4k3/8/4K3/8/8/8/8/7N w - - 0 1")
    assert AsTold().chances([mate, mate.mirror(), drawn]).tolist() == [
        [1, 0, 0],
        [0, 0, 1],
        [0, 1, 0],
    ]


# --- the plain search -----------------------------------------------------------------------


def minimax(board: chess.Board, depth: int, ply: int = 0) -> int:
    """The same score without cutting anything off."""

    def played_out() -> int:
        best = 100 * (worth_of(board, board.turn) - worth_of(board, not board.turn))
        for move in board.legal_moves:
            if board.is_capture(move) or (move.promotion and not board.is_capture(move)):
                board.push(move)
                best = max(best, -minimax(board, 0, -1))
                board.pop()
        return best

    if ply < 0:
        return played_out()
    moves = list(board.legal_moves)
    if not moves:
        return -MATE + ply if board.is_check() else 0
    if depth == 0:
        return played_out()
    best = -MATE
    for move in moves:
        board.push(move)
        best = max(best, -minimax(board, depth - 1, ply + 1))
        board.pop()
    return best


@pytest.mark.parametrize("board", boards(12, 21), ids=lambda b: b.fen())
def test_the_plain_search_is_minimax(board: chess.Board) -> None:
    assume_small = board.occupied.bit_count() <= 14
    depth = 2 if assume_small else 1
    # So many positions that this depth is finished and the next is not.
    for count in range(1, 40_000):
        looked = _depth_done(board, count)
        if looked == depth:
            assert plain_search([board], count) == [minimax(board.copy(), depth)]
            return
        if looked > depth:
            break
    pytest.fail("no count ends at this depth")


def _depth_done(board: chess.Board, count: int) -> int:
    from convert.measuring.plain_search import _Look, _Spent

    look = _Look(board.copy(stack=False), count)
    done = 0
    for depth in range(1, 4):
        try:
            look.deep(depth, -MATE, MATE, 0)
        except _Spent:
            return done
        done = depth
        if look.left <= 0:
            return done
    return done


def test_the_plain_search_finds_a_mate_and_a_hanging_queen() -> None:
    mate = chess.Board("6k1/5ppp/8/8/8/8/8/R5K1 w - - 0 1")
    queen = chess.Board("4k3/8/8/3q4/8/4N3/8/4K3 b - - 0 1")
    assert plain_search([mate], 2000) == [MATE - 1]
    queen.turn = chess.WHITE
    assert plain_search([queen], 0) == [300]
