"""The chain of judges: rules, tables, solver, lines into the tables, estimate.

Each judge may narrow what is still possible for the side to move; they are
asked in order of strength and the first to settle the position ends the
asking.  The solver stands between tables and lines; it answers for what it was
told to solve beforehand.  What is left open is looked at through the moves
(:mod:`convert.keeping`).  Every position is judged once per run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import chess

from convert.estimate import Chances, by_table_line, estimate, measured
from convert.features import Features, features
from convert.keeping import (
    Kept,
    Move,
    agreeing,
    backed_up,
    judge_word,
    narrowed,
    only_move,
    ordered,
    with_chances,
)
from convert.lookahead import prove, resolve
from convert.model import Evidence, Side, Verdict
from convert.rules import Voice, position_voices
from convert.solving import SolverJudge
from tablebases.errors import TablebaseError
from tablebases.probing import Prober
from tablebases.values import Distance, Outcome

UNKNOWN = (Outcome.LOSS, Outcome.WIN)
#: A line of positions with one legal move each is followed for so many plies at most.
MOST_FORCED = 16
#: After a move that leaves one reply, this is made and the moves after it are looked at: once.
FORCED_REPLIES = 1
#: With more men a side that is not in check has more than one move, as good as always; and the
#: solver's reach ends here.
MOST_MEN_WITHOUT_MOVES = 10


@dataclass(frozen=True)
class Effort:
    """How much work goes into what no table settles, all in positions looked at."""

    look_ahead_nodes: int
    proof_nodes: int
    proof_men: int
    proof_slack: int


class EffortName(StrEnum):
    """Named amounts of work."""

    QUICK = "quick"
    NORMAL = "normal"
    DEEP = "deep"


EFFORTS: dict[EffortName, Effort] = {
    EffortName.QUICK: Effort(60, 100, 6, 2),
    EffortName.NORMAL: Effort(500, 800, 7, 4),
    EffortName.DEEP: Effort(5000, 20_000, 8, 6),
}


class Judge(Protocol):
    """Says what it can prove of a position, for the side to move."""

    @property
    def name(self) -> str:
        """What a message calls the judge."""
        ...

    def judge(self, board: chess.Board) -> Verdict | None:
        """A verdict for the side to move, None when there is nothing to say."""
        ...


class RulesJudge:
    """Game over by the Laws of Chess.

    Checkmate, stalemate and dead position (FIDE Laws, articles 5.1.1, 5.2.1,
    5.2.2: here, bare material that can never mate).  With 100 plies gone
    without capture or pawn move the player having the move may claim a draw
    (9.3), so he has that at least; after 150 the game is drawn (9.6.2).  A mate
    on the board comes first (9.6.2, 5.1.1).
    """

    name = "rules"

    def judge(self, board: chess.Board) -> Verdict | None:
        outcome: Outcome | None = None
        if not any(board.generate_legal_moves()):
            outcome = Outcome.LOSS if board.is_check() else Outcome.DRAW
        elif board.halfmove_clock >= 150 or board.is_insufficient_material():
            outcome = Outcome.DRAW
        elif board.halfmove_clock >= 100:
            return Verdict(Side.of(board.turn), Outcome.DRAW, Outcome.WIN, Evidence.RULES)
        if outcome is None:
            return None
        return Verdict(Side.of(board.turn), outcome, outcome, Evidence.RULES)


class TableJudge:
    """The tables, with the halfmove clock."""

    name = "tables"

    def __init__(self, prober: Prober, largest: int = 7):
        self.prober = prober
        self.largest = largest

    def judge(self, board: chess.Board) -> Verdict | None:
        if board.occupied.bit_count() > self.largest:
            return None
        answer = self.prober.outcome_or_none(board)
        if answer is None:
            return None
        distance = answer.distance
        # Where the table rounds, win and draw (or loss and draw) are equally open.
        open_ = answer.low.points != answer.high.points
        return Verdict(
            Side.of(board.turn),
            answer.low,
            answer.high,
            Evidence.TABLE,
            win=(0.5 if answer.high.points > 0 else 0.0) if open_ else None,
            loss=(0.5 if answer.low.points < 0 else 0.0) if open_ else None,
            distance=abs(distance.plies) if distance and distance.plies else None,
            rounded=bool(distance and distance.rounded),
        )


class LineJudge:
    """Short lines into the tables that hold against every reply."""

    name = "lines into the tables"

    def __init__(self, prober: Prober, effort: Effort, largest: int):
        self.prober = prober
        self.effort = effort
        self.largest = largest

    def judge(self, board: chess.Board) -> Verdict | None:
        found = prove(
            board,
            self.prober,
            largest=self.largest,
            most_men=max(self.largest, min(self.effort.proof_men, self.largest + 3)),
            slack=self.effort.proof_slack,
            nodes=self.effort.proof_nodes,
        )
        if (found.low, found.high) == UNKNOWN:
            return None
        evidence = Evidence.TABLE if found.decided else Evidence.BOUNDED
        via = line_san(board, found.line)
        return Verdict(Side.of(board.turn), found.low, found.high, evidence, via=via)


def after_move(board: chess.Board, move: chess.Move) -> chess.Board:
    """The position after ``move``, without a move stack."""
    child = board.copy(stack=False)
    child.push(move)
    child.clear_stack()
    return child


def line_san(board: chess.Board, moves: Sequence[chess.Move]) -> tuple[str, ...]:
    """SAN of a line of moves from ``board``."""
    work = board.copy(stack=False)
    out = []
    for move in moves:
        out.append(work.san_and_push(move))
    return tuple(out)


Key = tuple[object, ...]


def position_key(board: chess.Board) -> Key:
    """Equal for positions that must get the same verdict: they are the same, clock included."""
    return (*place_key(board), board.halfmove_clock)


def place_key(board: chess.Board) -> Key:
    """Equal for positions in which the same can be played; the clock may differ."""
    return (
        board.pawns,
        board.knights,
        board.bishops,
        board.rooks,
        board.queens,
        board.kings,
        board.occupied_co[chess.WHITE],
        board.turn,
        board.castling_rights,
        board.ep_square,
    )


class Bench:
    """The judges together, with a memory: every position is judged once.

    Verdicts are for the side to move unless said otherwise.
    """

    def __init__(
        self,
        prober: Prober,
        *,
        effort: Effort = EFFORTS[EffortName.NORMAL],
        largest: int = 4,
        more: Sequence[Judge] = (),
        solver: SolverJudge | None = None,
    ):
        self.prober = prober
        self.effort = effort
        self.largest = largest
        self.solver = solver
        # The judges that answer at once are asked of every move too.
        self.more = tuple(more)
        self.ready: tuple[Judge, ...] = (
            RulesJudge(),
            TableJudge(prober, largest),
            *(() if solver is None else (solver,)),
            *more,
        )
        self.lines = LineJudge(prober, effort, largest)
        self.look_ahead_nodes = 0
        #: The solver's work (seconds) when what it had found was last forgotten.
        self.fresh_at = 0.0
        self._glanced: dict[Key, Verdict | None] = {}
        self._settled: dict[Key, Verdict | None] = {}
        self._verdicts: dict[Key, Verdict] = {}
        self._kept: dict[Key, Kept] = {}
        self._chances: dict[Key, Chances] = {}
        self._voices: dict[Key, tuple[Voice, ...]] = {}
        self._firsts: dict[Key, chess.Move] = {}

    @property
    def remembered(self) -> int:
        """Number of positions of which something is kept; those looked at as moves are most."""
        return max(len(self._glanced), len(self._settled))

    def forget(self) -> None:
        """Empty the memory; counts start again."""
        self._glanced.clear()
        self._settled.clear()
        self._verdicts.clear()
        self._kept.clear()
        self._chances.clear()
        self._voices.clear()
        self._firsts.clear()

    def counts(self) -> Counter[Evidence]:
        """Positions judged so far, each once, by the evidence that settled them."""
        total: Counter[Evidence] = Counter()
        for key in self._settled.keys() | self._verdicts.keys():
            verdict = self._verdicts.get(key) or self._settled.get(key)
            if verdict is not None:
                total[verdict.evidence] += 1
        return total

    def settle(self, board: chess.Board) -> Verdict | None:
        """What can be proved of the position; None when nothing can.

        The judges are asked, and where they leave it open what those that answer at once say of
        the moves is used.  Where there is one legal move the position is worth what it leads to.

        Raises:
            Disagreement: judges, or a position and its moves, exclude each other.
        """
        key = position_key(board)
        if key not in self._settled:
            line = self._forced(board)
            settled = self._by_moves(line[-1][1])
            for (_, there), (move, _) in zip(reversed(line[:-1]), reversed(line[1:]), strict=True):
                settled = backed_up(there, self._direct(there), [(move, _turned(settled))])
            self._settled[key] = settled
        return self._settled[key]

    def _forced(self, board: chess.Board) -> list[tuple[chess.Move, chess.Board]]:
        """The position and those that forced moves lead to, each with the move before it.

        It ends where there is a choice, a judge settles the position, or one comes again.
        """
        line = [(chess.Move.null(), board)]
        seen = {place_key(board)}
        while len(line) <= MOST_FORCED and not _is_exact(self._at_once(board)):
            only = only_move(board)
            if only is None:
                break
            board = after_move(board, only)
            if place_key(board) in seen:
                break
            seen.add(place_key(board))
            line.append((only, board))
        return line

    def _by_moves(self, board: chess.Board) -> Verdict | None:
        """By the judges, and by what can be said at once of the moves."""
        own = self._direct(board)
        return own if _is_exact(own) else self._looked(board, own, FORCED_REPLIES)

    def _looked(self, board: chess.Board, own: Verdict | None, replies: int) -> Verdict | None:
        """``own`` and what can be said at once of each move.

        ``replies``: so often a reply that is forced is made, and the moves after it looked at.
        """
        men = board.occupied.bit_count()
        every = men <= max(MOST_MEN_WITHOUT_MOVES, self.largest + 1) or board.halfmove_clock >= 99
        every = every or bool(self.more)
        moves: list[Move] = []
        child = board.copy(stack=False)
        for move in board.generate_legal_moves():
            child.push(move)
            told = self._by_reply(child, replies) if every or child.is_check() else None
            moves.append((move, _turned(told)))
            child.pop()
        return backed_up(board, own, moves)

    def _by_reply(self, board: chess.Board, replies: int) -> Verdict | None:
        """What can be said at once; where one reply is legal, through the moves after it too."""
        told = self._at_once(board)
        if not replies or _is_exact(told) or (reply := only_move(board)) is None:
            return told
        there = after_move(board, reply)
        below = self._at_once(there)
        if not _is_exact(below):
            below = self._looked(there, below, replies - 1)
        return backed_up(board, told, [(reply, _turned(below))])

    def _at_once(self, board: chess.Board) -> Verdict | None:
        """By the judges that answer at once, asked in turn until the position is settled."""
        key = position_key(board)
        if key not in self._glanced:
            best: Verdict | None = None
            names: list[str] = []
            for judge in self.ready:
                verdict = judge.judge(board)
                if verdict is None:
                    continue
                best = narrowed(board.fen(), " with ".join(names), best, judge.name, verdict)
                names.append(judge.name)
                if _settles(best):
                    break
            self._glanced[key] = best
        return self._glanced[key]

    def _direct(self, board: chess.Board) -> Verdict | None:
        """By all judges."""
        best = self._at_once(board)
        if best is not None and _settles(best):
            return best
        shown = self.lines.judge(board)
        if shown is None:
            return best
        name = "" if best is None else judge_word(best)
        return narrowed(board.fen(), name, best, self.lines.name, shown)

    def kept(self, board: chess.Board) -> Kept:
        """Every legal move with what can be proved of it, and the position by its moves.

        Each move is settled as a position of its own, so this takes as long as so many positions;
        ``verdict`` is at least what :meth:`settle` gives.

        Raises:
            Disagreement: judges, or a position and its moves, exclude each other.
        """
        key = position_key(board)
        if key not in self._kept:
            moves = [
                (move, _turned(self.settle(after_move(board, move))))
                for move in board.generate_legal_moves()
            ]
            self._kept[key] = Kept(
                ordered(board, moves), backed_up(board, self.settle(board), moves)
            )
        return self._kept[key]

    def weighed(self, board: chess.Board) -> Kept:
        """As :meth:`kept`, with chances where it is not certain; ``verdict`` is never None.

        The chances before the move agree with those of the best move.
        """
        kept = self.kept(board)
        moves = [
            (move, self.verdict(after_move(board, move)).for_side(Side.of(board.turn)))
            for move, _ in kept.moves
        ]
        told = self.by_moves(board)
        if moves and not told.exact:
            told = agreeing(told, max((v for _, v in moves), key=lambda v: v.expected))
        return Kept(ordered(board, moves), told)

    def by_moves(self, board: chess.Board) -> Verdict:
        """As :meth:`verdict`, with every move settled: as good as the best of :meth:`kept`."""
        return self._with_chances(board, self.kept(board).verdict)

    def children(self, board: chess.Board) -> list[Move]:
        """Every legal move with what can be proved of it, for the side that makes it."""
        return list(self.kept(board).moves)

    def after(self, board: chess.Board, move: chess.Move) -> Verdict | None:
        """What can be proved of the position after ``move``, for its side to move."""
        return self.settle(after_move(board, move))

    def covered(self, board: chess.Board) -> bool:
        """True where the tables know the position and everything that follows."""
        return board.occupied.bit_count() <= self.largest and self.prober.covers(board)

    def prepare(self, boards: Iterable[chess.Board], *, moves_too: bool = True) -> None:
        """Let the solver work on positions that will be asked about; before they are."""
        if self.solver is not None:
            self.solver.prepare(boards, moves_too=moves_too)

    def reaches(self, board: chess.Board) -> bool:
        """True where the outcome is settled with a way to show: by tables or solver."""
        if self.covered(board):
            return True
        settled = self.settle(board)
        return settled is not None and settled.exact and settled.evidence is Evidence.SOLVED

    def distance(self, board: chess.Board) -> Distance | None:
        """Distance to the next zeroing move or mate, by tables or solver; None if unknown."""
        if self.covered(board):
            try:
                return self.prober.distance(board)
            except TablebaseError:
                return None
        plies = self.solver.distance(board) if self.solver is not None else None
        settled = self.settle(board)
        if plies is None or settled is None or settled.points is None:
            return None
        return Distance(plies if settled.low > 0 else -plies)

    def way(self, board: chess.Board) -> int | None:
        """Plies to the next zeroing move or mate on the way that is proved, best or not."""
        found = self.distance(board)
        if found is not None:
            return abs(found.plies)
        return self.solver.way(board) if self.solver is not None else None

    def forcing_first(self, board: chess.Board) -> list[chess.Move]:
        """The legal moves, the one that began the look-ahead's line in front."""
        first = self._firsts.get(place_key(board))
        return sorted(board.legal_moves, key=lambda move: move != first)

    def voices(self, board: chess.Board, facts: Features | None = None) -> tuple[Voice, ...]:
        """Rules of thumb that speak in the position; ``facts`` of it where they are at hand."""
        key = place_key(board)
        if key not in self._voices:
            self._voices[key] = position_voices(board, facts)
        return self._voices[key]

    def chances(self, board: chess.Board) -> Chances:
        """White's estimated chances after forcing play is resolved.

        Where there is one legal move they are those of the position it leads to.
        """
        there = board if only_move(board) is None else self._forced(board)[-1][1]
        # Past the tables no clock counts here: only a capture leads into them, and sets it to 0.
        few = there.occupied.bit_count() <= self.largest
        key = position_key(there) if few else place_key(there)
        if key not in self._chances:
            self._chances[key] = self._resolved(there)
        return self._chances[key]

    def _resolved(self, board: chess.Board) -> Chances:
        found = resolve(
            board, self.prober, largest=self.largest, nodes=self.effort.look_ahead_nodes
        )
        self.look_ahead_nodes += found.nodes
        if found.line:
            self._firsts[place_key(board)] = found.line[0]
        leaf = found.leaf
        if found.table:
            settled = self.settle(leaf)
            if settled is not None and settled.exact:
                points = settled.for_side(Side.WHITE).points
                return by_table_line(points or 0)
        if leaf.is_checkmate():
            return by_table_line(-1 if leaf.turn else 1)
        facts = features(leaf)
        return estimate(facts, self.voices(leaf, facts))

    def verdict(self, board: chess.Board) -> Verdict:
        """The strongest verdict to be had, with a probability where it is not exact."""
        key = position_key(board)
        if key not in self._verdicts:
            self._verdicts[key] = self._with_chances(board, self.settle(board))
        return self._verdicts[key]

    def _with_chances(self, board: chess.Board, settled: Verdict | None) -> Verdict:
        """What is proved, and the estimate where that leaves the result open."""
        if settled is not None and (settled.exact or settled.win is not None):
            return settled
        side = Side.of(board.turn)
        chances = self.chances(board)
        win, loss = (chances.win, chances.loss) if board.turn else (chances.loss, chances.win)
        base = settled or Verdict(side, *UNKNOWN, Evidence.ESTIMATE)
        return with_chances(base, win, loss, measured=measured(board))


def _is_exact(verdict: Verdict | None) -> bool:
    return verdict is not None and verdict.exact


def _settles(verdict: Verdict) -> bool:
    """Is there nothing to be added by a weaker judge?"""
    return verdict.exact or verdict.evidence is Evidence.TABLE


def _turned(verdict: Verdict | None) -> Verdict | None:
    """The same verdict for the other side."""
    return None if verdict is None else verdict.for_side(verdict.side.other)
