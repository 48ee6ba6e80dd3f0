"""The chain of judges: rules, tables, solver, lines into the tables, estimate.

Each judge may narrow what is still possible for the side to move; they are
asked in order of strength and the first to settle the position ends the
asking.  The solver stands between tables and lines; it answers for what it was
told to solve beforehand.  Every position is judged once per run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol

import chess

from convert.estimate import Chances, by_table_line, estimate, measured
from convert.features import Features, features
from convert.lookahead import prove, resolve
from convert.model import Evidence, Side, Verdict
from convert.rules import Voice, position_voices
from convert.solving import SolverJudge
from tablebases.errors import TablebaseError
from tablebases.probing import Prober
from tablebases.values import Distance, Outcome

UNKNOWN = (Outcome.LOSS, Outcome.WIN)


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

    def __init__(self, prober: Prober):
        self.prober = prober

    def judge(self, board: chess.Board) -> Verdict | None:
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
    """Equal for positions that must get the same verdict.

    The halfmove clock counts only where it can matter: with few men, or near
    its limit.
    """
    clock = board.halfmove_clock
    if board.occupied.bit_count() > 8 and clock < 80:
        clock = 0
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
        clock,
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
        self.judges: tuple[Judge, ...] = (
            RulesJudge(),
            TableJudge(prober),
            *(() if solver is None else (solver,)),
            *more,
            LineJudge(prober, effort, largest),
        )
        self.look_ahead_nodes = 0
        #: The solver's work (seconds) when what it had found was last forgotten.
        self.fresh_at = 0.0
        self._settled: dict[Key, Verdict | None] = {}
        self._verdicts: dict[Key, Verdict] = {}
        self._voices: dict[Key, tuple[Voice, ...]] = {}
        self._firsts: dict[Key, chess.Move] = {}

    @property
    def remembered(self) -> int:
        """Number of positions whose verdict is kept."""
        return len(self._settled)

    def forget(self) -> None:
        """Empty the memory; counts start again."""
        self._settled.clear()
        self._verdicts.clear()
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
        """What can be proved of the position; None when nothing can."""
        key = position_key(board)
        if key in self._settled:
            return self._settled[key]
        low, high = UNKNOWN
        best: Verdict | None = None
        by_solver = False
        for judge in self.judges:
            verdict = judge.judge(board)
            if verdict is None:
                continue
            by_solver = by_solver or judge is self.solver
            narrowed_low, narrowed_high = max(low, verdict.low), min(high, verdict.high)
            if narrowed_low > narrowed_high and best is not None:
                # A blessed loss of the table: the draw that the rules let the loser claim.
                best = replace(best, low=Outcome.DRAW, high=Outcome.DRAW)
                break
            if best is None or (narrowed_low, narrowed_high) != (low, high):
                best = replace(verdict, low=narrowed_low, high=narrowed_high)
                low, high = narrowed_low, narrowed_high
            if best.exact or verdict.evidence is Evidence.TABLE:
                break
        if best is not None and best.exact and best.evidence is Evidence.BOUNDED:
            # Bounds from two judges meet.
            best = replace(best, evidence=Evidence.SOLVED if by_solver else Evidence.TABLE)
        self._settled[key] = best
        return best

    def children(self, board: chess.Board) -> list[tuple[chess.Move, Verdict | None]]:
        """Every legal move with what can be proved of it, for the side that makes it."""
        side = Side.of(board.turn)
        out = []
        for move in board.legal_moves:
            settled = self.after(board, move)
            out.append((move, settled.for_side(side) if settled else None))
        return out

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
        first = self._firsts.get(position_key(board))
        return sorted(board.legal_moves, key=lambda move: move != first)

    def voices(self, board: chess.Board, facts: Features | None = None) -> tuple[Voice, ...]:
        """Rules of thumb that speak in the position; ``facts`` of it where they are at hand."""
        key = position_key(board)
        if key not in self._voices:
            self._voices[key] = position_voices(board, facts)
        return self._voices[key]

    def chances(self, board: chess.Board) -> Chances:
        """White's estimated chances after forcing play is resolved."""
        found = resolve(
            board, self.prober, largest=self.largest, nodes=self.effort.look_ahead_nodes
        )
        self.look_ahead_nodes += found.nodes
        if found.line:
            self._firsts[position_key(board)] = found.line[0]
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
        if key in self._verdicts:
            return self._verdicts[key]
        settled = self.settle(board)
        if settled is not None and (settled.exact or settled.win is not None):
            verdict = settled
        else:
            side = Side.of(board.turn)
            chances = self.chances(board)
            win, loss = (
                (chances.win, chances.loss) if board.turn else (chances.loss, chances.win)
            )
            base = settled or Verdict(side, *UNKNOWN, Evidence.ESTIMATE)
            verdict = with_chances(base, win, loss, measured=measured(board))
        self._verdicts[key] = verdict
        return verdict


def with_chances(
    verdict: Verdict, win: float, loss: float, measured: bool | None = None
) -> Verdict:
    """Add probabilities for the verdict's side, given what its interval excludes.

    Args:
        measured: whether they were held against outcomes; None: as the verdict says.
    """
    draw = max(0.0, 1.0 - win - loss)
    if verdict.high.points < 1:
        win = 0.0
    if verdict.low.points > -1:
        loss = 0.0
    if verdict.low.points > 0 or verdict.high.points < 0:
        draw = 0.0
    total = win + draw + loss
    if total <= 0:
        win = loss = 0.0
        total = 1.0
    told = verdict.measured if measured is None else measured
    return replace(
        verdict, win=round(win / total, 4), loss=round(loss / total, 4), measured=told
    )


