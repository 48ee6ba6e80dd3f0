"""The ``fullpoint`` command.  Only this package reads arguments, prints or exits."""

from __future__ import annotations

import contextlib
import importlib
import os
import re
import sys
from collections.abc import Sequence
from typing import Any

import click

from convert import __version__
from convert.cli.params import InputPath
from convert.cli.quiet import exit_code_of, past_click

CONTEXT = {
    "help_option_names": ["-h", "--help"],
    "max_content_width": 90,
    "auto_envvar_prefix": "FULLPOINT",
}
#: Commands and the module each lives in; a module is imported when its command runs.
COMMANDS = {
    "game": ("convert.cli.game", "How each game of a PGN file was converted or let slip."),
    "position": ("convert.cli.position", "Judge one position: result, moves, what decides it."),
    "collection": ("convert.cli.collection", "Many games into tables, and what they tell."),
    "lesson": ("convert.cli.lesson", "Exercises from games or positions, with answers and twins."),
    "play": ("convert.cli.play", "Play a position out against the longest resistance."),
    "proofread": ("convert.cli.proofread", "Check an annotator's own assessments."),
    "solve": ("convert.cli.solve", "Solve an ending past the tables, exactly or in part."),
    "tables": ("convert.cli.tables", "List and check the tables, and what is missing."),
}


class LazyGroup(click.Group):
    """A group that imports a command's module only when it is needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands, in the order in which they are meant to be met."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return a command; None when there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(COMMANDS[cmd_name][0])
        command: click.Command = module.command
        return command

    def make_context(self, *args: Any, **kwargs: Any) -> click.Context:
        """As click's; a reader that has gone and interrupts are left to `main`."""
        with past_click():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: click.Context) -> Any:
        """As click's; a reader that has gone and interrupts are left to `main`."""
        with past_click():
            return super().invoke(ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings=CONTEXT)
@click.version_option(__version__, prog_name="fullpoint")
@click.option(
    "--config",
    type=InputPath(dir_okay=False),
    help="Settings file (TOML) instead of the user's own.",
)
@click.pass_context
def cli(ctx: click.Context, config: str | None) -> None:
    """Tell, with proof, how a won chess position was converted or let slip.

    \b
    fullpoint game FILE.pgn            review the games of a file
    fullpoint position "FEN"           is this ending a win, and what decides it?
    fullpoint collection DIR -o OUT    a season of games as tables, with a report
    fullpoint lesson -o sheet.html     a sheet of exercises, built in or from games
    fullpoint play "FEN"               bring the point home, or hold the draw
    fullpoint proofread FILE.pgn       is what the notes say true?
    fullpoint solve "FEN"              an ending past the tables, solved on the spot
    fullpoint tables                   which endings are known exactly?
    """
    from convert.cli.common import settings

    ctx.default_map = settings(config)


def main(arguments: Sequence[str] | None = None) -> None:
    """Entry point: run, and leave with the exit codes of docs/cli.md.

    0: done; 1: findings, with --fail-on only; 2: usage, unreadable input,
    damaged tables; 130: interrupted; 143 and 129: the same by SIGTERM and SIGHUP.
    """
    sys.exit(exit_code_of(lambda: _run(arguments)))


def _run(arguments: Sequence[str] | None) -> Any:
    _settle_size()
    if os.environ.get("TERM") == "dumb":
        os.environ.setdefault("NO_COLOR", "1")
    return cli.main(
        args=None if arguments is None else list(arguments),
        prog_name="fullpoint",
        standalone_mode=False,
    )


#: Narrowest and widest, lowest and highest screen that reports are made for.
SIZES = {"COLUMNS": (20, 1000), "LINES": (5, 1000)}


def _settle_size() -> None:
    """Make the size of the screen one that a report fits on, whatever the environment says."""
    for name, (least, most) in SIZES.items():
        text = os.environ.get(name)
        if text is None:
            continue
        if re.fullmatch(r"0*[1-9][0-9]{0,8}", text, re.ASCII):
            os.environ[name] = str(min(max(int(text), least), most))
        else:
            del os.environ[name]
    if "COLUMNS" not in os.environ:
        with contextlib.suppress(OSError, ValueError):
            columns = os.get_terminal_size(sys.stdout.fileno()).columns
            if 0 < columns < SIZES["COLUMNS"][0]:
                os.environ["COLUMNS"] = str(SIZES["COLUMNS"][0])
