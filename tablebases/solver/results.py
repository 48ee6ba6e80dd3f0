"""From what was kept of a slice to the value of every position in it."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from tablebases.solver import kernels
from tablebases.solver.geometry import IMAGE, SLOT, TO_TRIANGLE
from tablebases.solver.run import Kept, Scratch

Array = npt.NDArray[Any]

_WIDEST_BYTE: Final = 250


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
        sets: name of a set -> compressed words.
    """

    kept: Kept
    sets: dict[str, bytes]

    @property
    def complete(self) -> bool:
        """No move was left out: the answers are exact."""
        return self.kept.complete

    def open(self) -> Kept:
        """The slice with its sets."""
        arrays: dict[str, Any] = {
            name: np.frombuffer(_expand(blob), np.uint64).reshape(-1, 64).copy()
            for name, blob in self.sets.items()
        }
        return replace(self.kept, **arrays)


_SETS: Final = ("candidates", "open", "late_candidates", "late_open")
_NOTHING: Final = np.zeros((0, 64), np.uint64)


def pack(kept: Kept) -> Packed:
    """Compress the sets of a slice."""
    sets = {
        name: _squeeze(array.tobytes())
        for name in _SETS
        if (array := getattr(kept, name)) is not None
    }
    nothing: dict[str, Any] = dict.fromkeys(sets, _NOTHING)
    return Packed(replace(kept, **nothing), sets)


def _squeeze(data: bytes) -> bytes:
    module = zstd_module()
    if module is None:
        return zlib.compress(data, 1)
    return bytes(module.ZstdCompressor(level=1).compress(data))


def _expand(data: bytes) -> bytes:
    module = zstd_module()
    if module is None:
        return zlib.decompress(data)
    return bytes(module.ZstdDecompressor().decompress(data))


def zstd_module() -> Any:
    """The zstandard package, or None without it."""
    try:
        import zstandard
    except ImportError:
        return None
    return zstandard


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
        kept.pieces, kept.symmetric, kept.codes, wp, bp, pool, 0, size, kept.open,
        kept.candidates, x.blocks, count, x.fronts, x.front_blocks, x.queued, x.changed, x.where,
        x.state, white, black, x.words, x.rows,
    )  # fmt: skip
    kernels.iterate(
        kept.pieces, kept.symmetric, kept.codes, wp, bp, pool, 0, size, kept.candidates, x.state,
        x.fronts, x.front_blocks, x.blocks, count, x.queued, x.changed, x.where,
        kernels.LAST_TRUE_PLY, white, black, True, x.words, x.rows,
    )  # fmt: skip
    late = kept.late_candidates is not None
    candidates = kept.late_candidates if late else kept.candidates
    kernels.late_iterate(
        kept.pieces, kept.symmetric, kept.codes, wp, bp, pool, 0, size, candidates,
        kept.late_open if late else pool[:0], late, x.state, x.fronts, x.front_blocks, x.queued,
        x.changed, x.where, x.blocks, count, white, black, True, x.words, x.rows,
    )  # fmt: skip
    if dtype is np.uint8 and int(x.state[0]) > _WIDEST_BYTE:
        return replay(kept, np.uint16)
    return Distances(white, black)


def solved_sets(kept: Kept, distances: Distances) -> Kept:
    """The slice with the sets of what is won and lost in place of those that it was solved from.

    They take an eighth to a quarter of the memory of the distances.
    """
    late = bool((distances.white > kernels.LAST_TRUE_PLY).any()) or bool(
        ((distances.black > kernels.LAST_TRUE_PLY) & (distances.black != distances.none)).any()
    )
    lost = distances.black != distances.none
    won = distances.white != 0
    in_time = distances.white <= kernels.LAST_TRUE_PLY
    return replace(
        kept,
        candidates=_bits(lost & (distances.black <= kernels.LAST_TRUE_PLY)),
        open=_bits(~(won & in_time)),
        late_candidates=_bits(lost) if late else None,
        late_open=_bits(~won) if late else None,
        solved=True,
    )


def _bits(positions: Array) -> Array:
    """Truth values of shape (blocks, 64, 64) as words of shape (blocks, 64)."""
    return np.packbits(positions, axis=2, bitorder="little").view("<u8")[..., 0]


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


def in_set(words: Array, at: tuple[int, int, int]) -> bool:
    """Is the position at this place in the set?"""
    block, bk, wk = at
    return bool((int(words[block, bk]) >> wk) & 1)
