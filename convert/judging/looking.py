"""Looking ahead: the compiled search as the judges ask it, with a memory.

What is looked at is bounded by a number of positions, so that the same questions get the same
answers. The compiled code is loaded when something is first asked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, TypeVar

import chess

from convert.board.kinds import kind_of
from convert.judging.search.chances import Told, chances_of

if TYPE_CHECKING:
    from convert.judging.noted import SearchNotes
    from convert.judging.search.front import EachMove, Found, Search

__all__ = ["EACH_MOVE", "LookAhead"]

T = TypeVar("T", "Found", "EachMove")

#: Where all moves of a position are compared, so many times the positions are looked at in all.
EACH_MOVE = 8
#: For a guess at the chances so many positions are looked at.
GUESS = 4_000
#: A halfmove clock below this is taken for 0: the search does not come near its end.
LOW_CLOCK = 40


class LookAhead:
    """The search with what it found.

    Args:
        positions: looked at for each position that is asked about.
        proof: positions that a proof may go through.
        making: called before code is compiled or exact leaves are made, once on a machine.

    Attributes:
        threads: that search several positions; the answers are the same with any number.
        notes: what was found in a game before, where that is kept on disk; None: it is not.
        looked_at: positions looked at so far.
    """

    def __init__(
        self, positions: int, proof: int, making: Callable[[], None] | None = None
    ) -> None:
        self.positions, self.proof = positions, proof
        self.threads = 1
        self.looked_at = 0
        self.notes: SearchNotes | None = None
        self._making = making
        self._found: dict[tuple[object, ...], Found] = {}
        self._each: dict[tuple[object, ...], EachMove] = {}

    @cached_property
    def search(self) -> Search:
        """The search itself."""
        from convert.judging.search.front import Search, prepared

        if self._making is None:
            return Search()
        if prepared():
            return Search(making=self._making)
        self._making()
        return Search()

    def forget(self) -> None:
        """Empty the memory."""
        self._found.clear()
        self._each.clear()

    def found(self, board: chess.Board) -> Found:
        """What the search finds in a position, for the side to move."""
        there = _calm(board)
        key = _key(there)
        if key not in self._found:
            (one,) = self._asked(
                "one", [there], self.positions, lambda: [self.search.search(there, self.positions)]
            )
            self._keep(key, one)
        return self._found[key]

    def game(self, boards: Iterable[chess.Board]) -> None:
        """Look at positions of one game from its end backwards.

        What is known of the ending so reaches the moves that led there.
        """
        there = [_calm(board) for board in boards]
        there = [board for board in there if _key(board) not in self._found]
        if there:
            results = self._asked(
                "backwards",
                there,
                self.positions,
                lambda: self.search.backwards(there, self.positions),
            )
            for board, result in zip(there, results, strict=True):
                self._keep(_key(board), result)

    def _keep(self, key: tuple[object, ...], result: Found) -> None:
        self.looked_at += result.positions
        self._found[key] = result

    def longer(self, boards: Sequence[chess.Board], times: int) -> list[Found]:
        """What a search of so many times the positions finds in each; nothing is remembered."""
        return self._of_many("longer", boards, times * self.positions, mates=True)

    def guess(self, boards: Sequence[chess.Board]) -> list[Told]:
        """Chances of the side to move by a short search of each; nothing is remembered."""
        results = self._of_many("guess", boards, min(GUESS, self.positions), mates=False)
        return [told(b, r.score, r.depth) for b, r in zip(boards, results, strict=True)]

    def _of_many(
        self, way: str, boards: Sequence[chess.Board], positions: int, *, mates: bool
    ) -> list[Found]:
        there = [_calm(board) for board in boards]
        results = self._asked(
            way,
            there,
            positions,
            lambda: self.search.many(there, positions, threads=self.threads, mates=mates),
        )
        self.looked_at += sum(result.positions for result in results)
        return results

    def _asked(
        self, way: str, boards: Sequence[chess.Board], positions: int, ask: Callable[[], list[T]]
    ) -> list[T]:
        """What a search says of each board, by the notes where they know it."""
        if not boards:
            return []  # the search is not even loaded
        if self.notes is None:
            return ask()
        return self.notes.answers(way, boards, positions, ask)

    def compare(self, boards: Iterable[chess.Board]) -> None:
        """Look at every move of positions of which ``each_move`` will be asked, on all threads."""
        all_ = {_key(calm): calm for calm in map(_calm, boards)}
        new = {key: board for key, board in all_.items() if key not in self._each}
        there = list(new.values())
        positions = EACH_MOVE * self.positions
        results = self._asked(
            "each",
            there,
            positions,
            lambda: self.search.moves_of_many(there, positions, threads=self.threads),
        )
        for key, result in zip(new, results, strict=True):
            self._each[key] = result
            self.looked_at += result.positions

    def each_move(self, board: chess.Board) -> EachMove:
        """Every move of a position, looked at to the same depth; best first."""
        there = _calm(board)
        key = _key(there)
        if key not in self._each:
            positions = EACH_MOVE * self.positions
            (self._each[key],) = self._asked(
                "each", [there], positions, lambda: [self.search.moves(there, positions)]
            )
            self.looked_at += self._each[key].positions
        return self._each[key]

    def chances(self, board: chess.Board) -> Told:
        """Chances of the side to move, with good play by both."""
        result = self.found(board)
        return told(board, result.score, result.depth)


def told(board: chess.Board, score: int, depth: int) -> Told:
    """Chances of the side to move by a score (hundredths of a pawn) of a search.

    A side without the means to mate has no chance to win (FIDE Laws, 6.9 and 5.2.2).
    """
    chances = chances_of(score, board.occupied.bit_count(), kind_of(board), depth)
    won, drawn, lost = chances
    if board.has_insufficient_material(board.turn):
        won, drawn = 0.0, drawn + won
    if board.has_insufficient_material(not board.turn):
        lost, drawn = 0.0, drawn + lost
    return Told(won, drawn, lost)


def _calm(board: chess.Board) -> chess.Board:
    there = board.copy(stack=False)
    if there.halfmove_clock < LOW_CLOCK:
        there.halfmove_clock = 0
    return there


def _key(board: chess.Board) -> tuple[object, ...]:
    return board._transposition_key(), board.halfmove_clock
