"""Games that are in a collection more than once: found by their moves, then held side by side.

Two rows are one game when moves, result, year and both players are the same; where a player has no
name the ratings must be the same too.  The first counts, in the order of the files.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from convert.collection.counting import Flags
from convert.collection.dataset import Chunk, plain

_DETAILS = ("moves_id", "result", "year", "white", "black", "white_rating", "black_rating")


def repeated(chunks: Sequence[Chunk], joined: Callable[[str], str] = plain) -> dict[int, Flags]:
    """For each chunk (by index) in which games stand that came before: which rows.

    Args:
        chunks: all rows; eight bytes a game are held at the same time.
        joined: a name as it is compared.
    """
    marks = [_marks(chunk.read("games", ("moves_id",))["moves_id"]) for chunk in chunks]
    everything = np.concatenate(marks) if marks else np.zeros(0, np.uint64)
    values, counts = np.unique(everything[everything != 0], return_counts=True)
    twice = values[counts > 1]
    seen: set[tuple[Any, ...]] = set()
    out: dict[int, Flags] = {}
    for number, (chunk, own) in enumerate(zip(chunks, marks, strict=True)):
        rows = np.flatnonzero(np.isin(own, twice))
        if not len(rows):
            continue
        again = np.zeros(len(own), bool)
        table = chunk.read("games", _DETAILS).take(rows)
        for at, row in zip(rows, table.to_pylist(), strict=True):
            key = _key(row, joined)
            again[at] = key in seen
            seen.add(key)
        if again.any():
            out[number] = again
    return out


def _key(row: dict[str, Any], joined: Callable[[str], str]) -> tuple[Any, ...]:
    names = [joined(row[color] or "") for color in ("white", "black")]
    ratings = () if all(names) else (row["white_rating"], row["black_rating"])
    return (row["moves_id"], row["result"], row["year"], *names, *ratings)


def _marks(column: Any) -> npt.NDArray[np.uint64]:
    """A number for each text, nought for null; the same texts give the same number."""
    texts = column.fill_null("").to_numpy().astype("S24")
    halves = np.ascontiguousarray(texts).view(np.uint64).reshape(len(texts), 3)
    with np.errstate(over="ignore"):
        mixed = halves[:, 0] * np.uint64(0x9E3779B97F4A7C15) + halves[:, 1]
        mixed = mixed * np.uint64(0x9E3779B97F4A7C15) + halves[:, 2]
    out: npt.NDArray[np.uint64] = np.where(halves[:, 0] == 0, np.uint64(0), mixed | np.uint64(1))
    return out
