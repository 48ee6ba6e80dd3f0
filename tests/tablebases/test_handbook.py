"""Positions from handbooks, and printed claims that the tables refute.

The facts and their sources are in tests/data/handbook_positions.json and errata.json.
"""

from __future__ import annotations

from typing import Any

import chess
import pytest
from table_support import WORDS, load

from tablebases import Outcome, SyzygyProber

POSITIONS = load("handbook_positions.json")["positions"]
ERRATA = load("errata.json")


def after(prober: SyzygyProber, board: chess.Board, san: str) -> Outcome:
    """Outcome for the side that plays the move."""
    board = board.copy()
    board.push_san(san)
    return prober.wdl_after_zeroing(board).opposite


def keeping(prober: SyzygyProber, board: chess.Board) -> set[str]:
    """All moves after which the side to move has what it had before."""
    best = prober.wdl_after_zeroing(board)
    sans = [board.san(move) for move in board.legal_moves]
    return {san for san in sans if after(prober, board, san) is best}


def test_there_are_enough_positions_and_each_has_a_source() -> None:
    assert len({position["fen"] for position in POSITIONS}) == len(POSITIONS) == 49
    assert all(position["source"] for position in POSITIONS)
    assert sum(bool(position["key_moves"]) for position in POSITIONS) >= 15
    assert {position["outcome"] for position in POSITIONS} == {"win", "draw", "loss"}


@pytest.mark.parametrize("position", POSITIONS, ids=lambda position: position["id"])
def test_handbook(prober: SyzygyProber, position: dict[str, Any]) -> None:
    board = chess.Board(position["fen"])
    expected = WORDS[position["outcome"]]
    answer = prober.outcome(board)
    assert answer.exact
    assert answer.low is expected
    for san in position["key_moves"]:
        assert after(prober, board, san) is expected, san
    for san in position["failing_moves"]:
        assert after(prober, board, san) < expected, san
    if expected is not Outcome.LOSS:
        assert keeping(prober, board) == set(position["moves_keeping"])
    assert prober.table_dtz(board) == position["dtz"]


@pytest.mark.parametrize("erratum", ERRATA["refuted"], ids=lambda erratum: erratum["id"])
def test_printed_claims_that_are_wrong(prober: SyzygyProber, erratum: dict[str, Any]) -> None:
    for fen in erratum["fens"]:
        board = chess.Board(fen)
        side = "w" if board.turn else "b"
        outcome = prober.outcome(board).low
        assert outcome is WORDS[erratum["tables"][side]]
        assert outcome is not WORDS[erratum["printed"][side]]
        if side in erratum["only_moves"]:
            assert keeping(prober, board) == set(erratum["only_moves"][side])


@pytest.mark.parametrize("erratum", ERRATA["not_the_only_move"], ids=lambda item: item["id"])
def test_printed_moves_that_are_not_alone(prober: SyzygyProber, erratum: dict[str, Any]) -> None:
    board = chess.Board(erratum["fen"])
    assert erratum["others"]
    assert keeping(prober, board) == {erratum["given"], *erratum["others"]}


def test_mated_in_four_moves_in_laskers_zugzwang(prober: SyzygyProber) -> None:
    """With a Black knight, White to move is mated, Black to move cannot win (errata.json)."""
    white_moves = chess.Board("8/5k1K/2n4P/8/8/8/8/8 w - - 0 1")
    black_moves = chess.Board("8/5k1K/2n4P/8/8/8/8/8 b - - 0 1")
    assert prober.outcome(white_moves).low is Outcome.LOSS
    assert prober.outcome(black_moves).low is Outcome.DRAW


def test_saavedra_promotes_to_a_rook(prober: SyzygyProber) -> None:
    """After 1.c7 Rd6+ 2.Kb5 Rd5+ 3.Kb4 Rd4+ 4.Kb3 Rd3+ 5.Kc2 Rd4 the rook wins, the queen not.

    Source: handbook_positions.json, saav (from memory); 6.c8=Q Rc4+ 7.Qxc4 is stalemate.
    """
    board = chess.Board("8/8/1KP5/3r4/8/8/8/k7 w - - 0 1")
    for san in ["c7", "Rd6+", "Kb5", "Rd5+", "Kb4", "Rd4+", "Kb3", "Rd3+", "Kc2", "Rd4"]:
        board.push_san(san)
    assert after(prober, board, "c8=R") is Outcome.WIN
    assert after(prober, board, "c8=Q") is Outcome.DRAW
