"""Stretches of games whose outcomes can be settled move by move, to try suspected slips on.

The draw is that of :mod:`convert.measuring.draw`: of each kind of ending and number of men the
stretches with the least hash are taken.  A stretch begins at the first position with so few men
that tables or solver may tell, and has at most :data:`MOST_PLIES` plies.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import chess

from convert.fastread import LineRead, read_lines
from convert.kinds import kind_of
from convert.measuring.draw import MOST_MEN, bare, in_scope, rank_of
from convert.walker import Walk, walk
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
    if read.start is None or not read.moves:
        return
    start = read.start
    walked = walk(start, read.moves)
    if sum(walked.counts[-1]) + 2 > MOST_MEN:
        return
    name = f"{rank_of(seed, *(m.uci() for m in read.moves)):016x}"
    for men in MOST:
        first = next((i for i, c in enumerate(walked.counts) if sum(c) + 2 <= men), None)
        if first is None or sum(walked.counts[first]) + 2 != men:
            continue
        board = walked.boards[first]
        moves = tuple(m.uci() for m in read.moves[first : first + MOST_PLIES])
        if len(moves) >= LEAST_PLIES and in_scope(board) and board.is_valid():
            rank = rank_of(seed, name, "stretch", men)
            yield f"{kind_of(board)}/{men}", rank, Stretch(name, board.fen(), moves)


def stretches(
    paths: Iterable[str],
    seed: int,
    wanted: Callable[[str], bool] = lambda _: True,
    tell: Callable[[int], None] | None = None,
) -> list[Stretch]:
    """Draw from the games of PGN files; ``wanted`` says of a cluster whether it may be taken."""
    kept: dict[str, list[tuple[int, str, Stretch]]] = {}
    number = 0
    for path in paths:
        for read in read_lines(path):
            number += 1
            if tell is not None and number % 500 == 0:
                tell(number)
            for group, rank, stretch in of_game(read, seed):
                if not wanted(stretch.cluster):
                    continue
                heap = kept.setdefault(group, [])
                entry = (-rank, stretch.cluster, stretch)
                if len(heap) < MOST[int(group.rsplit("/", 1)[1])]:
                    heapq.heappush(heap, entry)
                elif entry[:2] > heap[0][:2]:
                    heapq.heapreplace(heap, entry)
    return [
        stretch
        for group in sorted(kept)
        for *_, stretch in sorted(kept[group], key=lambda e: (-e[0], e[1]))
    ]
