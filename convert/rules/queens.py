"""Rules for queens: queen endings, and the queen against a pawn about to queen."""

from __future__ import annotations

import chess

from convert.board.features import (
    NEIGHBOUR_FILES,
    Features,
    distance,
    file_distance,
    queening_square,
    relative_rank,
)
from convert.rules.base import Rule, Speech, position_rule


def _queen_v_pawn_on_seventh(f: Features, color: chess.Color) -> chess.Square | None:
    """The pawn on its seventh rank, its king beside it, against `color`'s queen; else None."""
    me, him = f.side(color), f.side(not color)
    if me.piece_count != 1 or me.queen_count != 1 or me.pawns:
        return None
    if him.piece_count or him.pawn_count != 1:
        return None
    pawn = chess.lsb(him.pawns)
    if relative_rank(pawn, not color) != 6 or distance(him.king, pawn) > 1:
        return None
    return pawn


@position_rule(
    id="queen-v-pawn-on-seventh-draw",
    name="Rook's, bishop's pawn holds queen",
    statement="A rook's or bishop's pawn on the seventh with its king beside it usually draws "
    "against a queen whose king is far away, because of stalemate.",
    source="Edward Lasker, Chess Strategy (1915), queen against pawn; checked against the tables",
    theme="draw weapons",
    draws=True,
)
def queen_v_pawn_draw(f: Features, color: chess.Color) -> Speech:
    pawn = _queen_v_pawn_on_seventh(f, color)
    if pawn is None or pawn & 7 in (1, 3, 4, 6):
        return None
    me, him = f.side(color), f.side(not color)
    goal = queening_square(pawn, not color)
    queen = chess.lsb(me.queens)
    if distance(him.king, goal) > 1 or distance(me.king, goal) < 6:
        return None
    if file_distance(queen, pawn) == 0 or him.king == goal or f.board.is_check():
        return None
    if f.board.attackers_mask(color, goal) & ~chess.BB_SQUARES[me.king]:
        return None
    if pawn & 7 in (2, 5) and not _short_side(him.king, pawn):
        return None
    return 2.0, (
        f"pawn on {chess.square_name(pawn)} beside its king on {chess.square_name(him.king)}, the "
        f"other king on {chess.square_name(me.king)} too far away"
    )


def _short_side(king: chess.Square, pawn: chess.Square) -> bool:
    """Whether the king stands on the pawn's file or between it and the nearer edge."""
    return (king & 7) <= (pawn & 7) if pawn & 7 < 4 else (king & 7) >= (pawn & 7)


@position_rule(
    id="queen-v-pawn-on-seventh-win",
    name="Queen stops centre, knight's pawn",
    statement="A queen to move wins as a rule against a centre pawn or knight's pawn on the "
    "seventh, by checks that bring her king nearer.",
    source="Edward Lasker, Chess Strategy (1915), queen against pawn; checked against the tables",
    theme="queen endings",
)
def queen_v_pawn_win(f: Features, color: chess.Color) -> Speech:
    pawn = _queen_v_pawn_on_seventh(f, color)
    if pawn is None or pawn & 7 not in (1, 3, 4, 6) or f.turn != color:
        return None
    me, him = f.side(color), f.side(not color)
    goal = queening_square(pawn, not color)
    if f.board.is_check() or chess.BB_SQUARES[me.king] & chess.BB_FILES[pawn & 7]:
        return None
    if (
        distance(me.king, goal) > 2
        and chess.between(chess.lsb(me.queens), goal) & (chess.BB_SQUARES[me.king])
    ):
        return None
    if him.king & 7 in (0, 7) and him.king >> 3 in (0, 7):
        return None
    return 2.0, (
        f"queen on {chess.square_name(chess.lsb(me.queens))} to move against the pawn on "
        f"{chess.square_name(pawn)}"
    )


def _most_advanced(f: Features, color: chess.Color) -> tuple[int, chess.Square] | None:
    pairs = [(relative_rank(s, color), s) for s in chess.scan_forward(f.side(color).passed)]
    return max(pairs) if pairs else None


@position_rule(
    id="queen-ending-passed-pawn",
    name="Advanced passer in queen ending",
    statement="In queen endings the further advanced passed pawn counts more than the number of "
    "pawns, since the queen alone can lead it home.",
    source="common practice",
    theme="queen endings",
)
def queen_ending_passer(f: Features, color: chess.Color) -> Speech:
    if not f.queen_ending:
        return None
    mine, theirs = _most_advanced(f, color), _most_advanced(f, not color)
    if mine is None or mine[0] < 4:
        return None
    if theirs is not None and mine[0] - theirs[0] < 2:
        return None
    return 0.9, f"passed pawn on {chess.square_name(mine[1])} is further advanced than any other"


@position_rule(
    id="queen-ending-bare-king",
    name="Bare king invites perpetual check",
    statement="In a queen ending a pawn more often fails to win when its king has no shelter, for "
    "the other queen can give check without end.",
    source="common practice",
    theme="draw weapons",
    draws=True,
)
def queen_ending_bare_king(f: Features, color: chess.Color) -> Speech:
    if not f.queen_ending or not 1 <= f.pawn_balance(color) <= 2:
        return None
    me = f.side(color)
    shelter = (NEIGHBOUR_FILES[me.king] | chess.BB_FILES[me.king & 7]) & me.pawns
    if shelter:
        return None
    mine = _most_advanced(f, color)
    if mine is not None and mine[0] >= 5:
        return None
    return 0.7, f"king on {chess.square_name(me.king)} has no pawn of its own near to hide behind"


RULES: tuple[Rule, ...] = (
    queen_v_pawn_draw,
    queen_v_pawn_win,
    queen_ending_passer,
    queen_ending_bare_king,
)
