"""What proofreading finds: frozen dataclasses that reports take, to and from plain values.

Results are counted in points for a named side: 1 win, 0 draw, -1 loss, under the fifty-move rule.
A *ply* is counted from 1 for the first move of the record, along the line that a place is in.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from convert.model import Line, Side, Verdict

PROOF_SCHEMA = 1


class Status(StrEnum):
    """What became of a statement."""

    REFUTED = "refuted"
    STRONGER = "stronger than known"
    CONFIRMED = "confirmed"
    OPEN = "not checkable"


class Kind(StrEnum):
    """What a statement is about.

    ``result``: the result with best play lies in an interval; ``advantage``: a side is better;
    ``unclear``: nothing is claimed; ``good``, ``poor``, ``doubtful``: a move keeps or worsens the
    result; ``only``: no other move keeps it; ``spoils``: a move worsens it from a named result;
    ``zugzwang`` and ``mutual zugzwang``: having to move costs the result; ``must trade`` and ``must
    not trade``: so does not trading, or trading; ``trade``: what trading leads to.
    """

    RESULT = "result"
    ADVANTAGE = "advantage"
    UNCLEAR = "unclear"
    GOOD = "good"
    POOR = "poor"
    DOUBTFUL = "doubtful"
    ONLY = "only"
    SPOILS = "spoils"
    ZUGZWANG = "zugzwang"
    MUTUAL = "mutual zugzwang"
    MUST_TRADE = "must trade"
    MUST_NOT_TRADE = "must not trade"
    TRADE = "trade"


class Written(StrEnum):
    """How a statement stands in the file."""

    NAG = "nag"
    WORDS = "words"


class Slot(StrEnum):
    """Where a comment stands: before the game's first move, before or after a move."""

    START = "start"
    BEFORE = "before"
    AFTER = "after"


@dataclass(frozen=True)
class Place:
    """Where in the game's tree a statement stands.

    Attributes:
        path: at each step from the start which of the moves is taken, 0 the line's own move.
        slot: on which side of the move at the end of the path.
        label: that move with its number, ``34...Kf7``; "start" before the first move.
        branch: in a variation the moves from where it leaves the main line, with numbers, else "".
    """

    path: tuple[int, ...]
    slot: Slot
    label: str
    branch: str = ""

    @property
    def ply(self) -> int:
        """Plies from the start of the record, 0 before the first move."""
        return len(self.path)


@dataclass(frozen=True)
class Statement:
    """One thing that the annotator says.

    Attributes:
        place: where it stands.
        written: as a NAG or in words.
        quote: the author's own words, or ``$18``.
        kind: what it is about.
        side: the side it is about: that which wins, is better, moves, trades; None if neither.
        low: least result claimed, in points for ``side`` (for White where that is None); None where
            no result is claimed.
        high: best result claimed.
        fen: the position it speaks of; for a statement about a move the position before it.
        via: moves in SAN that lead from the place to that position, where the words name some.
        san: the move it speaks of; "" if none.
        piece: kind of man that is to be traded, as ``rook``; "" any piece.
        reading: what was understood, as a clause: ``White wins``.
        why: why it cannot be checked at all; "" if it can.
        last: it stands at the last move of the game and may tell how that ended.
    """

    place: Place
    written: Written
    quote: str
    kind: Kind
    side: Side | None
    low: int | None
    high: int | None
    fen: str
    via: tuple[str, ...] = ()
    san: str = ""
    piece: str = ""
    reading: str = ""
    why: str = ""
    last: bool = False


@dataclass(frozen=True)
class Finding:
    """A statement held against what is known.

    Attributes:
        statement: what the author says.
        status: what became of it.
        text: what is known, as one or more sentences, with the evidence.
        verdict: what is known of the position (or, for a statement about a move, of the position
            after it), never an estimate; None where nothing is.
        line: moves that show it; None where there are none to show.
    """

    statement: Statement
    status: Status
    text: str
    verdict: Verdict | None = None
    line: Line | None = None


@dataclass(frozen=True)
class Unread:
    """A sentence of the author's in which no statement was found, with the place of its comment."""

    place: Place
    text: str


@dataclass(frozen=True)
class Proof:
    """All findings of one game, and the sentences not read, in the order of its text."""

    file: str
    number: int
    line: int
    tags: dict[str, str]
    complete: bool
    problems: tuple[str, ...]
    findings: tuple[Finding, ...]
    unread: tuple[Unread, ...] = ()

    @property
    def title(self) -> str:
        """``White - Black, Event, Date`` as far as the tags say."""
        names = f"{self.tags.get('White', '?')} - {self.tags.get('Black', '?')}"
        rest = (self.tags.get(key, "?") for key in ("Event", "Date"))
        return ", ".join([names, *(value for value in rest if value and value[0] != "?")])


def count(findings: Iterable[Finding]) -> dict[Status, int]:
    """How many findings there are of each status, in a fixed order."""
    counts = Counter(finding.status for finding in findings)
    return {status: counts[status] for status in Status}


def to_builtins(proof: Proof) -> dict[str, Any]:
    """A game's findings as plain dictionaries, lists, strings and numbers."""
    import msgspec

    data: dict[str, Any] = msgspec.to_builtins(proof)
    return {**data, "counts": {str(s): n for s, n in count(proof.findings).items()}}
