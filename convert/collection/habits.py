"""What a player does again and again, and what it costs, beside all others in the collection.

Each slip belongs to one habit, the first that fits in the order of `_slip_habits`: so costs may be
added.  Games lost on time, drawn or given up against the outcome of the final position are habits
of their own, counted from the result.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from convert.collection.batch import SIDES, Batch, Seats
from convert.collection.counting import Flags, Ints, codes, flags, numbers, words
from convert.model.summary import Habit
from convert.review.course import CLEARLY

#: Seconds on the clock below which a slip is one of time trouble (judgement).
SHORT_OF_TIME = 30.0
#: Expected points with which a position is not lost, and is clearly better, by the estimate
#: (judgement).
LEVEL, BETTER = 0.4, 0.7
#: What happened less often is no habit.
OFTEN = 2
#: Habits that are told.
MOST = 5

_POINTS = {"win": 1, "cursed win": 0, "draw": 0, "blessed loss": 0, "loss": -1}
_COLUMNS = (
    "side",
    "certain",
    "before_low",
    "before_win",
    "after_high",
    "by_trade",
    "missed_trade",
    "gift",
    "cost",
    "clock_seconds",
    "kind",
)
_Key = tuple[str, str, bool]


@dataclass
class _Sum:
    n: int = 0
    games: int = 0
    cost: float = 0.0


@dataclass
class Habits:
    """Counts habits batch by batch: ``own`` of the player, ``others`` of everybody else."""

    own: dict[_Key, _Sum] = field(default_factory=lambda: defaultdict(_Sum))
    others: dict[_Key, _Sum] = field(default_factory=lambda: defaultdict(_Sum))
    own_of: int = 0
    others_of: int = 0

    def add(self, batch: Batch, seats: Seats) -> None:
        """Count the games of a batch."""
        assert seats.mine is not None
        judged = np.tile(codes(batch.games["side"], SIDES) >= 0, 2)
        self.own_of += int((judged & seats.mine).sum())
        self.others_of += int((judged & ~seats.mine).sum())
        self._slips(batch)
        self._results(batch, seats, judged)

    def told(self) -> tuple[Habit, ...]:
        """The costliest: what is certain first, then what the estimate suspects."""
        ranked = sorted(
            (item for item in self.own.items() if item[1].n >= OFTEN),
            key=lambda item: (not item[0][2], -round(item[1].cost, 6), -item[1].n, item[0]),
        )
        return tuple(
            Habit(
                ident=ident,
                kind=kind,
                n=own.n,
                games=own.games,
                of=self.own_of,
                cost=round(own.cost, 2),
                certain=certain,
                others=self.others[ident, kind, certain].n,
                others_of=self.others_of,
            )
            for (ident, kind, certain), own in ranked[:MOST]
        )

    def _slips(self, batch: Batch) -> None:
        table, at = batch.joined("slips", _COLUMNS)
        mine = batch.owned(codes(table["side"], SIDES), at)
        assert mine is not None
        names, kinds = words(table["kind"])
        names = [*names, "position"]
        kinds = np.where(kinds < 0, len(names) - 1, kinds)
        certain = flags(table["certain"])
        cost = np.where(certain, _worse(table), np.maximum(numbers(table["cost"], 0), 0))
        taken = np.zeros(len(at), bool)
        for ident, fits, by_kind, sure in _slip_habits(table, certain):
            rows = fits & ~taken & (certain == sure)
            taken |= rows
            for own, sums in ((mine, self.own), (~mine, self.others)):
                if not by_kind:
                    _count(sums, (ident, "", sure), rows & own, at, cost)
                    continue
                for number in np.unique(kinds[rows & own]):
                    here = rows & own & (kinds == number)
                    _count(sums, (ident, names[number], sure), here, at, cost)

    def _results(self, batch: Batch, seats: Seats, judged: Flags) -> None:
        assert seats.mine is not None
        final = np.array([*_POINTS.values(), 2])[
            codes(batch.games["final_outcome"], tuple(_POINTS))
        ]
        known = final < 2
        final = np.concatenate([final, -final])
        known = np.tile(known, 2)
        lost, drawn = seats.points == 0, seats.points == 0.5
        expected = numbers(batch.games["final_expected"], 0)
        expected = np.concatenate([expected, 1 - expected])
        # Where the files tell what was lost on time, other losses that stand against the board
        # were given up.
        for ident, fits in (
            ("time-won", lost & seats.on_time & (final == 1)),
            ("time-drawn", lost & seats.on_time & (final == 0)),
            ("agreed", drawn & (final == 1)),
            ("resigned", lost & ~seats.on_time & (final >= 0)),
            ("time-level", lost & seats.on_time & ~known & (expected >= LEVEL)),
            ("agreed-better", drawn & ~known & (expected >= BETTER)),
        ):
            sure = ident not in ("time-level", "agreed-better")
            worth = (final + 1) / 2 if sure else expected
            worth = worth - np.nan_to_num(seats.points)
            for own, sums in ((seats.mine, self.own), (~seats.mine, self.others)):
                rows = fits & own & (known if sure else True) & judged
                _count(sums, (ident, "", sure), rows, seats.game, worth)


def _worse(table: Any) -> npt.NDArray[np.float64]:
    """Points lost for certain, as results under the fifty-move rule."""
    order, points = tuple(_POINTS), np.array([*_POINTS.values(), 0])
    before = points[codes(table["before_low"], order)]
    after = points[codes(table["after_high"], order)]
    worse: npt.NDArray[np.float64] = np.maximum(before - after, 0) / 2
    return worse


def _slip_habits(table: Any, certain: Flags) -> list[tuple[str, Flags, bool, bool]]:
    """Name, which slips fit, told apart by kind of ending, certain; the first that fits counts."""
    win = np.array([name == "win" for name in _POINTS] + [False])
    before = win[codes(table["before_low"], tuple(_POINTS))]
    missed = np.asarray(table["missed_trade"].is_valid().to_numpy())
    seconds = numbers(table["clock_seconds"])
    every = np.ones(len(certain), bool)
    shared = (
        ("gift", flags(table["gift"]), False),
        ("clock", seconds < SHORT_OF_TIME, False),
        ("trade", flags(table["by_trade"]), False),
        ("missed-trade", missed, False),
        ("won", before, True),
    )
    return [
        *((ident, fits, by_kind, True) for ident, fits, by_kind in shared),
        ("drawn", every, True, True),
        *((ident, fits, by_kind, False) for ident, fits, by_kind in shared),
        ("better", numbers(table["before_win"], 0) >= CLEARLY, True, False),
        ("chances", every, True, False),
    ]


def _count(
    sums: dict[_Key, _Sum], key: _Key, rows: Flags, games: Ints, cost: npt.NDArray[np.float64]
) -> None:
    if rows.any():
        total = sums[key]
        total.n += int(rows.sum())
        total.games += len(np.unique(games[rows]))
        total.cost += float(cost[rows].sum())
