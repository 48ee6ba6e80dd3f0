"""What the solver proved of one position: frozen dataclasses, to and from JSON."""

from __future__ import annotations

from dataclasses import dataclass

from convert.model import Side
from tablebases.values import Compared, Outcome

SOLVE_SCHEMA = 1
"""Grows by one when a key is removed or changes its meaning."""


@dataclass(frozen=True)
class SolvedMove:
    """A legal move.

    Attributes:
        low, high: worst and best outcome that it can still come to, for the side that makes it.
        plies: from the position after it to the next capture, pawn move or mate with best play;
            None where that is not known exactly, the game is drawn, or the move itself is one.
    """

    san: str
    uci: str
    low: Outcome
    high: Outcome
    plies: int | None


@dataclass(frozen=True)
class Question:
    """One side of what there is to prove.

    Attributes:
        claim: what was to be proved: ``White wins``, ``Black cannot win`` and so on.
        result: ``proved``, ``refuted`` or ``open`` (halfmove clock taken as 0).
        scopes: what was let in, one sentence a finished attempt, the last one last.
        given_up: scopes for which the memory did not suffice.
    """

    claim: str
    result: str
    scopes: tuple[str, ...]
    given_up: tuple[str, ...]


@dataclass(frozen=True)
class Spent:
    """What it cost.

    Attributes:
        seconds: time on the clock, without the preparation of the solver.
        slices: sets solved, one for each piece set and pawn structure.
        positions: placements in them, either side to move.
        memory: bytes planned for the largest step.
        from_store: slices known from earlier runs.
    """

    seconds: float
    slices: int
    positions: int
    memory: int
    from_store: int


@dataclass(frozen=True)
class SolveReport:
    """Everything ``fullpoint solve`` says.

    Attributes:
        to_move: the side to move; ``low`` and ``high`` are for it.
        over: why the game is over, or empty.
        low, high: worst and best outcome still possible, the halfmove clock of the FEN counted.
        exact: nothing was left out, so distances are exact.
        distance: DTZ in plies, positive if the side to move wins, negative if it loses, 0 for a
            draw; None unless exact.
        bound: plies within which the winning side forces a capture, pawn move or mate by the way
            that is proved; None if no win is proved or it is not known.
        line: moves in SAN, best play by DTZ if ``exact``, else one proved way; empty in a draw.
        line_ends: ``mate``, ``capture``, ``promotion``, ``pawn move``; ``next`` where one of them
            comes next, ``so on`` where the line is cut short.
        moves: every legal move, the best first (``convert.judging.keeping.ordered``).
        stopped: the user ended the work early.
        checked: what was compared afterwards, if that was asked for.
    """

    schema: int
    fen: str
    notes: tuple[str, ...]
    to_move: Side
    over: str
    low: Outcome
    high: Outcome
    exact: bool
    distance: int | None
    bound: int | None
    line: tuple[str, ...]
    line_ends: str
    moves: tuple[SolvedMove, ...]
    questions: tuple[Question, ...]
    cost: Spent | None
    stopped: bool
    checked: Compared | None = None


@dataclass(frozen=True)
class MadeClass:
    """What ``fullpoint tables make`` notes of a class that it has solved.

    Attributes:
        name: of the material, ``KRPvKN``.
        positions: legal positions, either side to move.
        plies: the longest win, in plies to the next capture, pawn move or mate; 0 if none.
        fen: a position of that length, or empty.
        seconds: what it took, on the clock.
        bytes: what is kept of it.
    """

    name: str
    positions: int
    plies: int
    fen: str
    seconds: float
    bytes: int
