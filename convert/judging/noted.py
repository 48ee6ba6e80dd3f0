"""What the look-ahead found in the positions of a game, kept on disk for the next time.

A search gives the same answer to the same question, so a game that is reviewed again, for a page
after the terminal or for the other side, need not be searched again.  What is kept for a game is
one entry of a store, under a key that holds the positions of the game and a digest of everything
that the search is made of.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import chess

from convert.judging.search.front import EachMove, Found

if TYPE_CHECKING:
    from tablebases.solver import Store

__all__ = ["SearchNotes", "notes_folder"]

#: Bytes on disk for the notes of all games.
LIMIT = 256 * 2**20
_SEARCH = Path(__file__).resolve().parent / "search"


def notes_folder() -> Path:
    """The folder of the notes; apart from solved slices, so that neither crowds out the other."""
    import platformdirs

    return Path(platformdirs.user_cache_path("fullpoint", appauthor=False)) / "look-ahead"


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

        return Store(self._folder or notes_folder(), limit=LIMIT)

    @cached_property
    def _search(self) -> str:
        """A digest of the search: its sources and numbers, and whoever makes its exact leaves."""
        from tablebases.solver.entries import SOLVER_VERSION

        state = hashlib.blake2b(f"{SOLVER_VERSION}".encode(), digest_size=16)
        for path in sorted((*_SEARCH.glob("*.py"), *_SEARCH.glob("*.json"))):
            content = path.read_bytes()
            state.update(f"\n{path.name} {len(content)}\n".encode())
            state.update(content)
        return state.hexdigest()

    def begin(self, boards: Sequence[chess.Board]) -> None:
        """A game with these positions is looked at from now on; the one before is kept."""
        self.keep()
        game = "\n".join((self._search, *(board.fen() for board in boards)))
        self._key = f"look-ahead | {hashlib.blake2b(game.encode(), digest_size=16).hexdigest()}"
        self._known = {}
        entry = self._store.get(self._key)
        if entry is not None:
            with contextlib.suppress(ValueError, TypeError, KeyError):
                known = json.loads(entry.arrays["text"].tobytes())
                self._known = dict(known)

    def keep(self) -> None:
        """Write what is new to disk."""
        if not self._changed:
            return
        import numpy as np

        text = json.dumps(self._known, separators=(",", ":"))
        self._store.put(self._key, {"text": np.frombuffer(text.encode(), np.uint8)}, {})
        self._changed = False

    def found(
        self,
        way: str,
        boards: Sequence[chess.Board],
        positions: int,
        ask: Callable[[], list[Found]],
    ) -> list[Found]:
        """What a search of these boards finds, asked only where that is not known."""
        return self._answers(way, boards, positions, ask, _found_text, _found)

    def each(
        self, boards: Sequence[chess.Board], positions: int, ask: Callable[[], list[EachMove]]
    ) -> list[EachMove]:
        """As :meth:`found`, of all moves of each board."""
        return self._answers("each", boards, positions, ask, _each_text, _each)

    def _answers(
        self,
        way: str,
        boards: Sequence[chess.Board],
        positions: int,
        ask: Callable[[], list[Any]],
        write: Callable[[Any], Any],
        read: Callable[[Any], Any],
    ) -> list[Any]:
        if not self._key:
            return ask()
        text = "\n".join((way, str(positions), *(board.fen() for board in boards)))
        question = hashlib.blake2b(text.encode(), digest_size=12).hexdigest()
        with contextlib.suppress(ValueError, TypeError, KeyError, IndexError, AttributeError):
            answers = [read(one) for one in self._known[question]]
            if len(answers) == len(boards):
                return answers
        answers = ask()
        self._known[question] = [write(one) for one in answers]
        self._changed = True
        return answers


def _found_text(one: Found) -> list[Any]:
    line = " ".join(move.uci() for move in one.line)
    return [one.score, line, one.depth, one.positions]


def _found(text: list[Any]) -> Found:
    score, line, depth, positions = text
    moves = tuple(chess.Move.from_uci(move) for move in line.split())
    return Found(int(score), moves, int(depth), int(positions))


def _each_text(each: EachMove) -> list[Any]:
    moves = [[move.uci(), *_found_text(one)] for move, one in each.found.items()]
    return [moves, each.depth, each.positions]


def _each(text: list[Any]) -> EachMove:
    moves, depth, positions = text
    by_move = {chess.Move.from_uci(move): _found(rest) for move, *rest in moves}
    return EachMove(by_move, int(depth), int(positions))
