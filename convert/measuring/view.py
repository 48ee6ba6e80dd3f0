"""What an estimate may look at: readable features of a quiet position, from one side's view.

Every feature is a small number with a name that a coach can read; nothing is searched.  The same
position seen from the other side, or in a mirror with colours changed, gives the same numbers for
the side that has taken the first one's place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import chess

from convert.features import Features, SideFeatures, centre_distance, distance, relative_rank
from convert.measuring.draw import kind_of
from convert.rules import Voice

View = Mapping[str, float]

_MEN = (
    ("pawns", "pawn_count"),
    ("knights", "knight_count"),
    ("bishops", "bishop_count"),
    ("rooks", "rook_count"),
    ("queens", "queen_count"),
)


def view(facts: Features, voices: Sequence[Voice], side: chess.Color) -> View:
    """Features of the position for the question whether ``side`` wins.

    Differences are own minus theirs, in men, squares or king moves.  Names that begin with a kind
    of ending hold for that kind alone.  ``rule ... for``, ``against`` and ``draws`` are 1 where a
    rule of thumb speaks for the side, for the other side, or for a draw.
    """
    own, their = facts.side(side), facts.side(not side)
    kind = kind_of(facts.board)
    more = own.pawn_count - their.pawn_count
    lead = max(-9, min(9, facts.balance(side)))
    out: dict[str, float] = {
        "always": 1.0,
        kind: 1.0,
        "lead in worth": float(lead),
        f"{kind}: lead in worth": float(lead),
        "lead in worth, by men": lead * (facts.men - 2) / 30,
        f"{kind}: more pawns": float(more),
        "pawns of both": float(min(facts.pawn_count, 10)),
        "king nearer the centre": float(centre_distance(their.king) - centre_distance(own.king)),
        f"{kind}: to move": 1.0 if facts.turn == side else -1.0,
    }
    for name, field in _MEN:
        count: int = getattr(own, field) - getattr(their, field)
        if count:
            out[f"more {name}"] = float(count)
    for number in range(3):
        if own.pawn_count == number:
            out[f"own pawns: {number}"] = 1.0
    if not their.pawn_count:
        out["no pawns against"] = 1.0
    if facts.pawns_on_both_wings:
        out["pawns on both wings"] = 1.0
        out["pawns on both wings, lead in worth"] = float(lead)
    if facts.opposite_bishops:
        out["opposite bishops"] = 1.0
        out["opposite bishops, more pawns"] = float(more)
    if own.bishop_pair != their.bishop_pair:
        out["bishop pair"] = 1.0 if own.bishop_pair else -1.0
    for word, mine, enemy in (("own", own, their), ("their", their, own)):
        _passed(out, word, mine, enemy)
    if own.king_to_nearest_pawn is not None and their.king_to_nearest_pawn is not None:
        out["king nearer the pawns"] = float(their.king_to_nearest_pawn - own.king_to_nearest_pawn)
    out["more squares"] = _squares(facts, side) - _squares(facts, not side)
    for voice in voices:
        where = "draws" if voice.side is None else "for" if voice.side == side else "against"
        out[f"rule {voice.rule} {where}"] = 1.0
    return out


def _passed(out: dict[str, float], word: str, mine: SideFeatures, enemy: SideFeatures) -> None:
    """Number of passed pawns, how far the foremost is, and how near the kings are to it."""
    squares = list(chess.scan_forward(mine.passed))
    if not squares:
        return
    out[f"{word} passed pawns"] = float(len(squares))
    first = max(squares, key=lambda s: (relative_rank(s, mine.color), -distance(mine.king, s)))
    rank = relative_rank(first, mine.color)
    out[f"{word} foremost passed pawn"] = (rank / 6) ** 2
    out[f"{word} passed pawn: king with it"] = float(
        distance(enemy.king, first) - distance(mine.king, first)
    )


def _squares(facts: Features, side: chess.Color) -> float:
    """Safe squares of the side's pieces (kings left out), in tens."""
    return sum(a.safe_mobility for a in facts.activities.values() if a.color == side) / 10
