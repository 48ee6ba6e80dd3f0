"""Rules of thumb: what experience says about endings and trades, with sources.

A rule speaks only where its test finds that it applies. What it says is a judgement, not a
proof; rules marked `exact` state a result without exception. How often each holds was counted
(`figures.py`); what the counts refute is kept but does not speak.
"""

from __future__ import annotations

from functools import cache

import chess

from convert.board.features import Features, features
from convert.rules import (
    activity_rules,
    exchange,
    method,
    minor_pieces,
    pawn_endings,
    queens,
    rook_endings,
    trades,
)
from convert.rules.base import Rule, TradeScene, Voice, voices_of
from convert.rules.figures import refuted

__all__ = [
    "ALL_RULES",
    "POSITION_RULES",
    "TRADE_RULES",
    "Rule",
    "TradeScene",
    "Voice",
    "position_voices",
    "rule_by_id",
    "trade_voices",
]

POSITION_RULES: tuple[Rule, ...] = (
    *pawn_endings.RULES,
    *rook_endings.RULES,
    *exchange.RULES,
    *minor_pieces.RULES,
    *queens.RULES,
    *activity_rules.RULES,
    *method.RULES,
)
TRADE_RULES: tuple[Rule, ...] = trades.RULES
ALL_RULES: tuple[Rule, ...] = POSITION_RULES + TRADE_RULES

_BY_ID = {rule.id: rule for rule in ALL_RULES}


def rule_by_id(id: str) -> Rule:
    """The rule with this id. Raises KeyError if there is none."""
    return _BY_ID[id]


@cache
def _unrefuted(kind: str) -> tuple[Rule, ...]:
    return tuple(rule for rule in ALL_RULES if rule.kind == kind and not refuted(rule.id))


def position_voices(board: chess.Board, features: Features | None = None) -> tuple[Voice, ...]:
    """What the position rules say about `board`, in the order of the rules.

    Rules that the counts refute are silent. Pass `features` of the same position to save
    computing them again.
    """
    facts = features if features is not None else _features(board)
    return voices_of(_unrefuted("position"), facts)


def trade_voices(scene: TradeScene) -> tuple[Voice, ...]:
    """What the trade rules say to the decider of `scene`, in the order of the rules.

    Rules that the counts refute are silent.
    """
    return voices_of(_unrefuted("trade"), scene)


_features = features
