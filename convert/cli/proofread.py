"""``fullpoint proofread``: is what an annotator says of his game true?"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import IO, TYPE_CHECKING

import click

from convert.cli.batch import Games
from convert.cli.common import (
    MOST_COUNT,
    SolverProgress,
    StatusLine,
    Whole,
    effort_option,
    make_bench,
    out_console,
    solve_option,
    table_options,
    whole_file,
)
from convert.cli.params import Careful, InputPath, OutputPath
from convert.cli.quiet import FINDINGS, OK, TROUBLE
from convert.cli.streams import note
from convert.judging.bench import fresh

if TYPE_CHECKING:
    from convert.judging.judges import Bench
    from convert.model.findings import Proof, Status
    from convert.reading.records import GameRead

#: Words for ``--only``, and the statuses they name.
ONLY = {
    "refuted": "refuted",
    "stronger": "stronger than known",
    "confirmed": "confirmed",
    "open": "not checkable",
}


@click.command("proofread", cls=Careful)
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
    "--only",
    multiple=True,
    type=click.Choice(list(ONLY)),
    help="Report only these findings, in the text and in --pgn (repeatable); open: not "
    "checkable. Without it --pgn gets all but those that are not checkable.",
)
@click.option(
    "--unread",
    is_flag=True,
    help="List the sentences in which no statement was found; without it they are only counted.",
)
@click.option("--strict", is_flag=True, help="Exit with 1 when a statement is refuted.")
@click.option(
    "--pgn",
    "pgn_out",
    metavar="OUT",
    type=OutputPath(),
    help="Write the games back with remarks as comments ('-': standard output).",
)
@click.option(
    "--json",
    "json_out",
    metavar="OUT",
    type=OutputPath(),
    help="Write all findings as JSON ('-': standard output).",
)
@click.option("-q", "--quiet", is_flag=True, help="No report on the terminal, no progress.")
@effort_option
@solve_option
@table_options
@click.pass_context
def command(
    ctx: click.Context,
    files: tuple[str, ...],
    games: tuple[int, ...],
    only: tuple[str, ...],
    unread: bool,
    strict: bool,
    pgn_out: str | None,
    json_out: str | None,
    quiet: bool,
    effort: str,
    solve: bool,
    tables: tuple[Path, ...],
) -> int:
    """Hold an annotator's assessments in FILE against what can be known.

    Assessments are NAGs ($1 to $23) and plain words in comments ("White is winning",
    "only move", "drawn"), variations included. FILE is PGN (.gz, .zst; - for standard
    input). The text of the author is never changed.

    \b
    fullpoint proofread book.pgn
    fullpoint proofread book.pgn --only refuted --strict
    fullpoint proofread book.pgn --pgn remarks.pgn
    """
    if not files:
        if sys.stdin.isatty():
            click.echo(ctx.get_help())
            return 2
        files = ("-",)
    if "-" in (pgn_out, json_out):
        quiet = True
    from convert.model.findings import Status

    solving = SolverProgress(quiet)
    bench = make_bench(tables, effort, solve=solve, tell=solving)
    statuses = tuple(Status(ONLY[name]) for name in only)
    job = _Job(bench, solving, Games(files, games), quiet, statuses, unread)
    with ExitStack() as stack:
        job.pgn = stack.enter_context(whole_file(pgn_out)) if pgn_out else None
        json_file = stack.enter_context(whole_file(json_out)) if json_out else None
        if json_file is not None:
            from convert.reports.json_text import proofs_document

            for piece in proofs_document(job.proofs()):
                json_file.write(piece)
        else:
            for _ in job.proofs():
                pass
        if not job.read:
            job.games.none_found("proofread")
    job.sum_up()
    if job.games.trouble:
        return TROUBLE
    return FINDINGS if strict and job.counts.get(Status.REFUTED) else OK


class _Job:
    """Reads, proofreads and reports game by game; keeps nothing but counts."""

    def __init__(
        self,
        bench: Bench,
        solving: SolverProgress,
        games: Games,
        quiet: bool,
        only: tuple[Status, ...],
        unread: bool = False,
    ):
        self.bench = bench
        self.solving = solving
        self.games = games
        self.line = StatusLine(quiet)
        self.only = only
        self.unread = unread
        self.pgn: IO[str] | None = None
        self.console = None if quiet else out_console()
        self.read = self.told = self.silent = 0
        self.counts: dict[Status, int] = {}

    def proofs(self) -> Iterator[Proof]:
        """Proofread and report each game asked for; yields the findings for JSON."""
        for read in self.games:
            proof = self._one(read)
            if proof is not None:
                yield proof

    def _one(self, read: GameRead) -> Proof | None:
        self.games.remark(read)
        if read.game is None:
            return None
        if self.pgn is not None and any(
            "dropped" in p.reason or "left out" in p.reason or not read.complete
            for p in read.problems
        ):
            note(
                f"{read.source}: game {read.number}: what could not be read is missing in the "
                "PGN written"
            )
        from convert.proofreading.proof import proofread
        from tablebases.errors import Contradiction

        fresh(self.bench)

        def tell(done: int, total: int) -> None:
            self.line.show(f"game {read.number}: {done} of {total} statements checked")

        try:
            proof = proofread(read, self.bench, tell)
        except Contradiction as err:
            self.games.contradicted(read, err)
            return None
        finally:
            self.solving.done()
            self.line.wipe()
        self._report(proof, read)
        return proof

    def _report(self, proof: Proof, read: GameRead) -> None:
        from convert.model.findings import count

        self.read += 1
        self.silent += len(proof.unread)
        for status, number in count(proof.findings).items():
            self.counts[status] = self.counts.get(status, 0) + number
        shown = any(not self.only or f.status in self.only for f in proof.findings)
        shown = shown or (self.unread and bool(proof.unread))
        if self.console is not None and (shown or self.games.numbers):
            from convert.reports.proofread_text import print_proof

            if self.told:
                self.console.print("\n" + "=" * min(self.console.width, 80) + "\n", style="")
            print_proof(proof, self.console, self.only, unread=self.unread)
            self.told += 1
        if self.pgn is not None and read.game is not None:
            from convert.reports.proofread_pgn import DEFAULT, with_remarks

            self.pgn.write(with_remarks(proof, read.game, self.only or DEFAULT))

    def sum_up(self) -> None:
        """The total, where it is not that of the one game just told."""
        if self.console is None or not self.read or (self.read == 1 and self.told == 1):
            return
        from convert.wording.proofreading import counts_words, statements_words, unread_words

        total = sum(self.counts.values())
        words = f": {counts_words(self.counts)}" if total else ""
        games = "1 game" if self.read == 1 else f"{self.read} games"
        gap = "\n" if self.told else ""
        self.console.print(f"{gap}{statements_words(total)} in {games}{words}.", soft_wrap=True)
        if silent := unread_words(self.silent):
            self.console.print(silent, soft_wrap=True)
