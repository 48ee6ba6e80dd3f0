"""Records of what was read: a game, its main line alone, and what is wrong with its place.

Nothing here reads.  `convert.reading.games` says which trouble is reported how.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import chess
import chess.pgn

__all__ = ["MAX_PROBLEMS", "GameRead", "LineRead", "Problem", "limited"]

MAX_PROBLEMS = 50
"""Most problems kept for one game; the last of them then counts the others."""


@dataclass(frozen=True)
class Problem:
    """Something wrong in a source, with its place.

    Attributes:
        source: name of the source.
        game: number of the game in its source, from 1; None outside games.
        line: line number in the (decompressed) source, from 1.
        ply: plies from the start of the game, 1 = first move, of the move concerned or of the
            last main-line move before the trouble; None where no move is concerned.
        reason: what is wrong and what was done about it, in words.
        fatal: True where nothing of the game or position can be used.
        at: the move concerned with its number, as "7...Nf6".
    """

    source: str
    game: int | None
    line: int | None
    ply: int | None
    reason: str
    fatal: bool = False
    at: str | None = None

    def __str__(self) -> str:
        place = []
        if self.game is not None:
            place.append(f"game {self.game}")
        if self.line is not None:
            place.append(f"line {self.line}")
        if self.at is not None:
            place.append(f"at {self.at}" + (f" (ply {self.ply})" if self.ply is not None else ""))
        elif self.ply is not None:
            place.append(f"ply {self.ply}")
        return ": ".join([self.source, *([", ".join(place)] if place else []), self.reason])


@dataclass(frozen=True)
class GameRead:
    """One game of a source.

    Attributes:
        source: name of the source.
        number: number of the game in its source, from 1.
        line: line on which its text starts, from 1.
        game: the game with its variations, comments and NAGs, tag values unescaped; None where
            nothing can be reviewed.
        moves: the main line, up to the first move that cannot be used.
        problems: everything that was found wrong, by line.
        complete: True if the main line was read to its end.
    """

    source: str
    number: int
    line: int
    game: chess.pgn.Game | None
    moves: tuple[chess.Move, ...]
    problems: tuple[Problem, ...]
    complete: bool


@dataclass(frozen=True)
class LineRead:
    """One game of a source without its variations, comments and NAGs (`convert.reading.fastread`).

    Attributes:
        source: name of the source.
        number: number of the game in its source, from 1.
        line: line on which its text starts, from 1.
        headers: tag values unescaped, the Seven Tag Roster complete, as in the headers of
            `GameRead.game`; None where nothing can be reviewed.
        start: the start position, shared between games and not to be changed; None where
            ``headers`` is.
        moves: the main line, up to the first move that cannot be used.
        problems: everything that was found wrong, by line.
        complete: True if the main line was read to its end.
    """

    source: str
    number: int
    line: int
    headers: dict[str, str] | None
    start: chess.Board | None
    moves: tuple[chess.Move, ...]
    problems: tuple[Problem, ...]
    complete: bool


def limited(problems: list[Problem] | tuple[Problem, ...]) -> tuple[Problem, ...]:
    if len(problems) <= MAX_PROBLEMS:
        return tuple(problems)
    fatal = [problem for problem in problems if problem.fatal]
    results = [problem for problem in problems if not problem.fatal][
        : MAX_PROBLEMS - 1 - len(fatal)
    ]
    more = len(problems) - len(results) - len(fatal)
    last = replace(results[-1], line=None, ply=None, at=None, reason=f"{more} more problems")
    return (*results, last, *fatal)
