"""Trades of a game, and the decisions that belong to them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from convert.model.experience import Speaking
from convert.model.verdict import Line, Side, Verdict


class Grade(StrEnum):
    """What became of the outcome at a decision that belongs to a trade."""

    NEEDED = "needed"
    RIGHT = "right"
    HARMLESS = "harmless"
    WRONG = "wrong"
    MISSED = "missed"
    IN_FAVOUR = "in favour"
    AGAINST = "against"
    EVEN = "even"


class Part(StrEnum):
    """Which decision of a trade is judged."""

    OFFER = "offer"
    START = "start"
    RECAPTURE = "recapture"
    DECLINE = "decline"


@dataclass(frozen=True)
class Alternative:
    """A move that could have been played, and what it leads to (for its player)."""

    san: str
    uci: str
    verdict: Verdict
    trade: bool
    line: Line | None = None


@dataclass(frozen=True)
class Decision:
    """One decision that belongs to a trade, judged for the player who took it.

    ``difference``: expected score of the move played minus that of the best
    move of the other kind (not trading, or trading when a trade was declined),
    given with an estimate only.
    """

    part: Part
    ply: int
    side: Side
    san: str
    grade: Grade
    before: Verdict
    after: Verdict
    best: Alternative | None = None
    difference: float | None = None
    rules: tuple[Speaking, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class PieceGiven:
    """A piece that left the board in a trade, and what it had been doing."""

    side: Side
    piece: str
    square: str
    ply: int
    activity: str = ""
    detail: str = ""


@dataclass(frozen=True)
class Trade:
    """Captures on consecutive plies in which both sides lost material.

    ``offered_by`` is the side whose move first brought the two pieces into
    contact, ``offered_ply`` when; ``began_by`` the side that captured first.
    ``before``/``after`` are verdicts for the side under review, on the position
    before the first and after the last capture.
    """

    first: int
    last: int
    moves: tuple[str, ...]
    name: str
    white_gave: tuple[str, ...]
    black_gave: tuple[str, ...]
    offered_by: Side | None
    offered_ply: int | None
    began_by: Side
    recaptures: tuple[str, ...]
    fen: str
    before: Verdict
    after: Verdict
    decisions: tuple[Decision, ...]
    pieces: tuple[PieceGiven, ...]
    balance_before: str
    balance_after: str
    liquidation: bool = False
    aftermath: str = ""
