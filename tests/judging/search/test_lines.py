"""Lines into the tables: the compiled search against the plain one over python-chess."""

from __future__ import annotations

import random

import chess
import pytest
from test_leaves import drawn

from convert.judging.proof import prove
from convert.judging.search.front import Search
from convert.judging.search.lines import LineProver
from tablebases import Outcome
from tablebases.probing import SyzygyProber


def prover(search: Search, tables: SyzygyProber, positions: int = 40_000) -> LineProver:
    return LineProver(search, tables, positions=positions, checked=2_000, slack=2)


def drawn_many(number: int, men: int, seed: int) -> list[chess.Board]:
    rng = random.Random(seed)
    boards = []
    while len(boards) < number:
        board = drawn(rng, men)
        if any(board.generate_legal_moves()):
            boards.append(board)
    return boards


@pytest.mark.parametrize(("men", "number"), [(5, 40), (6, 15)])
def test_all_that_the_plain_search_proves(
    full: Search, tables: SyzygyProber, men: int, number: int
) -> None:
    """Never less than it and never the contrary, with the clock at any number."""
    ours, settled = prover(full, tables), 0
    for board in drawn_many(number, men, seed=men):
        plain = prove(board, tables, slack=2, nodes=600)
        found = ours.prove(board)
        assert found.low.points >= plain.low.points, board.fen()
        assert found.high.points <= plain.high.points, board.fen()
        assert found.low <= found.high, board.fen()
        settled += found.decided
    assert settled


def brute(board: chess.Board, depth: int, tables: SyzygyProber) -> tuple[int, int]:
    """Bounds by every move, no shortcuts."""
    if not any(board.generate_legal_moves()):
        worth = -1 if board.is_check() else 0
        return worth, worth
    if chess.popcount(board.occupied) <= 4:
        answer = tables.outcome(board)
        return answer.low.points, answer.high.points
    if not depth or board.halfmove_clock >= 99:
        return -1, 1
    low, high = -1, -1
    for move in list(board.legal_moves):
        board.push(move)
        below, above = brute(board, depth - 1, tables)
        board.pop()
        low, high = max(low, -above), max(high, -below)
    return low, high


def test_nothing_is_claimed_that_every_move_denies(full: Search, tables: SyzygyProber) -> None:
    """Of so short lines exactly what a plain look at every move finds."""
    ours = LineProver(full, tables, positions=100_000, checked=5_000, slack=1)
    for board in drawn_many(25, 5, seed=3):
        low, high = brute(board, 2, tables)
        found = ours.prove(board)
        if board.halfmove_clock in (0, 1):
            assert (found.low.points, found.high.points) == (low, high), board.fen()
        assert found.low.points <= low, board.fen()
        assert found.high.points >= high, board.fen()


def test_the_line_is_legal_and_ends_where_it_is_known(full: Search, tables: SyzygyProber) -> None:
    ours, shown = prover(full, tables), 0
    for board in drawn_many(30, 5, seed=8):
        found = ours.prove(board)
        if not found.decided:
            continue
        after = board.copy(stack=False)
        for move in found.line:
            assert move in after.legal_moves, board.fen()
            after.push(move)
        if any(after.generate_legal_moves()):
            answer = tables.outcome(after)
            points = answer.low.points if after.turn == board.turn else -answer.low.points
            assert points == found.low.points, board.fen()
        shown += 1
    assert shown > 5


def test_a_small_limit_only_widens_it(full: Search, tables: SyzygyProber) -> None:
    most = prover(full, tables)
    for board in drawn_many(10, 6, seed=5):
        whole = most.prove(board)
        for positions in (1, 50, 1_000):
            less = prover(full, tables, positions).prove(board)
            assert less.low.points <= whole.low.points, board.fen()
            assert less.high.points >= whole.high.points, board.fen()


def test_the_same_answer_again(full: Search, tables: SyzygyProber) -> None:
    boards = drawn_many(12, 6, seed=6)
    one = prover(full, tables, 3_000)
    first = [one.prove(board) for board in boards]
    assert [prover(full, tables, 3_000).prove(board) for board in boards] == first
    assert [one.prove(board) for board in reversed(boards)] == first[::-1]


def test_what_stands_beyond_the_clock_is_not_proved(full: Search, tables: SyzygyProber) -> None:
    board = chess.Board("8/2p5/8/3k4/8/1K6/1P1p4/8 w - - 99 90")
    found = prover(full, tables).prove(board)
    assert (found.low, found.high) == (Outcome.LOSS, Outcome.WIN)
