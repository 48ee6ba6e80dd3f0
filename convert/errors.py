"""Errors of the review's own; each says in one line what is wrong.

::

    Exception
    └── JudgeError          a judge from outside cannot be loaded, or fails
    tablebases.errors.Contradiction
    └── Disagreement        two judges, or a position and its moves, exclude each other
"""

from __future__ import annotations

from convert.model import Verdict
from tablebases.errors import Contradiction
from tablebases.values import Outcome

__all__ = ["Disagreement", "JudgeError"]


class JudgeError(Exception):
    """A judge that another package brings, or the caller gave, cannot be used.

    Attributes:
        judge: its name.
        reason: what is wrong, in one line.
    """

    def __init__(self, judge: str, reason: str) -> None:
        super().__init__(judge, reason)
        self.judge = judge
        self.reason = reason

    def __str__(self) -> str:
        return f"judge {self.judge}: {self.reason}"


class Disagreement(Contradiction):
    """Two judges, or a position and its moves, prove results that exclude each other.

    One of them is wrong, and which is not known: nothing is told of the position.

    Attributes:
        fen: the position.
        first, second: who disagree.
        one, other: what each proves, for the same side.
        beside: judges of other packages that had a say: ``solver`` may stand for one of them.
    """

    def __init__(
        self,
        fen: str,
        first: str,
        one: Verdict,
        second: str,
        other: Verdict,
        beside: tuple[str, ...] = (),
    ) -> None:
        other = other.for_side(one.side)
        super().__init__(fen, (first, second), (_interval(one), _interval(other)))
        self.first = first
        self.one = one
        self.second = second
        self.other = other
        self.beside = beside

    def __reduce__(self) -> tuple[object, ...]:
        """Made again from what it was made of, in another process."""
        return type(self), (self.fen, self.first, self.one, self.second, self.other, self.beside)

    def __str__(self) -> str:
        side = self.one.side.name_
        return (
            f"the judges {self.first} and {self.second} disagree about {self.fen} (for {side}: "
            f"{self.claims[0]} against {self.claims[1]}); {self._whom()}please report it"
        )

    def _whom(self) -> str:
        if not self.beside:
            return ""
        return f"of other packages {', '.join(self.beside)} had a say; "


def _interval(verdict: Verdict) -> str:
    if verdict.low is verdict.high:
        return verdict.low.word
    if verdict.high is Outcome.WIN:
        return f"{verdict.low.word} at least"
    if verdict.low is Outcome.LOSS:
        return f"{verdict.high.word} at most"
    return f"{verdict.low.word} to {verdict.high.word}"
