"""What may be tried to answer a question: scopes, from the narrowest to the widest."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import chess

from tablebases.solver.structures import ALL_KINDS, LOWER, QUEEN_ONLY, Scope

_CAPS: Final = ((1,), (2, 1), (2, 2, 1), (2, 2, 2, 1), (2,), (3, 2, 1), (3, 3, 2, 1), (3,), (4,))
_BUDGETS: Final = (0, 1, 2, 4)
FREE: Final = len(_BUDGETS)
"""Place of the first scope without a limit on pawn moves (see ``scopes_of``)."""
_MOST_EXACT: Final = 20_000
"""Slices up to which everything is modelled at once."""


@dataclass(frozen=True)
class SolveStep:
    """One question with a scope: does ``colour`` win, at least or at most?"""

    colour: chess.Color
    scope: Scope

    @property
    def question(self) -> str:
        """The question in words."""
        side = "White" if self.colour else "Black"
        return f"{side} wins" if self.scope.mode == LOWER else f"{side} cannot win"


def exactly() -> Scope:
    """Everything that can arise; the lower bound is then the upper one too."""
    return Scope(LOWER, (4,), limit=_MOST_EXACT)


def scopes_of(mode: int, limit: int, seconds: float = math.inf) -> list[Scope]:
    """Scopes from the narrowest to the widest, all with these bounds."""
    white, black = (QUEEN_ONLY, ALL_KINDS) if mode == LOWER else (ALL_KINDS, QUEEN_ONLY)
    base = Scope(mode, _CAPS[0], white, black, limit=limit, seconds=seconds)
    scopes = [replace(base, budget=b) for b in _BUDGETS]
    scopes += [replace(base, caps=caps) for caps in _CAPS]
    scopes.append(
        replace(base, caps=_CAPS[-1], white_promotions=ALL_KINDS, black_promotions=ALL_KINDS)
    )
    return scopes
