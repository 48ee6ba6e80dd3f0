"""``fullpoint solve``: a position past the tables, solved on the spot."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
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
    out_console,
    whole_file,
)
from convert.cli.params import Careful, OutputPath
from convert.cli.streams import note
from tablebases.folders import cache_folder

if TYPE_CHECKING:
    from collections.abc import Callable

    import chess

    from convert.model.solution import SolveReport
    from tablebases.solver import Budget, Progress

GB = 10**9


@click.command("solve", cls=Careful, context_settings={"ignore_unknown_options": False})
@click.argument("fen", metavar="FEN", nargs=-1, required=True)
@click.option(
    "--effort",
    type=click.Choice(EFFORT_NAMES),
    default="normal",
    show_default=True,
    help="How much work to do, whatever time that takes: 8, 100 or 1000 seconds of one "
    "core, as planned, with 1, 3 or 8 GB of memory. Up to five men are settled in any "
    "case, but with quick.",
)
@click.option(
    "--seconds",
    type=Real(0.1, MOST_SECONDS),
    help="Stop after so many seconds on the clock instead; what is proved then depends "
    "on the machine.",
)
@click.option(
    "--memory",
    type=Real(0.05, MOST_GB),
    metavar="GB",
    help="Memory instead of the effort's; what the machine cannot spare of it lies in a file.",
)
@click.option(
    "--disk",
    type=Real(0, MOST_GB),
    metavar="GB",
    default=0.0,
    help="Room on disk for what does not fit into memory. [default: none]",
)
@click.option("--threads", type=Whole(1, 256), help="Threads. [default: one for each processor]")
@click.option(
    "--store/--no-store", default=True, help="Keep results for the next time, and use those kept."
)
@click.option(
    "--check",
    type=Whole(1, MOST_COUNT),
    metavar="N",
    help="Afterwards hold N positions of what was solved against their moves.",
)
@click.option(
    "--json",
    "json_out",
    metavar="OUT",
    type=OutputPath(),
    help="Write the report as JSON ('-': standard output, then without the text).",
)
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
    from convert.reading.fen import SourceError, parse_fen
    from convert.review.solution import budget_for, finished, refusal

    try:
        board, notes = parse_fen(" ".join(fen))
    except SourceError as err:
        raise ToolError(str(err)) from err
    report = finished(board, notes)
    if report is None:
        if refused := refusal(board):
            raise ToolError(refused)
        budget = budget_for(
            effort,
            seconds=seconds,
            memory=int(memory * GB) if memory is not None else None,
            disk=_on_disk(disk),
            threads=threads or _processors(),
        )
        report = _solve(board, notes, budget, store, check)
    from convert.reports.json_text import document
    from convert.reports.solution_text import print_solution

    # The file first: whoever reads the text may have read enough of it, and closed the pipe.
    if json_out:
        with whole_file(json_out) as file:
            file.write(document(report))
    if json_out != "-":
        print_solution(report, out_console(), figures=figures)
    return 0


# --- the machine ----------------------------------------------------------------------------------


def _processors() -> int:
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def _on_disk(gigabytes: float) -> int:
    """Bytes of room on disk.

    Raises:
        ToolError: so much is not free: a file that outgrows the disk would end the program.
    """
    import shutil

    wanted = int(gigabytes * GB)
    if not wanted:
        return 0
    folder = cache_folder()
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
    budget: Budget,
    use_store: bool,
    check: int | None,
) -> SolveReport:
    """Solve, and compare ``check`` positions if asked to, telling how far it has come.

    Raises:
        Mismatch, Contradiction: what was solved, or the store, contradicts itself.
    """
    from convert.review.solution import checked, solve_position
    from tablebases.solver import Store
    from tablebases.solver.audit import Audit
    from tablebases.solver.trying import Solver

    _prepare()
    audit = None if check is None else Audit()
    store = Store() if use_store else None
    with _progress() as tell:
        solver = Solver(
            [board],
            budget,
            # What is to be checked is solved anew; the store is then held against it.
            store=None if audit else store,
            progress=tell,
            folder=cache_folder() if budget.disk else None,
            moves_too=True,
            audit=audit,
        )
        report = solve_position(board, solver, notes)
    if audit is None or check is None:
        return report
    line = StatusLine()
    report = checked(
        report,
        audit,
        check,
        store,
        tell=lambda now: line.show(f"checking: {now.positions:,} of {check:,} positions"),
    )
    line.wipe()
    return report


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
    from convert.review.solution import load_machine_code
    from tablebases.solver import prepared

    if sys.stderr.isatty() and not prepared():
        note("preparing the solver, once: about a minute")
    with _interruptible():
        load_machine_code()


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
