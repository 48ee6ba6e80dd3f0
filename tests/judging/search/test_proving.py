"""Proofs: what they hold, and that none is given where there is none."""

from __future__ import annotations

import random

import chess
import pytest
from test_leaves import drawn
from test_search import mates_by_rules, random_mates

from convert.judging.search.front import SURE, Found, Search
from convert.judging.search.proving import SearchProof, prove
from tablebases import Outcome
from tablebases.probing import SyzygyProber


def check(board: chess.Board, proof: SearchProof, tables: SyzygyProber) -> None:
    after = board.copy(stack=False)
    for move in proof.line:
        assert after.is_legal(move)
        after.push(move)
    assert after == proof.leaf
    if proof.mate:
        assert after.is_checkmate()
        assert after.turn != proof.winner
    else:
        answer = tables.outcome(after)
        assert answer.low == answer.high
        assert answer.low == (Outcome.WIN if after.turn == proof.winner else Outcome.LOSS)


@pytest.mark.parametrize(
    ("moves", "number"), [(1, 8), (2, 2), pytest.param(3, 1, marks=pytest.mark.slow)]
)
def test_mates_are_proved(full: Search, tables: SyzygyProber, moves: int, number: int) -> None:
    for board in random_mates(number, moves, seed=10 + moves):
        proof = prove(board, full)
        assert proof is not None, board.fen()
        assert proof.winner == board.turn
        assert proof.mate_in is not None
        assert proof.mate_in >= moves
        assert mates_by_rules(board, moves)
        check(board, proof, tables)


def test_down_to_the_tables(full: Search, tables: SyzygyProber) -> None:
    board = chess.Board("8/8/4k3/8/2p5/8/B2P2K1/8 w - - 0 1")
    assert prove(board, full) is None  # no mate is near, and nothing else is asked
    proof = prove(board, full, prober=tables)
    assert proof is not None
    assert not proof.mate
    assert proof.mate_in is None
    check(board, proof, tables)
    # From the other side to move as well.
    board.push_uci("a2c4")
    lost = prove(board, full, prober=tables)
    if lost is not None:
        assert lost.winner == chess.WHITE
        check(board, lost, tables)


def test_nothing_is_proved_that_tables_deny(full: Search, tables: SyzygyProber) -> None:
    """Whatever is claimed of four men, the claim is made to be proved, and only truths are."""
    rng, proved = random.Random(3), 0
    for _ in range(60):
        board = drawn(rng, 4)
        if board.is_game_over() or board.halfmove_clock > 60:
            continue
        for score in (SURE + 1, -SURE - 1):
            claim = Found(score, (), 1, 1)
            proof = prove(board, full, result=claim, prober=tables, positions=300)
            if proof is not None:
                proved += 1
                answer = tables.outcome(board)
                expected = Outcome.WIN if score > 0 else Outcome.LOSS
                assert answer.low == answer.high == expected, board.fen()
                check(board, proof, tables)
    assert proved > 5


def test_a_wrong_line_is_no_proof(full: Search) -> None:
    board = chess.Board("6k1/5ppp/8/8/8/8/r4PPP/1R4K1 w - - 0 1")
    wrong = Found(SURE + 1, (chess.Move.from_uci("b1b7"),), 1, 1)
    proof = prove(board, full, result=wrong)
    assert proof is not None  # the search proposes the mate instead
    assert proof.line == (chess.Move.from_uci("b1b8"),)
    drawn_ending = chess.Board("8/8/8/4k3/8/4K3/8/8 w - - 0 1")
    assert prove(drawn_ending, full, result=wrong) is None


def test_the_fifty_move_rule_ends_a_proof(full: Search, tables: SyzygyProber) -> None:
    board = chess.Board("7k/8/8/8/8/8/R7/1R4K1 w - - 0 1")
    proof = prove(board, full)
    assert proof is not None
    assert proof.mate_in == 2
    board.halfmove_clock = 98
    claim = Found(SURE + 1, proof.line, 1, 1)
    assert prove(board, full, result=claim, prober=tables) is None


def test_work_is_bounded(full: Search) -> None:
    board = chess.Board("7k/8/8/8/8/8/R7/1R4K1 w - - 0 1")
    assert prove(board, full, positions=2) is None


def test_what_is_not_decided_is_not_proved(full: Search) -> None:
    assert prove(chess.Board(), full, result=Found(50, (), 5, 100)) is None
