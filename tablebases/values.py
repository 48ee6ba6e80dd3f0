"""Outcomes of an ending, the distance to the next zeroing move, and the fifty-move rule.

Words and signs follow the Syzygy tables, as described in the documentation of python-chess
(``chess.syzygy.Tablebase.probe_wdl`` and ``probe_dtz``):

* an *outcome* belongs to a named side, most often the side to move;
* *DTZ* is a number of **plies** (half-moves) to the next *zeroing* move (a capture or a pawn
  move, which set the halfmove clock to 0) or to mate, with best play; positive if the side to
  move wins, negative if it loses, 0 if the game is drawn;
* many tables store DTZ in full moves. Their number of plies may then be **one too small**:
  "a return value -n can mean a losing zeroing move in n + 1 plies and a return value +n can
  mean a winning zeroing move in n + 1 plies". Tables in which this could change an outcome with
  the halfmove clock at 0 are stored in plies.

The fifty-move rule is that of the FIDE Laws of Chess (in force from 1 January 2023):

* 5.1.1 and 9.6.2: a checkmate ends the game and takes precedence over any move count;
* 9.3: the player *having the move* may claim a draw if the last fifty moves by each player
  (a halfmove clock of 100) were made without a capture or a pawn move, or if the move that he
  announces makes it so;
* 9.6.2: after seventy-five such moves by each player (a halfmove clock of 150) the game is drawn.

"With best play" includes the claim: a side that would otherwise lose claims as soon as it may.

Nothing here touches a board or a file.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

__all__ = [
    "AUTOMATIC_DRAW_PLIES",
    "CLAIM_PLIES",
    "Answer",
    "Distance",
    "Outcome",
    "outcome_under_clock",
]

CLAIM_PLIES: Final = 100
"""Halfmove clock, in plies, at which a draw can be claimed (FIDE Laws of Chess, 9.3)."""

AUTOMATIC_DRAW_PLIES: Final = 150
"""Halfmove clock, in plies, at which the game is drawn without a claim (9.6.2)."""


class Outcome(IntEnum):
    """Result with best play for a named side, from worst to best (Syzygy's five values).

    A *cursed win* is a mate that can be forced but is too slow for the fifty-move rule; a
    *blessed loss* is the same from the other side. Both are draws when the rule is applied.
    """

    LOSS = -2
    BLESSED_LOSS = -1
    DRAW = 0
    CURSED_WIN = 1
    WIN = 2

    @property
    def opposite(self) -> Outcome:
        """The same result seen by the other side.

        >>> Outcome.WIN.opposite.word
        'loss'
        """
        return Outcome(-self.value)

    @property
    def points(self) -> int:
        """1 for a win, 0 for a draw, -1 for a loss **under the fifty-move rule**.

        A cursed win and a blessed loss are draws, hence 0.

        >>> Outcome.CURSED_WIN.points
        0
        """
        return int(self.value / 2)

    @property
    def word(self) -> str:
        """The outcome as printed: "win", "cursed win", "draw", "blessed loss" or "loss"."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True)
class Distance:
    """Distance to the next zeroing move or to mate (DTZ), from the side to move.

    Attributes:
        plies: signed number of plies; positive if the side to move wins, negative if it loses,
            0 if the game is drawn. More than 100 in size only for a cursed win or a blessed loss.
            A side that is already mated has -1, as in the tables.
        rounded: True if the true distance may be one ply more (in size) than ``plies``.
    """

    plies: int
    rounded: bool = False

    @property
    def least(self) -> int:
        """Smallest possible number of plies, without sign."""
        return abs(self.plies)

    @property
    def most(self) -> int:
        """Largest possible number of plies, without sign."""
        return abs(self.plies) + int(self.rounded and self.plies != 0)

    @property
    def opposite(self) -> Distance:
        """The same distance with the sign of the other side; the number of plies stays."""
        return Distance(-self.plies, self.rounded)


@dataclass(frozen=True)
class Answer:
    """What is known of a position for the side to move, with its halfmove clock honoured.

    Attributes:
        low: the worst outcome still possible for the side to move.
        high: the best one. ``low < high`` only where the table's rounding leaves it open.
        distance: the distance used to decide, or None if it was not needed.
    """

    low: Outcome
    high: Outcome
    distance: Distance | None = None

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError(f"low outcome {self.low.word} is above high outcome {self.high.word}")

    @property
    def exact(self) -> bool:
        """True if only one outcome is possible."""
        return self.low == self.high

    @property
    def opposite(self) -> Answer:
        """The same answer seen by the other side.

        Low and high change places and signs. The distance keeps its plies and changes its sign:
        it still counts from the same position, with the same side on the move.
        """
        distance = None if self.distance is None else self.distance.opposite
        return Answer(self.high.opposite, self.low.opposite, distance)

    @property
    def word(self) -> str:
        """The answer as printed: one outcome, or both ends and why they differ.

        >>> Answer(Outcome.CURSED_WIN, Outcome.WIN, Distance(53, rounded=True)).word
        'win or draw: the table rounds'
        """
        if self.exact:
            return self.low.word
        if self.high is Outcome.WIN:
            return "win or draw: the table rounds"
        if self.low is Outcome.LOSS:
            return "draw or loss: the table rounds"
        return f"{self.low.word} to {self.high.word}"


@dataclass(frozen=True)
class Compared:
    """What the solver's audit has held against what; no contradiction was met.

    Attributes:
        positions: positions drawn and compared, each once a run that says something of it.
        exact: those of which an equation had to hold; ``bounds``: an inequality.
        distances: those of both that included the plies.
        successors: positions after their moves that were looked up.
        en_passant: positions in which a pawn could be taken so.
        together: positions of which all runs were asked together, with a halfmove clock.
        slices: slices that positions were drawn from.
        stored: slices of the store that are the same as solved now.
    """

    positions: int = 0
    exact: int = 0
    bounds: int = 0
    distances: int = 0
    successors: int = 0
    en_passant: int = 0
    together: int = 0
    slices: int = 0
    stored: int = 0


def outcome_under_clock(
    wdl: Outcome, distance: Distance, halfmove_clock: int
) -> tuple[Outcome, Outcome]:
    """Apply the fifty-move rule to an outcome that holds with the halfmove clock at 0.

    With clock ``c`` and true distance ``n`` a won position stays won exactly if
    ``n + c <= 100``: the zeroing move or mate then comes at the latest when the clock stands at
    99, before the loser could claim (FIDE Laws of Chess, 9.3). A rounded ``n`` leaves
    ``n + c == 100`` open. With the clock at 0 the outcome alone decides: rounding is never used
    where it would change that (python-chess, ``probe_dtz``).

    Beyond a clock of 99 only the player having the move may claim. The winner to move with a
    winning zeroing move or mate at hand (``n == 1``) therefore still wins until the game is drawn
    without a claim at 150; a loser to move claims at once. The caller must treat a side that is
    already mated as lost, whatever the clock (5.1.1, 9.6.2).

    A cursed win stays cursed and a blessed loss stays blessed: the clock can only add to a
    distance that is too long already.

    Args:
        wdl: outcome for the side to move right after a zeroing move.
        distance: distance for the side to move, in plies; must agree with ``wdl`` in sign.
        halfmove_clock: plies since the last capture or pawn move, 0 or more.

    Returns:
        The lowest and the highest outcome still possible for the side to move.

    Raises:
        ValueError: if the clock is negative or the distance contradicts the outcome.

    >>> outcome_under_clock(Outcome.WIN, Distance(53, rounded=True), 47)
    (<Outcome.CURSED_WIN: 1>, <Outcome.WIN: 2>)
    """
    if halfmove_clock < 0:
        raise ValueError(f"halfmove clock is negative: {halfmove_clock}")
    if _sign(wdl) != _sign(distance.plies):
        raise ValueError(f"distance of {distance.plies} plies contradicts outcome {wdl.word}")
    if halfmove_clock == 0 or wdl not in (Outcome.WIN, Outcome.LOSS):
        return wdl, wdl
    if wdl is Outcome.WIN:
        return (
            _win_if(_winner_in_time(distance.most, halfmove_clock)),
            _win_if(_winner_in_time(distance.least, halfmove_clock)),
        )
    # The longer the distance, the better for the side that loses.
    return (
        _win_if(_loser_too_late(distance.least, halfmove_clock)).opposite,
        _win_if(_loser_too_late(distance.most, halfmove_clock)).opposite,
    )


def _sign(value: int) -> int:
    return (value > 0) - (value < 0)


def _win_if(in_time: bool) -> Outcome:
    return Outcome.WIN if in_time else Outcome.CURSED_WIN


def _winner_in_time(plies: int, clock: int) -> bool:
    """Does the side to move, winning in ``plies``, arrive before a draw can be claimed?"""
    if clock >= CLAIM_PLIES:
        return plies == 1 and clock < AUTOMATIC_DRAW_PLIES
    return plies + clock <= CLAIM_PLIES


def _loser_too_late(plies: int, clock: int) -> bool:
    """Does the side to move, losing in ``plies``, lose before it can claim a draw?"""
    return plies + clock <= CLAIM_PLIES
