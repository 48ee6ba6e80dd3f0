"""The chain of judges: rules, tables, solver, lines into the tables, estimate.

Each judge may narrow what is still possible for the side to move; they are
asked in order of strength and the first to settle the position ends the asking.  The solver stands
between tables and lines; it answers for what it was told to solve beforehand.  What is left open is
looked at through the moves (:mod:`convert.judging.keeping`).  A position is judged once a run.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from typing import Protocol

import chess

from convert.board.features import Features
from convert.board.moves import Key, line_san
from convert.board.moves import after_move as after_move
from convert.board.moves import place_key as place_key
from convert.board.moves import position_key as position_key
from convert.errors import Disagreement
from convert.judging.effort import EFFORTS as EFFORTS
from convert.judging.effort import Effort as Effort
from convert.judging.effort import EffortName as EffortName
from convert.judging.estimate import Chances
from convert.judging.keeping import (
    Choices,
    Move,
    V,
    agreeing,
    backed_up,
    judge_word,
    narrowed,
    only_move,
    ordered,
    with_chances,
)
from convert.judging.laws import claim_is_near, clock_lets_claim, ended
from convert.judging.line_judge import LineJudge
from convert.judging.looking import LookAhead, told
from convert.judging.solving import SolverJudge
from convert.model import Evidence, Side, Verdict
from convert.model.record import How
from convert.rules import Voice, position_voices
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
    """Game over by the Laws of Chess (:mod:`convert.judging.laws`).

    Where the clock lets the player having the move claim a draw he has that at least.
    """

    name = "rules"

    def judge(self, board: chess.Board) -> Verdict | None:
        side, how = Side.of(board.turn), ended(board)
        if how is not None:
            outcome = Outcome.LOSS if how is How.MATE else Outcome.DRAW
            return Verdict(side, outcome, outcome, Evidence.RULES)
        if clock_lets_claim(board):
            return Verdict(side, Outcome.DRAW, Outcome.WIN, Evidence.RULES)
        return None


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
        making: Callable[[], None] | None = None,
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
        self.look = LookAhead(effort.look_ahead_nodes, effort.search_proof, making)
        self.lines = LineJudge(prober, effort, largest, self.look)
        #: The solver's work (seconds), the look-ahead's (positions), when they last forgot.
        self.fresh_at = (0.0, 0)
        self._glanced: dict[Key, Verdict | None] = {}
        self._settled: dict[Key, Verdict | None] = {}
        self._verdicts: dict[Key, Verdict] = {}
        self._kept: dict[Key, Choices] = {}
        self._compared: dict[Key, tuple[tuple[chess.Move, Verdict], ...]] = {}
        self._voices: dict[Key, tuple[Voice, ...]] = {}

    @property
    def remembered(self) -> int:
        """Number of positions of which something is kept; those looked at as moves are most."""
        return max(len(self._glanced), len(self._settled))

    def remember(self) -> None:
        """Have what the review of a game finds out kept on disk, by :meth:`keep`."""
        from convert.judging.noted import SearchNotes

        self.look.notes = SearchNotes()
        if self.solver is not None:
            self.solver.remembers = True

    def keep(self) -> None:
        """Keep on disk what the game that was looked over will need when it is reviewed again."""
        if self.look.notes is not None:
            self.look.notes.keep()
        if self.solver is not None:
            self.solver.keep()

    def forget(self) -> None:
        """Empty the memory; counts start again."""
        self._glanced.clear()
        self._settled.clear()
        self._verdicts.clear()
        self._kept.clear()
        self._compared.clear()
        self.look.forget()
        self._voices.clear()

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
            with self._named():
                self._settled[key] = self._settle(board)
        return self._settled[key]

    def _settle(self, board: chess.Board) -> Verdict | None:
        line = self._forced(board)
        settled = self._by_moves(line[-1][1])
        for (_, there), (move, _) in zip(reversed(line[:-1]), reversed(line[1:]), strict=True):
            settled = backed_up(there, self._direct(there), [(move, _turned(settled))])
        return settled

    @contextlib.contextmanager
    def _named(self) -> Iterator[None]:
        """Judges of other packages are named in a contradiction: any may be the one in error."""
        try:
            yield
        except Disagreement as err:
            named = f"{err.first} {err.second}"
            err.beside = tuple(judge.name for judge in self.more if judge.name not in named)
            raise

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
        every = men <= max(MOST_MEN_WITHOUT_MOVES, self.largest + 1) or claim_is_near(board)
        every = every or bool(self.more)
        moves: list[Move] = []
        child = board.copy(stack=False)
        for move in board.generate_legal_moves():
            child.push(move)
            verdict = self._by_reply(child, replies) if every or child.is_check() else None
            moves.append((move, _turned(verdict)))
            child.pop()
        return backed_up(board, own, moves)

    def _by_reply(self, board: chess.Board, replies: int) -> Verdict | None:
        """What can be said at once; where one reply is legal, through the moves after it too."""
        verdict = self._at_once(board)
        if not replies or _is_exact(verdict) or (reply := only_move(board)) is None:
            return verdict
        there = after_move(board, reply)
        below = self._at_once(there)
        if not _is_exact(below):
            below = self._looked(there, below, replies - 1)
        return backed_up(board, verdict, [(reply, _turned(below))])

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

    def kept(self, board: chess.Board) -> Choices:
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
            settled = self.settle(board)
            here = board.copy(stack=False)
            with self._named():
                verdict = backed_up(board, settled, moves)
            self._kept[key] = Choices(tuple(moves), verdict, partial(self.ordered, here))
        return self._kept[key]

    def weighed(self, board: chess.Board) -> Choices:
        """As :meth:`kept`, with chances where it is not certain; ``verdict`` is never None.

        The chances before the move agree with those of the best move.
        """
        moves = self.weigh(board, (move for move, _ in self.kept(board).known))
        verdict = self.by_moves(board)
        if moves and not verdict.exact:
            verdict = agreeing(verdict, moves[0][1])
        return Choices(moves, verdict, tuple)

    def weigh(
        self, board: chess.Board, moves: Iterable[chess.Move]
    ) -> tuple[tuple[chess.Move, Verdict], ...]:
        """Some legal moves with what each keeps, chances included, for their player; best first.

        No other move is looked at.
        """
        side = Side.of(board.turn)
        weighed = [(m, self.verdict(after_move(board, m)).for_side(side)) for m in moves]
        return self.ordered(board, weighed)

    def ordered(
        self, board: chess.Board, moves: Iterable[tuple[chess.Move, V]]
    ) -> tuple[tuple[chess.Move, V], ...]:
        """The best move first, ways by tables and solver (:func:`keeping.ordered`)."""
        return ordered(board, moves, self.way)

    def by_moves(self, board: chess.Board) -> Verdict:
        """As :meth:`verdict`, with every move settled: as good as the best of :meth:`kept`."""
        return self._with_chances(board, self.kept(board).verdict)

    def only(self, board: chess.Board, points: int, first: chess.Move) -> chess.Move | None:
        """Of a position worth so many points: the one move that keeps them, None if several may.

        No more moves are looked at than needed, ``first`` before the others; None too where
        nothing is known of one.
        """
        only: chess.Move | None = None
        for move in sorted(board.legal_moves, key=lambda move: move != first):
            verdict = _turned(self.after(board, move))
            if verdict is None:
                return None
            if verdict.high.points >= points:
                if only is not None:
                    return None
                only = move
        return only

    def children(self, board: chess.Board) -> list[Move]:
        """Every legal move with what can be proved of it, for its player, in no order."""
        return list(self.kept(board).known)

    def after(self, board: chess.Board, move: chess.Move) -> Verdict | None:
        """What can be proved of the position after ``move``, for its side to move."""
        return self.settle(after_move(board, move))

    def covered(self, board: chess.Board) -> bool:
        """True where the tables know the position and everything that follows."""
        return board.occupied.bit_count() <= self.largest and self.prober.covers(board)

    def prepare(self, boards: Iterable[chess.Board], *, moves_too: bool = True) -> None:
        """Let the solver work on positions that will be asked about; before they are."""
        if self.solver is not None:
            self.solver.prepare(boards, moves_too=moves_too, likely=self._likely)

    def prepare_game(self, boards: Sequence[chess.Board]) -> None:
        """As :meth:`prepare`, for the review of one game; ``boards`` are all its positions."""
        if self.solver is not None:
            self.solver.prepare_game(boards, self._let_go, self._likely)
            # What was asked meanwhile may be known better now.
            self._glanced.clear()

    def _likely(self, boards: Sequence[chess.Board]) -> list[tuple[float, float]]:
        """A guess at White's and Black's chance to win, by which the solver chooses what to try."""
        guesses = zip(boards, self.look.guess(boards), strict=True)
        return [(c.won, c.lost) if board.turn else (c.lost, c.won) for board, c in guesses]

    def _let_go(self, board: chess.Board, after: chess.Board) -> bool:
        """Did the move between two positions surely let something go, as far as is known now?"""
        best, made = self._at_once(board), _turned(self._at_once(after))
        return best is not None and made is not None and made.high.points < best.low.points

    def look_over(self, boards: Sequence[chess.Board]) -> None:
        """Let solver and look-ahead work on all positions of one game, before they are asked for.

        The look-ahead looks at those that nothing settles, from the end of the game backwards.
        """
        if self.look.notes is not None:
            self.look.notes.begin(boards)
        self.prepare_game(boards)
        self.look.game([board for board in boards if not _is_exact(self.settle(board))])

    @property
    def look_ahead_nodes(self) -> int:
        """Positions that the look-ahead looked at so far."""
        return self.look.looked_at

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
        distance = self.distance(board)
        if distance is not None:
            return abs(distance.plies)
        return self.solver.way(board) if self.solver is not None else None

    def voices(self, board: chess.Board, facts: Features | None = None) -> tuple[Voice, ...]:
        """Rules of thumb that speak in the position; ``facts`` of it where they are at hand."""
        key = place_key(board)
        if key not in self._voices:
            self._voices[key] = position_voices(board, facts)
        return self._voices[key]

    def chances(self, board: chess.Board) -> Chances:
        """White's estimated chances, by looking ahead.

        Where there is one legal move they are those of the position it leads to.
        """
        there = board if only_move(board) is None else self._forced(board)[-1][1]
        chances = self.look.chances(there)
        won, lost = (chances.won, chances.lost) if there.turn else (chances.lost, chances.won)
        return Chances(won, chances.drawn, lost)

    def compared(self, board: chess.Board) -> tuple[tuple[chess.Move, Verdict], ...]:
        """Every legal move, looked at alike, with what it keeps for its player; best first.

        What is proved counts before what the look-ahead says.
        """
        key = position_key(board)
        if key not in self._compared:
            side = Side.of(board.turn)
            each = self.look.each_move(board)
            moves = []
            for move, result in each.found.items():
                child = after_move(board, move)
                key_after = position_key(child)
                known_after = self._settled.get(key_after) or self._at_once(child)
                settled = _turned(known_after)
                chances = told(board, result.score, result.depth)
                base = settled or Verdict(side, *UNKNOWN, Evidence.ESTIMATE)
                known = settled is not None and (settled.exact or settled.win is not None)
                moves.append(
                    (move, base)
                    if known
                    else (move, with_chances(base, chances.won, chances.lost, measured=True))
                )
            self._compared[key] = self.ordered(board, moves)
        return self._compared[key]

    def line_of(self, board: chess.Board, move: chess.Move) -> tuple[chess.Move, ...]:
        """The line that the comparison of all moves found for one of them, itself first."""
        result = self.look.each_move(board).found.get(move)
        return (move,) if result is None or result.line[:1] != (move,) else result.line

    def _shown(self, board: chess.Board, settled: Verdict | None) -> Verdict | None:
        """What is settled, and what the look-ahead found and a second look proved."""
        result = self.look.found(board)
        if result.decided is None:
            return settled
        from convert.judging.search.proving import prove

        proof = prove(
            board, self.look.search, result=result, prober=self.prober, positions=self.look.proof
        )
        if proof is None:
            return settled
        side = Side.of(board.turn)
        outcome = Outcome.WIN if proof.winner == board.turn else Outcome.LOSS
        evidence = Evidence.RULES if proof.mate else Evidence.TABLE
        shown = Verdict(side, outcome, outcome, evidence, via=line_san(board, proof.line))
        name = "" if settled is None else judge_word(settled)
        verdict = narrowed(board.fen(), name, settled, "look-ahead", shown)
        self._settled[position_key(board)] = verdict
        if proof.winner == board.turn and proof.line:
            child = after_move(board, proof.line[0])
            if not _is_exact(self.settle(child)):
                lost = Verdict(
                    side.other,
                    Outcome.LOSS,
                    Outcome.LOSS,
                    evidence,
                    via=line_san(child, proof.line[1:]),
                )
                self._settled[position_key(child)] = lost
        return verdict

    def verdict(self, board: chess.Board) -> Verdict:
        """The strongest verdict to be had, with a probability where it is not exact."""
        key = position_key(board)
        if key not in self._verdicts:
            settled = self.settle(board)
            if settled is None or not (settled.exact or settled.win is not None):
                settled = self._shown(board, settled)
            self._verdicts[key] = self._with_chances(board, settled)
        return self._verdicts[key]

    def _with_chances(self, board: chess.Board, settled: Verdict | None) -> Verdict:
        """What is proved, and the estimate where that leaves the result open."""
        if settled is not None and (settled.exact or settled.win is not None):
            return settled
        side = Side.of(board.turn)
        chances = self.chances(board)
        win, loss = (chances.win, chances.loss) if board.turn else (chances.loss, chances.win)
        base = settled or Verdict(side, *UNKNOWN, Evidence.ESTIMATE)
        return with_chances(base, win, loss, measured=True)


def _is_exact(verdict: Verdict | None) -> bool:
    return verdict is not None and verdict.exact


def _settles(verdict: Verdict) -> bool:
    """Is there nothing to be added by a weaker judge?"""
    return verdict.exact or verdict.evidence is Evidence.TABLE


def _turned(verdict: Verdict | None) -> Verdict | None:
    """The same verdict for the other side."""
    return None if verdict is None else verdict.for_side(verdict.side.other)
