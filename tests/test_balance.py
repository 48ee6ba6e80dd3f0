"""The material balance in words."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given
from strategies import positions

from convert.board.balance import (
    balance,
    balance_name,
    census,
    exchange_up,
    force,
    material_text,
    men,
    pure_exchange_up,
    worth,
)
from convert.board.features import features
from convert.board.kinds import closer_kind
from convert.review.practice import counted_exchange_up


@pytest.mark.parametrize(
    ("fen", "name"),
    [
        (
            "8/8/4k3/ppp1n2p/8/4K3/PP4R1/7P w - - 0 1",
            "White: rook and 3 pawns against knight and 4: the exchange up for a pawn",
        ),
        ("8/8/4k3/ppp4p/8/4K3/PP5P/8 w - - 0 1", "Black: 4 pawns against 3 pawns: a pawn up"),
        ("8/8/4k3/8/8/4K3/P6P/8 w - - 0 1", "White: 2 pawns against the bare king"),
        ("8/8/4k3/pp6/8/4K3/P6P/8 w - - 0 1", "2 pawns each: level"),
        ("8/4n3/4k3/8/8/4KR2/8/8 w - - 0 1", "White: rook against knight: the exchange up"),
        ("8/8/3bk3/pp6/8/4KN2/PP6/8 w - - 0 1", "Black: bishop against knight, 2 pawns each"),
        (
            "8/8/3bk3/pp1p4/8/4K3/PP6/8 w - - 0 1",
            "Black: bishop and 3 pawns against 2 pawns: a piece and a pawn up",
        ),
        (
            "8/4r3/3bk3/pp6/8/4KQ2/PPP5/8 w - - 0 1",
            "White: queen and 3 pawns against rook, bishop and 2",
        ),
        ("8/8/4k3/8/8/4K3/8/8 w - - 0 1", "bare kings"),
        (chess.STARTING_FEN, "level material, queens on"),
    ],
)
def test_names(fen: str, name: str) -> None:
    assert balance_name(census(chess.Board(fen))) == name


@given(positions(least=3, most=6))
def test_the_same_is_said_of_both_colours(board: chess.Board) -> None:
    here, there = balance(census(board)), balance(census(board.mirror()))
    assert (here.edge, here.level, here.points) == (there.edge, there.level, there.points)
    assert here.ahead is None or here.ahead != there.ahead


@given(positions(least=3, most=6))
def test_the_side_ahead_has_more(board: chess.Board) -> None:
    count = census(board)
    told = balance(count)
    difference = worth(count, chess.WHITE) - worth(count, chess.BLACK)
    assert told.points == abs(difference)
    if difference:
        assert told.ahead == (difference > 0)
    assert men(count) == len(board.piece_map())
    white, black = material_text(count).split("v")
    assert len(white) + len(black) == men(count)


def test_force() -> None:
    count = census(chess.Board("8/8/4k3/ppp1n2p/8/4K3/P5R1/8 w - - 0 1"))
    assert force(count, chess.WHITE) == "rook and a pawn"
    assert force(count, chess.BLACK) == "knight and 4 pawns"


@given(positions(least=3, most=9))
def test_the_exchange_up_is_one_thing_wherever_it_is_named(board: chess.Board) -> None:
    """Words, kinds and rules agree, queens on or off; what is stricter is a part of it."""
    count = census(board)
    up = exchange_up(count)
    told = balance(count)
    assert told.edge.startswith("the exchange") == (up is not None)
    assert features(board).exchange_up is up
    assert features(board).pure_exchange_up is pure_exchange_up(count)
    assert (closer_kind(count) == "exchange up") == (up is not None and not board.queens)
    if pure_exchange_up(count) is not None or counted_exchange_up(count):
        assert up is not None
        assert not board.queens


@pytest.mark.parametrize(
    ("fen", "up"),
    [
        ("q3k1n1/8/8/8/8/8/8/Q3K2R w - - 0 1", chess.WHITE),  # a queen each changes nothing
        ("q3k1n1/8/8/8/8/8/8/4K2R w - - 0 1", None),  # a queen against nothing does
        ("4k1nn/8/8/8/8/8/8/R3K3 w - - 0 1", None),
    ],
)
def test_queens_and_the_exchange(fen: str, up: chess.Color | None) -> None:
    assert exchange_up(census(chess.Board(fen))) is up
