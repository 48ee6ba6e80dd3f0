"""``fullpoint position``: judge one position, or each of an EPD file."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from convert.cli.common import (
    SolverProgress,
    ToolError,
    effort_option,
    figures_option,
    make_bench,
    note,
    out_console,
    solve_option,
    table_options,
    whole_file,
)
from convert.cli.params import Careful, Input, Output


@click.command("position", cls=Careful, context_settings={"ignore_unknown_options": False})
@click.argument("fen", metavar="FEN", nargs=-1)
@click.option("--epd", "epd", metavar="FILE", type=Input(),
              help="Judge each position of an EPD or FEN file ('-': standard input).")
@click.option("--json", "json_out", metavar="OUT", type=Output(),
              help="Write the report as JSON, one document a position ('-': standard output).")
@click.option("--variants/--no-variants", default=True,
              help="With or without the table of what decides it.")
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
    from convert.fen import SourceError, parse_fen
    from convert.position import judge_position
    from tablebases.errors import Contradiction

    solving = SolverProgress()
    bench = make_bench(tables, effort, solve=solve, tell=solving)
    trouble = False
    console = None if json_out == "-" else out_console()
    documents: list[str] = []

    def one(board: object, notes: tuple[str, ...], first: bool, name: str = "") -> None:
        import chess

        assert isinstance(board, chess.Board)
        report = judge_position(board, bench, notes, variants=variants)
        solving.done()
        if json_out:
            from convert.reports.json_text import position_document

            documents.append(position_document(report))
        if console is not None:
            from convert.reports.position_text import print_position

            if not first:
                console.print("\n" + "=" * min(console.width, 80) + "\n")
            if name:
                console.print(name, style="bold")
            print_position(report, console, figures=figures)

    if fen:
        try:
            board, notes = parse_fen(" ".join(fen))
        except SourceError as err:
            raise ToolError(str(err)) from err
        one(board, notes, True)
    else:
        from convert.sources import read_positions

        first = True
        assert epd is not None
        stdin = sys.stdin.buffer if epd == "-" else None
        try:
            for read in read_positions(epd, stdin=stdin):
                for problem in read.problems:
                    note(str(problem))
                    trouble = trouble or problem.fatal or read.board is None
                if read.board is not None:
                    notes = tuple(p.reason for p in read.problems if not p.fatal)
                    try:
                        one(read.board, notes, first, str(read.operations.get("id") or ""))
                    except Contradiction as err:
                        note(f"error: {read.source}, line {read.line}: {err}")
                        trouble = True
                        continue
                    first = False
        except SourceError as err:
            note(f"error: {err}")
            trouble = True
        if first and not trouble:
            note(f"error: {epd}: no position to judge")
            trouble = True
    if json_out:
        with whole_file(json_out) as file:
            file.writelines(documents)
    return 2 if trouble else 0
