"""Positions of games with the games' results: what is known of endings that nothing settles.

Taken are the first position of a game's first exchange-up phase without queens and of its first
pawn ending, if it stood for some plies.  Both players must be strong, so that the result says
something of the position; games lost on time are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from convert.board.kinds import kind_of
from convert.measuring.draw import Reservoir, bare, name_of, rank_of
from convert.reading.fastread import LineRead
from convert.review.walker import phases, walk

#: The feature that is 1 where the question is how a game ended, not who wins with good play.
RESULT = "result of a game"
#: Both players have at least this rating.
STRONG = 1800
#: The position's material stands for at least so many plies.
STANDING = 4
#: Positions taken of a kind of ending with one number of men.
MOST = 150

_POINTS = {"1-0": 1, "1/2-1/2": 0, "0-1": -1}


@dataclass(frozen=True)
class PlayedPosition:
    """A position, the game it is from, and the game's result for White (1, 0, -1)."""

    fen: str
    game: str
    result: int


def _rating(text: str) -> int:
    return int(text) if text.isdigit() else 0


def of_game(read: LineRead, seed: int) -> Iterator[tuple[str, int, PlayedPosition]]:
    """Positions of one game: group, rank, position."""
    if read.start is None or read.headers is None or not read.moves or not read.complete:
        return
    tags = read.headers
    result = _POINTS.get(tags.get("Result", "*"))
    ratings = [_rating(tags.get(name, "")) for name in ("WhiteElo", "BlackElo")]
    if result is None or min(ratings) < STRONG or "time" in tags.get("Termination", "").lower():
        return
    walked = walk(read.start, read.moves)
    name = name_of(read, seed)
    kinds_seen: set[str] = set()
    for phase in phases(walked):
        if phase.last - phase.since + 1 < STANDING or phase.men > 24:
            continue
        board = walked.boards[phase.since]
        if board.queens:
            continue
        kind = kind_of(board)
        if kind in ("exchange up", "pawn ending") and kind not in kinds_seen:
            kinds_seen.add(kind)
            fen = bare(board).fen()
            if not board.castling_rights and any(board.legal_moves):
                rank = rank_of(seed, name, "result", phase.since)
                yield f"{kind}/{phase.men}", rank, PlayedPosition(fen, name, result)


def played(
    paths: Iterable[str], seed: int, tell: Callable[[int], None] | None = None
) -> list[PlayedPosition]:
    """Draw from PGN files: of each kind and number of men the games with the least hash."""
    reservoir: Reservoir[PlayedPosition] = Reservoir(lambda _: MOST, lambda position: position.fen)
    reservoir.draw(paths, lambda read: of_game(read, seed), tell)
    return reservoir.all()
