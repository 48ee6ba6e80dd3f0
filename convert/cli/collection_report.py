"""``fullpoint collection report``: what a collection tells, in the terminal, as a page, as JSON."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from convert import outputs
from convert.cli.common import (
    EFFORT_NAMES,
    SolverProgress,
    StatusLine,
    ToolError,
    Whole,
    make_bench,
    note,
    out_console,
    solve_option,
    table_options,
    whole_file,
)
from convert.cli.params import Careful, Input, Output
from convert.cli.quiet import OK, TROUBLE
from convert.collection.folder import files_of
from convert.safe_text import file_path

if TYPE_CHECKING:
    from convert.collection.summary import Pick, Summary
    from convert.judge import Bench
    from convert.sources import GameRead


@click.command("report", cls=Careful)
@click.argument("folder", metavar="OUT", type=Input(path_type=Path, files=files_of))
@click.option("--html", "html_out", metavar="FILE", type=Output(),
              help="Write one page that needs no network and no script ('-': standard output).")
@click.option("--json", "json_out", metavar="FILE", type=Output(),
              help="Write all figures as JSON ('-': standard output).")
@click.option("--player", metavar="NAME",
              help="Only this player's side of the games, beside the same for all others.")
@click.option("--games", "most", metavar="N", type=Whole(0, 1000), default=20,
              show_default=True, help="Games most worth looking at that are named.")
@click.option("--pages", "pages_out", metavar="DIR",
              type=Output(folder=True, path_type=Path),
              help="Review these games again and write a page of its own for each, to which the "
              "report leads. The files of the games must stand where they stood.")
@click.option("--effort", "pages_effort", type=click.Choice(EFFORT_NAMES),
              help="Effort for --pages.  [default: that of the collection, or normal]")
@click.option("-q", "--quiet", is_flag=True, help="No report on the terminal, no progress.")
@solve_option
@table_options
def command(
    folder: Path,
    html_out: str | None,
    json_out: str | None,
    player: str | None,
    most: int,
    pages_out: Path | None,
    pages_effort: str | None,
    quiet: bool,
    solve: bool,
    tables: tuple[Path, ...],
) -> int:
    """Tell what the collection in folder OUT has to say.

    How won positions were converted, by kind of ending and by rating; trades
    right, wrong and missed; slips; the exchange up and pawn endings; and the
    games most worth looking at. Every share comes with its number and its
    95% interval.

    \b
    fullpoint collection report season
    fullpoint collection report season --html season.html --pages season-games
    fullpoint collection report season --player "Marrin, Osgood"
    """
    if "-" in (html_out, json_out):
        quiet = True
    summary = _summary(folder, player, most, quiet)
    trouble = False
    if pages_out is not None:
        named = [e for e in summary.facts.effort.split(", ") if e in EFFORT_NAMES]
        effort = pages_effort or (named or ["normal"])[0]
        made = _Pages(pages_out, effort, solve, tables, quiet)
        summary = made.add_to(summary)
        trouble = made.trouble
    if html_out:
        from convert.reports.collection_html import html_text

        with whole_file(html_out) as file:
            file.write(html_text(_seen_from(summary, html_out)))
    if json_out:
        from convert.reports.collection_json import json_text

        with whole_file(json_out) as file:
            file.write(json_text(summary))
    if not quiet:
        from convert.reports.collection_text import print_summary

        print_summary(summary, out_console())
    return TROUBLE if trouble else OK


def _summary(folder: Path, player: str | None, most: int, quiet: bool) -> Summary:
    try:
        import pyarrow as _  # noqa: F401
    except ImportError as err:
        raise ToolError(
            "collections need pyarrow; install it with: pip install 'fullpoint[collection]'"
        ) from err
    from convert.collection.dataset import NoCollection
    from convert.collection.summarise import NoSuchPlayer, summarise

    line = StatusLine(quiet)
    try:
        return summarise(
            folder, player=player, most=most,
            tell=lambda done, of: line.show(f"counting: {done:,} of {of:,} parts"),
        )  # fmt: skip
    except (NoCollection, NoSuchPlayer) as err:
        line.wipe()
        raise ToolError(str(err)) from err
    finally:
        line.wipe()


def _seen_from(summary: Summary, html_out: str) -> Summary:
    """The summary with the addresses of the pages as seen from the page of the report."""
    start = Path.cwd() if html_out == "-" else Path(html_out).absolute().parent
    return replace(
        summary,
        picks=tuple(
            replace(pick, page=Path(os.path.relpath(pick.page, start)).as_posix())
            if pick.page
            else pick
            for pick in summary.picks
        ),
    )


class _Pages:
    """Makes the pages of the games that are worth looking at."""

    def __init__(
        self, folder: Path, effort: str, solve: bool, tables: tuple[Path, ...], quiet: bool
    ):
        self.folder = folder
        self.effort = effort
        self.solve = solve
        self.tables = tables
        self.quiet = quiet
        self.trouble = False

    def add_to(self, summary: Summary) -> Summary:
        """Write them, and an index; games that cannot be found again are named and left out."""
        from convert.cli.pages import Folder

        picks = summary.picks
        if not picks:
            note("no game to make a page for")
            return summary
        solving = SolverProgress(self.quiet)
        bench = make_bench(self.tables, self.effort, solve=self.solve, tell=solving)
        files = tuple(dict.fromkeys(file_path(pick.file) for pick in picks if pick.file))
        try:
            outputs.check([outputs.Output("--pages", str(self.folder), pages=True)], files)
        except outputs.OutputError as err:
            raise ToolError(str(err)) from err
        pages = Folder(self.folder, files)
        pages.title = "Games most worth looking at"
        line = StatusLine(self.quiet)
        found: list[Pick] = []
        for number, pick in enumerate(picks, 1):
            line.show(f"pages: game {number} of {len(picks)}")
            found.append(self._page(pick, bench, pages))
        line.wipe()
        pages.finish()
        return replace(summary, picks=tuple(found))

    def _page(self, pick: Pick, bench: Bench, pages: object) -> Pick:
        from convert.bench import fresh
        from convert.cli.pages import Folder
        from convert.fen import SourceError
        from convert.review import Refused, review_game
        from tablebases.errors import Contradiction

        assert isinstance(pages, Folder)
        if not pick.file:
            return self._without(pick, "the collection does not name the file of the game")
        try:
            read = next(_again(pick), None)
        except SourceError as err:
            return self._without(pick, str(err))
        if read is None or len(read.moves) != pick.plies:
            return self._without(pick, f"{pick.file}: game {pick.number} is another one by now")
        fresh(bench)
        try:
            review = review_game(read, bench)
        except (Refused, Contradiction) as err:
            return self._without(pick, f"{pick.file}: game {pick.number}: {err}")
        pages.add(review)
        return replace(pick, page=str(self.folder / pages.rows[-1].href))

    def _without(self, pick: Pick, reason: str) -> Pick:
        note(f"{reason}; no page for it")
        self.trouble = True
        return pick


def _again(pick: Pick) -> Iterator[GameRead]:
    """The game itself; a plain file is opened where its text begins.

    Raises:
        SourceError: the file cannot be read.
    """
    from convert.fen import SourceError
    from convert.sources import is_packed, read_games

    path = file_path(pick.file)
    try:
        with open(path, "rb") as stream:
            packed = is_packed(stream.read(4))
            stream.seek(pick.offset)
            if not packed:
                for read in read_games("-", stdin=stream):
                    yield replace(read, source=pick.file, number=pick.number or read.number)
                    return
    except OSError as err:
        raise SourceError(pick.file, f"cannot be read: {err.strerror}") from err
    for read in read_games(path):
        if read.number == pick.number:
            yield read
            return
