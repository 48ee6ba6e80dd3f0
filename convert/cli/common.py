"""Options, consoles and files that the commands share."""

from __future__ import annotations

import contextlib
import math
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, TypeVar

import click

from convert.cli.params import InputPath
from convert.cli.streams import below, note
from convert.rim import outputs
from convert.rim.safe_text import safe_line

if TYPE_CHECKING:
    from rich.console import Console

    from convert.judging.judges import Bench

F = TypeVar("F", bound=Callable[..., Any])

EFFORT_NAMES = ("quick", "normal", "deep")


class ToolError(click.ClickException):
    """Trouble that is not a finding: exit code 2 (docs/cli.md)."""

    exit_code = 2

    def show(self, file: IO[Any] | None = None) -> None:
        """One line on standard error."""
        message = safe_line(self.format_message())
        click.echo(f"fullpoint: error: {message}", file=file or sys.stderr)


def table_files(folder: str) -> Iterator[str]:
    """The files of tables in a folder, and their sums."""
    from tablebases.checking import SUMS_NAMES
    from tablebases.errors import TablebaseError
    from tablebases.files import find_tables

    with contextlib.suppress(TablebaseError, OSError):
        yield from (str(table.path) for table in find_tables([folder], bundled=False))
        yield from (str(Path(folder) / name) for name in SUMS_NAMES)


MOST_SECONDS = 1_000_000
"""Longest time that an option takes: eleven days."""
MOST_GB = 100_000
"""Most memory or disk that an option takes, in GB."""
MOST_COUNT = 1_000_000_000
"""Largest number of games, bytes and the like that an option takes."""


class Real(click.FloatRange):
    """A number of an option, never NaN nor infinite; both ends of its range are given."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number.

        Raises:
            BadParameter: not a number, or not in the range.
        """
        if not _is_number(value):
            self.fail(f"{value!r} is not a number.", param, ctx)
        try:
            number: float = super().convert(value, param, ctx)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            self.fail(f"{value!r} is not in the range {self._describe_range()}.", param, ctx)
        return number


class Whole(click.IntRange):
    """A whole number of an option; both ends of its range are given."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The number.

        Raises:
            BadParameter: not a whole number, or not in the range.
        """
        if not _is_number(value) or (isinstance(value, float) and not value.is_integer()):
            self.fail(f"{value!r} is not a whole number.", param, ctx)
        number: int = super().convert(value, param, ctx)
        return number


def _is_number(value: object) -> bool:
    """From a settings file come truth values and lists as well."""
    return isinstance(value, (str, int, float)) and not isinstance(value, bool)


def table_options(command: F) -> F:
    """Where tables are looked for."""
    return click.option(
        "--tables",
        "tables",
        multiple=True,
        type=InputPath(path_type=Path, files=table_files),
        envvar="FULLPOINT_TABLES",
        metavar="DIR",
        help="Folder with further Syzygy tables, up to seven men (repeatable; also the "
        "FULLPOINT_TABLES variable and 'tables' in the settings file). The three- and "
        "four-man tables are built in.",
    )(command)


def effort_option(command: F) -> F:
    """How much work goes into what no table settles."""
    return click.option(
        "--effort",
        type=click.Choice(EFFORT_NAMES),
        default="normal",
        show_default=True,
        help="How far to look where no table settles the position: positions for the look-ahead, "
        "time and memory for the solver.",
    )(command)


def solve_option(command: F) -> F:
    """Whether endings past the tables are solved on the spot."""
    return click.option(
        "--solve/--no-solve",
        default=True,
        envvar="FULLPOINT_SOLVE",
        help="Solve endings past the tables on the spot (up to six men, pawn endings, rook "
        "against a minor piece), or leave them to forced lines and the estimate.",
    )(command)


class StatusLine:
    """Progress on one line of standard error; nothing when that is no terminal."""

    WIDTH = 78

    def __init__(self, quiet: bool = False):
        self.on = not quiet and sys.stderr.isatty()

    def show(self, text: str) -> None:
        """Put the text in place of what the line showed."""
        if self.on:
            self._write("\r" + safe_line(text)[: self.WIDTH].ljust(self.WIDTH))

    def wipe(self) -> None:
        """Leave the line empty."""
        if self.on:
            self._write("\r" + " " * self.WIDTH + "\r")

    @staticmethod
    def _write(text: str) -> None:
        stream = below(sys.stderr)
        stream.write(text)
        stream.flush()


def solver_words(progress: Any) -> str:
    """What is being proved, for how long yet, and for how long all of it may take at most."""
    words = f"to prove: {progress.question}; about {max(1, round(progress.left))} s"
    if progress.most < math.inf:
        words += f", at most {max(1, math.ceil(progress.most))} s in all"
    return f"{words} (Ctrl-C: go on)"


class SolverProgress:
    """What the solver is at, on the status line."""

    def __init__(self, quiet: bool = False):
        self.line = StatusLine(quiet)
        self.first = True

    def __call__(self, progress: Any) -> None:
        """Show a step of the solver's work."""
        if not self.line.on:
            return
        if self.first:
            from tablebases.solver import prepared

            self.first = False
            if not prepared():
                note("preparing the solver, once: about a minute")
        self.line.show(solver_words(progress))

    def done(self) -> None:
        """Wipe the line."""
        if not self.first:
            self.line.wipe()


def figures_option(command: F) -> F:
    """Letters or chess figures in diagrams."""
    return click.option(
        "--figures/--letters",
        default=False,
        help="Diagrams with chess figures, or with letters (capitals White).",
    )(command)


def settings(config: str | None) -> dict[str, Any]:
    """Defaults from the settings file, as click's default map.

    Top-level keys hold for every command; a table named after a command holds
    for that command.

    Raises:
        ToolError: a file named by the user is missing, or one is not valid TOML.
    """
    from convert.cli import COMMANDS

    if config is not None:
        path = Path(config)
        if not path.is_file():
            raise ToolError(f"{path}: no such settings file")
    else:
        path = config_path()
        if not path.is_file():
            return {}
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as err:
        raise ToolError(f"{path}: {' '.join(str(err).split())}") from err
    common = {key: value for key, value in data.items() if not isinstance(value, dict)}
    return {
        name: {**common, **(data[name] if isinstance(data.get(name), dict) else {})}
        for name in COMMANDS
    }


def config_path() -> Path:
    """Where the user's settings file is looked for."""
    import platformdirs

    return Path(platformdirs.user_config_path("fullpoint", appauthor=False)) / "config.toml"


def make_bench(
    tables: tuple[Path, ...],
    effort: str,
    *,
    solve: bool = True,
    tell: Callable[[Any], None] | None = None,
    installed: bool = True,
) -> Bench:
    """Open the tables and seat the judges; ``tell`` hears of the solver's progress.

    Judges that other packages bring are named (``installed``: they are asked).  When the command
    ends, table files that had to be set aside are named.

    Raises:
        NoSuchFolder: a folder of the user's does not exist.
        JudgeError: a judge of another package cannot be used.
    """
    from convert.judging.bench import also_asked, open_bench, set_aside

    def making() -> None:
        if isinstance(tell, SolverProgress) and tell.line.on:
            note("preparing the look-ahead, once: about a minute")

    bench = open_bench(tables, effort, solve=solve, tell=tell, making=making, installed=installed)
    name_judges(also_asked(bench))

    def remark() -> None:
        for text in set_aside(bench):
            note(text)

    if (context := click.get_current_context(silent=True)) is not None:
        context.call_on_close(remark)
    return bench


def name_judges(names: Sequence[str]) -> None:
    """Say which judges of other packages are asked; nothing where there are none."""
    if names:
        note(f"also asked, beside the program's own judges: {', '.join(names)}")


def out_console() -> Console:
    """The console reports go to; 80 columns when it is no terminal and COLUMNS is not set."""
    from convert.cli import consoles

    return consoles.out_console()


def err_console() -> Console:
    """The console progress goes to."""
    from convert.cli import consoles

    return consoles.err_console()


@contextlib.contextmanager
def whole_file(path: str) -> Iterator[IO[str]]:
    """`convert.rim.outputs.whole_file` for the commands.

    Raises:
        ToolError: it cannot be written; what stood there before is still there.
    """
    try:
        with outputs.whole_file(path) as file:
            yield file
    except outputs.OutputError as err:
        raise ToolError(str(err)) from err
