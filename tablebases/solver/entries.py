"""What the store holds of a slice: its key, its content, and what it must look like."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from tablebases.solver import kernels
from tablebases.solver.run import Kept
from tablebases.solver.sets import Key
from tablebases.solver.store import JSON, Shape, Store
from tablebases.solver.structures import Scope

SOLVER_VERSION: Final = 3
"""Part of every key in the store: raise it when a set would come out differently."""
LARGEST_WITH_DISTANCES: Final = 40_960
"""Blocks of the largest slice of which the sets before the first quiet move are kept, so that
distances can be had; of a larger one the solved sets are."""


def bound_name(scope: Scope, name: str, *, complete: bool) -> str | None:
    """Which bound a slice is that a step of this name and scope keeps; None: it is exact."""
    if complete:
        return None
    # The pawn moves left in a slice, and what has been lost, depend on where one sets out.
    return scope.told if scope.budget < 0 and scope.losses < 0 else f"{scope.told} {name}"


def store_key(bound: str | None, key: Key) -> str:
    """The key of an entry; None: the slice exactly."""
    name = "exact" if bound is None else bound
    return f"solver {SOLVER_VERSION} | {name} | {key[0]:x} {key[1]:x} {key[2]:x}"


def read_slice(store: Store, bound: str | None, key: Key) -> Kept | None:
    """What the store has of a slice; an entry that cannot be that is removed."""

    def fits(meta: Mapping[str, JSON], shapes: Mapping[str, Shape]) -> bool:
        return is_of_slice(key, meta, shapes)

    name = store_key(bound, key)
    entry = store.get(name, fits)
    if entry is None:
        return None
    if not np.array_equal(entry.arrays["codes"], _codes_of(key)):
        store.discard(name)
        return None
    meta, arrays = entry.meta, entry.arrays
    return Kept(
        arrays["codes"],
        _pieces_of(key),
        _symmetric(key),
        key[1],
        key[2],
        arrays["candidates"],
        arrays["open"],
        arrays.get("late_candidates"),
        arrays.get("late_open"),
        bool(meta["complete"]),
        bool(meta["whole"]),
        bool(meta["slow_unknown"]),
        bool(meta["solved"]),
    )


def _pieces_of(key: Key) -> int:
    """Number of pieces other than kings and pawns in a slice."""
    return (key[0].bit_length() + 3) // 4


def _symmetric(key: Key) -> bool:
    """Is the first piece of a slice kept in the triangle of the board's eight symmetries?"""
    return _pieces_of(key) >= 2 and not key[1] and not key[2]


def _blocks_of(key: Key) -> int:
    """Blocks of a slice; without machine code, which would have to be loaded for it."""
    count = getattr(kernels.blocks_of, "py_func", kernels.blocks_of)
    return int(count(_pieces_of(key), _symmetric(key)))


def _codes_of(key: Key) -> Any:
    """Piece codes of a slice, int64, shape (4,); 0 where there is no piece."""
    pieces = _pieces_of(key)
    return np.array([(key[0] >> 4 * d & 15) - 1 if d < pieces else 0 for d in range(4)], np.int64)


_CLAIMS: Final = ("complete", "whole", "slow_unknown")
"""What an entry of the store says of its own worth; see ``Kept``."""


def is_of_slice(key: Key, meta: Mapping[str, JSON], shapes: Mapping[str, Shape]) -> bool:
    """Can an entry of the store be what was kept of this slice?

    Compiled code trusts what it is given, so number of pieces, symmetry, size and type of every
    array must be those that follow from the slice itself.
    """
    blocks = _blocks_of(key)
    sets = dict.fromkeys(("candidates", "open"), ("<u8", (blocks, 64)))
    late = dict.fromkeys(("late_candidates", "late_open"), ("<u8", (blocks, 64)))
    codes = {"codes": ("<i8", (4,))}
    facts = {
        "pieces": _pieces_of(key),
        "symmetric": _symmetric(key),
        "solved": blocks > LARGEST_WITH_DISTANCES,
    }
    return (
        dict(shapes) in ({**codes, **sets}, {**codes, **sets, **late})
        and meta.keys() == {*facts, *_CLAIMS}
        and all(type(meta[name]) is bool for name in _CLAIMS)
        and (not meta["complete"] or (meta["whole"] is True and not meta["slow_unknown"]))
        and all(
            type(meta[name]) is type(fact) and meta[name] == fact for name, fact in facts.items()
        )
    )


def write_slice(store: Store, bound: str | None, key: Key, kept: Kept) -> None:
    """Keep a slice: exactly (``bound`` None) or as the bound that it is."""
    arrays: dict[str, Any] = {
        "codes": kept.codes,
        "candidates": kept.candidates,
        "open": kept.open,
    }
    if kept.late_candidates is not None and kept.late_open is not None:
        arrays |= {"late_candidates": kept.late_candidates, "late_open": kept.late_open}
    meta = {
        "pieces": kept.pieces,
        "symmetric": kept.symmetric,
        "complete": kept.complete,
        "whole": kept.whole,
        "slow_unknown": kept.slow_unknown,
        "solved": kept.solved,
    }
    store.put(store_key(bound, key), arrays, meta)
