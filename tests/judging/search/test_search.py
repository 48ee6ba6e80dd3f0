"""The search: its slow twin, the same answer each time, mates, moves, draws."""

from __future__ import annotations

import random
from typing import Any

import chess
import pytest
import slow_search
from chess import KING
from hypothesis import given, settings
from strategies import games

from convert.judging.search.front import EXACT, MATE, SURE, Found, Search, _Worker


def plainly(search: Search, board: chess.Board, depth: int) -> int:
    """The score at a fixed depth, by alpha-beta and quiescence alone."""
    worker = _Worker(search, 10)
    worker.put(board)
    worker.state["plain"] = 1
    worker.code.kernel.deepen(
        worker.state, depth, 1 << 60, worker.table, worker.leaves.heads, worker.leaves.pool,
        worker.line, worker.out,
    )  # fmt: skip
    return int(worker.out[0])


def few_men(rng: random.Random, moves: int) -> chess.Board:
    """A position from a random game that takes whatever it can."""
    board = chess.Board()
    for _ in range(moves):
        legal = sorted(board.legal_moves, key=chess.Move.uci)
        if not legal:
            break
        captures = [m for m in legal if board.is_capture(m)]
        board.push(rng.choice(captures if captures and rng.random() < 0.7 else legal))
    return board


@pytest.mark.parametrize("seed", range(12))
def test_scores_of_the_twin(bare: Search, seed: int) -> None:
    board = few_men(random.Random(seed), 60 + seed)
    if board.is_game_over():
        board.pop()
    # From depth 1 on; a search that is decided goes no deeper.
    for depth in (1, 2):
        expected = slow_search.search(board.copy(stack=False), depth)
        assert plainly(bare, board, depth) == expected, board.fen()
        if abs(expected) > SURE:
            break


def test_scores_of_the_twin_with_the_clock_running_out(bare: Search) -> None:
    for clock in (97, 98, 99):
        board = chess.Board(f"6k1/5ppp/8/8/8/8/8/R5K1 w - - {clock} 80")
        assert plainly(bare, board, 3) == slow_search.search(board, 3)
        board = chess.Board(f"8/5k2/8/8/8/3R4/8/4K3 w - - {clock} 80")
        assert plainly(bare, board, 3) == slow_search.search(board, 3)


@settings(max_examples=10)
@given(moves=games(most=60))
def test_the_same_each_time(full: Search, moves: list[chess.Move]) -> None:
    board = chess.Board()
    for move in moves:
        board.push(move)
    found = full.search(board, 2000)
    assert found == full.search(board, 2000)
    check_line(board, found)


def check_line(board: chess.Board, found: Found) -> None:
    board = board.copy(stack=False)
    for move in found.line:
        assert board.is_legal(move)
        board.push(move)
    if found.mate is not None:
        assert board.is_checkmate()
        assert len(found.line) == MATE - abs(found.score)


@pytest.fixture(scope="module")
def game() -> list[chess.Board]:
    """The positions of a game played at random."""
    rng, board, boards = random.Random(7), chess.Board(), []
    for _ in range(40):
        boards.append(board.copy(stack=False))
        board.push(rng.choice(sorted(board.legal_moves, key=chess.Move.uci)))
    return boards


def test_threads_change_nothing(full: Search, game: list[chess.Board]) -> None:
    one = full.many(game, 1000)
    assert one == full.many(game, 1000, threads=2)
    assert one == full.many(game, 1000, threads=3)
    assert one == [full.search(board, 1000) for board in game]


def test_all_moves_of_many_positions_are_those_of_each(
    full: Search, game: list[chess.Board]
) -> None:
    alone = [full.moves(board, 2000) for board in game[:12]]
    for threads in (1, 2, 3):
        assert full.moves_of_many(game[:12], 2000, threads=threads) == alone
    assert full.moves_of_many([], 2000) == []


def test_backwards(full: Search, game: list[chess.Board]) -> None:
    found = full.backwards(game, 1000)
    assert found == full.backwards(game, 1000)
    assert len(found) == len(game)
    fresh = full.many(game, 1000)
    assert found[-1].line == fresh[-1].line  # the last is searched first
    for board, each in zip(game, found, strict=True):
        check_line(board, each)
    # What is kept of the table leads further.
    assert sum(f.depth for f in found) >= sum(f.depth for f in fresh)


def test_effort_is_bounded(full: Search, game: list[chess.Board]) -> None:
    from convert.judging.search.front import MATE_POSITIONS

    for board in game[::8]:
        assert full.search(board, 5000).positions <= 5000 + 3 * MATE_POSITIONS
    assert full.moves(game[20], 5000).positions <= 5000 + 2000


def test_moves(full: Search) -> None:
    board = chess.Board("6k1/5ppp/8/8/8/8/r4PPP/1R4K1 w - - 0 1")
    each = full.moves(board, 20_000)
    assert set(each.found) == set(board.legal_moves)
    best = next(iter(each.found))
    assert best.uci() == "b1b8"
    assert each.found[best].score == MATE - 1
    assert each.found[best].line == (best,)
    scores = [found.score for found in each.found.values()]
    assert scores == sorted(scores, reverse=True)
    for move, found in each.found.items():
        assert found.line[0] == move
        check_line(board, found)
    # The other moves lose or keep; none of them mates.
    assert scores[1] < SURE
    assert full.moves(board, 20_000) == each


def test_left_out_moves(full: Search) -> None:
    board = chess.Board("6k1/5ppp/8/8/8/8/r4PPP/1R4K1 w - - 0 1")
    mate = chess.Move.from_uci("b1b8")
    other = chess.Move.from_uci("b1a1")
    assert full.search(board, 5000).line[0] == mate
    assert full.search(board, 5000, without=[mate]).line[0] != mate
    assert full.search(board, 5000, only=[other]).line[0] == other
    assert full.search(board, 5000, without=list(board.legal_moves)).score == -32_000
    # Promotions to other pieces are other moves.
    board = chess.Board("7k/P7/8/8/8/8/8/K7 w - - 0 1")
    queen = chess.Move.from_uci("a7a8q")
    assert full.search(board, 5000, without=[queen]).line[0] != queen


def test_an_ended_game(full: Search) -> None:
    mated = chess.Board("R5k1/5ppp/8/8/8/8/8/6K1 b - - 0 1")
    assert full.search(mated) == Found(-MATE, (), 0, 1)
    stalemate = chess.Board("7k/5Q2/6K1/8/8/8/8/8 b - - 0 1")
    assert full.search(stalemate) == Found(0, (), 0, 1)
    assert full.moves(stalemate).found == {}


def test_errors(full: Search) -> None:
    with pytest.raises(ValueError, match="not a legal position"):
        full.search(chess.Board("8/8/8/8/8/8/8/K7 w - - 0 1"))
    with pytest.raises(ValueError, match="at least one position"):
        full.search(chess.Board(), 0)
    with pytest.raises(ValueError, match="at least one thread"):
        full.many([chess.Board()], threads=0)


def test_a_draw_by_repetition(full: Search) -> None:
    """A queen down and about to be mated, White checks on e8 and h5 for ever."""
    board = chess.Board("6k1/6p1/8/7Q/8/8/qq4PP/7K w - - 0 1")
    found = full.search(board, 50_000)
    assert found.score == 0
    assert board.gives_check(found.line[0])


def test_the_clock_in_the_search(bare: Search) -> None:
    """A rook up, but the next move without a capture or a mate is the hundredth."""
    board = chess.Board("8/8/4k3/8/8/8/8/R3K3 w - - 99 120")
    assert bare.search(board, 5000).score == 0
    board.halfmove_clock = 0
    assert bare.search(board, 5000).score > 300


def test_exact_leaves_in_the_search(full: Search, bare: Search) -> None:
    """White takes with check and has a pawn more in an ending of four men."""
    winning = chess.Board("8/8/4k3/8/2p5/8/B2P2K1/8 w - - 0 1")
    found = full.search(winning)
    assert found.decided == 1
    assert found.mate is None
    assert EXACT - 10 < found.score < EXACT
    assert bare.search(winning, 2000).decided is None


def mates_by_rules(board: chess.Board, moves: int) -> bool:
    """Does the side to move mate within so many moves? Everything is tried."""
    for move in list(board.legal_moves):
        if moves == 1 and not board.gives_check(move):
            continue
        board.push(move)
        answers = list(board.legal_moves)
        good = board.is_checkmate() if not answers else moves > 1
        if good:
            for answer in answers:
                board.push(answer)
                good = mates_by_rules(board, moves - 1)
                board.pop()
                if not good:
                    break
        board.pop()
        if good:
            return True
    return False


def random_mates(number: int, moves: int, seed: int) -> list[chess.Board]:
    """Positions in which a mate in so many moves, and no quicker one, is to be found."""
    rng, found = random.Random(seed), []
    while len(found) < number:
        board = chess.Board(None)
        squares = rng.sample(range(64), 7)
        board.set_piece_at(squares[0], chess.Piece(KING, True))
        board.set_piece_at(squares[1], chess.Piece(KING, False))
        kinds = (chess.QUEEN, chess.ROOK, chess.KNIGHT)
        for square, kind in zip(squares[2:5], kinds, strict=True):
            board.set_piece_at(square, chess.Piece(kind, True))
        for square, kind in zip(squares[5:], (chess.ROOK, chess.BISHOP), strict=True):
            board.set_piece_at(square, chess.Piece(kind, False))
        if not board.is_valid() or any(mates_by_rules(board, n) for n in range(1, moves)):
            continue
        if mates_by_rules(board, moves):
            found.append(board)
    return found


@pytest.mark.parametrize(
    ("moves", "number"), [(1, 20), (2, 3), pytest.param(3, 1, marks=pytest.mark.slow)]
)
def test_mates(full: Search, moves: int, number: int) -> None:
    for board in random_mates(number, moves, seed=moves):
        found = full.search(board)
        assert found.mate == moves, board.fen()
        check_line(board, found)


def test_a_published_mate(full: Search) -> None:
    """Paul Morphy against the Duke of Brunswick and Count Isouard, Paris 1858 (from memory)."""
    board = chess.Board("4kb1r/p2n1ppp/4q3/4p1B1/4P3/1Q6/PPP2PPP/2KR4 w k - 1 16")
    found = full.search(board)
    assert found.mate == 2
    assert [move.uci() for move in found.line] == ["b3b8", "d7b8", "d1d8"]
    assert mates_by_rules(board, 2)


@pytest.fixture
def worker(full: Search) -> Any:
    return _Worker(full, 12)


def test_no_mate_is_claimed_without_one(worker: Any) -> None:
    """Stalemate, an answer that takes the piece, and a clock that runs out are none."""
    for fen in (
        "7k/5K2/8/6Q1/8/8/8/8 b - - 0 1",
        "k7/2K5/8/8/8/8/8/1q6 w - - 0 1",
    ):
        assert worker.mate_within(chess.Board(fen), 2) == 0
    ladder = chess.Board("7k/8/8/8/8/8/R7/1R4K1 w - - 0 1")
    assert worker.mate_within(ladder, 2) == 2
    ladder.halfmove_clock = 98
    # The draw comes before the second move.
    assert worker.mate_within(ladder, 2) == 0
