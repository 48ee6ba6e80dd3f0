"""``fullpoint position``: judge one position, or each of an EPD file."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from convert.cli.common import (
    SolverProgress,
    ToolError,
    effort_option,
    figures_option,
    make_bench,
    out_console,
    solve_option,
    table_options,
    whole_file,
)
from convert.cli.params import Careful, InputPath, OutputPath
from convert.cli.streams import note

if TYPE_CHECKING:
    import chess
    from rich.console import Console

    from convert.judging.judges import Bench


@click.command("position", cls=Careful, context_settings={"ignore_unknown_options": False})
@click.argument("fen", metavar="FEN", nargs=-1)
@click.option(
    "--epd",
    "epd",
    metavar="FILE",
    type=InputPath(),
    help="Judge each position of an EPD or FEN file ('-': standard input).",
)
@click.option(
    "--json",
    "json_out",
    metavar="OUT",
    type=OutputPath(),
    help="Write the report as JSON, one document a position ('-': standard output).",
)
@click.option(
    "--variants/--no-variants", default=True, help="With or without the table of what decides it."
)
@effort_option
@solve_option
@figures_option
@table_options
@click.pass_context
def command(
    ctx: click.Context,
    fen: tuple[str, ...],
    epd: str | None,
    json_out: str | None,
    variants: bool,
    effort: str,
    solve: bool,
    figures: bool,
    tables: tuple[Path, ...],
) -> int:
    """Is this ending a win, what keeps it, and what decides it?

    FEN may be quoted or given as its four or six words; - reads positions, one
    a line, from standard input.

    \b
    fullpoint position "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"
    fullpoint position --epd endings.epd
    """
    if fen == ("-",):
        fen, epd = (), "-"
    if not fen and epd is None:
        if sys.stdin.isatty():
            click.echo(ctx.get_help())
            return 2
        epd = "-"
    if fen and epd is not None:
        raise ToolError("give a FEN or --epd, not both")
    solving = SolverProgress()
    bench = make_bench(tables, effort, solve=solve, tell=solving)
    console = None if json_out == "-" else out_console()
    job = _Job(bench, solving, variants, figures, bool(json_out), console)
    trouble = job.given(" ".join(fen)) if epd is None else job.file(epd)
    if json_out:
        with whole_file(json_out) as file:
            file.writelines(job.documents)
    return 2 if trouble else 0


@dataclass
class _Job:
    """Positions judged and printed one after the other; the documents are kept."""

    bench: Bench
    solving: SolverProgress
    variants: bool
    figures: bool
    as_json: bool
    console: Console | None
    documents: list[str] = field(default_factory=list)
    first: bool = True

    def one(self, board: chess.Board, notes: tuple[str, ...], name: str = "") -> None:
        """Judge a position and print the report under its name.

        Raises:
            Contradiction: verdicts on it exclude each other.
        """
        from convert.review.position import judge_position

        report = judge_position(board, self.bench, notes, variants=self.variants)
        self.solving.done()
        if self.as_json:
            from convert.reports.json_text import document

            self.documents.append(document(report))
        if self.console is not None:
            from convert.reports.position_text import print_position

            if not self.first:
                self.console.print("\n" + "=" * min(self.console.width, 80) + "\n")
            if name:
                self.console.print(name, style="bold")
            print_position(report, self.console, figures=self.figures)
        self.first = False

    def given(self, fen: str) -> bool:
        """The position of a FEN.

        Raises:
            ToolError: it is none.
        """
        from convert.reading.fen import SourceError, parse_fen

        try:
            board, notes = parse_fen(fen)
        except SourceError as err:
            raise ToolError(str(err)) from err
        self.one(board, notes)
        return False

    def file(self, epd: str) -> bool:
        """The positions of a file; was there any trouble?"""
        from convert.reading.epd import read_positions
        from convert.reading.fen import SourceError
        from tablebases.errors import Contradiction

        trouble = False
        stdin = sys.stdin.buffer if epd == "-" else None
        try:
            for read in read_positions(epd, stdin=stdin):
                for problem in read.problems:
                    note(str(problem))
                    trouble = trouble or problem.fatal or read.board is None
                if read.board is not None:
                    notes = tuple(p.reason for p in read.problems if not p.fatal)
                    try:
                        self.one(read.board, notes, str(read.operations.get("id") or ""))
                    except Contradiction as err:
                        note(f"error: {read.source}, line {read.line}: {err}")
                        trouble = True
        except SourceError as err:
            note(f"error: {err}")
            trouble = True
        if self.first and not trouble:
            note(f"error: {epd}: no position to judge")
            trouble = True
        return trouble
