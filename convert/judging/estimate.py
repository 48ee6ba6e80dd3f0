"""Estimate: how likely each side is to win with good play, where nothing exact is known.

A logistic model over readable features (:mod:`convert.judging.view`), fitted to exact outcomes
and to results of games by ``python -m convert.measuring.fit``.  What ships is a table of numbers,
``estimate.json``; docs/measuring.md says how good it is on positions it was not fitted to.
"""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import chess

from convert.board.features import Features
from convert.board.kinds import kind_of
from convert.judging.view import View, view
from convert.rules import Voice

FILE = Path(__file__).parent / "estimate.json"


@dataclass(frozen=True)
class Chances:
    """Probabilities for White with good play by both; they add up to 1."""

    win: float
    draw: float
    loss: float


@cache
def _shipped() -> Mapping[str, Any]:
    data: Mapping[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    return data


_NOW: list[Mapping[str, Any]] = []


def table() -> Mapping[str, Any]:
    """The fitted numbers, with how they were made and how good they are."""
    return _NOW[-1] if _NOW else _shipped()


@contextlib.contextmanager
def fitted_now(weights: Mapping[str, float], line: Mapping[str, Any]) -> Iterator[None]:
    """Within it these numbers count instead of those that ship (for the fitting command)."""
    _NOW.append({"weights": weights, "line": line})
    try:
        yield
    finally:
        _NOW.pop()


#: Most men of the positions with exact outcomes that the estimate was held against.
MOST_MEN = 7


def measured(board: chess.Board) -> bool:
    """Was the estimate held against outcomes, or results of games, of such positions?

    Exact outcomes of few men; results of exchange-up endings without queens and of pawn endings.
    """
    if board.occupied.bit_count() <= MOST_MEN:
        return True
    return not board.queens and kind_of(board) in ("exchange up", "pawn ending")


def probability(weights: Mapping[str, float], seen: View) -> float:
    """Probability that the side wins from whose view the features are."""
    score = sum(weights.get(name, 0.0) * value for name, value in seen.items())
    return 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, score))))


def together(win: float, loss: float) -> Chances:
    """What the two sides claim, each asked by itself; together they get at most 1."""
    if win + loss > 1:
        win, loss = win / (win + loss), loss / (win + loss)
    return Chances(win, max(0.0, 1.0 - win - loss), loss)


def estimate(facts: Features, voices: Sequence[Voice]) -> Chances:
    """Chances for White in a quiet position where ``voices`` speak."""
    weights = table()["weights"]
    win = probability(weights, view(facts, voices, chess.WHITE))
    loss = probability(weights, view(facts, voices, chess.BLACK))
    # A side without the means to mate has no chance to win.
    win = 0.0 if facts.board.has_insufficient_material(chess.WHITE) else win
    loss = 0.0 if facts.board.has_insufficient_material(chess.BLACK) else loss
    return together(win, loss)


def by_table_line(points: int, line: Mapping[str, Any] | None = None) -> Chances:
    """Chances for White when the look-ahead's line ends in a table (points for White).

    The line need not be the best for both; how often it was right was counted.

    Args:
        line: these counts; None: those that ship.
    """
    chance = (table()["line"] if line is None else line)["won" if points else "drawn"]
    if points > 0:
        return Chances(chance["as the line"], chance["drawn"], chance["turned"])
    if points < 0:
        return Chances(chance["turned"], chance["drawn"], chance["as the line"])
    return Chances(chance["turned"] / 2, chance["as the line"], chance["turned"] / 2)
