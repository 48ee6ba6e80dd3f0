"""Longest wins of the three- and four-man endings, so that a distance need not be read.

If even the longest win of an ending fits into what the fifty-move rule leaves, a won position is
won and the distance table can stay closed: the way to the next zeroing move is never longer than
the way to mate. The figures are plies to mate with best play, for whichever side wins, plus one;
they come from an independent retrograde generator (no castling; see tests/data/endings.json,
where the published values they agree with stand with their sources).
"""

from __future__ import annotations

from typing import Final

LONGEST_WIN: Final[dict[str, int]] = {
    "KQvK": 21,
    "KRvK": 33,
    "KBvK": 1,
    "KNvK": 1,
    "KPvK": 57,
    "KQvKR": 71,
    "KQvKB": 35,
    "KQvKN": 43,
    "KQvKQ": 26,
    "KRvKR": 39,
    "KRvKN": 81,
    "KRvKB": 59,
    "KBvKB": 2,
    "KBvKN": 2,
    "KNvKN": 2,
    "KBBvK": 39,
    "KBNvK": 67,
    "KNNvK": 2,
    "KQvKP": 58,
    "KRvKP": 86,
    "KBvKP": 58,
    "KNvKP": 58,
    "KPvKP": 67,
    "KQRvK": 33,
    "KRRvK": 33,
    "KRBvK": 33,
    "KRNvK": 33,
    "KRPvK": 57,
    "KQBvK": 21,
    "KBPvK": 63,
    "KQNvK": 21,
    "KNPvK": 57,
    "KQQvK": 21,
    "KQPvK": 57,
    "KPPvK": 65,
}
"""Normal name of the material -> no win takes more plies than this, from any position."""
