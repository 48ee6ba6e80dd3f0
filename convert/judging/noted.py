"""What the look-ahead found in the positions of a game, kept on disk for the next time.

A search gives the same answer to the same question, so a game that is reviewed again, for a page
after the terminal or for the other side, need not be searched again, nor the search be loaded.
What is kept for a game is one entry of a store, under a key that holds the positions of the game
and a digest of everything that the search is made of.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import chess

from convert.judging.proof import LineProof
from convert.judging.search.front import EachMove, Found
from tablebases.folders import cache_folder
from tablebases.probing import ProbeCounts
from tablebases.values import Outcome

if TYPE_CHECKING:
    from tablebases.solver import Store

__all__ = ["SearchNotes"]

T = TypeVar("T", Found, EachMove, LineProof)

#: Bytes on disk for the notes of all games.
LIMIT = 256 * 2**20
_PROGRAM = Path(__file__).resolve().parents[1]


class SearchNotes:
    """Questions to the search and its answers, game by game.

    Nothing is known before ``begin``.

    Args:
        folder: where they are kept; None for the user's cache folder.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder
        self._key = ""
        self._known: dict[str, Any] = {}
        self._changed = False

    @cached_property
    def _store(self) -> Store:
        from tablebases.solver import Store

        # Apart from solved slices, so that neither crowds out the other.
        return Store(self._folder or cache_folder("look-ahead"), limit=LIMIT)

    @cached_property
    def _search(self) -> str:
        """A digest of all that the search is made of: every source, and the numbers it weighs by.

        What need not be told apart is not: to find out what it is compiled from takes longer.
        """
        from tablebases.solver.code import source_digest

        files = [*_PROGRAM.rglob("*.py"), *(_PROGRAM / "judging" / "search").glob("*.json")]
        return f"{source_digest(_PROGRAM, files)} {source_digest()}"

    def begin(self, boards: Sequence[chess.Board]) -> None:
        """A game with these positions is looked at from now on; the one before is kept."""
        self.keep()
        game = "\n".join((self._search, *(board.fen() for board in boards)))
        self._key = f"look-ahead | {hashlib.blake2b(game.encode(), digest_size=16).hexdigest()}"
        before = self._store.get_json(self._key)
        self._known = before if isinstance(before, dict) else {}

    def keep(self) -> None:
        """Write what is new to disk."""
        if self._changed:
            self._store.put_json(self._key, self._known)
            self._changed = False

    def answers(
        self,
        way: str,
        boards: Sequence[chess.Board],
        limits: int | tuple[int, ...],
        ask: Callable[[], list[T]],
    ) -> list[T]:
        """What a search says of each of these boards, asked only where that is not known.

        Args:
            way: the kind of search; each gives answers of one kind.
            limits: of the search: positions, for instance.
        """
        if not self._key:
            return ask()
        text = "\n".join((way, str(limits), *(board.fen() for board in boards)))
        question = hashlib.blake2b(text.encode(), digest_size=12).hexdigest()
        with contextlib.suppress(ValueError, TypeError, KeyError, IndexError, AttributeError):
            known: list[Any] = [_read(one) for one in self._known[question]]
            if len(known) == len(boards):
                return known
        new = ask()
        self._known[question] = [_written(one) for one in new]
        self._changed = True
        return new


def _names(line: Sequence[chess.Move]) -> str:
    return " ".join(move.uci() for move in line)


def _moves(names: str) -> tuple[chess.Move, ...]:
    return tuple(map(chess.Move.from_uci, names.split()))


def _written(answer: Found | EachMove | LineProof) -> list[Any]:
    """As JSON holds it: four entries for a line (a proof begins with a word), three for all."""
    if isinstance(answer, LineProof):
        line = _names(answer.line)
        counts = [answer.nodes, answer.probes.wdl, answer.probes.dtz]
        return [answer.low.name, answer.high.name, line, *counts]
    if isinstance(answer, Found):
        return [answer.score, _names(answer.line), answer.depth, answer.positions]
    moves = [[move.uci(), *_written(one)] for move, one in answer.found.items()]
    return [moves, answer.depth, answer.positions]


def _read(text: list[Any]) -> Found | EachMove | LineProof:
    """What ``_written`` wrote."""
    if isinstance(text[0], str):
        low, high, line, nodes, wdl, dtz = text
        probes = ProbeCounts(int(wdl), int(dtz))
        return LineProof(Outcome[low], Outcome[high], _moves(line), int(nodes), probes)
    if len(text) == 3:
        moves, depth, positions = text
        by_move = {chess.Move.from_uci(move): _line(rest) for move, *rest in moves}
        return EachMove(by_move, int(depth), int(positions))
    return _line(text)


def _line(text: list[Any]) -> Found:
    score, line, depth, positions = text
    return Found(int(score), _moves(line), int(depth), int(positions))
