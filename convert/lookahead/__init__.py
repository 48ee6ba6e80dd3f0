"""Look-ahead: forcing play is resolved before anything is estimated.

:mod:`convert.lookahead.search` plays captures, promotions, checks and answers
to threats out to a quiet position; :mod:`convert.lookahead.proof` looks for
short lines that settle a position by tables whatever the other side does.
Both are bounded by nodes, never by time, so results repeat.
"""

from convert.lookahead.proof import Proof, prove
from convert.lookahead.search import Resolution, resolve

__all__ = ["Proof", "Resolution", "prove", "resolve"]
