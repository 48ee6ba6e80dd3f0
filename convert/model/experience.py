"""What experience says: rules of thumb with their figures, and what became of other games."""

from __future__ import annotations

from dataclasses import dataclass

from convert.model.verdict import Side


@dataclass(frozen=True)
class RuleFigure:
    """How often a rule of thumb was right where it was tried on settled endings.

    ``kind``: of the rule, ``position`` or ``trade``.  ``origin``: ``games`` (endings from games)
    or ``random`` (drawn uniformly from material classes).  ``n`` trials, the share ``right`` of
    them, ``low`` and ``high`` the ends of its 95% interval; ``base`` is the share where the rule
    does not speak, None where there was nothing to compare with.  ``standing``: ``holds`` (surely
    above the base), ``no better``, ``refuted`` or ``no base``.
    """

    kind: str
    origin: str
    n: int
    right: float
    low: float
    high: float
    base: float | None
    standing: str


@dataclass(frozen=True)
class Speaking:
    """A rule of thumb that speaks in a position or for a decision.

    ``side`` is the side it helps (None: it speaks for a draw).  ``favours`` is
    given for trades: True for making it, False against.  ``strength`` is a judgement, above 0
    and at most 3; 0 for a rule that is not yet counted, which comes last.  ``figure``: how often
    it holds, None where that is not measured.
    """

    rule: str
    name: str
    statement: str
    source: str
    side: Side | None
    strength: float
    detail: str
    favours: bool | None = None
    figure: RuleFigure | None = None


@dataclass(frozen=True)
class Suspicion:
    """When a move is suspected, and how far that may be trusted.

    A move is suspected when the chance to win, or not to lose, of the best move exceeds its own by
    ``threshold`` or more, and its expected score by ``better``, both looked at alike.
    ``precision``: share of the ``suspected`` moves of ``games`` games that a search a hundred
    times the size suspects too (``low`` to ``high``: 95% interval); None if it was not counted.
    """

    threshold: float
    better: float
    precision: float | None
    low: float
    high: float
    suspected: int
    games: int


@dataclass(frozen=True)
class PracticeRow:
    """Results of games between players of a band of ratings: ``n`` games in all.

    ``won`` and ``lost`` are for the side that `Practice` names; where it names none, ``won``
    counts the games that either side won, and ``lost`` is 0.
    """

    band: str
    n: int
    won: int
    drawn: int
    lost: int


@dataclass(frozen=True)
class Practice:
    """What became of games with the same material: counts, no verdict and no probability.

    ``material`` in words, ``side`` (of the position at hand) the one that they name first,
    None where both have the same, man for man.  ``all`` counts all games, ``bands`` those
    of each band of the mean of both ratings, where they are enough.  ``band`` is the one
    of the reviewed game's own players, None if their ratings are not known; ``ply``: after
    which the material stood in that game, None for a position without a game.
    """

    material: str
    side: Side | None
    all: PracticeRow
    bands: tuple[PracticeRow, ...]
    band: str | None = None
    ply: int | None = None
