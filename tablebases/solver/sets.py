"""Slices that are kept, and positions looked up in them."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Collection, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final

import chess
import numpy as np
import numpy.typing as npt

from tablebases.material import placement
from tablebases.solver import kernels
from tablebases.solver.results import (
    MOST_WHOLE,
    Looked,
    OpenDistances,
    OpenSets,
    Packed,
    Value,
    open_slice,
    pack,
    place,
)
from tablebases.solver.run import Kept
from tablebases.solver.structures import LOWER, UPPER, Structures
from tablebases.values import Outcome

Array = npt.NDArray[Any]

Key = tuple[int, int, int]
"""A slice: packed piece codes, White's pawns, Black's pawns."""

Place = tuple[int, int, int, int, int, int, int, bool, int | None]
"""A position: the squares of each kind of man, those of White, the side to move, en passant."""

Answers = dict[str, dict[Looked, Value]]
"""By the name of a slice, what was looked up in it."""

_ALL: Final = slice(None)
_OTHER_FILE: Final = 7
"""Combined with a square (XOR) it is the square on the mirror image's file."""
_MOST_ANSWERS: Final = 20_000
"""What was looked up in a slice is forgotten when it is more."""
_WHOLE_PART: Final = 3
"""One part in so many of the memory for opened slices is for those held as they are."""
_OPENED: Final = 600 * 2**20
"""Bytes of opened slices kept in memory at a time."""
_PLAIN: Final = 128 * 2**20
"""Bytes of slices that are kept as they are; those that come later are compressed."""


def framed(board: chess.Board, colour: chess.Color) -> chess.Board:
    """The board seen by ``colour``: that side is White."""
    return board if colour else board.mirror()


def positions_of(board: chess.Board, moves_too: bool = True) -> Iterator[chess.Board]:
    """The board itself and, if moves are asked for too, each position one legal move later."""
    yield board
    for move in board.legal_moves if moves_too else ():
        child = board.copy(stack=False)
        child.push(move)
        yield child


def place_of(board: chess.Board) -> Place:
    """The position without its clocks, for tables in memory."""
    ep_square = board.ep_square if board.has_legal_en_passant() else None
    return (*placement(board), board.turn, ep_square)


def locate(board: chess.Board) -> tuple[Key, list[int]]:
    """The slice of a position and the squares of its pieces, in the order of their codes."""
    white, black = board.occupied_co[chess.WHITE], board.occupied_co[chess.BLACK]
    packed = shift = 0
    squares = []
    code = 1
    for men in (board.knights, board.bishops, board.rooks, board.queens):
        for own in (men & white, men & black):
            while own:
                square = own & -own
                own ^= square
                squares.append(square.bit_length() - 1)
                packed |= code << shift
                shift += 4
            code += 1
    return (packed, board.pawns & white, board.pawns & black), squares


def mirrored(key: Key) -> Key:
    """The slice with left and right exchanged."""
    return key[0], chess.flip_horizontal(key[1]), chess.flip_horizontal(key[2])


def parts_of(board: chess.Board) -> Iterator[chess.Board]:
    """The position, and those after its captures en passant, by which a slice does not know it."""
    yield board
    if board.has_legal_en_passant():
        for move in board.generate_legal_ep():
            child = board.copy(stack=False)
            child.push(move)
            yield child


def can_solve(board: chess.Board) -> bool:
    """Is this a position for the solver at all: legal, no castling, few enough pieces?"""
    pieces = board.occupied & ~board.kings & ~board.pawns
    return (
        chess.popcount(pieces) <= kernels.MOST_PIECES
        and not board.castling_rights
        and board.is_valid()
        and not board.is_variant_end()
    )


def keys_of(structures: Structures, numbers: Array | slice = _ALL) -> Iterator[Key]:
    """The key of every slice, or of those with these numbers, in order."""
    shifts = np.array([1, 16, 256, 4096], np.int64)
    used = np.arange(4)[None, :] < structures.pieces[numbers, None]
    packed = (((structures.codes[numbers] + 1) * shifts) * used).sum(axis=1)
    white, black = structures.white[numbers], structures.black[numbers]
    yield from zip(packed.tolist(), white.tolist(), black.tolist(), strict=True)


def places_of(structures: Structures, keys: Collection[Key]) -> list[tuple[int, Key]]:
    """Those of the slices that were looked into and have one of these keys, with their numbers."""
    # Pawns first, in compiled code: among a million slices Python takes a second to look for a few.
    alike = np.isin(structures.white, np.array([key[1] for key in keys], np.uint64))
    alike &= np.isin(structures.black, np.array([key[2] for key in keys], np.uint64))
    alike[structures.opened :] = False
    (numbers,) = np.nonzero(alike)
    found = keys_of(structures, numbers)
    return [(s, key) for s, key in zip(numbers.tolist(), found, strict=True) if key in keys]


class Sets:
    """Kept slices by mode and key, those opened that were last asked for.

    Args:
        most_opened: bytes of memory for slices that are opened; one is whatever its size. Those
            held uncompressed take a third of it.
        threads: that open slices.

    Attributes:
        remembered: what was looked up in slices of these names in an earlier run.
    """

    def __init__(self, most_opened: int = _OPENED, threads: int = 2) -> None:
        self.threads = threads
        self.remembered: Answers = {}
        self.kept: dict[tuple[int, Key], list[Packed]] = {}
        self._most_opened = most_opened
        self._opened: OrderedDict[int, tuple[Packed, OpenDistances | OpenSets]] = OrderedDict()
        self._bytes = 0
        self._plain_bytes = 0
        self._made_way: Answers = {}

    @property
    def packed_bytes(self) -> int:
        """Bytes of the slices as they are kept, nearly all of them compressed."""
        packed = {id(one): one for known in self.kept.values() for one in known}
        return sum(one.nbytes for one in packed.values())

    @property
    def opened_bytes(self) -> int:
        """Bytes of the slices that are open."""
        return self._bytes

    def answers(self) -> Answers:
        """What was looked up in slices that have a name."""
        every = (one for known in self.kept.values() for one in known)
        return self._made_way | {one.name: one.answers for one in every if one.name and one.answers}

    def close(self) -> None:
        """Let go of the opened slices; they are opened again when they are asked for."""
        self._opened.clear()
        self._bytes = 0

    def add(self, mode: int, key: Key, kept: Kept, name: str = "") -> None:
        """Add a slice; a whole one serves as lower and as upper bound."""
        # To compress costs more than all else that is done with slices that are never opened.
        packed = pack(kept, name, compress=False)
        if self._plain_bytes + packed.nbytes > _PLAIN:
            packed = pack(kept, name)
        else:
            self._plain_bytes += packed.nbytes
        self.add_packed(mode, key, packed)

    def add_packed(self, mode: int, key: Key, packed: Packed) -> None:
        """As ``add``, of a slice that is compressed already."""
        kept = packed.kept
        packed.answers.update(self.remembered.get(packed.name, {}))
        for m in (LOWER, UPPER) if kept.whole else (mode,):
            known = self.kept.setdefault((m, key), [])
            if kept.complete:
                # Whoever does the same again asks them before this one, as was done here.
                self._made_way |= {one.name: one.answers for one in known if one.name}
                known.clear()
            elif any(k.complete or (k.kept.whole and kept.whole) for k in known):
                continue
            elif packed.name and any(k.name == packed.name for k in known):
                continue  # the same bound of the same slice, from another step
            known.append(packed)

    def complete(self, key: Key) -> bool:
        """Is the slice, or its mirror image, known exactly?"""
        return any(
            kept.complete for k in (key, mirrored(key)) for kept in self.kept.get((LOWER, k), ())
        )

    def opened(self, packed: Packed) -> OpenDistances | OpenSets:
        """A slice for looking up."""
        found = self._opened.get(id(packed))
        if found is not None:
            self._opened.move_to_end(id(packed))
            return found[1]
        return self._hold(packed, open_slice(packed))

    def _hold(self, packed: Packed, result: OpenDistances | OpenSets) -> OpenDistances | OpenSets:
        self._opened[id(packed)] = (packed, result)
        self._bytes += result.nbytes
        self._compress()
        while self._bytes > self._most_opened and len(self._opened) > 1:
            _, (_, old) = self._opened.popitem(last=False)
            self._bytes -= old.nbytes
        return result

    def _compress(self) -> None:
        """Compress the oldest of those held as they are where these take more than their part."""
        whole = [o for _, o in self._opened.values() if isinstance(o, OpenDistances) and o.whole]
        extra = sum(one.nbytes for one in whole) - self._most_opened // _WHOLE_PART
        for old in whole[:-1]:
            if extra <= 0:
                return
            extra -= old.nbytes
            self._bytes -= old.nbytes
            old.compress()
            self._bytes += old.nbytes

    def look_up(self, boards: Iterable[chess.Board]) -> None:
        """Look up framed boards in both modes beforehand, each slice opened once.

        Two threads open small slices; a large one takes the memory that it takes alone.
        """
        asked: dict[int, tuple[Packed, list[Looked]]] = {}
        for board in boards:
            for part in parts_of(board):
                for mode in (LOWER, UPPER):
                    for packed, at in self._places(mode, part):
                        if at not in packed.answers:
                            asked.setdefault(id(packed), (packed, []))[1].append(at)
        new = [p for p, _ in asked.values() if _is_small(p.kept) and id(p) not in self._opened]
        last = len(new) - self._most_opened // _WHOLE_PART // MOST_WHOLE

        def opened(i: int) -> OpenDistances | OpenSets:
            result = open_slice(new[i])
            if i < last and isinstance(result, OpenDistances):
                result.compress()  # here rather than later, when one thread would do it
            return result

        pool = ThreadPoolExecutor(self.threads) if self.threads > 1 and len(new) > 1 else None
        try:
            places = range(len(new))
            for i, result in enumerate(
                map(opened, places) if pool is None else pool.map(opened, places)
            ):
                self._answer(new[i], self._hold(new[i], result), asked[id(new[i])][1])
        finally:
            if pool is not None:
                pool.shutdown(cancel_futures=True)
        for packed, looked in asked.values():
            if any(at not in packed.answers for at in looked):
                self._answer(packed, self.opened(packed), looked)

    @staticmethod
    def _answer(packed: Packed, opened: OpenDistances | OpenSets, looked: Iterable[Looked]) -> None:
        if len(packed.answers) > _MOST_ANSWERS:
            packed.answers.clear()
        for turn, at in looked:
            packed.answers[turn, at] = opened.value(turn, at)

    def has(self, mode: int, board: chess.Board) -> bool:
        """Is there anything of this mode about the slice of a framed board?"""
        key = locate(board)[0]
        return any(self.kept.get((mode, k)) for k in (key, mirrored(key)))

    def _known(self, mode: int, key: Key) -> list[tuple[Packed, int]]:
        """What is kept of a slice, each with what its squares are to be combined with (XOR).

        The same structure seen in a mirror serves as well; what is complete on either side of it
        is all that counts.
        """
        found = [(packed, 0) for packed in self.kept.get((mode, key), ())]
        twin = mirrored(key)
        if twin != key:
            found += [(packed, _OTHER_FILE) for packed in self.kept.get((mode, twin), ())]
        return [one for one in found if one[0].complete][:1] or found

    def value(self, mode: int, board: chess.Board) -> tuple[int, int | None] | None:
        """White's win as far as this mode knows, for a framed board.

        Returns:
            (2 for a win, 1 for a win that is too slow under the fifty-move rule, 0 for none; plies
            to the next zeroing move or mate if won, as far as known). None if the slice is not
            kept. Where several sets are known the strongest counts.
        """
        if board.has_legal_en_passant():
            return self._value_en_passant(mode, board)
        return self._plain(mode, board)

    def _plain(self, mode: int, board: chess.Board) -> tuple[int, int | None] | None:
        places = self._places(mode, board)
        if not places:
            return None
        values = []
        for packed, looked in places:
            if looked not in packed.answers:
                self._answer(packed, self.opened(packed), [looked])
            level, plies = packed.answers[looked]
            if level == 0 and mode == UPPER and packed.kept.slow_unknown:
                level, plies = int(Outcome.CURSED_WIN), None
            values.append((level, plies))
        # A bound is the stronger the quicker the win that is proved, the slower the one that is
        # not excluded.
        return (max if mode == LOWER else min)(values, key=_strength)

    def _places(self, mode: int, board: chess.Board) -> list[tuple[Packed, Looked]]:
        """Where the position stands in each slice of this mode that is kept of it."""
        key, squares = locate(board)
        wk, bk = board.king(chess.WHITE), board.king(chess.BLACK)
        assert wk is not None
        assert bk is not None
        return [
            (
                packed,
                (
                    board.turn,
                    place(packed.kept, [s ^ flip for s in squares], wk ^ flip, bk ^ flip),
                ),
            )
            for packed, flip in self._known(mode, key)
        ]

    def _value_en_passant(self, mode: int, board: chess.Board) -> tuple[int, int | None] | None:
        """The slice knows nothing of the right to take en passant: add those moves."""
        plain = board.copy(stack=False)
        plain.ep_square = None
        base = self._plain(mode, plain)
        if base is None:
            return None
        replies = []
        for move in board.generate_legal_ep():
            child = board.copy(stack=False)
            child.push(move)
            reply = self._plain(mode, child)
            if reply is None:
                return None
            replies.append(reply[0])
        zeroing = {2: 1, 1: kernels.LAST_TRUE_PLY + 1}
        if board.turn:
            best = max(replies)
            options = [base] if base[0] else []
            if best:
                options.append((best, zeroing[best]))
            if not options:
                return 0, None
            return max(options, key=lambda o: (o[0], -(o[1] or 0)))
        worst = min(replies)
        if not any(plain.generate_legal_moves()) and not plain.is_check():
            return (worst, zeroing[worst]) if worst else (0, None)
        level = min(worst, base[0])
        if not level:
            return 0, None
        plies = base[1]
        if plies is not None:
            plies = max([plies, *(zeroing[r] for r in replies)])
        return level, plies


def _is_small(kept: Kept) -> bool:
    """Is the slice one whose distances take little memory: two pieces, or fewer?"""
    return kept.pieces <= 2


def _strength(value: tuple[int, int | None]) -> tuple[int, float]:
    """More for a better win: of more worth under the fifty-move rule, then quicker."""
    level, plies = value
    return level, -math.inf if plies is None else -plies
