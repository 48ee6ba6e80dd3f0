"""Facts read off the board. Expected values were set up by hand for these positions."""

from __future__ import annotations

import chess
import pytest
from chess import KING
from hypothesis import given, settings
from hypothesis import strategies as st

from convert.board.features import (
    Features,
    centre_distance,
    distance,
    features,
    moves_to_queen,
    names,
    pawn_attacks,
    relative_rank,
)


def squares(text: str) -> int:
    return sum(chess.BB_SQUARES[chess.parse_square(name)] for name in text.split())


def of(fen: str) -> Features:
    return features(chess.Board(fen))


def test_counts_and_values() -> None:
    f = of("3qk2r/pp3ppp/2n5/8/8/2B5/PPP2PPP/R3K2R w KQk - 0 1")
    assert f.white.value == 10 + 3 + 6
    assert f.black.value == 9 + 5 + 3 + 5
    assert f.balance(chess.WHITE) == -3
    assert f.balance(chess.BLACK) == 3
    assert f.pawn_balance(chess.WHITE) == 1
    assert f.men == 19
    assert f.piece_count == 6
    assert f.queens_on
    assert not f.pawn_ending
    assert f.white.queenside_pawns == 3
    assert f.white.kingside_pawns == 3


def test_starting_position() -> None:
    f = features(chess.Board())
    assert f.white.passed == f.black.passed == 0
    assert f.white.isolated == f.white.doubled == f.white.backward == 0
    assert f.exchange_up is None
    assert f.white.bishop_pair
    assert f.white.value == f.black.value == 39


def test_passed_pawns_of_all_kinds() -> None:
    f = of("8/8/3k1p1p/pp1P4/2P3PP/P2K4/8/8 w - - 0 1")
    assert f.white.passed == squares("d5")
    assert f.white.protected_passed == squares("d5")
    assert f.black.passed == 0
    connected = of("8/5k2/p6p/6p1/3PP3/6PP/4K3/8 w - - 0 1").white
    assert connected.connected_passed == squares("d4 e4")
    outside = of("8/8/2p2k2/2P5/6P1/4K3/8/8 w - - 0 1").white
    assert outside.outside_passed == squares("g4")
    inside = of("8/8/2p2k2/2P5/4P3/4K3/8/8 w - - 0 1").white
    assert inside.outside_passed == 0
    assert inside.passed == squares("e4")


def test_front_one_of_doubled_pawns_is_the_passed_one() -> None:
    f = of("4k3/8/8/P7/8/P7/8/4K3 w - - 0 1")
    assert f.white.passed == squares("a5")
    assert f.white.doubled == squares("a3")
    assert f.white.isolated == squares("a3 a5")
    assert f.white.only_rook_pawns
    assert not of("4k3/8/8/P7/7P/8/8/4K3 w - - 0 1").white.only_rook_pawns


def test_backward_pawn() -> None:
    f = of("4k3/8/3p4/2p1p3/2P1P3/8/8/4K3 w - - 0 1")
    assert f.black.backward == squares("d6")  # d5 is held by c4 and e4
    ready = of("4k3/2p5/3p4/4p3/2P1P3/8/8/4K3 w - - 0 1")
    assert ready.black.backward == 0  # c7 stands behind d6 and can support it
    assert f.black.fixed == squares("c5 e5")


def test_fixed_pawns_by_colour() -> None:
    f = of("8/8/p2k2bp/Pp1p1p2/1P1K1P2/3BP2P/8/8 b - - 0 1")
    assert f.black.fixed == squares("a6 b5 f5")
    assert f.black.fixed_on_colour(light=True) == squares("a6 b5 f5")
    assert f.white.fixed_on_colour(light=True) == 0
    assert f.fixed_pairs == 3
    assert f.bishop_ending
    assert not f.opposite_bishops


def test_files_and_rooks() -> None:
    f = of("6k1/R4pp1/7p/8/8/7P/1r3PP1/3R2K1 w - - 0 1")
    assert f.white.rooks_on_seventh == squares("a7")
    assert f.black.rooks_on_seventh == squares("b2")
    assert f.white.rooks_on_open_files == squares("a7 d1")


def test_rook_behind_passed_pawns() -> None:
    f = of("8/6pk/P6p/8/8/R5P1/r6P/6K1 w - - 0 1")
    assert f.white.rooks_behind_own_passed == ((chess.A3, chess.A6),)
    assert f.black.rooks_behind_their_passed(f.white.passed) == ()  # the other rook is between
    alone = of("R7/6pk/P6p/8/8/6PK/r6P/8 w - - 0 1")
    assert alone.white.rooks_behind_own_passed == ()
    assert alone.black.rooks_behind_their_passed(alone.white.passed) == ((chess.A2, chess.A6),)


@pytest.mark.parametrize(
    ("fen", "up"),
    [
        ("4k1n1/8/8/8/8/8/8/R3K3 w - - 0 1", chess.WHITE),
        ("r3k3/8/8/8/8/8/8/4K1N1 w - - 0 1", chess.BLACK),
        ("q3k1nn/8/8/8/8/8/8/Q1B1K2R w - - 0 1", chess.WHITE),  # the bishop cancels one knight
        ("4k1nn/8/8/8/8/8/8/R3K3 w - - 0 1", None),
        ("r3k1n1/8/8/8/8/8/8/R3K1B1 w - - 0 1", None),
        ("q3k1n1/8/8/8/8/8/8/R3K3 w - - 0 1", None),
    ],
)
def test_exchange_up(fen: str, up: chess.Color | None) -> None:
    assert of(fen).exchange_up is up


def test_pure_exchange_up_has_no_other_pieces() -> None:
    assert of("4k1n1/p7/8/8/8/8/P7/R3K3 w - - 0 1").pure_exchange_up is chess.WHITE
    assert of("r3k1n1/8/8/8/8/8/8/RR2K3 w - - 0 1").pure_exchange_up is None


def test_kinds_of_ending() -> None:
    assert of("4k3/p7/8/8/8/8/P7/4K3 w - - 0 1").pawn_ending
    assert not of("4k3/8/8/8/8/8/8/4K3 w - - 0 1").pawn_ending
    assert of("r3k3/p7/8/8/8/8/P7/R3K3 w - - 0 1").rook_ending
    assert of("q3k3/p7/8/8/8/8/P7/Q3K3 w - - 0 1").queen_ending
    assert of("n3k3/p7/8/8/8/8/P7/N3K3 w - - 0 1").knight_ending
    opposite = of("b3k3/p7/8/8/8/8/P7/B3K3 w - - 0 1")
    assert opposite.bishop_ending
    assert opposite.opposite_bishops
    assert of("b3k3/p7/8/8/8/8/P7/4K2B w - - 0 1").opposite_bishops is False


def test_wings() -> None:
    one = of("4k3/5pp1/8/8/8/8/6PP/4K3 w - - 0 1")
    assert one.pawns_on_one_wing
    assert not one.pawns_on_both_wings
    both = of("4k3/3p1pp1/8/8/8/8/6PP/4K3 w - - 0 1")
    assert both.pawns_on_both_wings
    assert not both.pawns_on_one_wing
    none = of("4k3/8/8/8/8/8/8/4K3 w - - 0 1")
    assert not none.pawns_on_one_wing
    assert not none.pawns_on_both_wings


def test_small_helpers() -> None:
    assert relative_rank(chess.E2, chess.WHITE) == 1
    assert relative_rank(chess.E2, chess.BLACK) == 6
    assert distance(chess.A1, chess.H4) == 7
    assert centre_distance(chess.E4) == 0
    assert centre_distance(chess.A1) == 3
    assert moves_to_queen(chess.A2, chess.WHITE) == 5
    assert moves_to_queen(chess.A3, chess.WHITE) == 5
    assert moves_to_queen(chess.A7, chess.WHITE) == 1
    assert moves_to_queen(chess.A7, chess.BLACK) == 5
    assert names(squares("a2 b3 c4")) == "a2, b3 and c4"
    assert names(squares("a2 b3")) == "a2 and b3"
    assert names(0) == ""


def test_king_distances() -> None:
    f = of("8/6k1/8/P7/8/8/8/7K w - - 0 1")
    assert f.white.king_to_nearest_pawn == 7
    assert of("8/6k1/8/8/8/8/8/7K w - - 0 1").white.king_to_nearest_pawn is None


def test_board_is_a_private_copy() -> None:
    board = chess.Board()
    f = features(board)
    board.push_san("e4")
    assert f.board.fen() == chess.STARTING_FEN


def test_missing_king_is_refused() -> None:
    with pytest.raises(ValueError, match="king"):
        features(chess.Board(None))


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.integers(min_value=0, max_value=2**64 - 1))
def test_pawn_attacks_as_the_library_has_them(mask: int) -> None:
    pawns = mask & ~(chess.BB_RANK_1 | chess.BB_RANK_8)
    for color in (chess.WHITE, chess.BLACK):
        expected = 0
        for square in chess.scan_forward(pawns):
            expected |= chess.BB_PAWN_ATTACKS[color][square]
        assert pawn_attacks(pawns, color) == expected


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.integers(min_value=0, max_value=2**48 - 1), st.integers(min_value=0, max_value=2**48 - 1))
def test_pawn_structure_against_plain_definitions(white: int, black: int) -> None:
    """Passed, doubled and isolated pawns, said over square by square."""
    board = chess.Board(None)
    white_pawns = (white << 8) & (white >> 3 << 8)
    black_pawns = (black << 8) & (black >> 5 << 8) & ~white_pawns
    for square in chess.scan_forward(white_pawns):
        board.set_piece_at(square, chess.Piece(chess.PAWN, chess.WHITE))
    for square in chess.scan_forward(black_pawns):
        board.set_piece_at(square, chess.Piece(chess.PAWN, chess.BLACK))
    board.set_piece_at(chess.A1, chess.Piece(KING, chess.WHITE))
    board.set_piece_at(chess.H8, chess.Piece(KING, chess.BLACK))
    f = features(board)
    for color in (chess.WHITE, chess.BLACK):
        side = f.side(color)
        own = list(board.pieces(chess.PAWN, color))
        theirs = list(board.pieces(chess.PAWN, not color))
        for pawn in own:
            rank, file = relative_rank(pawn, color), chess.square_file(pawn)
            before = [p for p in own + theirs if relative_rank(p, color) > rank]
            doubled = any(p in own and chess.square_file(p) == file for p in before)
            stopped = any(p in theirs and abs(chess.square_file(p) - file) <= 1 for p in before)
            isolated = not any(abs(chess.square_file(p) - file) == 1 for p in own)
            bit = chess.BB_SQUARES[pawn]
            assert bool(side.doubled & bit) == doubled
            assert bool(side.passed & bit) == (not doubled and not stopped)
            assert bool(side.isolated & bit) == isolated
