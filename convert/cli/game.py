"""``fullpoint game``: how the games of a file were converted or let slip."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from convert.cli.batch import Games
from convert.cli.common import (
    MOST_COUNT,
    SolverProgress,
    StatusLine,
    ToolError,
    Whole,
    effort_option,
    figures_option,
    make_bench,
    out_console,
    solve_option,
    table_options,
)
from convert.cli.params import Careful, InputPath, OutputPath
from convert.cli.quiet import FINDINGS, OK, TROUBLE
from convert.cli.streams import note
from convert.judging.bench import fresh
from convert.reports import OUTPUTS, Beside

if TYPE_CHECKING:
    from convert.cli.pages import Target
    from convert.judging.judges import Bench
    from convert.model import Review
    from convert.reading.records import GameRead


def output_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """An option for each form in which reviews are written (:data:`convert.reports.OUTPUTS`)."""
    for form in reversed(OUTPUTS):
        command = click.option(
            f"--{form.ident}",
            form.ident,
            metavar="OUT",
            type=OutputPath(pages=form.pages, folder=form.folder),
            help=form.help,
        )(command)
    return command


def booklet_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """A booklet of all games, and its title."""
    command = click.option(
        "--title",
        default="",
        metavar="TEXT",
        help="Title of the booklet; else the names of the files.",
    )(command)
    return click.option(
        "--booklet",
        metavar="OUT",
        type=OutputPath(),
        help="Write all games as a booklet to print, with title page and contents: a page "
        "(.html) or LaTeX (.tex).",
    )(command)


@click.command("game", cls=Careful)
@click.argument("files", metavar="FILE...", nargs=-1, type=InputPath())
@click.option(
    "--game",
    "games",
    multiple=True,
    type=Whole(1, MOST_COUNT),
    metavar="N",
    help="Only game number N of the file (repeatable).",
)
@click.option(
    "--side",
    type=click.Choice(["white", "black", "auto"]),
    default="auto",
    show_default=True,
    help="Whose conversion is reviewed; auto: the winner's if he was ever winning or "
    "clearly better, else the side that was so first.",
)
@output_options
@booklet_options
@click.option(
    "--full/--brief",
    "full",
    default=False,
    show_default=True,
    help="The report on the terminal whole (each slip and trade with its diagram, the outcome "
    "move by move, material, how we know), or in a few lines each.",
)
@click.option("--annotator", metavar="NAME", help="Annotator tag for --pgn.")
@click.option("-q", "--quiet", is_flag=True, help="No report on the terminal, no progress.")
@click.option(
    "--fail-on",
    type=click.Choice(["slip", "suspected"]),
    help="Exit with 1 when a certain slip (or a suspected one) is found.",
)
@effort_option
@solve_option
@figures_option
@table_options
@click.pass_context
def command(
    ctx: click.Context,
    /,
    files: tuple[str, ...],
    games: tuple[int, ...],
    side: str,
    booklet: str | None,
    title: str,
    full: bool,
    annotator: str | None,
    quiet: bool,
    fail_on: str | None,
    effort: str,
    solve: bool,
    figures: bool,
    tables: tuple[Path, ...],
    **outs: str | None,
) -> int:
    """Review how each game of FILE (PGN; .gz, .zst; - for standard input) was converted.

    The report begins with who won, how, and the deciding moment; then come slips, trades,
    technique, the outcome move by move and material; every outcome with its evidence.

    \b
    fullpoint game club.pgn --game 3
    fullpoint game club.pgn --side black --pgn annotated.pgn --json review.json
    fullpoint game club.pgn --game 3 --html lesson.html
    fullpoint game season.pgn -q --booklet season.tex --title "Our season"
    """
    if not files:
        if sys.stdin.isatty():
            click.echo(ctx.get_help())
            return 2
        files = ("-",)
    if "-" in outs.values():
        quiet = True
    if title and booklet is None:
        raise ToolError("--title is the title of a --booklet; name one")
    solving = SolverProgress(quiet)
    bench = make_bench(tables, effort, solve=solve, tell=solving)
    bench.remember()
    job = _Job(bench, side, Games(files, games), quiet, _Look(figures, full), annotator)
    with ExitStack() as stack:
        for form in OUTPUTS:
            if (out := outs[form.ident]) is not None:
                from convert.cli.pages import written

                job.outputs.append(stack.enter_context(written(form, out, files)))
        if booklet is not None:
            from convert.cli.pages import booklet as made

            job.outputs.append(stack.enter_context(made(booklet, title, files)))
        job.run()
        if not job.reviewed:
            job.games.none_found("review")
    if job.games.trouble:
        return TROUBLE
    if fail_on and (job.certain or (fail_on == "suspected" and job.suspected)):
        return FINDINGS
    return OK


@dataclass(frozen=True)
class _Look:
    """How the report looks on the terminal."""

    figures: bool
    full: bool


class _Job:
    """Reads, reviews and reports game by game; keeps nothing but counts."""

    def __init__(
        self,
        bench: Bench,
        side: str,
        games: Games,
        quiet: bool,
        look: _Look,
        annotator: str | None,
    ):
        self.bench = bench
        self.side = side
        self.games = games
        self.line = StatusLine(quiet)
        self.look = look
        self.annotator = annotator
        self.outputs: list[Target] = []
        self.console = None if quiet else out_console()
        self.reviewed = self.certain = self.suspected = 0

    def run(self) -> None:
        """Review and report each game asked for."""
        reads = iter(self.games)
        for output in self.outputs:
            reads = output.check(reads)
        for read in reads:
            review = self._one(read)
            if review is not None:
                self._report(review, read)

    def _one(self, read: GameRead) -> Review | None:
        from convert.model import Side
        from convert.review.game import Refused, review_game
        from tablebases.errors import Contradiction

        self.games.remark(read)
        side = None if self.side == "auto" else Side(self.side)
        fresh(self.bench)

        def tell(done: int, total: int) -> None:
            self.line.show(f"game {read.number}: {done} of {total} positions judged")

        try:
            review = review_game(read, self.bench, side, tell)
        except Refused as err:
            if read.game is not None:
                if not read.problems:
                    note(f"{read.source}: game {read.number}, line {read.line}: {err}")
                self.reviewed += 1
            return None
        except Contradiction as err:
            self.games.contradicted(read, err)
            return None
        finally:
            self.line.wipe()
            self.bench.keep()
        return review

    def _report(self, review: Review, read: GameRead) -> None:
        if self.console is not None:
            from convert.reports.terminal import print_review

            if self.reviewed:
                self.console.print("\n" + "=" * min(self.console.width, 80) + "\n", style="")
            look = self.look
            print_review(review, self.console, figures=look.figures, full=look.full)
        for output in self.outputs:
            output.add(review, Beside(read.game, self.annotator))
        self.reviewed += 1
        self.certain += sum(s.certain for s in review.slips)
        self.suspected += sum(not s.certain for s in review.slips)
