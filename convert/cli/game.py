"""``fullpoint game``: how the games of a file were converted or let slip."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import IO, TYPE_CHECKING

import click

from convert.bench import fresh
from convert.cli.batch import Games
from convert.cli.common import (
    MOST_COUNT,
    SolverProgress,
    StatusLine,
    Whole,
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
from convert.cli.quiet import FINDINGS, OK, TROUBLE

if TYPE_CHECKING:
    from convert.cli.pages import Folder, OnePage
    from convert.judge import Bench
    from convert.model import Review
    from convert.sources import GameRead


@click.command("game", cls=Careful)
@click.argument("files", metavar="FILE...", nargs=-1, type=Input())
@click.option("--game", "games", multiple=True, type=Whole(1, MOST_COUNT), metavar="N",
              help="Only game number N of the file (repeatable).")
@click.option("--side", type=click.Choice(["white", "black", "auto"]), default="auto",
              show_default=True, help="Whose conversion is reviewed; auto: the side that was "
              "winning or clearly better first.")
@click.option("--pgn", "pgn_out", metavar="OUT", type=Output(),
              help="Write the games with the findings as comments, variations and NAGs.")
@click.option("--json", "json_out", metavar="OUT", type=Output(),
              help="Write the whole reviews as JSON ('-': standard output).")
@click.option("--html", "html_out", metavar="OUT", type=Output(pages=True),
              help="Write an illustrated page: a name ending in .html or .htm for one game, else "
              "a folder with a page a game and an index.")
@click.option("--annotator", metavar="NAME", help="Annotator tag for --pgn.")
@click.option("-q", "--quiet", is_flag=True, help="No report on the terminal, no progress.")
@click.option("--fail-on", type=click.Choice(["slip", "suspected"]),
              help="Exit with 1 when a certain slip (or a suspected one) is found.")
@effort_option
@solve_option
@figures_option
@table_options
@click.pass_context
def command(
    ctx: click.Context,
    files: tuple[str, ...],
    games: tuple[int, ...],
    side: str,
    pgn_out: str | None,
    json_out: str | None,
    html_out: str | None,
    annotator: str | None,
    quiet: bool,
    fail_on: str | None,
    effort: str,
    solve: bool,
    figures: bool,
    tables: tuple[Path, ...],
) -> int:
    """Review how each game of FILE (PGN; .gz, .zst; - for standard input) was converted.

    The report tells the story, the outcome move by move, material, trades,
    slips, technique and what to teach; every outcome with its evidence.

    \b
    fullpoint game club.pgn --game 3
    fullpoint game club.pgn --side black --pgn annotated.pgn --json review.json
    fullpoint game club.pgn --game 3 --html lesson.html
    """
    if not files:
        if sys.stdin.isatty():
            click.echo(ctx.get_help())
            return 2
        files = ("-",)
    if "-" in (pgn_out, json_out, html_out):
        quiet = True
    solving = SolverProgress(quiet)
    bench = make_bench(tables, effort, solve=solve, tell=solving)
    job = _Job(bench, side, Games(files, games), quiet, figures, annotator)
    with ExitStack() as stack:
        job.pgn = stack.enter_context(whole_file(pgn_out)) if pgn_out else None
        if html_out:
            from convert.cli.pages import pages

            job.html = stack.enter_context(pages(html_out, files))
        json_file = stack.enter_context(whole_file(json_out)) if json_out else None
        if json_file is not None:
            from convert.reports.json_text import document

            for piece in document(job.reviews()):
                json_file.write(piece)
        else:
            for _ in job.reviews():
                pass
        if not job.reviewed:
            job.games.none_found("review")
    if job.games.trouble:
        return TROUBLE
    if fail_on and (job.certain or (fail_on == "suspected" and job.suspected)):
        return FINDINGS
    return OK


class _Job:
    """Reads, reviews and reports game by game; keeps nothing but counts."""

    def __init__(
        self,
        bench: Bench,
        side: str,
        games: Games,
        quiet: bool,
        figures: bool,
        annotator: str | None,
    ):
        self.bench = bench
        self.side = side
        self.games = games
        self.line = StatusLine(quiet)
        self.figures = figures
        self.annotator = annotator
        self.pgn: IO[str] | None = None
        self.html: OnePage | Folder | None = None
        self.console = None if quiet else out_console()
        self.reviewed = self.certain = self.suspected = 0

    def reviews(self) -> Iterator[Review]:
        """Review and report each game asked for; yields the reviews for JSON."""
        reads = iter(self.games)
        if self.html is not None:
            reads = self.html.check(reads)
        for read in reads:
            review = self._one(read)
            if review is not None:
                yield review

    def _one(self, read: GameRead) -> Review | None:
        from convert.model import Side
        from convert.review import Refused, review_game
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
        self._report(review, read)
        return review

    def _report(self, review: Review, read: GameRead) -> None:
        if self.console is not None:
            from convert.reports.terminal import print_review

            if self.reviewed:
                self.console.print("\n" + "=" * min(self.console.width, 80) + "\n", style="")
            print_review(review, self.console, figures=self.figures)
        if self.pgn is not None and read.game is not None:
            from convert.reports.pgn import annotated

            self.pgn.write(annotated(review, read.game, annotator=self.annotator))
        if self.html is not None:
            self.html.add(review)
        self.reviewed += 1
        self.certain += sum(s.certain for s in review.slips)
        self.suspected += sum(not s.certain for s in review.slips)
