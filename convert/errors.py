"""Errors of the review's own; each says in one line what is wrong.

::

    tablebases.errors.TablebaseError
    └── Contradiction       two sources of certain knowledge exclude each other
"""

from __future__ import annotations

from convert.model import Verdict
from tablebases.errors import TablebaseError
from tablebases.values import Outcome

__all__ = ["Contradiction"]


class Contradiction(TablebaseError):
    """Two judges, or a position and its moves, prove results that exclude each other.

    One of them is wrong, and which is not known: nothing is told of the position.

    Attributes:
        fen: the position.
        first, second: who disagree.
        one, other: what each proves, for the same side.
    """

    def __init__(self, fen: str, first: str, one: Verdict, second: str, other: Verdict) -> None:
        super().__init__(fen, first, one, second, other)
        self.fen = fen
        self.first = first
        self.one = one
        self.second = second
        self.other = other.for_side(one.side)

    def __str__(self) -> str:
        side = self.one.side.name_
        return (
            f"the judges {self.first} and {self.second} disagree about {self.fen} (for {side}: "
            f"{_interval(self.one)} against {_interval(self.other)}); please report it"
        )


def _interval(verdict: Verdict) -> str:
    if verdict.low is verdict.high:
        return verdict.low.word
    if verdict.high is Outcome.WIN:
        return f"{verdict.low.word} at least"
    if verdict.low is Outcome.LOSS:
        return f"{verdict.high.word} at most"
    return f"{verdict.low.word} to {verdict.high.word}"
