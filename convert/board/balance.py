"""The material balance in a chess player's words.

A *census* counts each side's men other than the kings; everything here works
on it, so a game can be walked without asking the board again.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import chess

#: Worth of a man in pawns, as every primer gives it (common practice).
WORTH: dict[chess.PieceType, int] = {
    chess.PAWN: 1,
    chess.KNIGHT: 3,
    chess.BISHOP: 3,
    chess.ROOK: 5,
    chess.QUEEN: 9,
}

Census = tuple[int, int, int, int, int, int, int, int, int, int]
"""White's pawns, knights, bishops, rooks, queens, then Black's."""

_NUMBERS = ("no", "a", "2", "3", "4", "5", "6", "7", "8", "9", "10")


def census(board: chess.Board) -> Census:
    """Count the men of both sides, kings left out."""
    white, black = board.occupied_co[chess.WHITE], board.occupied_co[chess.BLACK]
    kinds = (board.pawns, board.knights, board.bishops, board.rooks, board.queens)
    w = [(kind & white).bit_count() for kind in kinds]
    b = [(kind & black).bit_count() for kind in kinds]
    return (*w, *b)  # type: ignore[return-value]


def side_counts(count: Census, color: chess.Color) -> tuple[int, int, int, int, int]:
    """One side's pawns, knights, bishops, rooks, queens."""
    return count[:5] if color else count[5:]


def worth(count: Census, color: chess.Color) -> int:
    """Worth of one side's men in pawns (common practice values)."""
    p, n, b, r, q = side_counts(count, color)
    return p + 3 * (n + b) + 5 * r + 9 * q


def pieces(count: Census, color: chess.Color) -> int:
    """Number of one side's knights, bishops, rooks and queens."""
    return sum(side_counts(count, color)[1:])


def exchange_up(count: Census) -> chess.Color | None:
    """The side that is the exchange up: a rook where the other has a bishop or knight.

    Exactly one rook more against exactly one minor piece more, and as many queens on both sides;
    bishop and knight count as the same, pawns are not looked at.  This is the one definition;
    :func:`pure_exchange_up`, the kind of ending and the phases that are counted ask for more.
    """
    _, knights, bishops, rooks, queens = (w - b for w, b in zip(count[:5], count[5:], strict=True))
    if queens or abs(rooks) != 1 or knights + bishops != -rooks:
        return None
    return rooks > 0


def pure_exchange_up(count: Census) -> chess.Color | None:
    """The side that is the exchange up where rook and minor piece are the only pieces."""
    alone = pieces(count, chess.WHITE) == pieces(count, chess.BLACK) == 1
    return exchange_up(count) if alone else None


def men(count: Census) -> int:
    """Men on the board, the kings included."""
    return sum(count) + 2


@lru_cache(maxsize=1 << 14)
def material_text(count: Census) -> str:
    """``KRPPPvKNPPPP``: White against Black."""

    def one(color: chess.Color) -> str:
        p, n, b, r, q = side_counts(count, color)
        return "K" + "Q" * q + "R" * r + "B" * b + "N" * n + "P" * p

    return f"{one(chess.WHITE)}v{one(chess.BLACK)}"


def _plural(number: int, word: str) -> str:
    return word if number == 1 else f"{number} {word}s"


def force(count: Census, color: chess.Color, *, bare_pawns: bool = False) -> str:
    """One side's men in words: ``rook and 3 pawns``; ``bare king`` for nothing.

    With ``bare_pawns`` the word *pawns* is left out after the number, as in
    "rook and 3 pawns against knight and 4".
    """
    p, n, b, r, q = side_counts(count, color)
    parts = [
        _plural(number, word)
        for number, word in ((q, "queen"), (r, "rook"), (b, "bishop"), (n, "knight"))
        if number
    ]
    if p:
        if bare_pawns and parts and p > 1:
            parts.append(str(p))
        else:
            parts.append(
                "1 pawn"
                if p == 1 and not parts
                else f"{'a' if p == 1 else p} pawn" + ("" if p == 1 else "s")
            )
    if not parts:
        return "bare king"
    if len(parts) == 1:
        return parts[0]
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def _pawns(number: int) -> str:
    return "a pawn" if number == 1 else f"{number} pawns"


def _list(items: list[str]) -> str:
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]


@dataclass(frozen=True)
class Balance:
    """What one side has more than the other.

    ``ahead`` is the side with more worth, or, when equal, the side with the
    biggest man the other lacks; None when nothing differs.  ``edge`` says it
    from that side's view ("the exchange up for a pawn"), ``level`` whether the
    two forces are equal man for man (bishop and knight taken as equal).
    """

    ahead: chess.Color | None
    edge: str
    level: bool
    points: int


@lru_cache(maxsize=1 << 14)
def balance(count: Census) -> Balance:
    """Work out who is ahead and how a player would say it."""
    diff = [w - b for w, b in zip(count[:5], count[5:], strict=True)]
    points = diff[0] + 3 * (diff[1] + diff[2]) + 5 * diff[3] + 9 * diff[4]
    if not any(diff):
        return Balance(None, "level", True, 0)
    if points:
        ahead = points > 0
    else:
        biggest = next(d for d in reversed(diff) if d)
        ahead = biggest > 0
    sign = 1 if ahead else -1
    p, n, b, r, q = (sign * d for d in diff)
    minor = n + b
    if (p, r, q, minor) == (0, 0, 0, 0):
        return Balance(ahead, _minor_swap(n, b), True, 0)
    text = _edge(p, n, b, r, q)
    return Balance(ahead, text, False, abs(points))


def _minor_swap(knights: int, bishops: int) -> str:
    if bishops > 0:
        return "bishop against knight" if bishops == 1 else "two bishops against two knights"
    return "knight against bishop" if knights == 1 else "two knights against two bishops"


def _edge(p: int, n: int, b: int, r: int, q: int) -> str:
    minor = n + b
    core = _core(minor, r, q)
    if core is None:
        return _pieces_for(p, n, b, r, q)
    if not core:
        return f"{_pawns(p)} up"
    if p > 0:
        return (
            f"{core} and {_pawns(p)} up"
            if not core.endswith(" up")
            else (f"{core[:-3]} and {_pawns(p)} up")
        )
    if p < 0:
        return f"{core} for {_pawns(-p)}" if core.endswith(" up") else f"{core} and {_pawns(-p)}"
    return core


def _core(minor: int, r: int, q: int) -> str | None:
    known = {
        (0, 0, 0): "",
        (-1, 1, 0): "the exchange up",
        (-2, 2, 0): "two exchanges up",
        (1, 0, 0): "a piece up",
        (2, 0, 0): "two pieces up",
        (0, 1, 0): "a rook up",
        (0, 0, 1): "a queen up",
        (1, 1, 0): "a rook and a piece up",
    }
    return known.get((minor, r, q))


def _pieces_for(p: int, n: int, b: int, r: int, q: int) -> str:
    def words(sign: int) -> list[str]:
        out = []
        for number, one, many in (
            (q, "queen", "queens"),
            (r, "rook", "rooks"),
            (b, "bishop", "bishops"),
            (n, "knight", "knights"),
        ):
            number *= sign
            if number == 1:
                out.append(one)
            elif number > 1:
                out.append(f"{'two' if number == 2 else number} {many}")
        number = p * sign
        if number > 0:
            out.append("pawn" if number == 1 else f"{number} pawns")
        return out

    mine, theirs = words(1), words(-1)
    if not theirs:
        return f"{_list(mine)} up"
    return f"{_list(mine)} for {_list(theirs)}"


def edge_verb(edge: str, past: bool = False) -> str:
    """``is`` before "a pawn up", ``has`` before "rook for two bishops" (or ``was``/``had``)."""
    if f" {edge} ".find(" up ") >= 0:
        return "was" if past else "is"
    return "had" if past else "has"


@lru_cache(maxsize=1 << 14)
def balance_name(count: Census) -> str:
    """The balance by name, side ahead first.

    Few pieces are listed in full ("White: rook and 3 pawns against knight and
    4: the exchange up for a pawn"); a fuller board is told by what differs
    ("White is a pawn up, queens on").
    """
    standing = balance(count)
    first = chess.WHITE if standing.ahead is None else standing.ahead
    name = chess.COLOR_NAMES[first].capitalize()
    if max(pieces(count, chess.WHITE), pieces(count, chess.BLACK)) > 3:
        queens = (
            "queens on"
            if count[4] and count[9]
            else "no queens"
            if not (count[4] or count[9])
            else "one queen on"
        )
        if standing.ahead is None:
            return f"level material, {queens}"
        return f"{name} {edge_verb(standing.edge)} {standing.edge}, {queens}"
    mine, theirs = force(count, first), force(count, not first)
    if standing.ahead is None:
        if mine == "bare king":
            return "bare kings"
        return f"{mine} each: level"
    pawns_first = side_counts(count, first)[0]
    their = force(count, not first, bare_pawns=pawns_first > 0)
    if their.isdigit():
        their = theirs
    if not any(side_counts(count, not first)):
        return f"{name}: {mine} against the bare king"
    if standing.level:
        pawns = side_counts(count, first)[0]
        each = f", {_pawns(pawns)} each" if pawns else ""
        return (
            f"{name}: {standing.edge}{each}"
            if pieces(count, first) == 1
            else (f"{name}: {mine} against {their}")
        )
    if standing.points == 0 or (
        " for " in standing.edge
        and not standing.edge.endswith("up")
        and (
            "exchange" not in standing.edge
            and "piece" not in standing.edge
            and "rook up" not in standing.edge
        )
    ):
        return f"{name}: {mine} against {their}"
    return f"{name}: {mine} against {their}: {standing.edge}"
