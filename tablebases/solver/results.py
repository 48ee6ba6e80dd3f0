"""From what was kept of a slice to the value of every position in it."""

from __future__ import annotations

import threading
import zlib
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from tablebases.solver import kernels
from tablebases.solver.geometry import IMAGE, SLOT, TO_TRIANGLE
from tablebases.solver.run import Kept, Scratch

Array = npt.NDArray[Any]

Looked = tuple[bool, tuple[int, int, int]]
"""A place of a slice that is looked up: White to move, and block, black king, white king."""
Value = tuple[int, int | None]
"""White's win (2, or 1 if too slow under the fifty-move rule, or 0) and its plies if known."""

_WIDEST_BYTE: Final = 250
_QUICKLY: Final = -20
"""The level at which what is open is compressed: three times the bytes in half the time."""
MOST_WHOLE: Final = 2 * 64 * 64 * 64 * 64
"""Bytes up to which a slice's distances may be held as they are: those of two pieces with pawns."""

# What compresses serves one thread at a time, and takes a while to make.
_own = threading.local()


@dataclass(frozen=True)
class Distances:
    """Distance to the next zeroing move or mate (DTZ), in plies, for every position of a slice.

    Attributes:
        white: White to move: plies to the win, 0 where White does not win; shape (blocks, 64, 64)
            with axes block, black king, white king.
        black: Black to move: plies to the loss (0 = mated), the type's largest number where Black
            is not lost.

    More than 100 plies mean a win that is too slow under the fifty-move rule.
    """

    white: Array
    black: Array

    @property
    def none(self) -> int:
        """The number that stands for "not lost" in ``black``."""
        return int(np.iinfo(self.black.dtype).max)


@dataclass(frozen=True)
class Packed:
    """A kept slice with its sets compressed, to keep many of them in memory.

    Attributes:
        kept: the slice with empty arrays in place of its sets.
        sets: name of a set -> compressed words, or the words as they are.
        answers: what was looked up in it (``Looked``), so that it need not be opened again.
        name: by which the same slice is known again in another run; empty where it has none.
    """

    kept: Kept
    sets: dict[str, bytes | Array]
    answers: dict[Looked, Value] = field(default_factory=dict, compare=False, repr=False)
    name: str = ""

    @property
    def complete(self) -> bool:
        """No move was left out: the answers are exact."""
        return self.kept.complete

    def open(self) -> Kept:
        """The slice with its sets."""
        arrays: dict[str, Any] = {name: _words(one).copy() for name, one in self.sets.items()}
        return replace(self.kept, **arrays)

    @property
    def nbytes(self) -> int:
        """Bytes of the sets in memory."""
        return sum(len(o) if isinstance(o, bytes) else int(o.nbytes) for o in self.sets.values())


_SETS: Final = ("candidates", "open", "late_candidates", "late_open")
_NOTHING: Final = np.zeros((0, 64), np.uint64)


def _words(held: bytes | Array) -> Array:
    if not isinstance(held, bytes):
        return held
    words: Array = np.frombuffer(_expand(held), np.uint64).reshape(-1, 64)
    return words


def pack(kept: Kept, name: str = "", *, compress: bool = True) -> Packed:
    """A slice to be kept, its sets compressed or as they are, which is quicker."""
    sets = {
        name: _squeeze(array.tobytes()) if compress else array
        for name in _SETS
        if (array := getattr(kept, name)) is not None
    }
    nothing: dict[str, Any] = dict.fromkeys(sets, _NOTHING)
    return Packed(replace(kept, **nothing), sets, name=name)


def _squeeze(data: bytes, level: int = 1) -> bytes:
    module = zstd_module()
    if module is None:
        return zlib.compress(data, 1)
    if getattr(_own, "level", None) != level:
        _own.compressor, _own.level = module.ZstdCompressor(level=level), level
    # The module gives a buffer of the size of the data, of which the first bytes count; a copy
    # takes no more memory than it needs.
    return bytes(memoryview(_own.compressor.compress(data)))


def _expand(data: bytes) -> bytes:
    module = zstd_module()
    if module is None:
        return zlib.decompress(data)
    if not hasattr(_own, "decompressor"):
        _own.decompressor = module.ZstdDecompressor()
    return bytes(_own.decompressor.decompress(data))


def zstd_module() -> Any:
    """The zstandard package, or None without it."""
    try:
        import zstandard
    except ImportError:
        return None
    return zstandard


# long: one loop of rounds over arrays that they share
def replay(kept: Kept, dtype: Any = np.uint8) -> Distances:
    """Iterate the quiet moves of a kept slice once more, and write the distances down.

    Raises:
        ValueError: if only the solved sets of the slice were kept.
    """
    if kept.solved:
        raise ValueError("a large slice has no distances")
    size = len(kept.candidates)
    x = Scratch(size)
    wp, bp = np.uint64(kept.white), np.uint64(kept.black)
    pool = np.zeros((2 * size, 64), np.uint64)
    white = np.zeros((size, 64, 64), dtype)
    black = np.full((size, 64, 64), np.iinfo(dtype).max, dtype)
    count = int(kernels.valid_blocks(kept.pieces, kept.symmetric, wp | bp, x.blocks))
    kernels.restart(
        kept.pieces,
        kept.symmetric,
        kept.codes,
        wp,
        bp,
        pool,
        0,
        size,
        kept.open,
        kept.candidates,
        x.blocks,
        count,
        x.fronts,
        x.front_blocks,
        x.queued,
        x.changed,
        x.where,
        x.state,
        white,
        black,
        x.words,
        x.rows,
    )
    kernels.iterate(
        kept.pieces,
        kept.symmetric,
        kept.codes,
        wp,
        bp,
        pool,
        0,
        size,
        kept.candidates,
        x.state,
        x.fronts,
        x.front_blocks,
        x.blocks,
        count,
        x.queued,
        x.changed,
        x.where,
        kernels.LAST_TRUE_PLY,
        white,
        black,
        True,
        x.words,
        x.rows,
    )
    late = kept.late_candidates is not None
    candidates = kept.late_candidates if late else kept.candidates
    kernels.late_iterate(
        kept.pieces,
        kept.symmetric,
        kept.codes,
        wp,
        bp,
        pool,
        0,
        size,
        candidates,
        kept.late_open if late else pool[:0],
        late,
        x.state,
        x.fronts,
        x.front_blocks,
        x.queued,
        x.changed,
        x.where,
        x.blocks,
        count,
        white,
        black,
        True,
        x.words,
        x.rows,
    )
    if dtype is np.uint8 and int(x.state[0]) > _WIDEST_BYTE:
        return replay(kept, np.uint16)
    return Distances(white, black)


def place(kept: Kept, squares: list[int], wk: int, bk: int) -> tuple[int, int, int]:
    """Block, black king and white king under which a position of the slice is found.

    Args:
        squares: squares of the pieces, in the order of their codes.
    """
    if kept.symmetric:
        g = int(TO_TRIANGLE[squares[0]])
        squares = [int(IMAGE[g, s]) for s in squares]
        wk, bk = int(IMAGE[g, wk]), int(IMAGE[g, bk])
    block = 0
    for d, s in enumerate(squares):
        block = int(SLOT[s]) if d == 0 and kept.symmetric else block * 64 + s
    return block, bk, wk


class Pieces:
    """An array kept as compressed pieces of a few blocks each.

    Distances shrink to a seventh and less (docs/benchmarks.md).
    """

    BLOCKS = 8

    def __init__(self, array: Array):
        self._dtype, self._shape = array.dtype, array.shape[1:]
        self._blobs = [
            _squeeze(array[at : at + self.BLOCKS].tobytes(), _QUICKLY)
            for at in range(0, len(array), self.BLOCKS)
        ]

    @property
    def nbytes(self) -> int:
        """Bytes of memory."""
        return sum(map(len, self._blobs))

    def block(self, number: int) -> Array:
        """One block of the array."""
        piece, at = divmod(number, self.BLOCKS)
        found: Array = self._expanded(piece)[at]
        return found

    def whole(self) -> Array:
        """The array."""
        return np.concatenate([self._expanded(piece) for piece in range(len(self._blobs))])

    def _expanded(self, piece: int) -> Array:
        data = np.frombuffer(_expand(self._blobs[piece]), self._dtype)
        return data.reshape(-1, *self._shape)


class AsItIs:
    """An array as it is, asked like ``Pieces``."""

    def __init__(self, array: Array):
        self._array = array
        self.nbytes = array.nbytes

    def block(self, number: int) -> Array:
        """One block of the array."""
        found: Array = self._array[number]
        return found

    def whole(self) -> Array:
        """The array."""
        return self._array


class OpenDistances:
    """A slice in which every position can be looked up, with its distance."""

    def __init__(self, distances: Distances):
        #: Held as it is, which is quicker and takes more memory.
        self.whole = distances.white.nbytes + distances.black.nbytes <= MOST_WHOLE
        holder = AsItIs if self.whole else Pieces
        self._white: AsItIs | Pieces = holder(distances.white)
        self._black: AsItIs | Pieces = holder(distances.black)
        self._none = distances.none

    @property
    def nbytes(self) -> int:
        """Bytes of memory."""
        return self._white.nbytes + self._black.nbytes

    def compress(self) -> None:
        """Take less memory from now on."""
        self._white, self._black = Pieces(self._white.whole()), Pieces(self._black.whole())
        self.whole = False

    def distances(self) -> Distances:
        """The distances of all positions."""
        return Distances(self._white.whole(), self._black.whole())

    def value(self, turn: bool, at: tuple[int, int, int]) -> Value:
        """White's win and its plies.

        Args:
            turn: True if White is to move.
            at: block, black king, white king (``place``).
        """
        block, bk, wk = at
        plies = int((self._white if turn else self._black).block(block)[bk, wk])
        if plies == 0 if turn else plies == self._none:
            return 0, None
        return (2 if plies <= kernels.LAST_TRUE_PLY else 1), plies


class OpenSets:
    """A large slice, of which the solved sets were kept, in which positions can be looked up."""

    def __init__(self, kept: Kept):
        self._lost, self._open = Pieces(kept.candidates), Pieces(kept.open)
        self._late_lost, self._late_open = self._lost, self._open
        self.nbytes = self._lost.nbytes + self._open.nbytes
        if kept.late_candidates is not None and kept.late_open is not None:
            self._late_lost, self._late_open = Pieces(kept.late_candidates), Pieces(kept.late_open)
            self.nbytes += self._late_lost.nbytes + self._late_open.nbytes

    def value(self, turn: bool, at: tuple[int, int, int]) -> Value:
        """As :meth:`OpenDistances.value`; the plies are not known."""
        block, bk, wk = at

        def inside(words: Pieces) -> bool:
            return bool((int(words.block(block)[bk]) >> wk) & 1)

        if turn:
            return (2 if not inside(self._open) else 1 if not inside(self._late_open) else 0), None
        return (2 if inside(self._lost) else 1 if inside(self._late_lost) else 0), None


def open_slice(packed: Packed) -> OpenDistances | OpenSets:
    """A kept slice for looking up."""
    kept = packed.open()
    return OpenSets(kept) if kept.solved else OpenDistances(replay(kept))
