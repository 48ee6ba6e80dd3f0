"""What the estimate looks at: readable features of a quiet position, from one side's view.

Every feature is a small number with a name that a coach can read; nothing is searched.  The same
position seen from the other side, or in a mirror with colours changed, gives the same numbers for
the side that has taken the first one's place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import chess

from convert.board.features import Features, SideFeatures, centre_distance, distance, relative_rank
from convert.board.kinds import kind_of
from convert.rules import Voice

View = Mapping[str, float]

_MEN = (
    ("pawns", "pawn_count"),
    ("knights", "knight_count"),
    ("bishops", "bishop_count"),
    ("rooks", "rook_count"),
    ("queens", "queen_count"),
)
#: A lead in unit pawns greater than this counts as this.
MOST_LEAD = 9
#: Own pawns are told apart up to this number.
TOLD_APART = 4


def view(facts: Features, voices: Sequence[Voice], side: chess.Color) -> View:
    """Features of the position for the question whether ``side`` wins.

    Differences are own minus theirs, in men, squares or king moves.  Names that begin with a kind
    of ending hold for that kind alone.  ``rule ... for``, ``against`` and ``draws`` are 1 where a
    rule of thumb speaks for the side, for the other side, or for a draw.
    """
    out: dict[str, float] = {"always": 1.0}
    kind = kind_of(facts.board)
    _material(out, facts, kind, side)
    _placement(out, facts, kind, side)
    for voice in voices:
        where = "draws" if voice.side is None else "for" if voice.side == side else "against"
        out[f"rule {voice.rule} {where}"] = 1.0
    return out


def sign_of(name: str) -> int:
    """Which way a feature may count: 1 only for the side, -1 only against it, 0 either.

    Facts of the trade without a need for a source (common practice): more men, passed pawns
    further on, safer squares and a rule on one's side do not make a win less likely.
    """
    if name.startswith("rule "):
        return 1 if name.endswith(" for") else -1
    if name.startswith("their ") or name.endswith("behind on both wings"):
        return -1
    if name == "always" or name.endswith(("to move", "this kind")) or name in _EITHER:
        return 0
    return 1


_EITHER = ("opposite bishops", "result of a game")


def _material(out: dict[str, float], facts: Features, kind: str, side: chess.Color) -> None:
    """What hangs on the number of men alone, and on the files of the pawns."""
    own, their = facts.side(side), facts.side(not side)
    more = own.pawn_count - their.pawn_count
    lead = max(-MOST_LEAD, min(MOST_LEAD, facts.balance(side)))
    out[f"{kind}: this kind"] = 1.0
    out["lead in worth"] = out[f"{kind}: lead in worth"] = float(lead)
    out["lead in worth, few pieces"] = lead * max(0, 14 - facts.piece_count) / 14
    out[f"{kind}: more pawns"] = float(more)
    for name, field in _MEN:
        count: int = getattr(own, field) - getattr(their, field)
        if count:
            out[f"more {name}"] = float(count)
    for number in range(1, min(own.pawn_count, TOLD_APART) + 1):
        out[f"own pawns: at least {number}"] = 1.0
    out["their pawns"] = float(min(their.pawn_count, TOLD_APART))
    if facts.pawns_on_both_wings:
        if lead > 0:
            out["ahead on both wings"] = float(lead)
        elif lead < 0:
            out["behind on both wings"] = float(-lead)
    if facts.opposite_bishops:
        out["opposite bishops"] = 1.0
        out["opposite bishops, more pawns"] = float(more)
    if own.bishop_pair != their.bishop_pair:
        out["bishop pair"] = 1.0 if own.bishop_pair else -1.0


def _placement(out: dict[str, float], facts: Features, kind: str, side: chess.Color) -> None:
    """What hangs on where the men stand."""
    own, their = facts.side(side), facts.side(not side)
    out[f"{kind}: to move"] = 1.0 if facts.turn == side else -1.0
    out["king nearer the centre"] = float(centre_distance(their.king) - centre_distance(own.king))
    for word, mine, enemy in (("own", own, their), ("their", their, own)):
        _passed(out, word, kind, mine, enemy)
    if own.king_to_nearest_pawn is not None and their.king_to_nearest_pawn is not None:
        out["king nearer the pawns"] = float(their.king_to_nearest_pawn - own.king_to_nearest_pawn)
    out["more squares"] = _squares(facts, side) - _squares(facts, not side)


def _passed(
    out: dict[str, float], word: str, kind: str, mine: SideFeatures, enemy: SideFeatures
) -> None:
    """Number of passed pawns, how far the foremost is, and how near the kings are to it."""
    squares = list(chess.scan_forward(mine.passed))
    if not squares:
        return
    out[f"{word} passed pawns"] = float(len(squares))

    def nearer_king(square: chess.Square) -> int:
        return distance(enemy.king, square) - distance(mine.king, square)

    first = max(squares, key=lambda s: (relative_rank(s, mine.color), nearer_king(s)))
    rank = (relative_rank(first, mine.color) / 6) ** 2
    out[f"{word} foremost passed pawn"] = out[f"{word} foremost passed pawn, {kind}"] = rank
    nearer = float(nearer_king(first))
    out[f"{word} passed pawn: king with it"] = nearer
    out[f"{word} passed pawn: king with it, {kind}"] = nearer


def _squares(facts: Features, side: chess.Color) -> float:
    """Safe squares of the side's pieces (kings left out), in tens."""
    return sum(a.safe_mobility for a in facts.activities.values() if a.color == side) / 10
