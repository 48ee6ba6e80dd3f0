"""The game so far, frozen, so that a move taken back leaves no trace but its count."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import chess

from convert.model import Side, Slip, Verdict, move_label


class How(StrEnum):
    """What ended the game, with the article of the FIDE Laws of Chess (1 January 2023)."""

    MATE = "checkmate"  # 5.1.1
    STALEMATE = "stalemate"  # 5.2.1
    DEAD = "dead position"  # 5.2.2
    THREEFOLD = "threefold repetition"  # 9.2, on a claim
    FIFTY = "fifty-move rule"  # 9.3, on a claim
    FIVEFOLD = "fivefold repetition"  # 9.6.1, without a claim
    SEVENTY_FIVE = "seventy-five-move rule"  # 9.6.2, without a claim
    AGREED = "draw agreed"  # 5.2.3
    RESIGNED = "resignation"  # 5.1.2


@dataclass(frozen=True)
class End:
    """How the game ended.

    ``winner`` is None for a draw; ``by`` is the side that claimed, offered or resigned;
    ``announced`` the move (SAN) written down with a claim and not played (9.2.1, 9.3.1).
    """

    how: How
    winner: Side | None
    by: Side | None = None
    announced: str = ""

    @property
    def result(self) -> str:
        """``1-0``, ``0-1`` or ``1/2-1/2``."""
        if self.winner is None:
            return "1/2-1/2"
        return "1-0" if self.winner is Side.WHITE else "0-1"


@dataclass(frozen=True)
class Made:
    """One move made, and what became of the outcome with it.

    ``before`` and ``after`` are verdicts for the side that moved.  The rest is told of the
    player's moves only: ``slip`` where the outcome got worse; ``only`` for the one move that kept
    a win or a draw, for certain; ``extra`` the plies by which the next capture, pawn move or mate
    (``to_mate``: mate, nothing else can come first) is further off than it had to be, 0 or more,
    None unless the player was winning for certain, stayed so, and the distances are known;
    ``quicker`` names a move that was nearer (SAN) where ``extra`` is more than 0;
    ``rounded``: by a table that may be one ply out, so that one ply is not counted.
    """

    ply: int
    number: int
    side: Side
    san: str
    uci: str
    fen: str
    before: Verdict
    after: Verdict
    by_player: bool
    slip: Slip | None = None
    only: bool = False
    extra: int | None = None
    rounded: bool = False
    to_mate: bool = False
    zeroing: bool = False
    quicker: str = ""

    @property
    def label(self) -> str:
        """The move with its number: ``34.Rd6`` or ``34...Kf7``."""
        return move_label(self.number, self.side, self.san)


@dataclass(frozen=True)
class Playing:
    """A game being played: from where, by whom, every move made, and how it ended if it has.

    ``start`` is the verdict on the first position for the player's side; ``taken`` holds the
    player's moves that were taken back, in the order in which that was done.
    """

    start_fen: str
    player: Side
    start: Verdict
    made: tuple[Made, ...] = ()
    end: End | None = None
    taken: tuple[Made, ...] = ()

    @property
    def board(self) -> chess.Board:
        """The position on the board, with every move since the start on its stack."""
        board = chess.Board(self.start_fen)
        for made in self.made:
            board.push_uci(made.uci)
        return board

    @property
    def to_move(self) -> Side:
        """The side to move."""
        first = chess.Board(self.start_fen).turn
        return Side.of(first == (len(self.made) % 2 == 0))

    @property
    def players_turn(self) -> bool:
        """Is it the player's move, in a game that is not over?"""
        return self.end is None and self.to_move is self.player

    @property
    def result(self) -> str:
        """PGN's result: ``*`` while the game is not over."""
        return "*" if self.end is None else self.end.result

    @property
    def own(self) -> Iterator[Made]:
        """The player's moves."""
        return (made for made in self.made if made.by_player)

    @property
    def slips(self) -> tuple[Slip, ...]:
        """The player's slips that were not taken back, certain and suspected."""
        return tuple(made.slip for made in self.own if made.slip is not None)

    @property
    def now(self) -> Verdict:
        """What the position on the board is worth to the player, as judged when it came up."""
        return self.made[-1].after.for_side(self.player) if self.made else self.start


def take_back(playing: Playing) -> Playing | None:
    """The position before the player's last move, the opponent's answer gone too.

    What the player said without a move (resigning, a draw taken or claimed) is taken back alone.
    None where there is nothing to take back.
    """
    if playing.end is not None and playing.end.by is playing.player:
        return replace(playing, end=None)
    own = [i for i, made in enumerate(playing.made) if made.by_player]
    if not own:
        return None
    earlier, gone = playing.made[: own[-1]], playing.made[own[-1]]
    return replace(playing, made=earlier, end=None, taken=(*playing.taken, gone))
