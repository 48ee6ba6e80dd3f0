"""The games of a chunk as arrays, those counted before left out, and what is known of each side."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from convert.collection import specs
from convert.collection.counting import Flags, Ints, band_codes, flags, numbers, words
from convert.collection.dataset import Apart, Chunk, games_of, plain

SIDES = ("white", "black")
#: A win that came within so many plies of the first won position is no conversion: two moves.
AT_ONCE = 4

_COLUMNS = (
    "id",
    "file",
    "year",
    "date",
    "result",
    "white_points",
    "white_rating",
    "black_rating",
    "time_control",
    "on_time",
    "complete",
    "effort",
    "program",
    "plies",
    "ending_kind",
    "ending_ahead",
    "practice_key",
    "practice_side",
    "exchange_side",
    "exchange_pawns",
    "exchange_pawns_up",
    "exchange_pawns_down",
    "exchange_points",
    "pawn_ending_way",
    "pawn_ending_first",
    "pawn_ending_lead",
    "pawn_ending_points",
    "side",
    "deciding_side",
    "deciding_ply",
    "deciding_certain",
    "deciding_before",
    "deciding_after",
    "final_outcome",
    "final_expected",
    *(
        f"{color}_{name}"
        for color in SIDES
        for name in ("best", "best_ply", "best_kind", "better_ply", "better_kind", "let_slip")
    ),
)


@dataclass(frozen=True)
class Player:
    """One player, by all spellings of the name.

    ``name`` is as the collection has it; ``spellings`` are plain (`dataset.plain`).
    """

    name: str
    spellings: frozenset[str]

    def joined(self, name: str) -> str:
        """A name for comparing; all spellings of this player's are one."""
        key = plain(name)
        return plain(self.name) if key in self.spellings else key

    def plays(self, name: str | None) -> bool:
        """Is it one of the spellings?"""
        return name is not None and plain(name) in self.spellings


class Batch:
    """The games of a chunk.

    Attributes:
        games: Arrow table, duplicates left out; ``ids`` of them.
        size: number of games.
        mine: for White and for Black in which games it is the player; None without one.
    """

    def __init__(self, files: Chunk, player: Player | None, again: Flags | None = None):
        import pyarrow as pa

        self.files = files
        names = () if player is None else SIDES
        table = files.read("games", (*_COLUMNS, *names))
        self.all_ids = table["id"].combine_chunks()
        keep = np.ones(table.num_rows, bool) if again is None else ~again
        self.dropped = int((~keep).sum())
        #: From a row of the files to its index here, -1 for one that is left out.
        self.at = np.where(keep, np.cumsum(keep) - 1, -1).astype(np.int64)
        self.games = table if again is None else table.filter(pa.array(keep))
        self.size = self.games.num_rows
        self.ids = self.games["id"].combine_chunks()
        self.index = np.arange(self.size)
        self.points = numbers(self.games["white_points"])
        self.ratings = [numbers(self.games[f"{color}_rating"]) for color in SIDES]
        self.plies = numbers(self.games["plies"], 0)
        self.mine: list[Flags] | None = None
        if player is not None:
            self.mine = []
            for color in SIDES:
                spelt, at = words(self.games[color])
                same = np.array([player.plays(name) for name in spelt] + [False])
                self.mine.append(same[at])

    def joined(self, table: str, columns: tuple[str, ...]) -> tuple[Any, Ints]:
        """Rows of another table that are of games here, and the index of each one's game.

        Raises:
            Apart: there are rows of games that are not in the chunk.
        """
        import pyarrow as pa

        data = self.files.read(table, ("game", *columns))
        at = games_of(data["game"], self.all_ids)
        if (at < 0).any():
            raise Apart(
                f"{self.files.folder / table}: speaks of games that are not in the table games; "
                "make the collection again"
            )
        at = self.at[at] if len(at) else at
        if self.dropped and (at < 0).any():
            data, at = data.filter(pa.array(at >= 0)), at[at >= 0]
        return data, at

    def more(self, columns: tuple[str, ...]) -> tuple[Any, Ints]:
        """Further columns of the same games, and their index."""
        import pyarrow as pa

        table = self.files.read("games", columns)
        return (table if not self.dropped else table.filter(pa.array(self.at >= 0))), self.index

    def side_points(self, side: Ints, games: Ints | None = None) -> npt.NDArray[np.float64]:
        """Points of a side (0 White, 1 Black, -1 none) of each game, nan where not known."""
        white = self.points if games is None else self.points[games]
        points: npt.NDArray[np.float64] = np.where(
            side == 0, white, np.where(side == 1, 1 - white, np.nan)
        )
        return points

    def on_time(self, side: Ints) -> Flags:
        """In which games that side lost on time."""
        names, at = words(self.games["on_time"])
        loser = np.array([SIDES.index(n) if n in SIDES else -1 for n in names] + [-1])[at]
        out: Flags = (loser >= 0) & (loser == side)
        return out

    def side_band(self, side: Ints) -> Ints:
        """Band of the rating of a side of each game."""
        return band_codes(np.where(side == 1, self.ratings[1], self.ratings[0]))

    def owned(self, side: Ints, games: Ints | None = None) -> Flags | None:
        """Which sides are the player's, where the summary is about one."""
        if self.mine is None:
            return None
        white, black = self.mine if games is None else (m[games] for m in self.mine)
        own: Flags = np.where(side == 0, white, np.where(side == 1, black, False))
        return own

    @property
    def own_games(self) -> Flags:
        """Which games are the player's, with either colour; all where there is none."""
        if self.mine is None:
            return np.ones(self.size, bool)
        return self.mine[0] | self.mine[1]


@dataclass(frozen=True)
class Seats:
    """Both sides of each game, White's of all games first.

    ``side``: 0 White, 1 Black; ``game``: index of its game; ``won``: it had a position won for
    certain, ``at_once``: and won within two moves of it; ``slipped``: and let it slip by a move.
    ``points`` and ``on_time`` (lost on time) as the game ended; ``mine`` as in `Batch`.
    """

    side: Ints
    game: Ints
    points: npt.NDArray[np.float64]
    on_time: Flags
    won: Flags
    at_once: Flags
    slipped: Flags
    mine: Flags | None

    @property
    def counted(self) -> Flags:
        """Which had a won position whose result tells something."""
        out: Flags = self.won & ~self.at_once
        return out


def seats_of(batch: Batch) -> Seats:
    """Both sides of the games of a batch."""
    side = np.repeat(np.array([0, 1], np.int64), batch.size)
    game = np.tile(batch.index, 2)
    points = np.concatenate([batch.side_points(np.full(batch.size, one)) for one in (0, 1)])
    time = np.concatenate([batch.on_time(np.full(batch.size, one)) for one in (0, 1)])
    won = both(batch, "best", lambda column: is_word(column, "win"))
    since = both(batch, "best_ply", lambda column: numbers(column, 0))
    mine = None if batch.mine is None else np.concatenate(batch.mine)
    return Seats(
        side=side,
        game=game,
        points=points,
        on_time=time,
        won=won,
        at_once=won & (points == 1) & (np.tile(batch.plies, 2) - since <= AT_ONCE),
        slipped=both(batch, "let_slip", flags),
        mine=mine,
    )


def both(batch: Batch, name: str, read: Callable[[Any], npt.NDArray[Any]]) -> npt.NDArray[Any]:
    """A column that each colour has, White's rows first."""
    return np.concatenate([read(batch.games[f"{color}_{name}"]) for color in SIDES])


def both_words(batch: Batch, name: str) -> tuple[list[str], Ints]:
    """The texts of such a column, and the index of each row's text, -1 for null."""
    import pyarrow as pa

    columns = [batch.games[f"{color}_{name}"].combine_chunks() for color in SIDES]
    return words(pa.chunked_array([c for one in columns for c in _chunks(one)], pa.string()))


def _chunks(array: Any) -> list[Any]:
    return list(getattr(array, "chunks", None) or [array])


def is_word(column: Any, word: str) -> Flags:
    """In which rows a text stands."""
    names, at = words(column)
    out: Flags = np.array([name == word for name in names] + [False])[at]
    return out


# --- with whom, when, how fast ----------------------------------------------------------------


def quarters(batch: Batch) -> tuple[list[str], Ints]:
    """The quarter of each game (``2025, 3rd quarter``), its year alone, or -1."""
    import pyarrow.compute as pc

    days, year = batch.games["date"], numbers(batch.games["year"], -1)
    quarter = numbers(pc.quarter(days), 0)
    code = np.where(year < 0, -1, 5 * year + quarter).astype(np.int64)
    values, at = np.unique(code, return_inverse=True)
    names = [_quarter(int(value)) for value in values]
    return names, np.where(code < 0, -1, at.reshape(-1)).astype(np.int64)


def _quarter(code: int) -> str:
    year, quarter = divmod(code, 5)
    if not quarter:
        return f"{year}"
    return f"{year}, {('1st', '2nd', '3rd', '4th')[quarter - 1]} quarter"


def controls(batch: Batch) -> Ints:
    """The index in `specs.CONTROLS` of each game's time control."""
    names, at = words(batch.games["time_control"])
    table = np.array([_control(name) for name in names] + [len(specs.CONTROLS) - 1], np.int64)
    return table[at]


def _control(tag: str) -> int:
    seconds = seconds_for_a_game(tag)
    if seconds is None:
        return len(specs.CONTROLS) - 1
    return next(i for i, (_, below) in enumerate(specs.CONTROLS) if seconds < below)


def seconds_for_a_game(tag: str) -> int | None:
    """Seconds for 60 moves by a TimeControl tag (PGN standard, section 9.6.1); None if not told.

    All periods are added, the increments of the last one 60 times; a sandclock counts once.
    """
    total = 0
    for period in tag.split(":"):
        match = re.fullmatch(r"(?:[0-9]{1,3}/|\*)?([0-9]{1,6})(?:\+([0-9]{1,5}))?", period.strip())
        if match is None:
            return None
        total += int(match[1]) + 60 * int(match[2] or 0)
    return total
