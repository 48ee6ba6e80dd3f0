"""Sides, verdicts and the lines that show why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import chess

from tablebases.values import Outcome


class Side(StrEnum):
    """A player, by colour."""

    WHITE = "white"
    BLACK = "black"

    @property
    def color(self) -> chess.Color:
        """python-chess's boolean for this side."""
        return self is Side.WHITE

    @property
    def other(self) -> Side:
        """The opponent."""
        return Side.BLACK if self is Side.WHITE else Side.WHITE

    @property
    def name_(self) -> str:
        """``White`` or ``Black``, for sentences."""
        return self.value.capitalize()

    @classmethod
    def of(cls, color: chess.Color) -> Side:
        """The side for python-chess's boolean."""
        return cls.WHITE if color else cls.BLACK


class Evidence(StrEnum):
    """How an outcome is known, strongest first."""

    RULES = "rules"
    TABLE = "table"
    SOLVED = "solved"
    BOUNDED = "bounded"
    ESTIMATE = "estimate"


@dataclass(frozen=True)
class Verdict:
    """The lowest and highest outcome still possible for ``side``.

    ``win`` and ``loss`` are probabilities for ``side`` with good play by both,
    given where ``low`` and ``high`` differ; they are estimates, ``measured``
    says whether their weights were fitted to outcomes.  ``distance`` (plies,
    never negative) and ``rounded`` (it may be one ply more) are given where a
    table told them.  ``via`` is the line, in SAN, that leads to the positions
    that settle the outcome when the position itself is in no table.
    """

    side: Side
    low: Outcome
    high: Outcome
    evidence: Evidence
    win: float | None = None
    loss: float | None = None
    distance: int | None = None
    rounded: bool = False
    via: tuple[str, ...] = ()
    measured: bool = False

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError(f"verdict with low {self.low} above high {self.high}")

    @property
    def exact(self) -> bool:
        """True when only one result (under the fifty-move rule) is left."""
        return self.low.points == self.high.points

    @property
    def points(self) -> int | None:
        """1 win, 0 draw, -1 loss for ``side`` when exact, else None."""
        return self.low.points if self.exact else None

    @property
    def expected(self) -> float:
        """Expected score for ``side``: 1 win, 0.5 draw, 0 loss."""
        if self.exact:
            return (self.low.points + 1) / 2
        win, loss = self.win or 0.0, self.loss or 0.0
        return win + (1.0 - win - loss) / 2

    @property
    def win_probability(self) -> float:
        """Probability that ``side`` wins; 0 or 1 when exact."""
        if self.exact:
            return 1.0 if self.low.points > 0 else 0.0
        return self.win or 0.0

    @property
    def loss_probability(self) -> float:
        """Probability that ``side`` loses; 0 or 1 when exact."""
        if self.exact:
            return 1.0 if self.low.points < 0 else 0.0
        return self.loss or 0.0

    def for_side(self, side: Side) -> Verdict:
        """The same verdict, told for ``side``."""
        if side is self.side:
            return self
        return replace(
            self,
            side=side,
            low=self.high.opposite,
            high=self.low.opposite,
            win=self.loss,
            loss=self.win,
        )


@dataclass(frozen=True)
class Line:
    """A line of moves in SAN, played from ``fen``, with what it ends in."""

    fen: str
    moves: tuple[str, ...]
    ends: str = ""


def move_label(number: int, side: Side, san: str) -> str:
    """A move with its number as in print: ``34.Rd6`` or ``34...Kf7``."""
    return f"{number}.{san}" if side is Side.WHITE else f"{number}...{san}"
