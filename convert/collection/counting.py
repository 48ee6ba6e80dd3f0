"""Counting rows of the dataset, part by part, so that no more than one part lies in memory.

A *table* of the summary is filled by :class:`Tally`: each row of the dataset that belongs to it
has a label (``rook ending``) and falls under one or more of its parts (``won``).  Arrays are
NumPy's; a label or a part of -1 means that the row is not counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from convert.model.summary import ENOUGH, Row, Share, Table
from convert.review.practice import BANDS, EDGES
from convert.shares import independent, interval

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

WON_DRAWN_LOST = ("won", "drawn", "lost")
WITH_TIME = (*WON_DRAWN_LOST, "lost on time")


@dataclass(frozen=True)
class Spec:
    """What a table is called and what its parts are; ``order`` None sorts rows by number."""

    id: str
    title: str
    about: str
    head: str
    unit: str
    parts: tuple[str, ...]
    order: tuple[str, ...] | None = None
    whole: bool = True


@dataclass
class _Sums:
    """One row while it is being counted; clusters are games."""

    n: int = 0
    games: int = 0
    squared: float = 0.0
    counts: list[int] = field(default_factory=list)
    crossed: list[float] = field(default_factory=list)
    right: list[float] = field(default_factory=list)

    def row(self, label: str, parts: int, rest: Row | None) -> Row:
        """The finished row."""
        shares = []
        for part in range(parts):
            count = self.counts[part] if self.counts else 0
            low = high = None
            if self.n >= ENOUGH:
                squares = (self.squared, self.crossed[part], self.right[part])
                alike = independent(self.n, count, self.games, squares)
                low, high = interval(alike, count / self.n)
            shares.append(Share(count, self.n, low, high))
        return Row(label, self.n, self.games, tuple(shares), rest)


class Tally:
    """Counts one table; ``divided`` keeps one player's rows apart from the rest."""

    def __init__(self, spec: Spec, divided: bool = False):
        self.spec = spec
        self.divided = divided
        self._sums: dict[tuple[str, bool], _Sums] = {}

    def add(
        self,
        names: Sequence[str],
        labels: Ints,
        hits: Sequence[Flags],
        games: Ints,
        mine: Flags | None = None,
    ) -> None:
        """Count rows.

        Args:
            names: what the labels stand for.
            labels: for each row the index of its label, -1 to leave it out.
            hits: for each part of the table which rows fall under it.  Where the parts make up
                the whole, a row that falls under none is left out.
            games: for each row the index of its game.
            mine: which rows are the player's, where there is one.
        """
        take = labels >= 0
        if self.spec.whole:
            take = take & np.logical_or.reduce([np.asarray(hit) for hit in hits])
        groups = [(True, take)]
        if self.divided and mine is not None:
            groups = [(True, take & mine), (False, take & ~mine)]
        for own, rows in groups:
            if not rows.any():
                continue
            chosen = [hit[rows] for hit in hits]
            self._count(names, labels[rows], chosen, games[rows], own)
            self._count([""], np.zeros(int(rows.sum()), np.int64), chosen, games[rows], own)

    def _count(
        self, names: Sequence[str], labels: Ints, hits: list[Flags], games: Ints, own: bool
    ) -> None:
        import pyarrow as pa

        columns = {f"hit{part}": pa.array(hit) for part, hit in enumerate(hits)}
        rows = pa.table({"label": labels, "game": games, **columns})
        wanted = [([], "count_all"), *((name, "sum") for name in columns)]
        by_game = rows.group_by(["label", "game"]).aggregate(wanted)
        pairs = by_game["label"].to_numpy()
        number = by_game["count_all"].to_numpy().astype(np.float64)
        rights = [by_game[f"{name}_sum"].to_numpy().astype(np.float64) for name in columns]
        for label in np.unique(pairs):
            here = pairs == label
            n = number[here]
            sums = self._sums.setdefault((names[label], own), _Sums())
            if not sums.counts:
                sums.counts = [0] * len(hits)
                sums.crossed, sums.right = [0.0] * len(hits), [0.0] * len(hits)
            sums.n += int(n.sum())
            sums.games += int(here.sum())
            sums.squared += float((n * n).sum())
            for part, right in enumerate(rights):
                r = right[here]
                sums.counts[part] += int(r.sum())
                sums.crossed[part] += float((n * r).sum())
                sums.right[part] += float((r * r).sum())

    def table(self) -> Table:
        """The finished table; a row is there when the player (or anybody) has something in it."""
        spec = self.spec
        labels = [label for label, own in self._sums if label and own]
        if spec.order is not None:
            labels.sort(key=spec.order.index)
        else:
            last = ("other", "middlegame", "unequal pieces", "declined", "not told")
            labels.sort(key=lambda label: (label in last, -self._sums[label, True].n, label))
        return Table(
            spec.id,
            spec.title,
            spec.about,
            spec.head,
            spec.unit,
            spec.parts,
            tuple(self._row(label, label) for label in labels),
            self._row("", "all"),
            spec.whole,
        )

    def _row(self, key: str, label: str) -> Row:
        parts = len(self.spec.parts)
        rest = None
        if self.divided:
            rest = self._sums.get((key, False), _Sums()).row("others", parts, None)
        return self._sums.get((key, True), _Sums()).row(label, parts, rest)


# --- from Arrow's columns to arrays ---------------------------------------------------------


def words(column: Any) -> tuple[list[str], Ints]:
    """The different texts of a column and the index of each row's text, -1 for null."""
    import pyarrow as pa

    whole = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    encoded = whole.dictionary_encode()
    if isinstance(encoded, pa.ChunkedArray):  # several chunks that do not fit into one
        encoded = encoded.unify_dictionaries().combine_chunks()
    indices = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return encoded.dictionary.to_pylist(), indices.astype(np.int64)


def codes(column: Any, order: Sequence[str]) -> Ints:
    """The index of each row's text in ``order``, -1 where it is not among them."""
    names, indices = words(column)
    table = np.array([order.index(n) if n in order else -1 for n in names] + [-1], np.int64)
    return table[indices]


def numbers(column: Any, absent: float = float("nan")) -> npt.NDArray[np.float64]:
    """A column of numbers, ``absent`` for null."""
    import pyarrow as pa

    filled = column.cast(pa.float64()).fill_null(absent)
    values: npt.NDArray[np.float64] = filled.to_numpy()
    return values


def flags(column: Any) -> Flags:
    """A column of truth values, False for null."""
    values: Flags = column.fill_null(False).to_numpy().astype(np.bool_)
    return values


def result_hits(points: npt.NDArray[np.float64]) -> list[Flags]:
    """Which rows are won, drawn and lost, from the points of the side concerned."""
    return [points == 1.0, points == 0.5, points == 0.0]


def time_hits(points: npt.NDArray[np.float64], on_time: Flags) -> list[Flags]:
    """The same, losses on time apart from the others."""
    won, drawn, lost = result_hits(points)
    return [won, drawn, lost & ~on_time, lost & on_time]


def band_codes(ratings: npt.NDArray[np.float64]) -> Ints:
    """The index of each rating in BANDS; what is no number (or nought) is unknown."""
    unknown = ~(ratings > 0)
    band = np.digitize(np.where(unknown, 0.0, ratings), EDGES).astype(np.int64)
    band[unknown] = len(BANDS) - 1
    return band
