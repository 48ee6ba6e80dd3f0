"""Combinations told as one event: trades that belong together, with what left the board in all.

A trade that costs one side more than the other is often half of a combination: a few plies later
the material comes back, by another trade or by one capture.  Told apart, its halves read as
blunders.  Works on a finished Review.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import chess

from convert.board.balance import WORTH
from convert.model import Review, Side, Trade
from convert.reports.html_lines import positions
from convert.wording.trade_names import name_trade

#: What is given back within so many plies belongs to the combination (judgement).
WITHIN = 4
#: A trade is uneven from such a difference on, in pawns (judgement: the exchange is).
UNEVEN = 2


@dataclass(frozen=True)
class Event:
    """A trade, or a combination of which it is the beginning.

    Attributes:
        trade: the trade, or the first of them.
        others: further trades that belong to it.
        last: the ply of the last capture.
        moves: all moves from its first to its last capture.
        name: what left the board in all.
        net: that for a combination, as a clause behind the name of its first trade; else empty.
    """

    trade: Trade
    others: tuple[Trade, ...]
    last: int
    moves: tuple[str, ...]
    name: str
    net: str = ""


def events(review: Review) -> tuple[Event, ...]:
    """The trades of a game in order, those of one combination together."""
    made: list[Event] = []
    boards = positions(review)
    for number, trade in enumerate(review.trades):
        if made and trade.first <= made[-1].last:
            continue
        made.append(_event(review, boards, trade, review.trades[number + 1 :]))
    return tuple(made)


def _event(
    review: Review, boards: list[chess.Board], trade: Trade, later: tuple[Trade, ...]
) -> Event:
    plain = Event(trade, (), trade.last, trade.moves, trade.name)
    gave = _given(boards, trade.first, trade.last)
    lead = _lead(gave)
    if abs(lead) < UNEVEN:
        return plain
    last = _evened(review, boards, trade, lead)
    if last is None:
        return plain
    others = tuple(other for other in later if trade.last < other.first <= last)
    last = max([last, *(other.last for other in others)])
    if any(len(record.uci) > 4 for record in review.plies[trade.first - 1 : last]):
        return plain  # a pawn that promotes gives nothing
    gave = _given(boards, trade.first, last)
    white, black = (_kinds(gave[side]) for side in (Side.WHITE, Side.BLACK))
    if abs(_lead(gave)) >= abs(lead) or not white or not black:
        return plain
    name = name_trade(white, black)
    moves = tuple(record.san for record in review.plies[trade.first - 1 : last])
    net = f"with {review.label_at(last)} in all {name}"
    return Event(trade, others, last, moves, name, net)


def _evened(review: Review, boards: list[chess.Board], trade: Trade, lead: int) -> int | None:
    """The ply by which the side that gave more has won some of it back, if that is near."""
    for ply in range(trade.last + 1, min(trade.last + WITHIN, len(review.plies)) + 1):
        record = review.plies[ply - 1]
        if record.capture and record.side.color == (lead < 0):
            man = boards[ply - 1].piece_type_at(chess.Move.from_uci(record.uci).to_square)
            if man is not None and man != chess.PAWN:
                return ply
    return None


def _given(boards: list[chess.Board], first: int, last: int) -> dict[Side, Counter[int]]:
    """The men that each side loses in these plies, in which none promotes."""
    before, after = boards[first - 1], boards[last]
    lost: dict[Side, Counter[int]] = {}
    for side in Side:
        had = Counter({k: len(before.pieces(k, side.color)) for k in chess.PIECE_TYPES})
        has = Counter({k: len(after.pieces(k, side.color)) for k in chess.PIECE_TYPES})
        lost[side] = had - has
    return lost


def _lead(gave: dict[Side, Counter[int]]) -> int:
    """By how many pawns' worth Black has lost more than White."""
    worth = {side: sum(WORTH[kind] * n for kind, n in gave[side].items()) for side in Side}
    return worth[Side.BLACK] - worth[Side.WHITE]


def _kinds(lost: Counter[int]) -> tuple[int, ...]:
    return tuple(lost.elements())
