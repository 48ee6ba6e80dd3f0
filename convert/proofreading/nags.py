"""What the NAGs of the PGN standard (section 10) are read as.

Only those that say something of a result, of a side's chances or of a move are read; the others,
and all above $139, which the standard does not have, are passed over.
"""

from __future__ import annotations

from dataclasses import dataclass

from convert.model import Side
from convert.model.findings import Kind


@dataclass(frozen=True)
class NagMeaning:
    """A NAG: its name in the standard, what it is read as, and what is checked.

    ``low`` and ``high`` are points for ``side`` (for White where that is None).  ``side`` None of
    a statement about a move: the side that made it.
    """

    number: int
    name: str
    kind: Kind
    reading: str
    side: Side | None = None
    low: int | None = None
    high: int | None = None


_W, _B = Side.WHITE, Side.BLACK

_KEEPS = "{move} keeps the result"
_COSTS = "{move} worsens the result"
_DRAWN = "the position is drawn"
_ONLY = "only {move} keeps the result"

NAGS: dict[int, NagMeaning] = {
    meaning.number: meaning
    for meaning in (
        NagMeaning(1, "good move", Kind.GOOD, _KEEPS),
        NagMeaning(2, "poor move", Kind.POOR, _COSTS),
        NagMeaning(3, "very good move", Kind.GOOD, _KEEPS),
        NagMeaning(4, "very poor move", Kind.POOR, _COSTS),
        NagMeaning(5, "speculative move", Kind.UNCLEAR, "no claim about the result"),
        NagMeaning(6, "questionable move", Kind.DOUBTFUL, "{move} may worsen the result"),
        NagMeaning(7, "forced move", Kind.ONLY, _ONLY),
        NagMeaning(8, "singular move", Kind.ONLY, _ONLY),
        NagMeaning(9, "worst move", Kind.POOR, _COSTS),
        NagMeaning(10, "drawish position", Kind.RESULT, _DRAWN, None, 0, 0),
        NagMeaning(11, "equal chances, quiet position", Kind.RESULT, _DRAWN, None, 0, 0),
        NagMeaning(12, "equal chances, active position", Kind.RESULT, _DRAWN, None, 0, 0),
        NagMeaning(13, "unclear position", Kind.UNCLEAR, "no claim about the result"),
        NagMeaning(14, "White: slight advantage", Kind.ADVANTAGE, "White is better", _W),
        NagMeaning(15, "Black: slight advantage", Kind.ADVANTAGE, "Black is better", _B),
        NagMeaning(16, "White: moderate advantage", Kind.ADVANTAGE, "White is better", _W),
        NagMeaning(17, "Black: moderate advantage", Kind.ADVANTAGE, "Black is better", _B),
        NagMeaning(18, "White: decisive advantage", Kind.RESULT, "White wins", _W, 1, 1),
        NagMeaning(19, "Black: decisive advantage", Kind.RESULT, "Black wins", _B, 1, 1),
        NagMeaning(20, "White: crushing advantage", Kind.RESULT, "White wins", _W, 1, 1),
        NagMeaning(21, "Black: crushing advantage", Kind.RESULT, "Black wins", _B, 1, 1),
        NagMeaning(22, "White in zugzwang", Kind.ZUGZWANG, "White is in zugzwang", _W),
        NagMeaning(23, "Black in zugzwang", Kind.ZUGZWANG, "Black is in zugzwang", _B),
    )
}
"""NAGs that are read, by number."""
