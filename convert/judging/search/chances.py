"""Won, drawn or lost with good play, from the score that a search gives.

An ordered logistic model (proportional odds, P. McCullagh, Regression Models for Ordinal Data,
Journal of the Royal Statistical Society B 42, 1980) with cut points that lie symmetrically about
nought:

    P(won) = s(lean - width)      P(lost) = s(-lean - width)      P(drawn) = the rest

where s(x) = 1 / (1 + exp(-x)) and lean = slope * bend * arsinh(pawns / bend). Slope and width
are exponentials of a quadratic in the number of men, a number for the kind of ending and one for
the depth. So a better score never makes a win less likely nor a loss more likely, a draw is never
excluded, and both sides are treated alike. The numbers are fitted (``convert.measuring.chances``)
and ship in ``chances.json``.

Nothing heavy is imported here.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

__all__ = ["ChancesModel", "Told", "chances_of", "shipped_model"]

FILE: Final = Path(__file__).parent / "chances.json"
MIDDLE_MEN: Final = 16.0
"""Men at which the quadratics are at their origin, and ``UNIT_MEN`` that make one unit."""
UNIT_MEN: Final = 8.0
MIDDLE_PLIES: Final = 8
"""Depth at which its number has no weight; what counts is ln((1 + depth) / (1 + this))."""
MOST_PAWNS: Final = 30.0
"""Scores beyond so many pawns count as so many."""
SURE: Final = 28_000
"""Beyond it a score is no estimate (as in ``front``, which is not imported here)."""


class Told(NamedTuple):
    """Probabilities for the side to move with good play by both; they add up to 1."""

    won: float
    drawn: float
    lost: float

    @property
    def expected(self) -> float:
        """Expected points: won 1, drawn a half."""
        return self.won + self.drawn / 2

    @property
    def turned(self) -> Told:
        """The same for the other side."""
        return Told(self.lost, self.drawn, self.won)


@dataclass(frozen=True)
class ChancesModel:
    """Fitted numbers.

    Attributes:
        numbers: by name; one that is missing is 0.
        surely: share of won, drawn, lost where a score said that it is sure, but nothing was
            verified.
        made: how they were made.
    """

    numbers: Mapping[str, float]
    surely: tuple[float, float, float]
    made: Mapping[str, Any]

    @staticmethod
    def from_json(text: str) -> ChancesModel:
        """Read the numbers.

        Raises:
            ValueError: it is something else.
        """
        document = json.loads(text)
        if (
            not isinstance(document, dict)
            or document.get("schema") != 1
            or "surely" not in document
        ):
            raise ValueError("not fitted chances of this version")
        won, drawn, lost = (float(share) for share in document["surely"])
        return ChancesModel(document["numbers"], (won, drawn, lost), document["made"])

    def chances(self, score: int, men: int, kind: str, depth: int, sure: bool = False) -> Told:
        """As ``chances_of``."""
        if abs(score) <= SURE:
            return self._estimated(score, men, kind, depth)
        if sure:
            return Told(1.0, 0.0, 0.0) if score > 0 else Told(0.0, 0.0, 1.0)
        # Never less than the best estimate has: a better score tells no worse chances.
        most = self._estimated(SURE, men, kind, depth)
        best = most if most.won >= self.surely[0] else Told(*self.surely)
        lost = min(most.lost, self.surely[2])
        # One minus the others could be rounded to nought.
        chances = Told(best.won, best.drawn + best.lost - lost, lost)
        return chances if score > 0 else chances.turned

    def _estimated(self, score: int, men: int, kind: str, depth: int) -> Told:
        get = self.numbers.get
        x = (men - MIDDLE_MEN) / UNIT_MEN
        deep = math.log((1 + max(depth, 0)) / (1 + MIDDLE_PLIES))

        def power(of: str, low: float) -> float:
            sums = (
                get(of, 0.0) + get(f"{of}: men", 0.0) * x + get(f"{of}: men squared", 0.0) * x * x
            )
            sums += get(f"{of}: {kind}", 0.0) + get(f"{of}: depth", 0.0) * deep
            return math.exp(min(max(sums, low), 6.0))

        slope, width = power("slope", -20.0), power("width", -12.0)
        bend = math.exp(min(max(get("bend", 0.0), -4.0), 6.0))
        pawns = min(max(score / 100, -MOST_PAWNS), MOST_PAWNS)
        lean = slope * bend * math.asinh(pawns / bend)
        won, lost = _share(lean - width), _share(-lean - width)
        # As a product, since one minus the others would be rounded to nought far out.
        drawn = _share(lean + width) * _share(width - lean) * -math.expm1(-2 * width)
        total = won + drawn + lost
        return Told(won / total, drawn / total, lost / total)


def _share(x: float) -> float:
    return 1 / (1 + math.exp(-min(max(x, -300.0), 300.0)))


@cache
def shipped_model() -> ChancesModel:
    """The numbers that come with the program."""
    return ChancesModel.from_json(FILE.read_text(encoding="utf-8"))


def chances_of(
    score: int,
    men: int,
    kind: str,
    depth: int = MIDDLE_PLIES,
    *,
    sure: bool = False,
    model: ChancesModel | None = None,
) -> Told:
    """Won, drawn, lost with good play, for the side to move.

    Args:
        score: hundredths of a pawn for the side to move, as ``front.Found`` has it.
        men: men on the board, kings included.
        kind: of ending, one of ``convert.board.kinds.KINDS`` (``kind_of``).
        depth: plies that the search completed; 0 for the evaluation alone. Left out, it is taken to
            be usual.
        sure: a score beyond ``SURE`` was verified (``proving``): the outcome is told as certain.
            Otherwise such a score gives the share that came true, which excludes nothing.
        model: the numbers; the shipped ones if None.
    """
    return (model or shipped_model()).chances(score, men, kind, depth, sure)
