"""``fullpoint tables``: what is known exactly, what is missing, and whether the files are sound.

``tables make`` solves whole classes of material. Their slices lie in a folder of their own in the
user's cache folder, with one small JSON file a class that says what was made.
"""

from __future__ import annotations

import contextlib
import os
import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from convert.cli.common import (
    MOST_COUNT,
    MOST_GB,
    MOST_SECONDS,
    Real,
    StatusLine,
    ToolError,
    Whole,
    config_path,
    err_console,
    out_console,
    table_options,
    whole_file,
)
from convert.cli.params import InputPath
from convert.cli.streams import note
from convert.judging.bench import classes_folder, made_classes

if TYPE_CHECKING:
    from rich.console import Console

    from convert.model.solution import MadeClass
    from tablebases.files import TableFile
    from tablebases.probing import Prober
    from tablebases.solver import Budget, Progress

#: ``--common``: so many classes, of so many men.
COMMON, COMMON_MEN = 8, 5


@click.group("tables", invoke_without_command=True)
@click.option("--fen", metavar="FEN", help="Name the tables that a position lacks.")
@click.option(
    "--for",
    "game_file",
    metavar="FILE",
    type=InputPath(),
    help="Name the tables that the games of a PGN file lack.",
)
@click.option(
    "--men",
    type=Whole(3, 7),
    default=6,
    show_default=True,
    help="With --for: look at positions with at most so many men.",
)
@table_options
@click.pass_context
def command(
    ctx: click.Context,
    fen: str | None,
    game_file: str | None,
    men: int,
    tables: tuple[Path, ...],
) -> int:
    """List the tables by material; name those that a position or game lacks.

    \b
    fullpoint tables
    fullpoint tables --fen "8/8/4k3/4n3/8/4K3/4P3/4R3 w - - 0 1"
    fullpoint tables --for game.pgn
    fullpoint tables check --tables ~/tables
    fullpoint tables make KRPvKN
    """
    ctx.obj = tables
    if ctx.invoked_subcommand is not None:
        return 0
    from tablebases.files import find_tables

    files = find_tables(list(tables))
    console = out_console()
    if fen is None and game_file is None:
        _list(console, files)
        return 0
    if fen is not None:
        _missing_for_fen(console, fen, files)
    if game_file is not None:
        _missing_for_game(console, game_file, files, men)
    return 0


def _print(console: Console, text: str) -> None:
    for row in textwrap.wrap(
        text, min(console.width, 100) - 1, subsequent_indent="    ", break_on_hyphens=False
    ) or [""]:
        console.print(row)


def _list(console: Console, files: list[TableFile]) -> None:
    from tablebases.material import men

    have: dict[str, set[str]] = {}
    origin: dict[str, set[str]] = {}
    for file in files:
        have.setdefault(file.material, set()).add(file.metric)
        origin.setdefault(file.material, set()).add(str(file.path.parent))
    by_men: dict[int, list[str]] = {}
    for name in have:
        by_men.setdefault(men(name), []).append(name)
    total = sum(f.bytes for f in files)
    for number in sorted(by_men):
        names = sorted(by_men[number])
        both = [n for n in names if have[n] == {"wdl", "dtz"}]
        _print(console, f"{number} men, outcome and distance ({len(both)}): {' '.join(both)}")
        for metric, word in (("wdl", "outcome only"), ("dtz", "distance only")):
            part = [n for n in names if have[n] == {metric}]
            if part:
                _print(console, f"{number} men, {word} ({len(part)}): {' '.join(part)}")
    folders = sorted({f.path.parent for f in files})
    console.print()
    for folder in folders:
        count = sum(f.path.parent == folder for f in files)
        inside = (
            " (built in)"
            if any(f.origin == "bundled" for f in files if f.path.parent == folder)
            else ""
        )
        console.print(f"{folder}{inside}: {count} files", soft_wrap=True)
    console.print(
        f"{len(files)} files, {total / 1e6:.1f} MB; settings file: {config_path()}", soft_wrap=True
    )
    made = made_classes()
    if made:
        console.print()
        _print(console, f"made by the solver ({len(made)}): {' '.join(made)}")
        size = sum(int(facts["bytes"]) for facts in made.values())
        console.print(f"{classes_folder()}: {_size(size)}", soft_wrap=True)


def _missing_for_fen(console: Console, fen: str, files: list[TableFile]) -> None:
    from convert.reading.fen import SourceError, parse_fen
    from tablebases.files import missing_for
    from tablebases.material import material_name, normal_name

    try:
        board, _ = parse_fen(fen)
    except SourceError as err:
        raise ToolError(str(err)) from err
    name = normal_name(material_name(board))
    if board.occupied.bit_count() > 7:
        console.print(f"{name}: more than seven men; no table holds it")
        return
    missing = missing_for(board, files)
    if not missing:
        console.print(f"{name}: nothing is missing")
        return
    _print(console, f"{name}: missing {len(missing)}: {' '.join(missing)}")


def _missing_for_game(console: Console, game_file: str, files: list[TableFile], most: int) -> None:
    from convert.reading.fen import SourceError
    from convert.reading.games import read_games
    from convert.review.walker import walk
    from tablebases.files import missing_for

    count = 0
    try:
        for read in read_games(game_file):
            if read.game is None or not read.moves:
                continue
            count += 1
            missing: dict[str, None] = {}
            reached = None
            for board in walk(read.game.board(), read.moves).boards:
                men = board.occupied.bit_count()
                if men > most:
                    continue
                reached = men if reached is None else max(reached, men)
                missing.update(dict.fromkeys(missing_for(board, files)))
            if reached is None:
                console.print(f"game {read.number}: never down to {most} men")
            elif not missing:
                console.print(f"game {read.number}: nothing is missing from {reached} men down")
            else:
                _print(
                    console,
                    f"game {read.number}, from {reached} men down: missing {len(missing)}: "
                    f"{' '.join(missing)}",
                )
    except SourceError as err:
        raise ToolError(str(err)) from err
    if not count:
        raise ToolError(f"{game_file}: no game with moves")


@command.command("check")
@click.argument("folders", metavar="[DIR]...", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--positions",
    type=Whole(0, MOST_COUNT),
    default=500,
    show_default=True,
    metavar="N",
    help="Positions drawn for each outcome table, a quarter of them for each distance "
    "table; 0: none.",
)
@table_options
@click.pass_obj
def check(
    outer: tuple[Path, ...], folders: tuple[Path, ...], positions: int, tables: tuple[Path, ...]
) -> int:
    """Say whether table files are sound, and what that was held against.

    Names, sizes, magic numbers and lists of men; sums where a folder has SHA256SUMS, MD5SUMS or
    the like; otherwise the sum at the end of each file, and its content: against the built-in
    table of its class, against classes made by the solver, and drawn positions against what
    follows from their moves.

    Without DIR: the built-in tables and the folders given with --tables.
    Exit code 2 when a file is not sound.
    """
    from tablebases.checking import check_folder
    from tablebases.files import bundled_folder

    beside = (*outer, *tables)
    if not folders:
        folders = (*beside, bundled_folder())
    console = out_console()
    judges = _made_judges()
    line = StatusLine()
    bad = 0
    for folder in dict.fromkeys(folders):
        results = check_folder(
            folder,
            positions=positions,
            folders=beside,
            judges=judges,
            tell=lambda path, share: line.show(f"{path.name}: {100 * share:.0f}%"),
        )
        line.wipe()
        if not results:
            raise ToolError(f"{folder}: no table files")
        wrong = [r for r in results if not r.ok]
        bad += len(wrong)
        for result in wrong:
            console.print(f"{result.path}: {result.problem}", soft_wrap=True)
        console.print(
            f"{folder}: {len(results) - len(wrong)} of {len(results)} files are sound",
            soft_wrap=True,
        )
        by: dict[tuple[str, ...], list[str]] = {}
        for result in results:
            if result.ok:
                by.setdefault(result.verified, []).append(result.path.name)
        for verified, names in by.items():
            which = "each" if len(by) == 1 else f"{len(names)}, {' '.join(names)}"
            _print(console, f"  {', '.join(verified)}: {which}")
    return 2 if bad else 0


def _made_judges() -> list[Prober]:
    """Classes made by the solver, as a judge of tables; none if none was made."""
    if not made_classes():
        return []
    from tablebases.solver import Store
    from tablebases.solver.prober import SolverProber

    return [SolverProber(Store(classes_folder()))]


# --- classes made by the solver ---------------------------------------------------------------


@command.command("make")
@click.argument("name", metavar="[NAME]", required=False)
@click.option(
    "--common",
    is_flag=True,
    help="Instead of NAME: the eight classes of five men that games come to most often.",
)
@click.option("--threads", type=Whole(1, 64), help="Threads; without it one for each processor.")
@click.option(
    "--memory",
    type=Real(0, MOST_GB, min_open=True),
    default=3.0,
    show_default=True,
    metavar="GB",
    help="Most memory for the work.",
)
@click.option(
    "--disk",
    type=Real(0, MOST_GB),
    default=0.0,
    show_default=True,
    metavar="GB",
    help="Room on disk for what does not fit into memory.",
)
@click.option(
    "--seconds",
    type=Real(0, MOST_SECONDS, min_open=True),
    metavar="N",
    help="Give up after so many seconds on the clock. [default: never]",
)
@click.option(
    "--limit",
    type=Real(0, MOST_GB, min_open=True),
    default=20.0,
    show_default=True,
    metavar="GB",
    help="Most room for all classes that are kept.",
)
@click.option("--force", is_flag=True, help="Solve it again even if it was made before.")
def make(
    name: str | None,
    common: bool,
    threads: int | None,
    memory: float,
    disk: float,
    seconds: float | None,
    limit: float,
    force: bool,
) -> int:
    """Solve a whole class of material, e.g. KRPvKN, and keep it.

    Every position of the class with either colour on the move, en passant included. GB are
    10^9 bytes. If it is stopped (Ctrl-C), the groups of pawn structures that are complete are
    kept and are not solved again the next time.
    """
    from convert.review.practice import most_met
    from tablebases.material import BARE_KINGS, is_material_name, normal_name
    from tablebases.solver import Budget, prepared
    from tablebases.solver.classes import CLASS_BUDGET

    if (name is None) is not common:
        raise ToolError("either the name of a class, such as KRPvKN, or --common")
    if name is None:
        names = [met for met, _ in most_met(COMMON_MEN, COMMON)]
    elif is_material_name(name) and normal_name(name) != BARE_KINGS:
        names = [normal_name(name)]
    else:
        raise ToolError(f"{name}: not the name of a class of material such as KRPvKN")
    console = out_console()
    made_before = () if force else tuple(made_classes())
    if sys.stderr.isatty() and not prepared() and set(names) - set(made_before):
        note("preparing the solver, once: about a minute")
    budget = Budget(
        seconds=CLASS_BUDGET.seconds if seconds is None else seconds,
        memory=int(memory * 1e9),
        disk=int(disk * 1e9),
        threads=threads or os.cpu_count() or 1,
        planned=False,
    )
    seconds_taken = size = 0.0
    for one in names:
        if one in made_before:
            console.print(f"{one}: made already; --force makes it again", soft_wrap=True)
            continue
        made = _make(one, budget, limit=limit, force=force)
        seconds_taken += made.seconds
        size += made.bytes
        console.print(_made_words(made), soft_wrap=True)
    if common:
        console.print(f"all: {seconds_taken:.0f} seconds", soft_wrap=True)
    where = str(classes_folder())
    console.print(f"{_size(size)} in {where}" if size else where, soft_wrap=True)
    return 0


def _make(name: str, budget: Budget, *, limit: float, force: bool) -> MadeClass:
    """Solve a class, keep it, and note what it is.

    Raises:
        ToolError: there is no room to keep it.
        TooLarge, Unfinished: as ``solve_class``.
    """
    from convert.model.solution import MadeClass
    from convert.reports.json_text import document
    from tablebases.solver import Store
    from tablebases.solver.classes import solve_class, stored

    folder = classes_folder()
    store = Store(folder, limit=int(limit * 1e9))
    if force:
        (folder / f"{name}.json").unlink(missing_ok=True)
    disk = budget.disk
    with _bar(name) as show:
        solution = solve_class(
            name, budget, store=store, progress=show, folder=folder if disk else None, fresh=force
        )
    plies, fen = solution.longest()
    size, complete = stored(name, store)
    if not complete:
        raise ToolError(
            f"{name}: solved, but there is no room to keep it within {limit:g} GB ({folder})"
        )
    for other in made_classes():
        if other != name and not stored(other, store)[1]:
            (folder / f"{other}.json").unlink(missing_ok=True)
            note(f"{other} had to make way; --limit allows {limit:g} GB")
    taken = round(solution.cost.seconds, 3)
    made = MadeClass(name, solution.positions, plies, fen, taken, size)
    with whole_file(str(folder / f"{name}.json")) as file:
        file.write(document(made))
    return made


def _made_words(made: MadeClass) -> str:
    longest = "no win"
    if made.plies:
        longest = f"longest win {made.plies} plies to a capture, pawn move or mate"
    return (
        f"{made.name}: {made.positions:,} positions in {made.seconds:.1f} seconds, "
        f"{_size(made.bytes)}; {longest}{f' ({made.fen})' if made.fen else ''}"
    )


def _size(number: float) -> str:
    """Bytes in kB or MB (10^3, 10^6 bytes)."""
    return f"{number / 1e6:.1f} MB" if number >= 1e6 else f"{number / 1e3:.0f} kB"


@contextlib.contextmanager
def _bar(name: str) -> Iterator[Callable[[Progress], None]]:
    """A progress bar on standard error; nothing is shown when that is no terminal."""
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    console = err_console()
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
    )
    with Bars(*columns, console=console, transient=True, disable=not console.is_terminal) as bars:
        task = bars.add_task(name, total=1.0)

        def show(progress: Progress) -> None:
            text = f"{name}: {progress.question}, {progress.done:,} of {progress.slices:,} slices"
            bars.update(task, completed=progress.share, description=text)

        yield show
