"""What the commands that read files of games share: which games, what is amiss, where it may go."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from convert.cli.common import ToolError, note

if TYPE_CHECKING:
    from convert.judge import Bench
    from convert.sources import GameRead


def check_outputs(files: tuple[str, ...], *outputs: str | None) -> None:
    """Refuse to write over an input, or two outputs to one file.

    Raises:
        ToolError: naming the output.
    """
    named = [o for o in outputs if o and o != "-"]
    if len({Path(o).resolve() for o in named}) < len(named):
        raise ToolError(f"{named[0]}: named for two outputs")
    for output in named:
        for file in files:
            if file != "-" and Path(output).resolve() == Path(file).resolve():
                raise ToolError(f"{output}: is the input; name another file for the output")


def remark_tables(bench: Bench) -> None:
    """Name table files that had to be set aside."""
    for result in getattr(bench.prober, "problems", ()):
        note(f"{result.path}: set aside: {result.problem}")


class Games:
    """The games of some files, or those with certain numbers; remembers whether all went well.

    Args:
        files: PGN files, ``-`` for standard input.
        numbers: numbers within each file; none: all games.
    """

    def __init__(self, files: tuple[str, ...], numbers: tuple[int, ...]):
        self.files = files
        self.numbers = numbers
        self.trouble = False

    def __iter__(self) -> Iterator[GameRead]:
        """File by file; a file that cannot be read is named, and the next one follows."""
        from convert.sources import SourceError, read_games

        last = max(self.numbers, default=None)
        for file in self.files:
            try:
                for read in read_games(file, stdin=sys.stdin.buffer if file == "-" else None):
                    if self.numbers and read.number not in self.numbers:
                        if last is not None and read.number > last:
                            break
                        continue
                    yield read
            except SourceError as err:
                note(f"error: {err}")
                self.trouble = True

    def remark(self, read: GameRead) -> None:
        """Name what is wrong with a game."""
        for problem in read.problems:
            note(str(problem))
            self.trouble = self.trouble or problem.fatal or not read.complete

    def contradicted(self, read: GameRead, err: Exception) -> None:
        """Say of which game the judges contradict each other; the others go on."""
        note(f"error: {read.source}: game {read.number}, line {read.line}: {err}")
        self.trouble = True

    def none_found(self, to_do: str) -> None:
        """Say that there was no game ``to_do``, unless something worse was said."""
        if self.trouble:
            return
        self.trouble = True
        wanted = ", ".join(str(n) for n in self.numbers)
        names = ", ".join(self.files)
        note(f"error: no game {wanted} in {names}" if wanted else
             f"error: {names}: no game to {to_do}")
