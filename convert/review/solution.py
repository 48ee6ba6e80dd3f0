"""One position given to the solver: what it proves of it and of its moves.

The moves are put in order, and say what they say of the position, as everywhere
(:mod:`convert.judging.keeping`).  What the solver alone proves is told: no table is asked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import chess

from convert.judging.keeping import Move, backed_up, ordered
from convert.model import Evidence, Side, Verdict
from convert.model.solution import (
    SOLVE_SCHEMA,
    Question,
    SolvedMove,
    SolveReport,
    Spent,
)
from convert.wording.solutions import scope_words
from tablebases.values import CLAIM_PLIES, Outcome

if TYPE_CHECKING:
    from tablebases.solver import Budget, Solution, Store
    from tablebases.solver.audit import Audit
    from tablebases.solver.scopes import SolveStep
    from tablebases.solver.trying import Solver
    from tablebases.values import Compared

GB = 10**9
#: Planned work in seconds of one core, and bytes of memory, by effort.
EFFORTS = {"quick": (8.0, 1 * GB), "normal": (100.0, 3 * GB), "deep": (1000.0, 8 * GB)}
#: Endings of at most so many men are settled whatever it takes.
SETTLED = {"quick": 0, "normal": 5, "deep": 5}
#: Most pieces besides kings and pawns.
MOST_PIECES = 4
#: Lines are cut after so many plies.
MOST_PLIES = 60
#: A small ending with a win in it: solving it loads, or makes, all the machine code.
_SMALL = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"


def budget_for(
    effort: str, *, seconds: float | None, memory: int | None, disk: int, threads: int
) -> Budget:
    """What an effort allows.

    Args:
        effort: quick, normal or deep.
        seconds: on the clock, instead of the effort's planned work.
        memory: bytes, instead of the effort's.
        disk: bytes in a file on top of that.
    """
    from tablebases.solver import Budget

    plain_seconds, plain_memory = EFFORTS[effort]
    return Budget(
        seconds=plain_seconds if seconds is None else seconds,
        memory=plain_memory if memory is None else memory,
        disk=disk,
        threads=threads,
        planned=seconds is None,
        settled=SETTLED[effort],
    )


def load_machine_code() -> None:
    """Load the solver's machine code, or make it on the first use."""
    from tablebases.solver import Budget, solve

    board = chess.Board(_SMALL)
    small = solve(board, Budget(seconds=3600.0, memory=GB // 4, threads=1))
    small.distance(board)


# --- what is not for the solver -----------------------------------------------------------------


def over_words(board: chess.Board) -> str:
    """Why the game is over by the Laws of Chess (5.1, 5.2, 9.6.2), or an empty string."""
    if not any(board.generate_legal_moves()):
        if board.is_check():
            return f"checkmate, {Side.of(not board.turn).name_} has won"
        return "stalemate, drawn"
    if board.is_insufficient_material():
        return "drawn, neither side has material to mate"
    if board.halfmove_clock >= 150:
        return "drawn by the seventy-five-move rule"
    return ""


def refusal(board: chess.Board) -> str:
    """Why a position is none for the solver, or an empty string."""
    pieces = chess.popcount(board.occupied & ~board.kings & ~board.pawns)
    if pieces > MOST_PIECES:
        return f"{pieces} pieces besides kings and pawns: the solver takes at most {MOST_PIECES}"
    if board.castling_rights:
        return (
            "a side may still castle, which the solver leaves out (a dash in the FEN's castling "
            "field if it no longer may)"
        )
    return ""


def finished(board: chess.Board, notes: tuple[str, ...] = ()) -> SolveReport | None:
    """The report on a game that is over; None while it goes on."""
    over = over_words(board)
    if not over:
        return None
    outcome = Outcome.LOSS if board.is_checkmate() else Outcome.DRAW
    return SolveReport(
        schema=SOLVE_SCHEMA,
        fen=board.fen(),
        notes=notes if board.halfmove_clock < CLAIM_PLIES else (),
        to_move=Side.of(board.turn),
        over=over,
        low=outcome,
        high=outcome,
        exact=True,
        distance=None,
        bound=None,
        line=(),
        line_ends="",
        moves=(),
        questions=(),
        cost=None,
        stopped=False,
    )


# --- what came of it ----------------------------------------------------------------------------


def solve_position(board: chess.Board, solver: Solver, notes: tuple[str, ...] = ()) -> SolveReport:
    """Let the solver work on a position, and say what it proved.

    Args:
        board: a position in which the game is not over, and that is no :func:`refusal`.
        solver: one that was given the board, and its moves too.
        notes: remarks on the input.

    Raises:
        NoRoom: the machine has neither the memory nor the disk that a step needs.
        Contradiction, Disagreement: what was solved contradicts itself.
    """
    solution = solver.run()
    moves = ordered(board, _moves(board, solution))
    low, high = _with_moves(board, _verdict(board, solution), moves)
    distance = solution.distance(board)
    line, ends = _line(board, solution)
    if 0 < board.halfmove_clock < CLAIM_PLIES:
        notes = (
            *notes,
            f"{board.halfmove_clock} plies without a capture or pawn move are counted already",
        )
    cost = solution.cost
    return SolveReport(
        schema=SOLVE_SCHEMA,
        fen=board.fen(),
        notes=notes,
        to_move=Side.of(board.turn),
        over="",
        low=low,
        high=high,
        exact=solution.exact(board),
        distance=None if distance is None else distance.plies,
        bound=solution.bound(board),
        line=line,
        line_ends=ends,
        moves=tuple(_solved_move(board, move, verdict) for move, verdict in moves),
        questions=tuple(_questions(board, solver, solution)),
        cost=Spent(cost.seconds, cost.slices, cost.positions, cost.peak_bytes, cost.from_store),
        stopped=solver.interrupted,
    )


def checked(
    report: SolveReport,
    audit: Audit,
    positions: int,
    store: Store | None,
    tell: Callable[[Compared], None] | None = None,
) -> SolveReport:
    """The report with what was compared: so many positions with their moves, and the store.

    Raises:
        Mismatch, Contradiction: what was solved, or the store, contradicts itself.
    """
    compared = audit.compare(positions, tell=tell)
    stored = 0 if store is None else audit.against(store)
    return replace(report, checked=replace(compared, stored=stored))


def _verdict(board: chess.Board, solution: Solution) -> Verdict:
    """What is proved for the side to move, the Laws and the clock first."""
    side = Side.of(board.turn)
    if over_words(board):
        outcome = Outcome.LOSS if board.is_checkmate() else Outcome.DRAW
        return Verdict(side, outcome, outcome, Evidence.RULES)
    answer = solution.answer(board)
    low, high = (Outcome.LOSS, Outcome.WIN) if answer is None else (answer.low, answer.high)
    if board.halfmove_clock >= CLAIM_PLIES:
        low = max(low, Outcome.BLESSED_LOSS)
        high = max(low, high)
    known = Evidence.SOLVED if low.points == high.points else Evidence.BOUNDED
    return Verdict(side, low, high, known)


def _moves(board: chess.Board, solution: Solution) -> Iterator[tuple[chess.Move, Verdict]]:
    """Every legal move with what it keeps; the distance is counted from the position after it.

    A move that is itself a capture, a pawn move or mate has a distance of 0.
    """
    for move in board.legal_moves:
        child = board.copy(stack=False)
        child.push(move)
        verdict = _verdict(child, solution).for_side(Side.of(board.turn))
        plies = None
        if board.is_zeroing(move) or child.is_checkmate():
            plies = 0
        elif not over_words(child):
            distance = solution.distance(child)
            plies = abs(distance.plies) if distance is not None and distance.plies else None
        yield move, replace(verdict, distance=plies)


def _solved_move(board: chess.Board, move: chess.Move, verdict: Verdict | None) -> SolvedMove:
    assert verdict is not None
    plies = verdict.distance or None
    return SolvedMove(board.san(move), move.uci(), verdict.low, verdict.high, plies)


def _with_moves(
    board: chess.Board, own: Verdict, moves: tuple[Move, ...]
) -> tuple[Outcome, Outcome]:
    """The position's outcomes narrowed by those of its moves.

    Raises:
        Disagreement: they exclude each other.
    """
    judged = backed_up(board, own, moves)
    assert judged is not None
    # Of a result known already the position's own name is the closer one (a blessed loss, say).
    verdict = own if own.exact else judged
    return verdict.low, verdict.high


def _line(board: chess.Board, solution: Solution) -> tuple[tuple[str, ...], str]:
    """Moves in SAN to the next zeroing move or mate, and what ends them.

    The winner takes the shortest proved way, the loser the longest.
    """
    low, high = solution.interval(board)
    if not (low > 0 or high < 0):
        return (), ""
    work = board.copy(stack=False)
    moves: list[str] = []
    winner = board.turn if low > 0 else not board.turn
    while len(moves) < MOST_PLIES:
        bound = solution.bound(work)
        if bound is None:
            return tuple(moves), "so on" if moves else ""
        best = _next(work, solution, winner, bound)
        if best is None:
            return tuple(moves), ("next" if bound == 1 else "so on") if moves else ""
        capture, zeroing = work.is_capture(best), work.is_zeroing(best)
        moves.append(work.san_and_push(best))
        if work.is_checkmate():
            return tuple(moves), "mate"
        if zeroing:
            kind = "capture" if capture else "promotion" if best.promotion else "pawn move"
            return tuple(moves), kind
    return tuple(moves), "so on"


def _next(
    board: chess.Board, solution: Solution, winner: chess.Color, bound: int
) -> chess.Move | None:
    """The next move of a line; None if the kept sets do not tell."""
    rated = []
    for move in board.legal_moves:
        child = board.copy(stack=False)
        child.push(move)
        low, high = solution.interval(child)
        if not (high < 0 if child.turn != winner else low > 0):
            continue
        zeroing = board.is_zeroing(move)
        if child.is_checkmate():
            plies = 0
        elif zeroing:
            plies = 1
        else:
            known = solution.bound(child)
            if known is None or known >= bound:
                continue
            plies = known + 1
        # Captures before promotions before other moves; queens before lesser pieces.
        kind = 0 if board.is_capture(move) else 1 if move.promotion else 2
        under = 0 if move.promotion in (None, chess.QUEEN) else 1
        sign = 1 if board.turn == winner else -1
        if board.turn == winner and plies > bound:
            continue
        rated.append(((sign * plies, under, kind, move.from_square, move.to_square), move))
    return min(rated, key=lambda item: item[0])[1] if rated else None


def _questions(board: chess.Board, solver: Solver, solution: Solution) -> Iterator[Question]:
    from tablebases.solver.structures import LOWER

    low, high = solution.interval(board)
    order = list(dict.fromkeys((s.colour, s.scope.mode) for s in (*solver.steps, *solver.skipped)))
    for colour, mode in order:
        own = (low, high) if colour == board.turn else (high.opposite, low.opposite)
        wins, fails = own[0].points > 0, own[1].points <= 0
        if mode != LOWER:
            wins, fails = fails, wins
        result = "proved" if wins else "refuted" if fails else "open"
        done = [s for s in solver.steps if (s.colour, s.scope.mode) == (colour, mode)]
        left = [s for s in solver.skipped if (s.colour, s.scope.mode) == (colour, mode)]
        claim = (done or left)[0].question
        yield Question(
            claim, result, tuple(_scope(s) for s in done), tuple(_scope(s) for s in left)
        )


def _scope(step: SolveStep) -> str:
    from tablebases.solver.structures import ALL_KINDS, LOWER

    scope = step.scope
    return scope_words(
        Side.of(step.colour),
        wins=scope.mode == LOWER,
        pieces=scope.caps,
        winner_queens_only=scope.white_promotions != ALL_KINDS,
        other_queens_only=scope.black_promotions != ALL_KINDS,
        pawn_moves=scope.budget,
    )
