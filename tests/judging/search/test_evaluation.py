"""The evaluation: its slow twin, its symmetries, what it is made of."""

from __future__ import annotations

import json

import chess
import numpy as np
import pytest
import slow_search
from hypothesis import given
from strategies import games, positions

from convert.judging.search import terms
from convert.judging.search.front import Search


def check(search: Search, board: chess.Board) -> None:
    made_of = search.coefficients([board])
    counts = dict(zip(terms.NAMES, made_of.counts[0].tolist(), strict=True))
    told = {name: n for name, n in counts.items() if n}
    expected = {name: n for name, n in slow_search.features(board).items() if n}
    assert told == expected, board.fen()
    assert terms.SCALES[made_of.scales[0, 0]] == slow_search.scale(board)
    assert terms.SCALES[made_of.scales[0, 1]] == slow_search.scale(board.mirror())
    assert search.evaluation(board) == slow_search.evaluation(board), board.fen()
    for_white = int(search.from_coefficients(made_of)[0]) * (1 if board.turn else -1)
    dead = len(board.piece_map()) <= 3 and not board.pawns | board.rooks | board.queens
    assert dead or max(min(for_white, 20_000), -20_000) == search.evaluation(board)


@pytest.mark.slow
@given(moves=games(most=60))
def test_games_are_valued_like_the_twin(bare: Search, moves: list[chess.Move]) -> None:
    board = chess.Board()
    for move in moves:
        board.push(move)
    check(bare, board)


@given(board=positions(least=3, most=12))
def test_placed_positions_are_valued_like_the_twin(bare: Search, board: chess.Board) -> None:
    check(bare, board)


#: One for each scale, so that none goes untried.
SCALED = {
    "usual": "4k3/pppp4/8/8/8/8/PPPPP3/4K3 w - - 0 1",
    "no_pawns_minor": "4k3/p7/8/8/8/8/8/4KB2 w - - 0 1",
    "no_pawns": "4kb2/p7/8/8/8/8/8/4KR2 w - - 0 1",
    "last_pawn_minor": "4kb2/8/8/8/8/8/P7/4KB2 w - - 0 1",
    "last_pawn": "4kr2/8/8/8/8/8/P7/4KR2 w - - 0 1",
    "opposite_bishops_even": "4kb2/p7/8/8/8/8/PP6/4KB2 w - - 0 1",
    "opposite_bishops": "4kb2/p7/8/8/8/8/PPP5/4KB2 w - - 0 1",
    "opposite_bishops_and_pieces": "r3kb2/p7/8/8/8/8/PPP5/R3KB2 w - - 0 1",
    "heavy_pieces_one_wing": "r3k3/6pp/8/8/8/8/5PPP/R3K3 w - - 0 1",
    "heavy_pieces": "r3k3/p5pp/8/8/8/8/P4PPP/R3K3 w - - 0 1",
    "wrong_bishop": "k7/8/8/8/8/8/P7/2B1K3 w - - 0 1",
    "two_knights": "k7/8/8/8/8/8/8/4KNN1 w - - 0 1",
}


@pytest.mark.parametrize("name", terms.SCALES)
def test_each_scale(bare: Search, name: str) -> None:
    board = chess.Board(SCALED[name])
    assert terms.SCALES[bare.coefficients([board]).scales[0, 0]] == name
    check(bare, board)


@given(moves=games(most=120))
def test_colours_swapped(bare: Search, moves: list[chess.Move]) -> None:
    board = chess.Board()
    for move in moves:
        board.push(move)
    assert bare.evaluation(board) == bare.evaluation(board.mirror())


@given(board=positions(least=3, most=12))
def test_left_and_right(bare: Search, board: chess.Board) -> None:
    turned = board.transform(chess.flip_horizontal)
    assert bare.evaluation(board) == bare.evaluation(turned)
    turned = board.mirror()
    assert bare.evaluation(board) == bare.evaluation(turned)


def test_values_are_the_same_from_the_memory_of_values(bare: Search) -> None:
    board = chess.Board()
    first = bare.evaluation(board)
    assert bare.evaluation(board) == first
    changed = terms.Numbers(bare.numbers.pairs * 2, bare.numbers.scales)
    assert abs(Search(changed, bare.leaves).evaluation(board) - 2 * first) <= 1


def test_numbers_as_text() -> None:
    numbers = terms.shipped()
    again = terms.with_numbers(numbers.json("about"))
    assert np.array_equal(numbers.pairs, again.pairs)
    assert np.array_equal(numbers.scales, again.scales)
    assert len(terms.NAMES) == len(set(terms.NAMES))
    text = numbers.json("about")
    with pytest.raises(ValueError, match="material/pawn"):
        terms.with_numbers(text.replace("material/pawn", "material/prawn"))
    with pytest.raises(ValueError, match="whole numbers"):
        terms.with_numbers(text.replace('"material/pawn": [', '"material/pawn": [0.5, '))
    made = numbers.json("about", {"games": 3})
    assert json.loads(made)["made"] == {"games": 3}
    assert np.array_equal(terms.with_numbers(made).pairs, numbers.pairs)
