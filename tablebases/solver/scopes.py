"""What may be tried to answer a question: scopes, from the narrowest to the widest."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import chess

from tablebases.solver.structures import ALL_KINDS, LOWER, QUEEN_ONLY, UPPER, Scope

_CAPS: Final = ((1,), (2, 1), (2, 2, 1), (2, 2, 2, 1), (2,), (3, 2, 1), (3, 3, 2, 1), (3,), (4,))
_NONE: Final = 0
_LEAST: Final = {
    (LOWER, False): ((0, 1), (1, 1), (1, -1), (-1, -1)),
    (LOWER, True): ((0, 0), (1, 0), (1, 1), (2, 1), (2, -1), (4, -1), (-1, -1)),
    (UPPER, False): ((2, -1), (4, -1), (-1, -1)),
    (UPPER, True): ((0, 0), (0, -1), (1, -1), (2, -1), (4, -1), (-1, -1)),
}
"""Pawn moves that the side that may be restricted has, and what it may lose, in the narrowest
scopes: by the mode and whether there are pieces; -1 for any number."""
_MOST_EXACT: Final = 20_000
"""Slices up to which everything is modelled at once."""
_WORTH: Final = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9}
_UNLIKELY: Final = 0.2
"""A question is unlikely to be answered with yes where nobody's chance of it is so much."""
_EXPECTED: Final = 0.5
"""A win that is so likely is asked about before all else."""
_FOR_UNLIKELY: Final = 1.0
"""Planned seconds that a step for such a question may take."""

Likely = tuple[float, float]
"""Chances, 0 to 1, that White and that Black wins a position: a guess, which proves nothing."""
Guess = Callable[[Sequence[chess.Board]], Sequence[Likely]]
"""Guesses at the chances of positions, in their order."""


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


def scopes_of(
    mode: int, limit: int, seconds: float = math.inf, *, pieces: bool = True
) -> list[Scope]:
    """Scopes from the narrowest to the widest, all with these bounds.

    Args:
        pieces: are there any beside kings and pawns?
    """
    white, black = (QUEEN_ONLY, ALL_KINDS) if mode == LOWER else (ALL_KINDS, QUEEN_ONLY)
    base = Scope(mode, _CAPS[0], white, black, limit=limit, seconds=seconds)
    # Whoever is to win needs a new queen; to hold a position none is needed, where each of the
    # other side's that cannot be taken at once counts as a win.
    if mode == LOWER:
        least = replace(base, black_promotions=_NONE)
    else:
        least = replace(base, caps=(0,), counted=int(pieces))
    scopes = [replace(least, budget=b, losses=most) for b, most in _LEAST[mode, pieces]]
    if mode == UPPER:
        scopes.append(replace(base, white_promotions=_NONE))
    scopes += [replace(base, caps=caps) for caps in _CAPS]
    scopes.append(
        replace(base, caps=_CAPS[-1], white_promotions=ALL_KINDS, black_promotions=ALL_KINDS)
    )
    return scopes


@dataclass(frozen=True)
class ProofQuestion:
    """Does ``colour`` win, at least (``LOWER``) or at most (``UPPER``)?

    Attributes:
        most: planned seconds that a step for it may take.
    """

    colour: chess.Color
    mode: int
    most: float = math.inf


def questions_by_men(boards: Sequence[chess.Board]) -> list[ProofQuestion]:
    """All four questions, those first that are most likely to settle something, by the men."""
    balance = sum(
        worth * (len(b.pieces(t, True)) - len(b.pieces(t, False)))
        for b in boards[:1]
        for t, worth in _WORTH.items()
    )
    strong = balance >= 0
    if balance == 0:
        order = [(True, UPPER), (False, UPPER), (True, LOWER), (False, LOWER)]
    else:
        order = [(strong, LOWER), (not strong, UPPER), (strong, UPPER), (not strong, LOWER)]
    return [ProofQuestion(colour, mode) for colour, mode in order]


def questions_by_chances(chances: Sequence[Likely]) -> list[ProofQuestion]:
    """All four questions of positions with such chances, the likeliest first.

    A win that is proved answers both of its colour and of the other, so it comes first where it is
    as likely as not.  What is likely for none of the positions gets cheap steps alone.
    """
    asked = []
    for colour in chess.COLORS:
        wins = [chance[0 if colour else 1] for chance in chances]
        for mode, best in ((LOWER, max(wins)), (UPPER, 1.0 - min(wins))):
            most = math.inf if best >= _UNLIKELY else _FOR_UNLIKELY
            first = mode == LOWER and best >= _EXPECTED
            asked.append((not first, -best, ProofQuestion(colour, mode, most)))
    return [question for _, _, question in sorted(asked, key=lambda one: one[:2])]
