"""A move made, lines of moves in SAN, and what positions are the same."""

from __future__ import annotations

from collections.abc import Sequence

import chess

from tablebases.material import placement


def after_move(board: chess.Board, move: chess.Move) -> chess.Board:
    """The position after ``move``, without a move stack."""
    child = board.copy(stack=False)
    child.push(move)
    child.clear_stack()
    return child


def line_san(board: chess.Board, moves: Sequence[chess.Move]) -> tuple[str, ...]:
    """SAN of a line of moves from ``board``."""
    work = board.copy(stack=False)
    out = []
    for move in moves:
        out.append(work.san_and_push(move))
    return tuple(out)


def mate_in_one(board: chess.Board) -> bool:
    """Does a move of the side to move mate?"""
    for move in list(board.legal_moves):
        if board.gives_check(move):
            board.push(move)
            mated = board.is_checkmate()
            board.pop()
            if mated:
                return True
    return False


Key = tuple[object, ...]


def position_key(board: chess.Board) -> Key:
    """Equal for positions that must get the same verdict: they are the same, clock included."""
    return (*place_key(board), board.halfmove_clock)


def place_key(board: chess.Board) -> Key:
    """Equal for positions in which the same can be played; the clock may differ."""
    return (*placement(board), board.turn, board.castling_rights, board.ep_square)
