"""What was traded, in a player's words."""

from __future__ import annotations

from collections import Counter

import chess

from convert.wording.small import join

#: A kind of man in the plural.
PLURAL = {
    chess.QUEEN: "queens",
    chess.ROOK: "rooks",
    chess.BISHOP: "bishops",
    chess.KNIGHT: "knights",
    chess.PAWN: "pawns",
}
_ROOK = Counter((chess.ROOK,))
_ORDER = (chess.QUEEN, chess.ROOK, chess.BISHOP, chess.KNIGHT, chess.PAWN)


def name_trade(
    white_gave: tuple[chess.PieceType, ...], black_gave: tuple[chess.PieceType, ...]
) -> str:
    """What was traded: ``queens``, ``rook for knight (the exchange)``, ``bishop for knight``.

    Men of the same kind on both sides are named together; what is left is told
    as "White's ... for Black's ..." or as a pawn given besides.
    """
    white, black = Counter(white_gave), Counter(black_gave)
    both = white & black
    white -= both
    black -= both
    common = []
    for kind in _ORDER:
        if both[kind] == 1:
            common.append(PLURAL[kind])
        elif both[kind] > 1:
            common.append(f"{both[kind]} pairs of {PLURAL[kind]}")
    text = join(common)
    if not white and not black:
        return text
    mine, theirs = _men(white), _men(black)
    if white and black:
        rest = f"White's {mine} for Black's {theirs}"
        if white == _ROOK and _one_minor(black):
            rest += " (the exchange)"
        elif _one_minor(white) and black == _ROOK:
            rest = f"Black's {theirs} for White's {mine} (the exchange)"
        return f"{text}, and {rest}" if text else rest
    who, what = ("White", mine) if white else ("Black", theirs)
    single = sum((white or black).values()) == 1
    return f"{text}; {who} gives {'a ' if single else ''}{what} besides"


def _one_minor(counter: Counter[chess.PieceType]) -> bool:
    return counter in (Counter((chess.BISHOP,)), Counter((chess.KNIGHT,)))


def _men(counter: Counter[chess.PieceType]) -> str:
    words = []
    for kind in _ORDER:
        number = counter[kind]
        if number == 1:
            words.append(chess.piece_name(kind) if kind != chess.PAWN else "pawn")
        elif number > 1:
            words.append(f"{number} {PLURAL[kind]}")
    return join(words)
