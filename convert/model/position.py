"""The report on one position."""

from __future__ import annotations

from dataclasses import dataclass

from convert.model.experience import Practice, Speaking
from convert.model.verdict import Line, Side, Verdict

POSITION_SCHEMA = 1


@dataclass(frozen=True)
class MoveRow:
    """A legal move and the verdict after it, for the side that makes it."""

    san: str
    uci: str
    verdict: Verdict
    trade: bool
    capture: bool


@dataclass(frozen=True)
class TradeOption:
    """A trade on the board: its first capture, and what it leads to with best play."""

    san: str
    uci: str
    verdict: Verdict
    balance: str
    line: Line | None


@dataclass(frozen=True)
class Variant:
    """The position with one thing changed, judged for the same side.

    ``kind``: ``move``, ``king``, ``pawn``, ``shift`` or ``pair``; ``changes``
    says whether the outcome differs from that of the position itself.
    """

    kind: str
    what: str
    fen: str
    verdict: Verdict
    changes: bool


@dataclass(frozen=True)
class PositionReport:
    """Everything ``fullpoint position`` says of one position.

    ``verdict`` is for the side to move; ``notes`` are remarks on the input; ``practice``
    tells what became of games with the same material.
    """

    schema: int
    fen: str
    notes: tuple[str, ...]
    to_move: Side
    verdict: Verdict
    balance: str
    moves: tuple[MoveRow, ...]
    left_out: int
    trades: tuple[TradeOption, ...]
    rules: tuple[Speaking, ...]
    variants: tuple[Variant, ...]
    line: Line | None
    practice: Practice | None = None
