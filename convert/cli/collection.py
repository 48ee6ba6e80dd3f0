"""``fullpoint collection``: many games into tables, and what the tables tell.

``fullpoint collection PATH...`` makes or goes on with a collection; the word ``report`` in place of
the first path is the other command.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from convert.cli.common import (
    EFFORT_NAMES,
    MOST_COUNT,
    StatusLine,
    ToolError,
    Whole,
    name_judges,
    solve_option,
    table_options,
)
from convert.cli.params import Careful, InputPath, OutputPath
from convert.cli.quiet import OK, TROUBLE
from convert.cli.streams import note
from convert.rim.stopping import exit_code
from convert.wording.small import count_words

if TYPE_CHECKING:
    from convert.collection.run_state import RunProgress, RunSummary

EXTRA = "collections need pyarrow; install it with: pip install 'fullpoint[collection]'"
CLUSTER_EXTRA = "--cluster needs Dask; install it with: pip install 'fullpoint[cluster]'"
_MOST_NAMED = 10


def _files(path: str) -> Iterator[str]:
    """The files that will be read for what was named."""
    from convert.collection.inputs import BadInput, files_at

    with contextlib.suppress(BadInput, OSError):
        yield from (path,) if path == "-" else files_at(path)


class _PathsOrReport(click.Group):
    """A group whose first argument is a path, or the word ``report``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if not args or args[0] != "report":
            args = ["run", *args]
        return super().parse_args(ctx, args)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return ["report"]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name == "report":
            from convert.cli.collection_report import command as report

            return report
        return run


class _RunContext(click.Context):
    """Knows the run by the name of the group, as the user does."""

    @property
    def command_path(self) -> str:
        return self.parent.command_path if self.parent is not None else super().command_path


class _RunCommand(Careful):
    context_class = _RunContext


@click.group("collection", cls=_PathsOrReport)
@click.pass_context
def command(ctx: click.Context) -> None:
    """Review many games into tables, and tell what they have to say."""
    # The settings of the command are those of both its halves.
    ctx.default_map = {"run": ctx.default_map or {}, "report": ctx.default_map or {}}


@click.command("run", cls=_RunCommand)
@click.argument("paths", metavar="PATH...", nargs=-1, type=InputPath(files=_files))
@click.option(
    "-o",
    "--out",
    metavar="OUT",
    type=OutputPath(collection=True, path_type=Path),
    help="Folder of the collection: made anew, or gone on with.",
)
@click.option(
    "--effort",
    type=click.Choice(["walk", *EFFORT_NAMES]),
    default="quick",
    show_default=True,
    help="walk: moves, material and trades, no verdicts; the others "
    "review each game with so much work for what no table settles.",
)
@click.option(
    "--anonymous",
    type=click.Choice(["left-out", "hashed"]),
    help="Names of players are left out, or replaced by the same mark for the same player.",
)
@click.option(
    "--jobs",
    type=Whole(1, 1024),
    metavar="N",
    help="Processes at work; without it one for each processor.",
)
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Let a Dask cluster do the work: the address of its scheduler, such as "
    "tcp://host:8786. All its machines must see PATH and OUT under the same names.",
)
@click.option("--again", is_flag=True, help="Throw away what OUT holds and make it anew.")
@click.option("--prune", is_flag=True, help="Take out the rows of files that are gone.")
@click.option(
    "--html",
    "html_out",
    metavar="FILE",
    type=OutputPath(),
    help="When all is done, write the report as one page.",
)
@click.option("--part-bytes", type=Whole(1, MOST_COUNT), hidden=True)
@click.option("-q", "--quiet", is_flag=True, help="No progress, no final line.")
@solve_option
@table_options
@click.pass_context
def run(
    ctx: click.Context,
    paths: tuple[str, ...],
    out: Path | None,
    effort: str,
    anonymous: str | None,
    jobs: int | None,
    cluster: str | None,
    again: bool,
    prune: bool,
    html_out: str | None,
    part_bytes: int | None,
    quiet: bool,
    solve: bool,
    tables: tuple[Path, ...],
) -> int:
    """Review all games of PATH... and write their rows as Parquet tables to OUT.

    PATH is a file of games (PGN; .gz, .zst), a folder, a pattern in quotes, or - for standard
    input. A run may be stopped at any time: the same command goes on from there. Files that were
    added or have changed are done by naming them again.

    'fullpoint collection report OUT' tells what it has to say.
    \b
    fullpoint collection games/ -o season --html season.html
    fullpoint collection report season
    """
    if cluster is not None and jobs is not None:
        raise click.UsageError("--jobs is for this machine; the cluster has its own workers", ctx)
    if not paths or out is None:
        if not paths and out is None:
            click.echo(ctx.get_help())
            return TROUBLE
        missing = "no folder is given: -o OUT" if paths else "no PATH is given"
        raise click.UsageError(missing, ctx)
    _check_extras(cluster)
    _check_folders(tables)

    from convert.collection.crew import RunError
    from convert.collection.inputs import BadInput, find_inputs
    from convert.collection.ledger import BadFolder
    from convert.collection.rows import WALK, Options
    from convert.collection.run import run as run_collection
    from convert.judging.plugged import installed_judges

    line = _Line(quiet)
    if effort != WALK:
        name_judges([judge.name for judge in installed_judges()])
    options = Options(
        effort=effort,
        anonymous={"left-out": "left out", "hashed": "hashed", None: ""}[anonymous],  # type: ignore[arg-type]
        tables=tuple(os.path.realpath(folder) for folder in tables),
        solve=solve,
    )
    try:
        try:
            outcome = run_collection(
                find_inputs(paths, out),
                out,
                options,
                jobs=jobs or _processors(),
                cluster=cluster,
                again=again,
                prune=prune,
                part_bytes=part_bytes,
                tell=line.show,
            )
        finally:
            line.wipe()
    except (BadInput, BadFolder, RunError) as err:
        raise ToolError(str(err)) from err
    except KeyboardInterrupt as err:
        note(
            f"interrupted; what is finished is kept in {out}, and the same command goes on with it"
        )
        return exit_code(err)
    _tell(outcome, out, quiet, anonymous is not None)
    if html_out is not None:
        _report(ctx, out, html_out, quiet)
    return TROUBLE if outcome.unreadable else OK


def _report(ctx: click.Context, out: Path, html_out: str, quiet: bool) -> None:
    from convert.cli.collection_report import command as report

    ctx.invoke(report, folders=(out,), html_out=html_out, quiet=quiet)


def _check_folders(tables: tuple[Path, ...]) -> None:
    for folder in tables:
        if not folder.is_dir():
            raise ToolError(f"{folder}: no such folder of tables")


def _check_extras(cluster: str | None) -> None:
    from importlib.util import find_spec

    if find_spec("pyarrow") is None:
        raise ToolError(EXTRA)
    if cluster is not None and find_spec("distributed") is None:
        raise ToolError(CLUSTER_EXTRA)


def _processors() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class _Line:
    """Progress on one line."""

    def __init__(self, quiet: bool):
        self.line = StatusLine(quiet)

    def show(self, progress: RunProgress) -> None:
        """Games, rate, errors, share, time left."""
        rate = progress.games / progress.seconds if progress.seconds else 0.0
        text = f"{count_words(progress.games, 'game')}, {_rate(rate)}"
        text += f", {100 * progress.share:.0f}% done"
        if progress.left is not None:
            text += f", about {_time(progress.left)} left"
        if progress.errors:
            text += f", {count_words(progress.errors, 'remark')}"
        self.line.show(text)

    def wipe(self) -> None:
        """Leave the line empty."""
        self.line.wipe()


def _tell(outcome: RunSummary, out: Path, quiet: bool, anonymous: bool) -> None:
    """The remarks of a run, and its figures in a last line."""
    for remark in outcome.remarks:
        note(remark)
    for name, reason in outcome.unreadable[:_MOST_NAMED]:
        note(f"error: {name}: {reason}")
    if len(outcome.unreadable) > _MOST_NAMED:
        note(
            f"error: {len(outcome.unreadable) - _MOST_NAMED} more files cannot be read; "
            f"see the table errors in {out}"
        )
    if quiet:
        return
    text = f"{out}: {count_words(outcome.games, 'game')} of {count_words(outcome.files, 'file')}"
    if outcome.new:
        rate = outcome.new / outcome.seconds if outcome.seconds else 0.0
        text += f"; {outcome.new:,} done now in {_time(outcome.seconds)}, {_rate(rate)}"
    else:
        text += "; nothing was left to do"
    if outcome.errors:
        text += f"; {count_words(outcome.errors, 'remark')} in the table errors"
    note(text)
    if anonymous:
        note(
            f"{out}{os.sep}ledger holds names of files and the key to the marks: keep it to "
            "yourself"
        )


def _rate(games: float) -> str:
    """Games a second, or a minute where they are few."""
    if games >= 1:
        return f"{games:,.0f} a second" if games >= 10 else f"{games:.1f} a second"
    return f"{60 * games:.1f} a minute"


def _time(seconds: float) -> str:
    """A time in the two units that matter."""
    if seconds < 90:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours < 48 else f"{hours / 24:.1f} days"
