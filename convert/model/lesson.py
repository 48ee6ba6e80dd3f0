"""A sheet of exercises: frozen dataclasses with plain values; reports read nothing else.

Moves are in SAN with the first move of an exercise numbered 1; verdicts are for the side to
move in the exercise, in its twin too; lines start from the FEN they carry.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from convert.model import Line, RuleFigure, Side, Verdict

SHEET_SCHEMA = 1


class Task(StrEnum):
    """What is asked.  ``trade`` and ``refuse`` ask the same question; the answers differ."""

    TRADE = "trade"
    REFUSE = "refuse"
    RECAPTURE = "recapture"
    ONLY = "only"
    RESULT = "result"


class Level(StrEnum):
    """Difficulty in three steps, by the points of :mod:`convert.lesson.difficulty`."""

    EASY = "easy"
    MEDIUM = "medium"
    HARD = "hard"


@dataclass(frozen=True)
class Tried:
    """A move in an exercise or its twin and what it leads to.

    ``verdict`` is for the side to move in the exercise; ``line`` starts with the move.
    """

    san: str
    uci: str
    verdict: Verdict
    line: Line | None = None


@dataclass(frozen=True)
class Twin:
    """The nearest position in which the same idea gives another result.

    ``change`` says what differs ("White's king on e3 instead of e4"); ``moved`` names the
    squares that differ; ``verdict`` is for the side to move in the exercise.  ``same`` is the
    move of the exercise played here (None where the other side is to move, or where only the
    result was asked for).  ``keep``: moves that reach the best result here, if there is
    anything to reach, at most six; ``kept`` how many there are.
    """

    fen: str
    kind: str
    change: str
    moved: tuple[str, ...]
    verdict: Verdict
    same: Tried | None
    keep: tuple[Tried, ...]
    kept: int
    line: Line | None
    difference: tuple[str, ...]


@dataclass(frozen=True)
class Exercise:
    """One exercise with everything that a sheet says of it.

    ``asked``: the trade that the question is about (TRADE and REFUSE).  ``keep``: moves that
    reach ``verdict``, the shown one first, at most six; ``kept`` counts them all, ``legal`` all
    legal moves.  ``wrong``: plausible moves that do not, the most tempting first, at most three.
    ``answer`` is the solution in sentences with its lines, ``remarks`` the same without lines.
    ``hints``: three steps, the idea (``hint``), the man, the move.  ``searched``: 0 where the
    answer is proved; else it is past proof, and so many positions were searched for it.
    ``alike``: what it is counted with (`convert.lesson.level`); so many players of the band met a
    move like it (``met``), and so many found it (``hit``), 0 where too few did for a level.
    ``points``: the sum of the difficulty's ``reasons``.  ``hint_rule``: the rule of thumb that
    gives the hint, empty if none does; ``hint_figure`` how often it holds.
    """

    ident: str
    theme: str
    task: Task
    fen: str
    side: Side
    question: str
    hint: str
    hint_source: str
    verdict: Verdict
    asked: Tried | None
    keep: tuple[Tried, ...]
    kept: int
    legal: int
    wrong: tuple[Tried, ...]
    answer: tuple[str, ...]
    remarks: tuple[str, ...]
    twin: Twin | None
    points: int
    level: Level
    reasons: tuple[str, ...]
    source: str
    tags: dict[str, str] = field(default_factory=dict)
    hint_rule: str = ""
    hint_figure: RuleFigure | None = None
    hints: tuple[str, ...] = ()
    searched: int = 0
    alike: str = ""
    met: int = 0
    hit: int = 0

    @property
    def shown(self) -> Tried | None:
        """The move of the solution: the first that keeps the result."""
        return self.keep[0] if self.keep else None


@dataclass(frozen=True)
class Sheet:
    """Exercises in the order in which they are to be solved, with how they were chosen."""

    schema: int
    program: str
    title: str
    intro: tuple[str, ...]
    exercises: tuple[Exercise, ...]
    notes: tuple[str, ...] = ()


#: What lines end in, as words; other endings stand for themselves.
ENDS = {
    "mate": "mate",
    "stalemate": "stalemate",
    "promotion": "the pawn promotes",
    "elementary": "only the mate is left",
    "no mating material": "neither side can mate",
    "held": "and so on",
    "so on": "and so on",
    "into the tables": "from here the tables know the result",
    "open": "and so on",
    "point": "",
    "": "",
}


def ends_words(line: Line) -> str:
    """What a line ends in, as a clause; empty where nothing need be said."""
    return ENDS.get(line.ends, line.ends)
