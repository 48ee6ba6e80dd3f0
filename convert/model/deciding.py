"""What decided a game, and how it ended."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from convert.model.trades import Alternative
from convert.model.verdict import Line, Side, Verdict

#: Expected score by which the chances of a player must fall for a move to decide (judgement).
FALLS_BY = 0.2


@dataclass(frozen=True)
class Deciding:
    """The move at which the outcome changed for the last time.

    ``certain`` where two verdicts that exclude each other prove the change; else the move whose
    player's expected score fell most for good, by the estimate.  ``before`` and ``after`` are for
    its player, ``side``; ``fen`` is the position before it.  ``held``: moves that kept the result,
    or the one that looks better; ``complete``: it is certain of all other moves that they did
    not.  ``shown`` is a line that begins with the first of them.  ``final``: nothing changed
    after it to the end of the game.  ``fall``: by how much at least the expected score of its
    player (points, 0 to 1) was lower from then on to the end than before it; below zero where
    that was won back.  By the estimate ``before``, ``after`` and ``held`` are those of a search of
    many times the positions of the review.
    """

    ply: int
    side: Side
    san: str
    fen: str
    certain: bool
    before: Verdict
    after: Verdict
    held: tuple[Alternative, ...] = ()
    complete: bool = False
    shown: Line | None = None
    final: bool = True
    fall: float = 0.0


class Finish(StrEnum):
    """How a game ended, as far as the position, the result and the Termination tag show it."""

    MATE = "mate"
    STALEMATE = "stalemate"
    BARE_KINGS = "bare kings"
    DEAD = "dead position"
    FIFTY_MOVES = "fifty-move rule"
    SEVENTY_FIVE = "seventy-five-move rule"
    REPETITION = "repetition"
    FIVEFOLD = "fivefold repetition"
    TIME = "time"
    RESIGNED = "resigned"
    AGREED = "agreed"
    RULES = "rules infraction"
    ADJUDICATED = "adjudication"
    ABANDONED = "abandoned"
    NOT_TOLD = "not told"
    UNFINISHED = "unfinished"


@dataclass(frozen=True)
class Finished:
    """How a game ended: ``winner`` is None in a draw and where no result is recorded.

    ``certain`` where the board or the Termination tag says it; else it is what the result leaves
    open (a resignation, a draw agreed).  ``balance`` names the material of the final position,
    ``final`` is its verdict for White.
    """

    how: Finish
    winner: Side | None
    drawn: bool
    certain: bool
    balance: str
    final: Verdict
