"""The trade that an exercise asks about, played out, and the rules of thumb that speak."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from convert.judging.judges import Bench, after_move
from convert.lesson.judging import Draft
from convert.lesson.plausible import offers_trade
from convert.model import Side, Speaking
from convert.model.lesson import Task
from convert.review.decisions import position_speaking, speaking
from convert.rules import TradeScene
from convert.wording.trade_names import PLURAL


@dataclass(frozen=True)
class PlayedTrade:
    """A trade played out: its moves, what the side to move gives and takes, the position after.

    ``offer``: the side to move only offers it; the moves then start with the offer.
    """

    moves: tuple[chess.Move, ...]
    offer: bool
    given: chess.PieceType
    taken: chess.PieceType
    given_square: chess.Square
    taken_square: chess.Square
    before: chess.Board
    after: chess.Board

    @property
    def name(self) -> str:
        """``rooks``, ``rook for bishop`` (the mover's man first)."""
        if self.given == self.taken:
            return PLURAL[self.given]
        return f"{chess.piece_name(self.given)} for {chess.piece_name(self.taken)}"


def play_out(bench: Bench, board: chess.Board, move: chess.Move) -> PlayedTrade | None:
    """The trade that ``move`` starts or offers, with the best way of taking back.

    None where nothing is traded.
    """
    offer = offers_trade(board, move)
    if not offer and not board.is_capture(move):
        return None
    moves = [move]
    first = after_move(board, move)
    if offer:
        taking = _best_on(bench, first, move.to_square, like=True)
        if taking is None:
            return None
        moves.append(taking)
        given = board.piece_type_at(move.from_square) or chess.PAWN
        taken = first.piece_type_at(taking.from_square) or chess.PAWN
        squares = move.from_square, taking.from_square
        second = after_move(first, taking)
    else:
        taken = board.piece_type_at(move.to_square) or chess.PAWN
        given = board.piece_type_at(move.from_square) or chess.PAWN
        squares = move.from_square, move.to_square
        second = first
    back = _best_on(bench, second, move.to_square)
    if back is None:
        return None
    moves.append(back)
    after = after_move(second, back)
    return PlayedTrade(tuple(moves), offer, given, taken, squares[0], squares[1], board, after)


def _best_on(
    bench: Bench, board: chess.Board, square: chess.Square, like: bool = False
) -> chess.Move | None:
    from convert.review.trades import like_for_like

    moves = bench.weigh(
        board,
        (
            move
            for move in board.generate_legal_captures(to_mask=chess.BB_SQUARES[square])
            if not like or like_for_like(board, move)
        ),
    )
    return moves[0][0] if moves else None


def trade_speaking(played: PlayedTrade) -> tuple[Speaking, ...]:
    """What the rules say to the side to move about the trade, strongest first."""
    scene = TradeScene(
        before=played.before,
        after=played.after,
        decider=played.before.turn,
        given=(played.given,),
        taken=(played.taken,),
        given_squares=(played.given_square,),
        taken_squares=(played.taken_square,),
    )
    return speaking(scene)


def agrees(rule: Speaking, side: Side, points: int) -> bool:
    """Does a position rule point to the true result (``points`` for ``side``)?"""
    if points == 0:
        return rule.side is None
    return rule.side is (side if points > 0 else side.other)


@dataclass(frozen=True)
class Rules:
    """Rules of thumb about an exercise.

    ``hint``: one that points the right way, None if none does; ``against``: one that speaks
    about the trade and points the wrong way.
    """

    hint: Speaking | None
    against: Speaking | None


#: Rules that only count pawns: true, but no help in finding a move.
_ONLY_COUNT = frozenset(
    {
        "extra-pawn-pawn-ending",
        "rook-ending-extra-pawn",
        "knight-ending-extra-pawn",
        "same-bishops-extra-pawn",
        "pawn-up-not-won",
    }
)


def rules_about(bench: Bench, draft: Draft, played: PlayedTrade | None) -> Rules:
    """The strongest rule that points the right way, and one that misleads."""
    side, points = Side.of(draft.board.turn), draft.points
    hint = against = None
    if played is not None and draft.task in (Task.TRADE, Task.REFUSE):
        right = draft.task is Task.TRADE
        for rule in trade_speaking(played):
            if rule.favours is right:
                hint = hint or rule
            elif rule.favours is not None:
                against = against or rule
    if hint is None:
        spoken = [
            r
            for r in position_speaking(bench, draft.board)
            if r.rule not in _ONLY_COUNT and agrees(r, side, points)
        ]
        hint = spoken[0] if spoken else None
    return Rules(hint, against)
