"""Stretches of games whose outcomes can be settled move by move, to try suspected slips on.

The draw is that of :mod:`convert.measuring.draw`: of each kind of ending and number of men the
stretches with the least hash are taken.  A stretch begins at the first position with so few men
that tables or solver may tell, and has at most :data:`MOST_PLIES` plies.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import chess

from convert.board.balance import men
from convert.board.kinds import kind_of
from convert.measuring.draw import Reservoir, bare, in_scope, name_of, rank_of, walked_down
from convert.reading.fastread import LineRead
from convert.review.walker import Walk, walk
from tablebases.material import material_name

MOST_PLIES = 40
#: Stretches shorter than this are left out.
LEAST_PLIES = 8
#: Stretches taken of a kind of ending, by the number of men they begin with.
MOST = {5: 40, 6: 12, 7: 5}


@dataclass(frozen=True)
class Stretch:
    """Consecutive moves (UCI) of one game from a position; ``cluster`` names the game."""

    cluster: str
    fen: str
    moves: tuple[str, ...]

    def walk(self) -> Walk:
        """The stretch as a walked game."""
        return walk(chess.Board(self.fen), [chess.Move.from_uci(move) for move in self.moves])

    def groups(self) -> list[list[str]]:
        """Its positions with the clock at nought, those of one material together."""
        groups: dict[str, list[str]] = {}
        for board in self.walk().boards:
            if in_scope(board) and board.is_valid() and any(board.legal_moves):
                groups.setdefault(material_name(board), []).append(bare(board).fen())
        return list(groups.values())


def of_game(read: LineRead, seed: int) -> Iterator[tuple[str, int, Stretch]]:
    """Stretches of a game, one for each number of men that it begins with; group, rank, stretch."""
    walked = walked_down(read)
    if walked is None:
        return
    name = name_of(read, seed)
    for number in MOST:
        first = next((i for i, c in enumerate(walked.counts) if men(c) <= number), None)
        if first is None or men(walked.counts[first]) != number:
            continue
        board = walked.boards[first]
        moves = tuple(m.uci() for m in read.moves[first : first + MOST_PLIES])
        if len(moves) >= LEAST_PLIES and in_scope(board) and board.is_valid():
            rank = rank_of(seed, name, "stretch", number)
            yield f"{kind_of(board)}/{number}", rank, Stretch(name, board.fen(), moves)


def stretches(
    paths: Iterable[str],
    seed: int,
    wanted: Callable[[str], bool] = lambda _: True,
    tell: Callable[[int], None] | None = None,
) -> list[Stretch]:
    """Draw from the games of PGN files; ``wanted`` says of a cluster whether it may be taken."""

    def candidates(read: LineRead) -> Iterator[tuple[str, int, Stretch]]:
        return (drawn for drawn in of_game(read, seed) if wanted(drawn[2].cluster))

    reservoir: Reservoir[Stretch] = Reservoir(
        lambda group: MOST[int(group.rsplit("/", 1)[1])], lambda stretch: stretch.cluster
    )
    reservoir.draw(paths, candidates, tell)
    return reservoir.all()
