"""Reading a FEN, and saying in words why a position cannot be."""

from __future__ import annotations

import re

import chess


class SourceError(Exception):
    """A source that cannot be read at all, or no further.

    ``str()`` is one line that names the source and says what is wrong.

    Attributes:
        source: the file's name as given, "standard input", or "FEN".
        reason: what is wrong, in words.
    """

    def __init__(self, source: str, reason: str) -> None:
        super().__init__(f"{source}: {reason}")
        self.source = source
        self.reason = reason


def parse_fen(text: str) -> tuple[chess.Board, tuple[str, ...]]:
    """The position of a FEN (1994 standard, section 16.1) with four or six fields.

    Returns:
        The board, and notes: with four fields that the halfmove clock (plies since the last capture
        or pawn move) is assumed to be 0, and with a clock of 100 plies or more that a draw could
        be claimed.

    Raises:
        SourceError: not a FEN, a position that cannot be (reason in words), or one of another kind
            of chess (Chess960 castling rights).
    """
    fields = text.split()
    if len(fields) not in (4, 6):
        raise SourceError("FEN", f"4 or 6 fields are needed, not {len(fields)}")
    for name, value in zip(("halfmove clock", "fullmove number"), fields[4:], strict=False):
        if not re.fullmatch(r"[0-9]{1,5}", value):
            raise SourceError("FEN", f"{name} {value!r} is not a number from 0 on")
    if "[" in fields[0] or "~" in fields[0]:
        raise SourceError("FEN", "pieces in hand or promoted pieces: only orthodox chess")
    try:
        board = chess.Board(" ".join(fields))
    except ValueError as error:
        raise SourceError("FEN", one_line(error)) from error
    reasons = illegal_reasons(board)
    if reasons:
        raise SourceError("FEN", "illegal position: " + ", ".join(reasons))
    notes = ("halfmove clock assumed 0",) if len(fields) == 4 else clock_notes(board)
    return board, notes


def clock_notes(board: chess.Board) -> tuple[str, ...]:
    """A note where the fifty-move rule already allows a claim."""
    clock = board.halfmove_clock
    if clock < 100:
        return ()
    return (f"halfmove clock is {clock} plies: a draw could be claimed (fifty-move rule)",)


def illegal_reasons(board: chess.Board) -> list[str]:
    """Why a position cannot be, in words; an empty list if nothing speaks against it."""
    status = board.status()
    if status & chess.STATUS_EMPTY:
        return ["the board is empty"]
    reasons = []
    for color, name in ((chess.WHITE, "White"), (chess.BLACK, "Black")):
        men = board.occupied_co[color]
        kings = chess.popcount(men & board.kings)
        pawns = chess.popcount(men & board.pawns)
        if not kings:
            reasons.append(f"{name} has no king")
        if kings > 1:
            reasons.append(f"{name} has {kings} kings")
        if pawns > 8:
            reasons.append(f"{name} has {pawns} pawns")
        if chess.popcount(men) > 16:
            reasons.append(f"{name} has {chess.popcount(men)} men")
        last = chess.BB_RANK_8 if color == chess.WHITE else chess.BB_RANK_1
        for squares, rank in ((last, "last"), (chess.BB_BACKRANKS & ~last, "first")):
            reasons += [
                f"pawn on the {rank} rank ({chess.square_name(square)})"
                for square in chess.scan_forward(men & board.pawns & squares)
            ]
    if reasons:
        return reasons
    if status & chess.STATUS_BAD_CASTLING_RIGHTS:
        free = board.copy()
        free.chess960 = True
        rights = free.clean_castling_rights()
        reasons.append(
            "Chess960 castling rights: only orthodox chess"
            if rights and rights == board.castling_rights
            else "castling rights without king and rook on their first squares"
        )
    if status & chess.STATUS_INVALID_EP_SQUARE and board.ep_square is not None:
        passed = chess.square_name(board.ep_square)
        reasons.append(f"no pawn has just passed over the en passant square {passed}")
    if status & chess.STATUS_OPPOSITE_CHECK:
        reasons.append("side not to move is in check")
    if status & (chess.STATUS_TOO_MANY_CHECKERS | chess.STATUS_IMPOSSIBLE_CHECK):
        reasons.append("check that no last move can have given")
    if status and not reasons:
        reasons.append("position cannot be")
    return reasons


def one_line(error: Exception) -> str:
    """The message of an error on one line of at most 160 characters."""
    text = " ".join(str(error).split())
    return text if len(text) <= 160 else text[:157] + "..."
