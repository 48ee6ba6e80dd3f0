"""The Review of one game, and what it is made of."""

from __future__ import annotations

from dataclasses import dataclass, field

from convert.model.deciding import Deciding, Finished
from convert.model.experience import Practice, RuleFigure, Speaking, Suspicion
from convert.model.trades import Alternative, Decision, Trade
from convert.model.verdict import Line, Side, Verdict, move_label
from tablebases.values import Outcome

SCHEMA = 1


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
class Review:
    """The whole review of one game.

    ``ending_ply``: the ply after which the side under review was winning for
    certain, or clearly better, or, failing that, after which the last phase
    stood; ``ending_rules`` speak in that position; ``practice`` tells what became of other
    games with the material of that phase.  ``deciding``: where the outcome changed last, None where
    nothing changed.  ``turning``: from which ply on the outcome is proved and the same to the end,
    where knowledge begins, not why.  ``comment`` is what the game's
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
    deciding: Deciding | None = None
    finished: Finished | None = None

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

    def verdict_at(self, ply: int, side: Side) -> Verdict:
        """The verdict on the position after ``ply`` (0: the start), for ``side``."""
        verdict = self.plies[ply - 1].verdict if ply else self.start_verdict
        return verdict.for_side(side)

    def phase_at(self, ply: int) -> Phase:
        """The phase to which the position after ``ply`` belongs."""
        there = (phase for phase in self.phases if phase.first <= ply <= phase.last)
        return next(there, self.phases[-1])

    def scored(self, side: Side) -> int | None:
        """1, 0 or -1 for ``side`` as the game ended, None when no result is recorded."""
        white = {"1-0": 1, "0-1": -1, "1/2-1/2": 0}.get(self.result)
        return white if white is None or side is Side.WHITE else -white

    def label_at(self, ply: int, mark: str = "") -> str:
        """The move played at ``ply`` with its number: ``44.Rxd6``."""
        record = self.plies[ply - 1]
        return move_label(record.number, record.side, record.san) + mark

    def number_label(self, ply: int) -> str:
        """The move number at ``ply``: ``44`` or ``44...``."""
        record = self.plies[ply - 1]
        return f"{record.number}" if record.side is Side.WHITE else f"{record.number}..."
