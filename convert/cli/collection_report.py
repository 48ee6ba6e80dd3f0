"""``fullpoint collection report``: what a collection tells, in the terminal, as a page, as JSON."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from convert.cli.common import (
    EFFORT_NAMES,
    StatusLine,
    ToolError,
    Whole,
    out_console,
    solve_option,
    table_options,
    whole_file,
)
from convert.cli.params import Careful, InputPath, OutputPath
from convert.cli.quiet import OK, TROUBLE
from convert.rim.collection_folder import files_of
from convert.rim.safe_text import file_text

if TYPE_CHECKING:
    from convert.model.summary import Pick, Summary


@click.command("report", cls=Careful)
@click.argument(
    "folders",
    metavar="OUT...",
    nargs=-1,
    required=True,
    type=InputPath(path_type=Path, files=files_of),
)
@click.option(
    "--html",
    "html_out",
    metavar="FILE",
    type=OutputPath(),
    help="Write one page that needs no network and no script ('-': standard output).",
)
@click.option(
    "--json",
    "json_out",
    metavar="FILE",
    type=OutputPath(),
    help="Write all figures as JSON ('-': standard output).",
)
@click.option(
    "--player",
    metavar="NAME",
    help="A page about one player: this side of all games, whoever stood better first, beside the "
    "same for all others.",
)
@click.option(
    "--same",
    metavar="NAME|FILE",
    multiple=True,
    type=InputPath(files=lambda name: (name,) if os.path.isfile(name) else ()),
    help="Another spelling of the player's name, or a file with one a line (repeatable).",
)
@click.option(
    "--games",
    "most",
    metavar="N",
    type=Whole(0, 1000),
    default=20,
    show_default=True,
    help="Games most worth looking at that are named.",
)
@click.option(
    "--pages",
    "pages_out",
    metavar="DIR",
    type=OutputPath(folder=True, path_type=Path),
    help="Review these games again and write a page of its own for each, to which the "
    "report leads. The files of the games must stand where they stood.",
)
@click.option(
    "--pgn",
    "pgn_out",
    metavar="FILE",
    type=OutputPath(),
    help="Review these games again and write them as one annotated PGN ('-': standard output).",
)
@click.option(
    "--lesson",
    "lesson_out",
    metavar="FILE",
    type=OutputPath(),
    help="Make a sheet of exercises from the slips named beside these games, the player's own "
    "with --player (.html, .pgn, .epd or .json).",
)
@click.option(
    "--effort",
    "pages_effort",
    type=click.Choice(EFFORT_NAMES),
    help="Effort for --pages, --pgn and --lesson.  [default: that of the collection, or normal]",
)
@click.option("-q", "--quiet", is_flag=True, help="No report on the terminal, no progress.")
@solve_option
@table_options
@click.pass_context
def command(
    ctx: click.Context,
    folders: tuple[Path, ...],
    html_out: str | None,
    json_out: str | None,
    player: str | None,
    same: tuple[str, ...],
    most: int,
    pages_out: Path | None,
    pgn_out: str | None,
    lesson_out: str | None,
    pages_effort: str | None,
    quiet: bool,
    solve: bool,
    tables: tuple[Path, ...],
) -> int:
    """Tell what the collection in folder OUT has to say, or several together.

    What became of won positions, by kind of ending and by rating; trades
    right, wrong and missed; slips; the exchange up and pawn endings; and the
    games most worth looking at. Every share comes with its number and its
    95% interval. With --player all of it for one player, and what costs
    that player most.

    \b
    fullpoint collection report season
    fullpoint collection report season --html season.html --pages season-games
    fullpoint collection report 2024 2025 --player "Marrin, Osgood" --same "Marrin, O."
    """
    if "-" in (html_out, json_out, pgn_out, lesson_out):
        quiet = True
    if same and player is None:
        raise click.UsageError("--same joins spellings of the player named by --player", ctx)
    summary = _summary(folders, player, _spellings(same), most, quiet)
    named = [e for e in summary.facts.effort.split(", ") if e in EFFORT_NAMES]
    effort = pages_effort or (named or ["normal"])[0]
    trouble = False
    if pages_out is not None or pgn_out is not None:
        from convert.cli.collection_games import GamesAgain

        made = GamesAgain(pages_out, pgn_out, effort, solve, tables, quiet, html_out)
        summary = made.add_to(summary)
        trouble = made.trouble
    if html_out:
        from convert.reports.collection_html import html_text

        with whole_file(html_out) as file:
            file.write(html_text(_seen_from(summary, html_out)))
    if json_out:
        from convert.reports.json_text import summary_document

        with whole_file(json_out) as file:
            file.write(summary_document(summary))
    if lesson_out:
        from convert.cli.collection_games import lesson_of

        trouble |= lesson_of(ctx, summary, lesson_out, effort, solve, tables, quiet) != OK
    if not quiet:
        from convert.reports.collection_text import print_summary

        print_summary(summary, out_console())
    return TROUBLE if trouble else OK


def _spellings(same: tuple[str, ...]) -> tuple[str, ...]:
    """Spellings as they are given, and those of files, one a line.

    Raises:
        ToolError: a file cannot be read.
    """
    names: list[str] = []
    for one in same:
        if not os.path.isfile(one):
            names.append(one)
            continue
        try:
            lines = Path(one).read_text(encoding="utf-8-sig").splitlines()
        except (OSError, UnicodeDecodeError) as err:
            reason = err.strerror if isinstance(err, OSError) else "is no text in UTF-8"
            raise ToolError(f"{file_text(one)}: {reason}") from err
        names += [line.strip() for line in lines if line.strip()]
    return tuple(names)


def _summary(
    folders: tuple[Path, ...], player: str | None, same: tuple[str, ...], most: int, quiet: bool
) -> Summary:
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
            *dict.fromkeys(folders),
            player=player,
            same=same,
            most=most,
            tell=lambda done, of: line.show(f"counting: {100 * done / of:.0f}%"),
        )
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
        picks=tuple(_from(start, pick) for pick in summary.picks),
        forfeits=tuple(_from(start, pick) for pick in summary.forfeits),
    )


def _from(start: Path, pick: Pick) -> Pick:
    if not pick.page:
        return pick
    return replace(pick, page=Path(os.path.relpath(pick.page, start)).as_posix())
