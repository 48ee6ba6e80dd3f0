"""The Review and all it holds: frozen dataclasses, to and from JSON.

Everything a report prints comes from here; reports never ask a judge.  All
values are plain (strings, numbers, tuples), so a Review written as JSON and
read back equals the original.

Conventions used throughout:

* a *ply* is counted from 1 for the first move of the game record (a game that
  starts from a FEN starts at ply 1 too); ply 0 is the starting position;
* outcomes are Syzygy's five values, for the side named beside them:
  2 win, 1 cursed win, 0 draw, -1 blessed loss, -2 loss;
* probabilities lie in 0..1 and are for the side named beside them;
* distances are plies to the next capture, pawn move or mate.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

import chess

from tablebases.values import Outcome

SCHEMA = 1
POSITION_SCHEMA = 1


class Side(StrEnum):
    """A player, by colour."""

    WHITE = "white"
    BLACK = "black"

    @property
    def color(self) -> chess.Color:
        """python-chess's boolean for this side."""
        return self is Side.WHITE

    @property
    def other(self) -> Side:
        """The opponent."""
        return Side.BLACK if self is Side.WHITE else Side.WHITE

    @property
    def name_(self) -> str:
        """``White`` or ``Black``, for sentences."""
        return self.value.capitalize()

    @classmethod
    def of(cls, color: chess.Color) -> Side:
        """The side for python-chess's boolean."""
        return cls.WHITE if color else cls.BLACK


class Evidence(StrEnum):
    """How an outcome is known, strongest first."""

    RULES = "rules"
    TABLE = "table"
    SOLVED = "solved"
    BOUNDED = "bounded"
    ESTIMATE = "estimate"


class Grade(StrEnum):
    """What became of the outcome at a decision that belongs to a trade."""

    NEEDED = "needed"
    RIGHT = "right"
    HARMLESS = "harmless"
    WRONG = "wrong"
    MISSED = "missed"
    IN_FAVOUR = "in favour"
    AGAINST = "against"
    EVEN = "even"


class Part(StrEnum):
    """Which decision of a trade is judged."""

    OFFER = "offer"
    START = "start"
    RECAPTURE = "recapture"
    DECLINE = "decline"


@dataclass(frozen=True)
class Verdict:
    """The lowest and highest outcome still possible for ``side``.

    ``win`` and ``loss`` are probabilities for ``side`` with good play by both,
    given where ``low`` and ``high`` differ; they are estimates, ``measured``
    says whether their weights were fitted to outcomes.  ``distance`` (plies,
    never negative) and ``rounded`` (it may be one ply more) are given where a
    table told them.  ``via`` is the line, in SAN, that leads to the positions
    that settle the outcome when the position itself is in no table.
    """

    side: Side
    low: Outcome
    high: Outcome
    evidence: Evidence
    win: float | None = None
    loss: float | None = None
    distance: int | None = None
    rounded: bool = False
    via: tuple[str, ...] = ()
    measured: bool = False

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError(f"verdict with low {self.low} above high {self.high}")

    @property
    def exact(self) -> bool:
        """True when only one result (under the fifty-move rule) is left."""
        return self.low.points == self.high.points

    @property
    def points(self) -> int | None:
        """1 win, 0 draw, -1 loss for ``side`` when exact, else None."""
        return self.low.points if self.exact else None

    @property
    def expected(self) -> float:
        """Expected score for ``side``: 1 win, 0.5 draw, 0 loss."""
        if self.exact:
            return (self.low.points + 1) / 2
        win, loss = self.win or 0.0, self.loss or 0.0
        return win + (1.0 - win - loss) / 2

    @property
    def win_probability(self) -> float:
        """Probability that ``side`` wins; 0 or 1 when exact."""
        if self.exact:
            return 1.0 if self.low.points > 0 else 0.0
        return self.win or 0.0

    @property
    def loss_probability(self) -> float:
        """Probability that ``side`` loses; 0 or 1 when exact."""
        if self.exact:
            return 1.0 if self.low.points < 0 else 0.0
        return self.loss or 0.0

    def for_side(self, side: Side) -> Verdict:
        """The same verdict, told for ``side``."""
        if side is self.side:
            return self
        return replace(
            self,
            side=side,
            low=self.high.opposite,
            high=self.low.opposite,
            win=self.loss,
            loss=self.win,
        )


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
    given for trades: True for making it, False against.  ``figure``: how often it
    holds, None where that is not measured.
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
class Line:
    """A line of moves in SAN, played from ``fen``, with what it ends in."""

    fen: str
    moves: tuple[str, ...]
    ends: str = ""


@dataclass(frozen=True)
class Sideline:
    """A variation of the game's author, played from ``fen``.

    ``comments`` has one item more than ``moves``: the first stands before the first
    move, each other one behind its move; ``nags`` has one item a move.  A variation
    within a variation follows the one it belongs to, with a greater ``depth`` (from 1).
    """

    fen: str
    moves: tuple[str, ...]
    comments: tuple[str, ...]
    nags: tuple[tuple[int, ...], ...] = ()
    depth: int = 1


@dataclass(frozen=True)
class PlyRecord:
    """One ply as played and the verdict on the position after it (for White).

    ``comment`` is what the game's author wrote behind the move, ``nags`` the numbers
    of his annotation glyphs (PGN standard, section 10), ``sidelines`` his variations
    in place of the move; all as they stand in the file.
    """

    ply: int
    number: int
    side: Side
    san: str
    uci: str
    clock: int
    verdict: Verdict
    capture: bool = False
    comment: str = ""
    nags: tuple[int, ...] = ()
    sidelines: tuple[Sideline, ...] = ()


@dataclass(frozen=True)
class Phase:
    """A stretch of the game with one material balance, plies inclusive.

    ``first`` 0 means the starting position; the captures that lead to a balance
    belong to it, ``since`` is the ply after which it stood.  ``ahead`` is the side that has
    more, None when level.  ``name`` tells the balance, side ahead first;
    ``edge`` only what the side ahead has more ("the exchange up for a pawn").
    """

    first: int
    last: int
    since: int
    material: str
    name: str
    edge: str
    ahead: Side | None
    men: int


@dataclass(frozen=True)
class Alternative:
    """A move that could have been played, and what it leads to (for its player)."""

    san: str
    uci: str
    verdict: Verdict
    trade: bool
    line: Line | None = None


@dataclass(frozen=True)
class Decision:
    """One decision that belongs to a trade, judged for the player who took it.

    ``difference``: expected score of the move played minus that of the best
    move of the other kind (not trading, or trading when a trade was declined),
    given with an estimate only.
    """

    part: Part
    ply: int
    side: Side
    san: str
    grade: Grade
    before: Verdict
    after: Verdict
    best: Alternative | None = None
    difference: float | None = None
    rules: tuple[Speaking, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class PieceGiven:
    """A piece that left the board in a trade, and what it had been doing."""

    side: Side
    piece: str
    square: str
    ply: int
    activity: str = ""
    detail: str = ""


@dataclass(frozen=True)
class Trade:
    """Captures on consecutive plies in which both sides lost material.

    ``offered_by`` is the side whose move first brought the two pieces into
    contact, ``offered_ply`` when; ``began_by`` the side that captured first.
    ``before``/``after`` are verdicts for the side under review, on the position
    before the first and after the last capture.
    """

    first: int
    last: int
    moves: tuple[str, ...]
    name: str
    white_gave: tuple[str, ...]
    black_gave: tuple[str, ...]
    offered_by: Side | None
    offered_ply: int | None
    began_by: Side
    recaptures: tuple[str, ...]
    fen: str
    before: Verdict
    after: Verdict
    decisions: tuple[Decision, ...]
    pieces: tuple[PieceGiven, ...]
    balance_before: str
    balance_after: str
    liquidation: bool = False
    aftermath: str = ""


@dataclass(frozen=True)
class Slip:
    """A move after which the best result its player can force is worse.

    ``certain`` where the verdicts before and after do not overlap, else it is
    only suspected, by the estimate.  ``held``: moves that kept the result (at
    most six); ``complete``: it is certain of all other moves that they did not.
    ``shown`` a line after the first of them, ``refuted`` best play
    after the slip; ``rules`` speak in the position before it, ``rules_after`` after
    ``rules_after_ply``, the first position from it on in which a rule agrees with
    the result while that lasted.
    """

    ply: int
    side: Side
    san: str
    fen: str
    certain: bool
    before: Verdict
    after: Verdict
    held: tuple[Alternative, ...]
    complete: bool
    shown: Line | None
    refuted: Line | None
    rules: tuple[Speaking, ...] = ()
    rules_after: tuple[Speaking, ...] = ()
    rules_after_ply: int | None = None
    handed_back: int | None = None
    missed_trade: str | None = None
    by_trade: bool = False


@dataclass(frozen=True)
class Suspicion:
    """How far suspected slips may be trusted, counted where the outcomes were hidden.

    A move is suspected when the player's chance to win, or not to lose, falls by ``threshold`` or
    more and another move looks better by ``better`` or more of expected score.
    ``precision``: share of suspected moves that were slips
    (``low`` to ``high``: 95% interval), ``recall``: share of the slips that were suspected; both
    of ``moves`` in endings of five to seven men that were not fitted to.
    """

    threshold: float
    better: float
    precision: float
    low: float
    high: float
    recall: float
    suspected: int
    moves: int


@dataclass(frozen=True)
class OnlyMove:
    """The one move that kept the outcome for its player, found or missed."""

    ply: int
    side: Side
    san: str
    played: str
    kept: Outcome
    found: bool


@dataclass(frozen=True)
class Technique:
    """How the winning side went about it once the outcome was exact.

    ``moves`` counts its moves while its win was exact; ``wasted`` those after
    which the next capture, pawn move or mate was at least two plies further off
    than it had to be (three where the table rounds), ``wasted_plies`` the sum.
    ``closest_clock`` is the highest halfmove clock (plies) seen in the exact
    part, at ``closest_ply``.
    ``spare`` is the smallest number of plies left to the fifty-move limit that
    the win still had in hand.  ``repeated`` counts positions that stood before.
    """

    side: Side
    first: int
    last: int
    moves: int
    wasted: int
    wasted_plies: int
    worst_ply: int | None
    closest_clock: int
    closest_ply: int
    spare: int | None
    repeated: int
    rounded: bool


@dataclass(frozen=True)
class Lesson:
    """One principle the game shows, with where it shows it.

    ``rule`` is the rule of thumb that it is, if it is one, ``figure`` how often that holds.
    """

    principle: str
    source: str
    shown: str
    rule: str | None = None
    figure: RuleFigure | None = None


@dataclass(frozen=True)
class Counts:
    """What the review cost and what its verdicts rest on.

    ``positions`` were on the board; ``judged`` is every position judged, each
    once, by the evidence that settled it.  Probes are table look-ups.
    """

    positions: int
    judged: int
    by_evidence: dict[str, int] = field(default_factory=dict)
    wdl_probes: int = 0
    dtz_probes: int = 0
    look_ahead_nodes: int = 0


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


@dataclass(frozen=True)
class Review:
    """The whole review of one game.

    ``ending_ply``: the ply after which the side under review was winning for
    certain, or clearly better, or, failing that, after which the last phase
    stood; ``ending_rules`` speak in that position; ``practice`` tells what became of other
    games with the material of that phase.  ``comment`` is what the game's
    author wrote before the first move.
    """

    schema: int
    program: str
    file: str
    number: int
    line: int
    tags: dict[str, str]
    start_fen: str
    result: str
    side: Side
    side_chosen: str
    complete: bool
    problems: tuple[str, ...]
    start_verdict: Verdict
    plies: tuple[PlyRecord, ...]
    phases: tuple[Phase, ...]
    trades: tuple[Trade, ...]
    declined: tuple[Decision, ...]
    slips: tuple[Slip, ...]
    only_moves: tuple[OnlyMove, ...]
    technique: Technique | None
    ending_ply: int | None
    ending_rules: tuple[Speaking, ...]
    simplification: int | None
    turning: int | None
    story: tuple[str, ...]
    teach: tuple[Lesson, ...]
    counts: Counts
    comment: str = ""
    suspicion: Suspicion | None = None
    practice: Practice | None = None

    @property
    def title(self) -> str:
        """``White - Black, Event, Date`` as far as the tags say."""
        white = self.tags.get("White", "?")
        black = self.tags.get("Black", "?")
        rest = [
            self.tags[key]
            for key in ("Event", "Date")
            if self.tags.get(key) and not self.tags[key].startswith("?")
        ]
        return ", ".join([f"{white} - {black}", *rest])


@dataclass(frozen=True)
class MoveRow:
    """A legal move and the verdict after it, for the side that makes it."""

    san: str
    uci: str
    verdict: Verdict
    trade: bool
    capture: bool


@dataclass(frozen=True)
class TradeOption:
    """A trade on the board: its first capture, and what it leads to with best play."""

    san: str
    uci: str
    verdict: Verdict
    balance: str
    line: Line | None


@dataclass(frozen=True)
class Variant:
    """The position with one thing changed, judged for the same side.

    ``kind``: ``move``, ``king``, ``pawn``, ``shift`` or ``pair``; ``changes``
    says whether the outcome differs from that of the position itself.
    """

    kind: str
    what: str
    fen: str
    verdict: Verdict
    changes: bool


@dataclass(frozen=True)
class PositionReport:
    """Everything ``fullpoint position`` says of one position.

    ``verdict`` is for the side to move; ``notes`` are remarks on the input; ``practice``
    tells what became of games with the same material.
    """

    schema: int
    fen: str
    notes: tuple[str, ...]
    to_move: Side
    verdict: Verdict
    balance: str
    moves: tuple[MoveRow, ...]
    left_out: int
    trades: tuple[TradeOption, ...]
    rules: tuple[Speaking, ...]
    variants: tuple[Variant, ...]
    line: Line | None
    practice: Practice | None = None


def move_label(number: int, side: Side, san: str) -> str:
    """A move with its number as in print: ``34.Rd6`` or ``34...Kf7``."""
    return f"{number}.{san}" if side is Side.WHITE else f"{number}...{san}"


def to_builtins(report: Review | PositionReport) -> dict[str, Any]:
    """A report as plain dictionaries, lists, strings and numbers."""
    import msgspec

    data: dict[str, Any] = msgspec.to_builtins(report)
    return data


def to_json(review: Review) -> bytes:
    """The Review as JSON (UTF-8, two-space indent, one trailing newline)."""
    import msgspec

    return msgspec.json.format(msgspec.json.encode(review), indent=2) + b"\n"


def from_json(data: bytes | str) -> Review:
    """Read a Review back.

    Raises:
        ValueError: not JSON, another schema number, or not this shape.
    """
    import msgspec

    try:
        number = msgspec.json.decode(data, type=_SchemaOnly).schema
        if number != SCHEMA:
            raise ValueError(f"schema {number}, this version reads {SCHEMA}")
        return msgspec.json.decode(data, type=Review)
    except msgspec.MsgspecError as err:
        raise ValueError(str(err)) from err


def json_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of what :func:`to_json` writes."""
    import msgspec

    return msgspec.json.schema(Review)


@dataclass(frozen=True)
class _SchemaOnly:
    schema: int
