"""What the solver proved, in words.  Pure functions over outcomes."""

from __future__ import annotations

from convert.model import Side
from convert.wording.small import capital, join
from tablebases.values import Outcome


def settled_words(outcome: Outcome, side: Side) -> str:
    """An outcome for ``side`` as a clause: ``White wins``, ``drawn``."""
    if outcome is Outcome.WIN:
        return f"{side.name_} wins"
    if outcome is Outcome.LOSS:
        return f"{side.other.name_} wins"
    if outcome is Outcome.DRAW:
        return "drawn"
    winner = side if outcome is Outcome.CURSED_WIN else side.other
    return f"drawn by the fifty-move rule, without it {winner.name_} would win"


def verdict_text(low: Outcome, high: Outcome, side: Side) -> str:
    """What is proved for ``side``, in one or two sentences."""
    if low == high:
        return f"{capital(settled_words(low, side))}: solved."
    if low.points == high.points == 0:
        return "Drawn: solved. Only without the fifty-move rule might it be a win."
    if low.points == -1 and high.points == 1:
        return "Open: it is not proved of either side that it wins, nor that it can at least draw."
    if low.points < 0:
        low, high, side = high.opposite, low.opposite, side.other
    proved = f"At least a draw for {side.name_}: proved."
    if low is Outcome.CURSED_WIN:
        return (
            f"{proved} {side.name_} can force mate; whether in time for the fifty-move rule is "
            "open."
        )
    return f"{proved} Whether {side.name_} can win is open."


def group_words(low: Outcome, high: Outcome, side: Side) -> str:
    """The heading under which a move of ``side`` is listed."""
    if low == high:
        return capital(settled_words(low, side))
    if low.points == high.points == 0:
        return "Drawn"
    if low.points == 0:
        return f"{side.name_} does not lose; a win is open"
    if high.points == 0:
        return f"{side.name_} does not win; a loss is open"
    return "Open"


def scope_words(
    winner: Side,
    *,
    wins: bool,
    pieces: tuple[int, ...],
    winner_queens_only: bool,
    other_queens_only: bool,
    pawn_moves: int,
) -> str:
    """What a step lets in.

    Args:
        winner: the side whose win is asked about.
        wins: whether "wins" is to be proved; else "cannot win".
        pieces: most pieces besides kings and pawns after a promotion, by number of pawns.
        winner_queens_only, other_queens_only: that side is given promotions to queens only.
        pawn_moves: most pawn moves of the side that has to prove something while pieces are on
            the board; -1 for any number.
    """
    prover, doubter = (winner, winner.other) if wins else (winner.other, winner)
    parts = []
    if pawn_moves == 0:
        parts.append(f"no pawn move by {prover.name_} while pieces are on the board")
    elif pawn_moves > 0:
        moves = "pawn move" if pawn_moves == 1 else "pawn moves"
        parts.append(
            f"at most {pawn_moves} {moves} by {prover.name_} while pieces are on the board"
        )
    queens = [
        s.name_
        for s, only in ((winner, winner_queens_only), (winner.other, other_queens_only))
        if only
    ]
    if queens:
        parts.append(f"{join(queens)} promoting to queens only")
    most = max(pieces)
    upto = f"{most} piece{'s' if most > 1 else ''} besides kings and pawns"
    if len(set(pieces)) > 1:
        upto += " (fewer the more pawns are left)"
    parts.append(f"promotions played out up to {upto}, any beyond that counted for {doubter.name_}")
    return "; ".join(parts)
