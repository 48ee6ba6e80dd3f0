"""What reports read: frozen dataclasses with plain values, to and from JSON.

Everything a report prints comes from here; reports never ask a judge.  All
values are plain (strings, numbers, tuples), so a Review written as JSON and
read back equals the original.

Conventions used throughout:

* a *ply* is counted from 1 for the first move of the game record (a game that
  starts from a FEN starts at ply 1 too); ply 0 is the starting position;
* outcomes are Syzygy's five values, for the side named beside them:
  2 win, 1 cursed win, 0 draw, -1 blessed loss, -2 loss;
* probabilities lie in 0..1 and are for the side named beside them;
* distances are plies to the next capture, pawn move or mate.
"""

from convert.model.deciding import Deciding, Finish, Finished
from convert.model.encode import from_json, to_builtins, to_json
from convert.model.experience import Practice, PracticeRow, RuleFigure, Speaking, Suspicion
from convert.model.game import (
    SCHEMA,
    Counts,
    Lesson,
    OnlyMove,
    Phase,
    PlyRecord,
    Review,
    Sideline,
    Slip,
    Technique,
)
from convert.model.position import POSITION_SCHEMA, MoveRow, PositionReport, TradeOption, Variant
from convert.model.trades import Alternative, Decision, Grade, Part, PieceGiven, Trade
from convert.model.verdict import Evidence, Line, Side, Verdict, move_label

__all__ = [
    "POSITION_SCHEMA",
    "SCHEMA",
    "Alternative",
    "Counts",
    "Deciding",
    "Decision",
    "Evidence",
    "Finish",
    "Finished",
    "Grade",
    "Lesson",
    "Line",
    "MoveRow",
    "OnlyMove",
    "Part",
    "Phase",
    "PieceGiven",
    "PlyRecord",
    "PositionReport",
    "Practice",
    "PracticeRow",
    "Review",
    "RuleFigure",
    "Side",
    "Sideline",
    "Slip",
    "Speaking",
    "Suspicion",
    "Technique",
    "Trade",
    "TradeOption",
    "Variant",
    "Verdict",
    "from_json",
    "move_label",
    "to_builtins",
    "to_json",
]
