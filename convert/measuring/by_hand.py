"""The estimate before there was one that was fitted, to compare it with.

Its weights are set by judgement.  Input is a quiet position (see :mod:`convert.lookahead`): its
material, the rules of thumb that speak, and how many pawns are left to win with.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import chess

from convert.board.balance import Census, census, side_counts
from convert.judging.estimate import Chances
from convert.rules import Voice

#: Set by judgement, in pawns: pawn, knight, bishop, rook, queen.
WORTH = (1.0, 3.0, 3.15, 4.9, 9.3)
#: How much advantage (pawns) wins half the time, and how steeply (per pawn).
MARGIN = 1.35
SLOPE = 1.45
#: The rules together move the estimate by this many pawns at most.
MOST_BY_RULES = 1.6
MOST_TO_DRAW = 2.5


def _sigmoid(x: float) -> float:
    return 1.0 / (1.0 + math.exp(-x))


def advantage(count: Census, voices: Sequence[Voice]) -> float:
    """White's advantage in pawns: weighed material and the rules that speak."""
    white, black = side_counts(count, chess.WHITE), side_counts(count, chess.BLACK)
    material = sum(worth * (w - b) for worth, w, b in zip(WORTH, white, black, strict=True))
    spoken = sum(
        v.strength if v.side == chess.WHITE else -v.strength for v in voices if v.side is not None
    )
    return material + max(-MOST_BY_RULES, min(MOST_BY_RULES, spoken))


def draw_margin(count: Census, better: chess.Color, voices: Sequence[Voice]) -> float:
    """How much advantage (pawns) the better side needs to win half the time."""
    pawns = side_counts(count, better)[0]
    margin = MARGIN + 0.3 * max(0, 3 - pawns)
    if pawns == 0:
        margin += 2.2
    pull = sum(v.strength for v in voices if v.side is None)
    return margin + min(MOST_TO_DRAW, pull)


def estimate(board: chess.Board, voices: Sequence[Voice]) -> Chances:
    """Chances for White in a quiet position where ``voices`` speak."""
    count = census(board)
    score = advantage(count, voices)
    margin_w = draw_margin(count, chess.WHITE, voices)
    margin_b = draw_margin(count, chess.BLACK, voices)
    win = _sigmoid(SLOPE * (score - margin_w))
    loss = _sigmoid(SLOPE * (-score - margin_b))
    win, loss = _cap(board, chess.WHITE, win), _cap(board, chess.BLACK, loss)
    total = win + loss
    if total > 0.98:
        win, loss = 0.98 * win / total, 0.98 * loss / total
    return Chances(win, 1.0 - win - loss, loss)


def _cap(board: chess.Board, color: chess.Color, probability: float) -> float:
    """A side without the means to mate has no chance to win."""
    return 0.0 if board.has_insufficient_material(color) else probability
