"""What a game's record says, as far as it can be used: the first stage of a review."""

from __future__ import annotations

from dataclasses import dataclass

import chess

from convert.reading.author import AuthorNotes, notes_of
from convert.reading.records import GameRead


@dataclass(frozen=True)
class Refused(Exception):
    """The game cannot be reviewed; ``reason`` says why, in one line."""

    reason: str

    def __str__(self) -> str:
        return self.reason


@dataclass(frozen=True)
class Scoresheet:
    """A record with at least one move that can be used.

    ``file``, ``number`` and ``line`` say where it stands; ``problems`` what is wrong with it, in
    words, each with its place; ``complete``: the main line was read to its end.  ``author`` is what
    the game's author wrote into it.
    """

    file: str
    number: int
    line: int
    tags: dict[str, str]
    start: chess.Board
    moves: tuple[chess.Move, ...]
    complete: bool
    problems: tuple[str, ...]
    author: AuthorNotes

    @property
    def result(self) -> str:
        """The result as the record has it, ``*`` where it has none."""
        return self.tags.get("Result", "*")


def scoresheet(read: GameRead) -> Scoresheet:
    """What can be reviewed of a record.

    Raises:
        Refused: nothing of it can be used, or it has no moves.
    """
    if read.game is None:
        raise Refused(read.problems[0].reason if read.problems else "nothing to review")
    start = read.game.board()
    if not read.moves:
        raise Refused("no moves: nothing to review")
    return Scoresheet(
        file=read.source,
        number=read.number,
        line=read.line,
        tags=dict(read.game.headers),
        start=start,
        moves=read.moves,
        complete=read.complete,
        problems=tuple(str(problem) for problem in read.problems),
        author=notes_of(read.game, len(read.moves)),
    )
