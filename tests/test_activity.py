"""What pieces do, and the static exchange count."""

from __future__ import annotations

import chess
import pytest
from chess import KING
from hypothesis import given, settings
from hypothesis import strategies as st

from convert.board.activity import (
    EXCHANGE_VALUE,
    activities,
    piece_activity,
    static_exchange,
    useful_moves,
)


def exchange(fen: str, move: str) -> int:
    board = chess.Board(fen)
    return static_exchange(board, board.parse_san(move))


@pytest.mark.parametrize(
    ("fen", "move", "value"),
    [
        ("4k3/8/8/3p4/8/8/8/3RK3 w - - 0 1", "Rxd5", 100),  # a free pawn
        ("4k3/8/4p3/3p4/8/8/8/3RK3 w - - 0 1", "Rxd5", 100 - 500),  # a guarded one
        ("4k3/8/4p3/3p4/4P3/8/8/3RK3 w - - 0 1", "exd5", 100),  # pawn, pawn, rook or not
        ("3rk3/3r4/8/3p4/8/8/3R4/3RK3 w - - 0 1", "Rxd5", 100 - 500),  # rooks behind rooks
        ("3rk3/8/8/3p4/8/8/3R4/3RK3 w - - 0 1", "Rxd5", 100),
        ("3qk3/8/8/3p4/8/8/3Q4/3RK3 w - - 0 1", "Qxd5", 100),  # queen backed by rook
        ("8/8/3k4/3p4/8/8/8/3RK3 w - - 0 1", "Rxd5+", 100 - 500),  # the king guards
        ("8/8/3k4/3p4/8/8/3R4/3RK3 w - - 0 1", "Rxd5+", 100),  # and may not take back
        ("4k3/8/8/8/8/8/8/R3K3 w - - 0 1", "Ra8+", 0),
        ("4k3/8/1p6/8/8/8/8/R3K3 w - - 0 1", "Ra5", -500),  # a quiet move into a pawn's reach
        ("4k3/P7/8/8/8/8/8/4K3 w - - 0 1", "a8=Q+", 800),
        ("1r2k3/P7/8/8/8/8/8/4K3 w - - 0 1", "axb8=Q+", 500 + 800),
        ("1r2k3/P7/8/8/8/8/8/4K3 w - - 0 1", "a8=Q", -100),
        ("4k3/8/8/3pP3/8/8/8/4K3 w - d6 0 1", "exd6", 100),
        ("4k3/2p5/8/3pP3/8/8/8/4K3 w - d6 0 1", "exd6", 0),
        ("4k3/8/8/8/8/8/8/R3K3 w Q - 0 1", "O-O-O", 0),
    ],
)
def test_static_exchange(fen: str, move: str, value: int) -> None:
    assert exchange(fen, move) == value


def test_static_exchange_needs_a_piece() -> None:
    with pytest.raises(ValueError, match="no piece"):
        static_exchange(chess.Board(), chess.Move.from_uci("e4e5"))


def captures_only(board: chess.Board, target: chess.Square) -> int:
    """Best result of captures on `target`, by search over pseudo-legal captures; twin."""
    best = 0
    for move in list(board.generate_pseudo_legal_captures(to_mask=chess.BB_SQUARES[target])):
        if board.piece_type_at(move.from_square) == KING and board.is_attacked_by(
            not board.turn, target
        ):
            continue
        gain = EXCHANGE_VALUE[board.piece_type_at(target) or 0]
        board.push(move)
        best = max(best, gain - captures_only(board, target))
        board.pop()
    return best


@st.composite
def crowded(draw: st.DrawFn) -> chess.Board:
    """Kings in far corners and up to six pieces without pawns near the middle."""
    board = chess.Board(None)
    board.set_piece_at(chess.A1, chess.Piece(KING, chess.WHITE))
    board.set_piece_at(chess.H8, chess.Piece(KING, chess.BLACK))
    spots = draw(st.lists(st.sampled_from(range(9, 55)), min_size=3, max_size=7, unique=True))
    for square in spots:
        kind = draw(st.sampled_from((chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN)))
        board.set_piece_at(square, chess.Piece(kind, draw(st.booleans())))
    return board


@settings(max_examples=150, deadline=None, derandomize=True)
@given(crowded())
def test_static_exchange_equals_search(board: chess.Board) -> None:
    for move in list(board.generate_pseudo_legal_captures()):
        taken = EXCHANGE_VALUE[board.piece_type_at(move.to_square) or 0]
        if taken == EXCHANGE_VALUE[KING]:
            continue
        fast = static_exchange(board, move)
        board.push(move)
        slow = taken - captures_only(board, move.to_square)
        board.pop()
        if board.piece_type_at(move.from_square) != KING:
            assert fast == slow, (board.fen(), move)


def test_mobility_and_safety() -> None:
    board = chess.Board("4k3/8/2p5/8/8/2N5/8/4K3 w - - 0 1")
    knight = piece_activity(board, chess.C3)
    assert knight.mobility == 8
    assert knight.safe_mobility == 6  # b5 and d5 are in reach of the pawn on c6
    assert knight.word == "active"
    assert not knight.on_first_square


def test_equal_pieces_make_squares_unsafe() -> None:
    board = chess.Board("4k3/8/8/8/r7/8/8/3RK3 w - - 0 1")
    rook = piece_activity(board, chess.D1)
    assert rook.mobility == 10  # d2 to d8, a1, b1, c1
    assert rook.safe_mobility == 10 - 2 - 2  # a1 and d4 (rook), d7 and d8 (king)


def test_knight_at_home_in_the_corner() -> None:
    board = chess.Board("n3k3/1p6/8/8/8/8/1R6/4K3 b - - 0 1")
    knight = piece_activity(board, chess.A8)
    assert knight.mobility == 2
    assert knight.word == "passive"
    assert not knight.on_first_square


def test_tied_to_what_it_alone_guards() -> None:
    board = chess.Board("1r6/1p3k2/6p1/7p/1R5P/6P1/6K1/8 w - - 0 1")
    assert piece_activity(board, chess.B8).tied_to == (chess.B7,)
    assert piece_activity(board, chess.B8).word == "passive"
    assert piece_activity(board, chess.B4).tied_to == ()
    board.set_piece_at(chess.C8, chess.Piece(chess.BISHOP, chess.BLACK))
    assert piece_activity(board, chess.B8).tied_to == ()


def test_first_squares() -> None:
    board = chess.Board()
    assert all(piece_activity(board, s).on_first_square for s in chess.SquareSet(board.occupied))
    board.push_san("Nf3")
    assert not piece_activity(board, chess.F3).on_first_square
    black = chess.Board("3k4/8/8/8/8/8/8/n3K3 w - - 0 1")
    assert not piece_activity(black, chess.A1).on_first_square
    assert not piece_activity(black, chess.D8).on_first_square


def test_outpost() -> None:
    outpost = piece_activity(chess.Board("6k1/p4ppp/1p6/3p4/4n3/8/PP4PP/4R1K1 w - - 0 1"), chess.E4)
    assert outpost.outpost
    attackable = piece_activity(
        chess.Board("6k1/p4ppp/1p6/3p4/4n3/8/PP3PPP/4R1K1 w - - 0 1"), chess.E4
    )
    assert not attackable.outpost


def test_king_words() -> None:
    assert piece_activity(chess.Board("4k3/8/8/8/4K3/8/8/8 w - - 0 1"), chess.E4).word == "active"
    assert piece_activity(chess.Board("3qk3/8/8/8/4K3/8/8/8 w - - 0 1"), chess.E4).word != "active"


def test_empty_square_is_refused() -> None:
    with pytest.raises(ValueError, match="no piece on e4"):
        piece_activity(chess.Board(), chess.E4)


def test_all_activities_equal_the_single_ones() -> None:
    board = chess.Board("r1bq1rk1/pp2bppp/2n1pn2/2pp4/3P1B2/2PBPN2/PP1N1PPP/R2QK2R w KQ - 0 8")
    every = activities(board)
    pieces = board.occupied & ~board.kings & ~board.pawns
    assert set(every) == set(chess.SquareSet(pieces))
    assert all(every[s] == piece_activity(board, s) for s in every)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(crowded())
def test_colours_and_wings(board: chess.Board) -> None:
    def shape(of: chess.Board, mask: int) -> dict[int, tuple[int, int, str, tuple[int, ...]]]:
        return {
            s ^ mask: (
                a.mobility,
                a.safe_mobility,
                a.word,
                tuple(sorted(t ^ mask for t in a.tied_to)),
            )
            for s, a in activities(of).items()
        }

    assert shape(board.mirror(), 56) == shape(board, 0)
    assert shape(board.transform(chess.flip_horizontal), 7) == shape(board, 0)


def test_useful_moves_run_out() -> None:
    board = chess.Board("k1K5/8/8/8/8/8/8/7R b - - 0 1")
    assert useful_moves(board, chess.BLACK) == board.legal_moves.count() == 1
    tied = chess.Board("8/8/1p6/3n4/8/1R6/8/k1K5 b - - 0 1")
    free = sum(1 for _ in tied.legal_moves)
    assert 0 < useful_moves(tied, chess.BLACK) < free


def test_useful_moves_of_the_side_not_to_move() -> None:
    board = chess.Board("4k3/8/8/8/8/8/8/R3K3 b Q - 0 1")
    fen = board.fen()
    assert useful_moves(board, chess.WHITE) == 16  # all moves, castling included
    assert board.fen() == fen


def test_useful_moves_by_definition() -> None:
    board = chess.Board("4k3/8/1p6/8/8/8/8/R3K3 w - - 0 1")
    legal = board.legal_moves.count()
    losing = [m for m in board.legal_moves if static_exchange(board, m) < 0]
    assert [board.san(m) for m in losing] == ["Ra5"]
    assert useful_moves(board, chess.WHITE) == legal - 1
