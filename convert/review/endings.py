"""What endings a game came to: the first one, rook for a minor piece, kings and pawns alone."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

import chess

from convert.board.balance import (
    Census,
    balance,
    balance_name,
    material_text,
    men,
    pieces,
    pure_exchange_up,
)
from convert.board.kinds import is_ending, phase_kind
from convert.review.walker import Walk

Row = dict[str, Any]

#: Letters of the men by python-chess's piece types.
LETTERS = " PNBRQ"

#: A pure exchange-up phase lasts so many plies, or so many to the end of the game.
LASTING = 4
LASTING_TO_END = 2
#: The pawns of its two sides differ by no more than this.
PAWNS_WITHIN = 2


def add_endings(game: Row, walked: Walk) -> None:
    """The columns of ``games`` about the first ending, the exchange-up phase, the pawn ending."""
    counts, points = walked.counts, game["white_points"]
    begin = _first_few(counts, 0)
    if begin is None:
        return
    first = first_ending(walked)
    if first is not None:
        count = counts[first]
        game["ending_ply"] = first
        game["ending_kind"] = phase_kind(count)
        game["ending_material"] = material_text(count)
        game["ending_men"] = men(count)
        game["ending_balance"] = balance_name(count)
        game["ending_edge"] = balance(count).edge
        game["ending_ahead"] = side_ahead(count)
        game["ending_white_pawns"] = count[0]
        game["ending_black_pawns"] = count[5]
    exchange = first_exchange_up(counts, begin)
    if exchange is not None:
        count = counts[exchange.ply]
        minors = count[6:8] if exchange.side else count[1:3]
        game["exchange_ply"] = exchange.ply
        game["exchange_side"] = side_name(exchange.side)
        game["exchange_minor"] = "knight" if minors[0] else "bishop"
        game["exchange_pawns"] = exchange.up + exchange.down
        game["exchange_pawns_up"] = exchange.up
        game["exchange_pawns_down"] = exchange.down
        game["exchange_plies"] = exchange.plies
        game["exchange_points"] = points_of(points, exchange.side)
    pawns = first_pawn_ending(walked, begin)
    if pawns is not None:
        game["pawn_ending_ply"] = pawns.ply
        game["pawn_ending_white_pawns"] = counts[pawns.ply][0]
        game["pawn_ending_black_pawns"] = counts[pawns.ply][5]
        game["pawn_ending_way"] = pawns.way
        if pawns.way != "start":
            game["pawn_ending_pieces"] = pawns.pieces
            game["pawn_ending_first"] = side_name(pawns.first)
            game["pawn_ending_lead"] = pawns.lead
            game["pawn_ending_points"] = points_of(points, pawns.first)


def _first_few(counts: tuple[Census, ...], begin: int) -> int | None:
    """First ply from ``begin`` on at which the men on the board are few enough for an ending."""
    last: Census | None = None
    for ply in range(begin, len(counts)):
        count = counts[ply]
        if count is last:  # after a quiet move the census is the same object
            continue
        last = count
        if is_ending(count):
            return ply
    return None


def side_ahead(count: Census) -> str | None:
    """Side with more material, null when level man for man."""
    standing = balance(count)
    return None if standing.ahead is None or standing.level else side_name(standing.ahead)


def side_name(color: chess.Color) -> str:
    """``white`` or ``black``."""
    return "white" if color else "black"


def points_of(white_points: float | None, color: chess.Color) -> float | None:
    """Points of a side."""
    return white_points if color or white_points is None else 1.0 - white_points


def first_ending(walked: Walk) -> int | None:
    """The ply after which the first phase that is an ending stood (``walker.phases``).

    What stands only in the middle of an exchange is no phase.
    """
    counts = walked.counts
    ply = _first_few(counts, 0)
    if ply is None:
        return None
    inside = {at: last for first, last in walked.runs for at in range(first, last)}
    while ply is not None:
        settles = inside.get(ply, ply)
        if is_ending(counts[settles]):
            # The same balance may have stood within the exchange already.
            return next(p for p in range(ply, settles + 1) if counts[p] == counts[settles])
        ply = _first_few(counts, settles + 1)
    return None


@lru_cache(maxsize=1 << 14)
def phase_sides(count: Census) -> tuple[bool, int, int] | None:
    """Whether White has the rook, and the pawns of the side with it and of the other.

    None unless a side is the exchange up with no other pieces on the board
    (:func:`convert.board.balance.pure_exchange_up`), there is at least one pawn, and the pawns
    differ by at most :data:`PAWNS_WITHIN`: the phases that are counted.
    """
    up = pure_exchange_up(count)
    if up is None:
        return None
    own, other = (count[0], count[5]) if up else (count[5], count[0])
    return (up, own, other) if own + other and abs(own - other) <= PAWNS_WITHIN else None


class ExchangeUp(NamedTuple):
    """A phase of rook against minor piece: the side with the rook, its pawns and the other's."""

    ply: int
    side: chess.Color
    up: int
    down: int
    plies: int


def first_exchange_up(counts: tuple[Census, ...], begin: int = 0) -> ExchangeUp | None:
    """The first pure exchange-up phase from ply ``begin`` on.

    It is a run of consecutive positions in which :func:`phase_sides` names the same side,
    :data:`LASTING` or more, or :data:`LASTING_TO_END` or more to the end of the game; the pawns
    are those of its first position, which may stand in the middle of an exchange.
    """
    ply, end = begin, len(counts)
    while ply < end:
        phase = phase_sides(counts[ply])
        if phase is None:
            ply += 1
            continue
        last = ply + 1
        while last < end:
            then = phase_sides(counts[last])
            if then is None or then[0] != phase[0]:
                break
            last += 1
        plies = last - ply
        if plies >= LASTING or (last == end and plies >= LASTING_TO_END):
            return ExchangeUp(ply, *phase, plies)
        ply = last
    return None


def _no_pieces(count: Census) -> bool:
    return not any(count[1:5]) and not any(count[6:])


def _one_each(count: Census) -> bool:
    return pieces(count, chess.WHITE) == 1 == pieces(count, chess.BLACK)


class PawnEnding(NamedTuple):
    """When only kings and pawns were left, and how that came about.

    ``way``: ``trade`` (one piece each, taken one after the other), ``capture``, or ``start``; then
    the rest means nothing.  ``first`` is the side that took first, ``lead`` its pawns more
    afterwards, ``pieces`` what was taken, White's first.
    """

    ply: int
    way: str
    first: chess.Color
    lead: int
    pieces: str


def first_pawn_ending(walked: Walk, begin: int = 0) -> PawnEnding | None:
    """The first pawn ending from ply ``begin`` on; a capture that leaves bare kings makes none."""
    counts, steps = walked.counts, walked.steps
    ply = next((p for p in range(begin, len(counts)) if _no_pieces(counts[p])), None)
    if ply is None:
        return None
    white, black = counts[ply][0], counts[ply][5]
    if not white + black:
        return None
    if not ply:
        return PawnEnding(0, "start", chess.WHITE, 0, "")
    last = first = steps[ply - 1]
    lost = {last.color: "", not last.color: LETTERS[last.captured or 0]}
    way = "capture"
    if ply > 1 and steps[ply - 2].captured and _one_each(counts[ply - 2]):
        first = steps[ply - 2]
        lost[last.color] = LETTERS[first.captured or 0]
        way = "trade"
    lead = white - black if first.color else black - white
    return PawnEnding(ply, way, first.color, lead, f"{lost[chess.WHITE]}v{lost[chess.BLACK]}")
