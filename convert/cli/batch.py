"""What the commands that read files of games share: which games, what is amiss."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

from convert.cli.streams import note

if TYPE_CHECKING:
    from convert.reading.records import GameRead


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
        from convert.reading.fen import SourceError
        from convert.reading.games import read_games

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
        note(
            f"error: no game {wanted} in {names}"
            if wanted
            else f"error: {names}: no game to {to_do}"
        )
