"""What a collection tells, as plain frozen data: counted from the dataset, read by the reports.

A share is never kept apart from the number it was counted on, and below :data:`ENOUGH` there is
no share at all.  Intervals are 95% after Wilson; where several things of one game are counted
(trades, slips) they are as wide as for so many independent ones (``convert.shares``).
"""

from __future__ import annotations

from dataclasses import dataclass

#: Grows when a key of the JSON document is removed or changes its meaning.
SUMMARY_SCHEMA = 2
#: Below this number counts are told, and no shares.
ENOUGH = 10


@dataclass(frozen=True)
class Share:
    """``count`` of ``n``; ``low`` and ``high`` end the 95% interval, None below ENOUGH."""

    count: int
    n: int
    low: float | None = None
    high: float | None = None

    @property
    def share(self) -> float | None:
        """The share in 0..1, None where the number is too small for one."""
        return None if self.low is None else self.count / self.n


@dataclass(frozen=True)
class Row:
    """One row: ``n`` things counted, in ``games`` games, and how they divide.

    ``shares`` are of ``n``, one a part of the table.  ``rest`` is the same row for all other
    players, where the summary is about one player.
    """

    label: str
    n: int
    games: int
    shares: tuple[Share, ...]
    rest: Row | None = None


@dataclass(frozen=True)
class Table:
    """Rows of one kind.  ``about`` says what is counted, ``unit`` what ``n`` is a number of.

    ``whole`` says that the parts make up the whole, so that they can be drawn as one bar.
    """

    id: str
    title: str
    about: str
    head: str
    unit: str
    parts: tuple[str, ...]
    rows: tuple[Row, ...]
    total: Row
    whole: bool = True


@dataclass(frozen=True)
class Facts:
    """What the collection is.

    ``games`` counts rows of games, each game once, ``duplicates`` the rows left out because
    the same game came before, ``complete`` those read to their end, ``reviewed`` those with
    verdicts, ``counted`` those that are counted here (all, or the player's).  ``errors`` counts
    remarks, ``fatal`` those for which there is no game to count.
    """

    files: int
    games: int
    complete: int
    reviewed: int
    counted: int
    errors: int
    fatal: int
    effort: str
    programs: tuple[str, ...]
    first_date: str
    last_date: str
    undated: int
    results: tuple[tuple[str, int], ...]
    duplicates: int = 0
    on_time: int = 0


@dataclass(frozen=True)
class Trouble:
    """One line of the errors: where, and why."""

    file: str
    number: int | None
    line: int | None
    reason: str
    fatal: bool


@dataclass(frozen=True)
class Moment:
    """A move of a game that is worth looking at.

    ``told``: what became of the result; ``fen`` is the position before the move, ``uci`` the move
    where it is known.
    """

    ply: int
    label: str
    side: str
    told: str
    fen: str
    uci: str = ""


@dataclass(frozen=True)
class Pick:
    """A game worth looking at, and why.

    ``page`` is the address of its own page, empty if there is none; ``more`` counts moments that
    are not among those kept.  ``offset`` is the byte in the unpacked file at which it begins,
    ``plies`` the length of the main line.
    """

    game: str
    file: str
    number: int | None
    offset: int
    plies: int
    white: str
    black: str
    result: str
    event: str
    date: str
    why: str
    moments: tuple[Moment, ...] = ()
    more: int = 0
    page: str = ""


@dataclass(frozen=True)
class WonPositions:
    """Positions won for certain, one a side and game, and what became of those that are counted.

    ``at_once`` were won within two moves and are not among ``counted``.  Of the counted ones
    ``won``, ``drawn``, ``lost`` (not on time) and ``on_time`` (lost on time) ended so, the rest
    has no result; ``slipped`` were let slip by a move at least once.
    """

    all: int
    at_once: int
    counted: int
    won: int
    drawn: int
    lost: int
    on_time: int
    slipped: int


@dataclass(frozen=True)
class Habit:
    """What one player does again and again, and what it cost.

    ``ident`` names the kind of mistake, ``kind`` the kind of ending where that is told apart.
    ``n`` times in ``games`` of ``of`` games; ``cost`` in points: for what is certain half a
    point from win to draw or draw to loss, a point from win to loss; where only the estimate
    suspects it (``certain`` False) the fall of the expected points.  ``others`` times in
    ``others_of`` games of all other players.
    """

    ident: str
    kind: str
    n: int
    games: int
    of: int
    cost: float
    certain: bool
    others: int
    others_of: int


@dataclass(frozen=True)
class Practised:
    """A player's endings with more material beside the counts of docs/measuring.md.

    ``games`` of the player's, of which ``won``, ``drawn`` and ``lost``, not on time;
    ``points`` scored; ``expected`` is what the same material gave, game by game, in
    ``counted`` games of players of the same band of ratings (all bands where that has too few).
    """

    games: int
    won: int
    drawn: int
    lost: int
    points: float
    expected: float
    counted: int


@dataclass(frozen=True)
class Summary:
    """All that the reports on a collection show.

    ``player`` is the one player it is about, empty for all; ``spellings`` under which the player
    stands in the files.  ``untold`` are remarks on what cannot be told, and why.  ``habits`` are
    the player's costliest, certain ones first; ``forfeits`` games in which a position won for
    certain was lost on time, the player's where there is one (``forfeits_more`` are not named).
    """

    schema: int
    folder: str
    player: str
    facts: Facts
    tables: tuple[Table, ...]
    pick_rule: str
    picks: tuple[Pick, ...]
    untold: tuple[str, ...]
    troubles: tuple[Trouble, ...]
    won: WonPositions | None = None
    spellings: tuple[str, ...] = ()
    habits: tuple[Habit, ...] = ()
    practised: Practised | None = None
    forfeits: tuple[Pick, ...] = ()
    forfeits_more: int = 0
