"""What is found in a judged game: trades and their decisions, slips, only moves, technique.

Each finder has its own module and knows nothing of the others' findings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from convert.model import (
    Decision,
    OnlyMove,
    Practice,
    Slip,
    Speaking,
    Suspicion,
    Technique,
    Trade,
)
from convert.review.course import Course
from convert.review.decisions import decisions, position_speaking
from convert.review.judged import Judged
from convert.review.practice import in_practice
from convert.review.slips import find_slips, suspicion
from convert.review.technique import technique
from convert.review.traded import build_trade
from convert.review.trades import find_trades


@dataclass(frozen=True)
class Findings:
    """All findings of one game, as :class:`convert.model.Review` holds them."""

    trades: tuple[Trade, ...]
    slips: tuple[Slip, ...]
    declined: tuple[Decision, ...]
    only_moves: tuple[OnlyMove, ...]
    technique: Technique | None
    ending_rules: tuple[Speaking, ...]
    practice: Practice | None
    suspicion: Suspicion


def findings(judged: Judged, course: Course, tags: Mapping[str, str]) -> Findings:
    """Everything there is to say of a game; ``tags`` tell the players' ratings."""
    boards, winner = judged.walked.boards, course.winner
    trades = find_trades(judged.walked)
    graded, declined = decisions(judged, trades)
    slips, only_moves = find_slips(judged)
    return Findings(
        trades=tuple(
            build_trade(judged, trade, its, course.side)
            for trade, its in zip(trades, graded, strict=True)
        ),
        slips=slips,
        declined=declined,
        only_moves=only_moves,
        technique=technique(judged, winner) if winner is not None else None,
        ending_rules=position_speaking(judged.bench, boards[course.ending])[:4],
        practice=in_practice(boards[course.stood], tags, course.stood),
        suspicion=suspicion(),
    )
