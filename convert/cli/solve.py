"""``fullpoint solve``: a position past the tables, solved on the spot."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from convert.cli.common import (
    EFFORT_NAMES,
    MOST_COUNT,
    MOST_GB,
    MOST_SECONDS,
    Real,
    StatusLine,
    ToolError,
    Whole,
    err_console,
    figures_option,
    note,
    out_console,
    whole_file,
)
from convert.cli.params import Careful, Output

if TYPE_CHECKING:
    from collections.abc import Callable

    import chess

    from convert.reports.solution_text import Question, SolvedMove, SolveReport
    from tablebases.solver import Progress, Solution
    from tablebases.solver.solution import Solver, Step
    from tablebases.values import Outcome

GB = 10**9
#: Planned work in seconds of one core, and bytes of memory, by effort.
EFFORTS = {"quick": (8.0, 1 * GB), "normal": (100.0, 3 * GB), "deep": (1000.0, 8 * GB)}
#: Endings of at most so many men are settled whatever it takes.
SETTLED = {"quick": 0, "normal": 5, "deep": 5}
#: Lines are cut after so many plies.
MOST_PLIES = 60
#: A small ending with a win in it: solving it loads, or makes, all the machine code.
_SMALL = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"


@click.command("solve", cls=Careful, context_settings={"ignore_unknown_options": False})
@click.argument("fen", metavar="FEN", nargs=-1, required=True)
@click.option("--effort", type=click.Choice(EFFORT_NAMES), default="normal", show_default=True,
              help="How much work to do, whatever time that takes: 8, 100 or 1000 seconds of one "
              "core, as planned, with 1, 3 or 8 GB of memory. Up to five men are settled in any "
              "case, but with quick.")
@click.option("--seconds", type=Real(0.1, MOST_SECONDS),
              help="Stop after so many seconds on the clock instead; what is proved then depends "
              "on the machine.")
@click.option("--memory", type=Real(0.05, MOST_GB), metavar="GB",
              help="Memory instead of the effort's; what the machine cannot spare of it lies in a "
              "file.")
@click.option("--disk", type=Real(0, MOST_GB), metavar="GB", default=0.0,
              help="Room on disk for what does not fit into memory. [default: none]")
@click.option("--threads", type=Whole(1, 256),
              help="Threads. [default: one for each processor]")
@click.option("--store/--no-store", default=True,
              help="Keep results for the next time, and use those kept.")
@click.option("--check", type=Whole(1, MOST_COUNT), metavar="N",
              help="Afterwards hold N positions of what was solved against their moves.")
@click.option("--json", "json_out", metavar="OUT", type=Output(),
              help="Write the report as JSON ('-': standard output, then without the text).")
@figures_option
def command(
    fen: tuple[str, ...],
    effort: str,
    seconds: float | None,
    memory: float | None,
    disk: float,
    threads: int | None,
    store: bool,
    check: int | None,
    json_out: str | None,
    figures: bool,
) -> int:
    """Solve an ending past the tables: who wins, and which moves keep it?

    For kings, any number of pawns and at most four other pieces, without
    castling. What cannot be settled with the work allowed is bounded: at least
    a draw, say. Ctrl-C ends the work and shows what is proved so far. The first
    use of all prepares the solver for about a minute.

    \b
    fullpoint solve "8/8/3n4/4k3/8/4K3/4P3/R7 w - - 0 1"
    fullpoint solve --effort deep "8/pp3p2/4k3/8/8/4K3/PPP2P2/8 w - - 0 1"
    """
    from convert.fen import SourceError, parse_fen

    try:
        board, notes = parse_fen(" ".join(fen))
    except SourceError as err:
        raise ToolError(str(err)) from err
    over = over_words(board)
    if over:
        report = _finished(board, notes, over)
    else:
        _refuse(board)
        plain_seconds, plain_memory = EFFORTS[effort]
        budget = _Spend(
            seconds=seconds if seconds is not None else plain_seconds,
            memory=int(memory * GB) if memory is not None else plain_memory,
            disk=_on_disk(disk),
            threads=threads or _processors(),
            planned=seconds is None,
            settled=SETTLED[effort],
        )
        report = _solve(board, notes, budget, store, check)
    from convert.reports.solution_text import print_solution, solve_document

    # The file first: whoever reads the text may have read enough of it, and closed the pipe.
    if json_out:
        with whole_file(json_out) as file:
            file.write(solve_document(report))
    if json_out != "-":
        print_solution(report, out_console(), figures=figures)
    return 0


class _Spend:
    """Seconds, planned or on the clock; memory and disk in bytes; threads."""

    def __init__(
        self, *, seconds: float, memory: int, disk: int, threads: int, planned: bool, settled: int
    ) -> None:
        self.seconds = seconds
        self.memory = memory
        self.disk = disk
        self.threads = threads
        self.planned = planned
        self.settled = settled


# --- what is not for the solver -----------------------------------------------------------------


def over_words(board: chess.Board) -> str:
    """Why the game is over by the Laws of Chess (5.1, 5.2, 9.6.2), or an empty string."""
    if not any(board.generate_legal_moves()):
        if board.is_check():
            return f"checkmate, {'Black' if board.turn else 'White'} has won"
        return "stalemate, drawn"
    if board.is_insufficient_material():
        return "drawn, neither side has material to mate"
    if board.halfmove_clock >= 150:
        return "drawn by the seventy-five-move rule"
    return ""


def _refuse(board: chess.Board) -> None:
    """Say why a position is none for the solver.

    Raises:
        ToolError: it is none.
    """
    import chess

    pieces = chess.popcount(board.occupied & ~board.kings & ~board.pawns)
    if pieces > 4:
        raise ToolError(
            f"{pieces} pieces besides kings and pawns: the solver takes at most 4"
        )
    if board.castling_rights:
        raise ToolError(
            "a side may still castle, which the solver leaves out (a dash in the FEN's castling "
            "field if it no longer may)"
        )


def _finished(board: chess.Board, notes: tuple[str, ...], over: str) -> SolveReport:
    from convert.model import Side
    from convert.reports.solution_text import SOLVE_SCHEMA, SolveReport
    from tablebases.values import Outcome

    outcome = Outcome.LOSS if board.is_checkmate() else Outcome.DRAW
    return SolveReport(
        schema=SOLVE_SCHEMA, fen=board.fen(), notes=notes if board.halfmove_clock < 100 else (),
        to_move=Side.of(board.turn), over=over, low=outcome, high=outcome, exact=True,
        distance=None, bound=None, line=(), line_ends="",
        moves=(), questions=(), cost=None, stopped=False,
    )  # fmt: skip


# --- the machine ----------------------------------------------------------------------------------


def _processors() -> int:
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def _cache_folder() -> Path:
    import platformdirs

    return Path(platformdirs.user_cache_path("fullpoint"))


def _on_disk(gigabytes: float) -> int:
    """Bytes of room on disk.

    Raises:
        ToolError: so much is not free: a file that outgrows the disk would end the program.
    """
    import shutil

    wanted = int(gigabytes * GB)
    if not wanted:
        return 0
    folder = _cache_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(folder).free
    except OSError as err:
        raise ToolError(f"{folder}: cannot be used ({err.strerror})") from err
    if wanted > free:
        raise ToolError(f"--disk {gigabytes:g}: only {free / GB:.1f} GB are free in {folder}")
    return wanted


# --- the work -------------------------------------------------------------------------------------


def _solve(
    board: chess.Board,
    notes: tuple[str, ...],
    spend: _Spend,
    use_store: bool,
    check: int | None,
) -> SolveReport:
    """Solve, and compare ``check`` positions if asked to.

    Raises:
        Mismatch, Contradiction: what was solved, or the store, contradicts itself.
    """
    from convert.reports.solution_text import Checked
    from tablebases.solver import Budget, Store
    from tablebases.solver.solution import Solver

    _prepare()
    budget = Budget(
        seconds=spend.seconds, memory=spend.memory, disk=spend.disk, threads=spend.threads,
        planned=spend.planned, settled=spend.settled,
    )  # fmt: skip
    audit = None
    if check is not None:
        from tablebases.solver.audit import Audit

        audit = Audit()
    store = Store() if use_store else None
    with _progress() as tell:
        solver = Solver(
            [board],
            budget,
            # What is to be checked is solved anew; the store is then held against it.
            store=None if audit else store,
            progress=tell,
            folder=_cache_folder() if spend.disk else None,
            moves_too=True,
            audit=audit,
        )
        solution = solver.run()
    report = build_report(board, notes, solver, solution, stopped=solver.interrupted)
    if audit is None or check is None:
        return report
    line = StatusLine()
    compared = audit.compare(
        check, tell=lambda now: line.show(f"checking: {now.positions:,} of {check:,} positions")
    )
    compared.stored = 0 if store is None else audit.against(store)
    line.wipe()
    return replace(report, checked=Checked(**asdict(compared)))


@contextlib.contextmanager
def _interruptible() -> Iterator[None]:
    """An interrupt that came up in compiled code is an interrupt, whatever it is wrapped in."""
    try:
        yield
    except SystemError as err:
        if isinstance(err.__cause__, KeyboardInterrupt):
            raise KeyboardInterrupt from err
        raise


def _prepare() -> None:
    """Load the machine code, or make it on the first use, before the clock starts."""
    import chess

    from tablebases.solver import Budget, prepared, solve

    if sys.stderr.isatty() and not prepared():
        note("preparing the solver, once: about a minute")
    board = chess.Board(_SMALL)
    with _interruptible():
        small = solve(board, Budget(seconds=3600.0, memory=GB // 4, threads=1))
        small.distance(board)


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[Progress], None]]:
    """A line on standard error with what is being proved; nothing when that is no terminal."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Bars

    bars = Bars(
        TextColumn("{task.description}"),
        BarColumn(bar_width=20),
        TextColumn("{task.fields[told]}"),
        console=err_console(),
        transient=True,
    )
    with bars:
        task = bars.add_task("looking at what there is to prove", total=None, told="")

        def tell(now: Progress) -> None:
            bars.update(
                task,
                description=f"to prove: {now.question}",
                total=1.0,
                completed=now.share,
                told=f"{now.done:,} of {now.slices:,} parts, {_left_words(now.left)}",
            )

        yield tell


def _left_words(seconds: float) -> str:
    if seconds < 90:
        return f"about {max(1, round(seconds))} s left"
    return f"about {round(seconds / 60)} min left"


# --- what came of it ------------------------------------------------------------------------------


def build_report(
    board: chess.Board,
    notes: tuple[str, ...],
    solver: Solver,
    solution: Solution,
    *,
    stopped: bool = False,
) -> SolveReport:
    """The facts about a position, taken from what was proved."""
    from convert.model import Side
    from convert.reports.solution_text import SOLVE_SCHEMA, SolveReport, Spent

    moves = tuple(_moves(board, solution))
    low, high = _with_moves(board, _outcomes(board, solution), moves)
    exact = solution.exact(board)
    distance = solution.distance(board)
    line, ends = _line(board, solution)
    if 0 < board.halfmove_clock < 100:
        notes = (*notes, f"{board.halfmove_clock} plies without a capture or pawn move are "
                         "counted already")  # fmt: skip
    cost = solution.cost
    return SolveReport(
        schema=SOLVE_SCHEMA,
        fen=board.fen(),
        notes=notes,
        to_move=Side.of(board.turn),
        over="",
        low=low,
        high=high,
        exact=exact,
        distance=None if distance is None else distance.plies,
        bound=solution.bound(board),
        line=line,
        line_ends=ends,
        moves=moves,
        questions=tuple(_questions(board, solver, solution)),
        cost=Spent(cost.seconds, cost.slices, cost.positions, cost.peak_bytes, cost.from_store),
        stopped=stopped,
    )


def _outcomes(board: chess.Board, solution: Solution) -> tuple[Outcome, Outcome]:
    """Worst and best outcome for the side to move, the Laws and the clock first."""
    from tablebases.values import CLAIM_PLIES, Outcome

    if over_words(board):
        outcome = Outcome.LOSS if board.is_checkmate() else Outcome.DRAW
        return outcome, outcome
    answer = solution.answer(board)
    low, high = (Outcome.LOSS, Outcome.WIN) if answer is None else (answer.low, answer.high)
    if board.halfmove_clock >= CLAIM_PLIES:
        low = max(low, Outcome.BLESSED_LOSS)
        high = max(low, high)
    return low, high


def _with_moves(
    board: chess.Board, own: tuple[Outcome, Outcome], moves: tuple[SolvedMove, ...]
) -> tuple[Outcome, Outcome]:
    """The position's outcomes narrowed by those of its moves.

    Raises:
        Contradiction: they exclude each other.
    """
    from convert.keeping import best_interval, narrowed
    from convert.model import Evidence, Side, Verdict

    if not moves or over_words(board):
        return own
    best = best_interval(board, [(move.low, move.high) for move in moves])
    side = Side.of(board.turn)
    told = narrowed(
        board.fen(),
        "solver",
        Verdict(side, *own, Evidence.BOUNDED),
        "solver (after the moves)",
        Verdict(side, *best, Evidence.BOUNDED),
    )
    # Of a result known already the position's own name is the closer one (a blessed loss, say).
    return own if own[0].points == own[1].points else (told.low, told.high)


def _moves(board: chess.Board, solution: Solution) -> Iterator[SolvedMove]:
    from convert.reports.solution_text import SolvedMove

    for move in board.legal_moves:
        child = board.copy(stack=False)
        child.push(move)
        low, high = _outcomes(child, solution)
        plies = None
        if not board.is_zeroing(move) and not over_words(child):
            distance = solution.distance(child)
            plies = abs(distance.plies) if distance is not None and distance.plies else None
        yield SolvedMove(board.san(move), move.uci(), high.opposite, low.opposite, plies)


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
    import chess

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
    from convert.reports.solution_text import Question
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


def _scope(step: Step) -> str:
    from convert.model import Side
    from convert.reports.solution_text import scope_words
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
