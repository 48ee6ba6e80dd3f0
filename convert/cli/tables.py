"""``fullpoint tables``: what is known exactly, what is missing, and whether the files are sound."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from convert.cli.common import ToolError, config_path, out_console, table_options

if TYPE_CHECKING:
    from rich.console import Console

    from tablebases.files import TableFile


@click.group("tables", invoke_without_command=True)
@click.option("--fen", metavar="FEN", help="Name the tables that a position lacks.")
@click.option("--for", "game_file", metavar="FILE", type=click.Path(),
              help="Name the tables that the games of a PGN file lack.")
@click.option("--men", type=click.IntRange(3, 7), default=6, show_default=True,
              help="With --for: look at positions with at most so many men.")
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
        inside = " (built in)" if any(
            f.origin == "bundled" for f in files if f.path.parent == folder
        ) else ""
        console.print(f"{folder}{inside}: {count} files", soft_wrap=True)
    console.print(f"{len(files)} files, {total / 1e6:.1f} MB; settings file: {config_path()}",
                  soft_wrap=True)


def _missing_for_fen(console: Console, fen: str, files: list[TableFile]) -> None:
    from convert.fen import SourceError, parse_fen
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


def _missing_for_game(
    console: Console, game_file: str, files: list[TableFile], most: int
) -> None:
    from convert.sources import SourceError, read_games
    from convert.walker import walk
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
@table_options
@click.pass_obj
def check(outer: tuple[Path, ...], folders: tuple[Path, ...], tables: tuple[Path, ...]) -> int:
    """Check sums (where a folder has SHA256SUMS), sizes, names and magic numbers.

    Without DIR: the built-in tables and the folders given with --tables.
    Exit code 2 when a file is not sound.
    """
    from tablebases.files import bundled_folder, check_folder

    if not folders:
        folders = (*outer, *tables, bundled_folder())
    console = out_console()
    bad = 0
    for folder in dict.fromkeys(folders):
        results = check_folder(folder)
        wrong = [r for r in results if not r.ok]
        bad += len(wrong)
        for result in wrong:
            console.print(f"{result.path}: {result.problem}", soft_wrap=True)
        console.print(
            f"{folder}: {len(results) - len(wrong)} of {len(results)} files are sound",
            soft_wrap=True,
        )
        if not results:
            raise ToolError(f"{folder}: no table files")
    return 2 if bad else 0
