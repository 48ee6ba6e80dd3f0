"""``fullpoint play``: play a position out against the opponent that holds out longest."""

from __future__ import annotations

import contextlib
import io
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING

import click

from convert.cli.common import (
    SolverProgress,
    ToolError,
    effort_option,
    figures_option,
    make_bench,
    solve_option,
    table_options,
)
from convert.cli.params import Careful, InputPath, OutputPath
from convert.cli.streams import note

if TYPE_CHECKING:
    from convert.cli.play_session import Lines, Session

TELL = ("always", "slips", "never")


@click.command("play", cls=Careful)
@click.argument("fen", metavar="FEN", nargs=-1)
@click.option(
    "--side",
    type=click.Choice(["white", "black"]),
    help="The side you play; without it the side to move.",
)
@click.option(
    "--tell",
    type=click.Choice(TELL),
    default="never",
    show_default=True,
    help="Whether to say after each move of yours what became of the outcome.",
)
@click.option(
    "--moves",
    "script",
    metavar="FILE",
    type=InputPath(),
    help="Read moves and commands from a file ('-': standard input).",
)
@click.option(
    "-o",
    "--output",
    "output",
    metavar="OUT",
    type=OutputPath(),
    help="Write the game as PGN; an existing file is replaced ('-': standard output, "
    "then without the talk).",
)
@figures_option
@effort_option
@solve_option
@table_options
@click.pass_context
def command(
    ctx: click.Context,
    fen: tuple[str, ...],
    side: str | None,
    tell: str,
    script: str | None,
    output: str | None,
    figures: bool,
    effort: str,
    solve: bool,
    tables: tuple[Path, ...],
) -> int:
    """Bring the point home against the longest resistance, or hold the draw.

    FEN may be quoted or given as its four or six words. Type moves, or 'help'
    for the commands. Ctrl-C ends the game and saves it. From a pipe or with
    --moves the moves and commands are read line by line.

    \b
    fullpoint play "8/8/8/4k3/8/2K5/8/R7 w - - 0 1"
    fullpoint play "8/8/8/3k4/8/3K4/3P4/8 w - - 0 1" --side black --tell slips
    """
    interactive = script is None and sys.stdin.isatty()
    if not fen:
        if interactive:
            click.echo(ctx.get_help())
            return 2
        raise ToolError("give the position as a FEN")
    from convert.reading.fen import SourceError, parse_fen

    try:
        board, notes = parse_fen(" ".join(fen))
    except SourceError as err:
        raise ToolError(str(err)) from err
    if output == "-" and interactive:
        raise ToolError("-o - needs the moves from a pipe or from --moves")
    from convert.cli.play_session import Session
    from convert.judging.laws import over
    from convert.model import Side

    ended = over(board)
    if ended is not None:
        raise ToolError(f"FEN: the game is over: {ended.how.value}")
    solving = SolverProgress()
    bench = make_bench(tables, effort, solve=solve, tell=solving)
    session = Session(
        bench,
        board,
        Side(side) if side else Side.of(board.turn),
        solving,
        tell=tell,
        output=output,
        figures=figures,
        interactive=interactive,
    )
    for text in notes:
        note(text)
    return session.run(_typed(session) if interactive else _script(script or "-"))


def _typed(session: Session) -> Lines:
    """Lines typed at the prompt, until end of file."""
    with contextlib.suppress(ImportError):
        import readline  # noqa: F401  (line editing for input())
    while True:
        try:
            yield "", input(session.prompt)
        except EOFError:
            click.echo()
            return


def _script(name: str) -> Lines:
    """Lines of a script.

    Raises:
        ToolError: it cannot be read, or is no text.
    """
    source = "standard input" if name == "-" else name
    number = 0
    try:
        with _text_of(name) as file:
            for number, line in enumerate(file, 1):
                yield f"{source}: line {number}", line.removeprefix("\ufeff")
    except UnicodeDecodeError as err:
        raise ToolError(f"{source}: line {number + 1}: not UTF-8 text") from err
    except OSError as err:
        raise ToolError(f"{source}: cannot be read ({err.strerror})") from err


@contextlib.contextmanager
def _text_of(name: str) -> Iterator[IO[str]]:
    """A file or standard input as UTF-8 text, whatever the encoding of the terminal."""
    if name != "-":
        with open(name, encoding="utf-8-sig") as file:
            yield file
        return
    binary = getattr(sys.stdin, "buffer", None)
    if binary is None:
        yield sys.stdin
        return
    text = io.TextIOWrapper(binary, encoding="utf-8-sig")
    try:
        yield text
    finally:
        text.detach()
