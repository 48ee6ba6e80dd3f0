"""Everything a report says of one trade: its decisions, what left the board and what was left."""

from __future__ import annotations

import chess

from convert.board.activity import piece_activity, useful_moves
from convert.board.balance import balance, balance_name, census, pieces
from convert.judging.laws import ended
from convert.model import Decision, PieceGiven, Side, Trade
from convert.review.judged import Judged
from convert.review.trades import FoundTrade
from convert.review.walker import Walk
from convert.wording.trade_names import name_trade


def build_trade(
    judged: Judged, trade: FoundTrade, decisions: tuple[Decision, ...], side: Side
) -> Trade:
    """Everything a report says of one trade; ``decisions``: those that belong to it."""
    walked = judged.walked
    before_board, after_board = walked.boards[trade.first - 1], walked.boards[trade.last]
    return Trade(
        first=trade.first,
        last=trade.last,
        moves=tuple(walked.san(ply) for ply in range(trade.first, trade.last + 1)),
        name=name_trade(trade.white_gave, trade.black_gave),
        white_gave=tuple(chess.piece_name(kind) for kind in trade.white_gave),
        black_gave=tuple(chess.piece_name(kind) for kind in trade.black_gave),
        offered_by=None if trade.offered_by is None else Side.of(trade.offered_by),
        offered_ply=trade.offered_ply,
        began_by=Side.of(trade.began_by),
        recaptures=tuple(walked.san(ply) for ply in trade.recaptures),
        fen=before_board.fen(),
        before=judged.verdicts[trade.first - 1].for_side(side),
        after=judged.verdicts[trade.last].for_side(side),
        decisions=decisions,
        pieces=_pieces_given(walked, trade),
        balance_before=balance_name(walked.counts[trade.first - 1]),
        balance_after=balance_name(walked.counts[trade.last]),
        liquidation=trade.liquidation,
        aftermath=aftermath(after_board, trade),
    )


def _pieces_given(walked: Walk, trade: FoundTrade) -> tuple[PieceGiven, ...]:
    """The pieces (pawns left out) that went, and what each had been doing before the trade."""
    before = walked.boards[trade.first - 1]
    out = []
    for color in chess.COLORS:
        for (_, owner, kind, _), square in zip(trade.taken, trade.stood, strict=True):
            if owner != color or kind == chess.PAWN or square is None:
                continue
            piece = before.piece_at(square)
            if piece is None or piece.piece_type != kind:
                continue
            doing = piece_activity(before, square)
            detail = []
            if doing.on_first_square and not _arrived(walked, trade.first, square):
                detail.append("still on its first square")
            if doing.outpost:
                detail.append("on an outpost")
            if doing.tied_to:
                names = ", ".join(chess.square_name(s) for s in doing.tied_to)
                detail.append(f"tied to {names}")
            out.append(
                PieceGiven(
                    side=Side.of(color),
                    piece=chess.piece_name(kind),
                    square=chess.square_name(square),
                    ply=trade.first,
                    activity=doing.word,
                    detail=", ".join(detail),
                )
            )
    return tuple(out)


def _arrived(walked: Walk, before_ply: int, square: chess.Square) -> bool:
    """True if a man came to ``square`` in the game before ``before_ply``."""
    return any(step.move.to_square == square for step in walked.steps[: before_ply - 1])


def aftermath(board: chess.Board, trade: FoundTrade) -> str:
    """Who is left with the open file, and how many useful moves the weaker side keeps."""
    if trade.only_pawns:
        return ""
    notes = []
    for color in chess.COLORS:
        mine = [
            chess.FILE_NAMES[f]
            for f in range(8)
            if not board.pawns & chess.BB_FILES[f]
            and board.rooks & board.occupied_co[color] & chess.BB_FILES[f]
            and not board.rooks & board.occupied_co[not color] & chess.BB_FILES[f]
        ]
        if mine and pieces(census(board), color):
            word = "file" if len(mine) == 1 else "files"
            notes.append(
                f"{Side.of(color).name_}'s rook has the open {' and '.join(mine)}-{word} alone"
            )
    standing = balance(census(board))
    if standing.ahead is not None and not standing.level:
        weaker = not standing.ahead
        if pieces(census(board), weaker) == 1 and ended(board) is None:
            number = useful_moves(board, weaker)
            moves = "move that loses" if number == 1 else "moves that lose"
            notes.append(f"{Side.of(weaker).name_} has {number} {moves} nothing at once")
    return "; ".join(notes)
