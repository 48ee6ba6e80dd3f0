"""From the dataset to the summary: each part is read once, column by column."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from convert.collection import specs
from convert.collection.counting import (
    BANDS,
    Flags,
    Ints,
    Tally,
    band_codes,
    codes,
    flags,
    numbers,
    result_hits,
    words,
)
from convert.collection.dataset import NoCollection, PartFiles, parts_of, plain, players_in
from convert.collection.picking import Picker
from convert.collection.summary import SUMMARY_SCHEMA, Facts, Summary, Trouble
from convert.safe_text import file_text

SIDES = ("white", "black")
RESULTS = ("won by White", "drawn", "won by Black", "without a result")
OWN_RESULTS = ("won", "drawn", "lost", "without a result")
#: Outcomes that are results under the fifty-move rule.
_POINTS = {"win": 1, "cursed win": 0, "draw": 0, "blessed loss": 0, "loss": -1}
#: Remarks kept of the errors.
MOST_TROUBLES = 20

_GAME_COLUMNS = (
    "id", "file", "year", "result", "white_points", "white_rating", "black_rating", "complete",
    "effort", "program", "plies", "ending_kind", "ending_ahead", "exchange_side", "exchange_pawns",
    "exchange_pawns_up", "exchange_pawns_down", "exchange_points", "pawn_ending_way",
    "pawn_ending_first", "pawn_ending_lead", "pawn_ending_points", "side", "better_ply",
    "better_certain", "better_kind", "let_slip",
)  # fmt: skip


class NoSuchPlayer(Exception):
    """No game of the collection is by the player asked for."""


@dataclass
class _Found:
    """The facts while they are being counted."""

    files: set[str] = field(default_factory=set)
    games: int = 0
    complete: int = 0
    reviewed: int = 0
    counted: int = 0
    undated: int = 0
    errors: int = 0
    fatal: int = 0
    years: set[int] = field(default_factory=set)
    efforts: Counter[str] = field(default_factory=Counter)
    programs: set[str] = field(default_factory=set)
    results: Counter[str] = field(default_factory=Counter)
    troubles: list[Trouble] = field(default_factory=list)

    def facts(self) -> Facts:
        return Facts(
            files=len(self.files),
            games=self.games,
            complete=self.complete,
            reviewed=self.reviewed,
            counted=self.counted,
            errors=self.errors,
            fatal=self.fatal,
            effort=", ".join(name for name, _ in self.efforts.most_common()),
            programs=tuple(sorted(self.programs)),
            first_date=str(min(self.years)) if self.years else "",
            last_date=str(max(self.years)) if self.years else "",
            undated=self.undated,
            results=tuple(self.results.items()),
        )


class _Part:
    """One part: its games as arrays, and for any side of a game what is known of that player."""

    def __init__(self, files: PartFiles, player: str | None):
        self.files = files
        names = () if player is None else SIDES
        self.games = files.read("games", (*_GAME_COLUMNS, *names))
        self.size = self.games.num_rows
        self.ids = self.games["id"].combine_chunks()
        self.index = np.arange(self.size)
        self.points = numbers(self.games["white_points"])
        self.ratings = [numbers(self.games[f"{color}_rating"]) for color in SIDES]
        self.mine: list[Flags] | None = None
        if player is not None:
            wanted = plain(player)
            self.mine = []
            for color in SIDES:
                found, at = words(self.games[color])
                same = np.array([plain(name) == wanted for name in found] + [False])
                self.mine.append(same[at])

    def side_points(self, side: Ints, games: Ints | None = None) -> Any:
        """Points of a side (0 White, 1 Black, -1 none) of each game, nan where not known."""
        white = self.points if games is None else self.points[games]
        return np.where(side == 0, white, np.where(side == 1, 1 - white, np.nan))

    def side_band(self, side: Ints) -> Ints:
        """Band of the rating of a side of each game."""
        return band_codes(np.where(side == 1, self.ratings[1], self.ratings[0]))

    def owned(self, side: Ints, games: Ints | None = None) -> Flags | None:
        """Which sides are the player's, where the summary is about one."""
        if self.mine is None:
            return None
        white, black = self.mine if games is None else (m[games] for m in self.mine)
        found: Flags = np.where(side == 0, white, np.where(side == 1, black, False))
        return found

    @property
    def own_games(self) -> Flags:
        """Which games are the player's, with either colour; all where there is none."""
        if self.mine is None:
            return np.ones(self.size, bool)
        return self.mine[0] | self.mine[1]


def summarise(
    folder: Path,
    *,
    player: str | None = None,
    most: int = 20,
    tell: Callable[[int, int], None] | None = None,
) -> Summary:
    """Count a collection.

    Args:
        folder: where it lies.
        player: the one player it is to be about, his side of each game against all others'.
        most: games worth looking at that are named.
        tell: told the number of parts done and of all.

    Raises:
        NoCollection: there is none, it is damaged, or of another version.
        NoSuchPlayer: nobody of that name is in it; names close to it are told.
    """
    parts = parts_of(folder)
    if player is not None:
        player = _spelt(parts, player)
    tallies = {spec.id: Tally(spec, player is not None) for spec in specs.ALL}
    found = _Found()
    picker = Picker(most, player)
    for done, files in enumerate(parts, 1):
        part = _Part(files, player)
        _facts(part, found)
        _games(part, tallies)
        _trades(part, tallies)
        _decisions(part, tallies)
        _slips(part, tallies, picker)
        picker.material(files, part.ids, part.own_games, part.mine)
        if tell is not None:
            tell(done, len(parts))
    facts = found.facts()
    picks, rule = picker.picks(judged=facts.reviewed > 0)
    return Summary(
        schema=SUMMARY_SCHEMA,
        folder=file_text(folder),
        player=player or "",
        facts=facts,
        tables=tuple(tallies[spec.id].table() for spec in specs.ALL),
        pick_rule=rule,
        picks=picks,
        untold=_untold(facts),
        troubles=tuple(found.troubles),
    )


def _untold(facts: Facts) -> tuple[str, ...]:
    told = []
    if facts.games and not facts.reviewed:
        told.append(
            "Without verdicts it cannot be told which positions were won, which trades were right "
            "and where results slipped; material and results are shown instead. A run with "
            "--effort quick, normal or deep into another folder tells the rest."
        )
    elif "walk" in facts.effort.split(", "):
        told.append("Some games were walked only, without verdicts, and are missing where those "
                    "are needed.")  # fmt: skip
    return tuple(told)


def _spelt(parts: list[PartFiles], player: str) -> str:
    """The name as the collection has it."""
    import difflib

    wanted, by_name = plain(player), dict[str, str]()
    for name in players_in(parts):
        if plain(name) == wanted:
            return name
        by_name[plain(name)] = name
    if not by_name:
        raise NoSuchPlayer(f"{player}: this collection has no names of players")
    near = [by_name[n] for n in difflib.get_close_matches(wanted, by_name, 3, 0.6)]
    near += [n for key, n in by_name.items() if wanted in key and n not in near]
    hint = f"; there is {', '.join(near[:3])}" if near else ""
    raise NoSuchPlayer(f"{player}: no player of that name in this collection{hint}")


def _facts(part: _Part, found: _Found) -> None:
    games = part.games
    found.files.update(words(games["file"])[0])
    found.games += part.size
    found.complete += int(flags(games["complete"]).sum())
    found.reviewed += int((codes(games["side"], SIDES) >= 0).sum())
    found.counted += int(part.own_games.sum())
    years = games["year"].drop_null().unique().to_pylist()
    found.years.update(years)
    found.undated += games["year"].null_count
    names, at = words(games["effort"])
    for i, number in enumerate(np.bincount(at[at >= 0], minlength=len(names))):
        found.efforts[names[i]] += int(number)
    _results(part, found)
    found.programs.update(words(games["program"])[0])
    errors = part.files.read("errors", ("file", "number", "line", "reason", "fatal"))
    found.errors += errors.num_rows
    found.fatal += int(flags(errors["fatal"]).sum())
    room = MOST_TROUBLES - len(found.troubles)
    for row in errors.slice(0, max(0, room)).to_pylist():
        found.troubles.append(
            Trouble(row["file"] or "", row["number"], row["line"], row["reason"] or "",
                    bool(row["fatal"]))
        )  # fmt: skip


def _results(part: _Part, found: _Found) -> None:
    """Results of all games, or of the player's, for him."""
    told = RESULTS if part.mine is None else OWN_RESULTS
    points = part.points
    if part.mine is not None:
        points = part.side_points(np.where(part.mine[0], 0, 1))
    hits = [*result_hits(points), np.isnan(points)]
    for words_, hit in zip(told, hits, strict=True):
        found.results[words_] += int((hit & part.own_games).sum())


def _games(part: _Part, tallies: dict[str, Tally]) -> None:
    games, index = part.games, part.index
    side = codes(games["side"], SIDES)
    hits = result_hits(part.side_points(side))
    names, kinds = words(games["better_kind"])
    certain = flags(games["better_certain"])
    better = ~np.isnan(numbers(games["better_ply"])) & ~certain
    mine = part.owned(side)
    tallies["won"].add(names, np.where(certain, kinds, -1), hits, index, mine)
    tallies["better"].add(names, np.where(better, kinds, -1), hits, index, mine)
    bands = part.side_band(side)
    tallies["won-by-rating"].add(BANDS, np.where(certain, bands, -1), hits, index, mine)
    slipped, finished = flags(games["let_slip"]), np.logical_or.reduce(hits)
    held = [finished & ~slipped, slipped & hits[0], slipped & (hits[1] | hits[2])]
    tallies["held"].add(names, np.where(certain, kinds, -1), held, index, mine)
    ahead = codes(games["ending_ahead"], SIDES)
    hits, mine = result_hits(part.side_points(ahead)), part.owned(ahead)
    names, kinds = words(games["ending_kind"])
    tallies["ahead"].add(names, np.where(ahead >= 0, kinds, -1), hits, index, mine)
    bands = np.where(ahead >= 0, part.side_band(ahead), -1)
    tallies["ahead-by-rating"].add(BANDS, bands, hits, index, mine)
    _exchange(part, tallies)
    _pawn_endings(part, tallies)


def _exchange(part: _Part, tallies: dict[str, Tally]) -> None:
    games = part.games
    up = codes(games["exchange_side"], SIDES)
    hits, mine = result_hits(numbers(games["exchange_points"])), part.owned(up)
    pawns = numbers(games["exchange_pawns"], -1)
    label = np.searchsorted([most for _, most in specs.PAWNS], pawns).astype(np.int64)
    label[(pawns < 1) | (up < 0)] = -1
    tallies["exchange-pawns"].add(
        [name for name, _ in specs.PAWNS], label, hits, part.index, mine
    )
    lead = numbers(games["exchange_pawns_up"]) - numbers(games["exchange_pawns_down"])
    fits = (up >= 0) & (np.abs(lead) <= 2)
    label = np.where(fits, np.nan_to_num(lead) + 2, -1).astype(np.int64)
    tallies["exchange-lead"].add(specs.EXCHANGE_LEADS, label, hits, part.index, mine)


def _pawn_endings(part: _Part, tallies: dict[str, Tally]) -> None:
    games = part.games
    first = codes(games["pawn_ending_first"], SIDES)
    traded = codes(games["pawn_ending_way"], ("trade",)) == 0
    lead = numbers(games["pawn_ending_lead"])
    fits = traded & (first >= 0) & ~np.isnan(lead)
    label = np.where(fits, np.clip(np.nan_to_num(lead), -2, 2) + 2, -1).astype(np.int64)
    hits = result_hits(numbers(games["pawn_ending_points"]))
    tallies["pawn-endings"].add(specs.PAWN_LEADS, label, hits, part.index, part.owned(first))


def _joined(part: _Part, table: str, columns: tuple[str, ...]) -> tuple[Any, Ints]:
    """Rows of another table whose game is there, and the index of that game."""
    found = part.files.read(table, ("game", *columns))
    at = part.files.games_of(found["game"], part.ids)
    if (at < 0).any():
        raise NoCollection(
            f"{part.files.folder / table / part.files.name}: speaks of games that are not in the "
            "table games; make the collection again"
        )
    return found, at


def _trades(part: _Part, tallies: dict[str, Tally]) -> None:
    trades, at = _joined(part, "trades", ("gone", "began_by", "began_points"))
    began = codes(trades["began_by"], SIDES)
    names, gone = words(trades["gone"])
    hits = result_hits(numbers(trades["began_points"]))
    tallies["trades"].add(names, gone, hits, at, part.owned(began, at))


def _decisions(part: _Part, tallies: dict[str, Tally]) -> None:
    table, at = _joined(part, "decisions", ("part", "side", "grade", "gone", "rating"))
    side = codes(table["side"], SIDES)
    mine = part.owned(side, at)
    grade = codes(table["grade"], ("needed", "right", "wrong", "missed", "in favour", "even",
                                   "against"))  # fmt: skip
    names, gone = words(table["gone"])
    declined = codes(table["part"], ("decline",)) == 0
    names = [*names, "not told", "declined"]
    labels = np.where(declined, len(names) - 1, np.where(gone < 0, len(names) - 2, gone))
    certain = [(grade == 0) | (grade == 1), grade == 2, grade == 3]
    tallies["decisions"].add(names, labels, certain, at, mine)
    bands = band_codes(numbers(table["rating"]))
    tallies["decisions-by-rating"].add(BANDS, bands, certain, at, mine)
    estimated = [grade == 4, grade == 5, grade == 6]
    tallies["decisions-estimated"].add(names, labels, estimated, at, mine)


def _slips(part: _Part, tallies: dict[str, Tally], picker: Picker) -> None:
    table, at = _joined(
        part, "slips",
        ("side", "certain", "before_low", "after_high", "by_trade", "handed_back", "kind"),
    )  # fmt: skip
    side = codes(table["side"], SIDES)
    mine = part.owned(side, at)
    certain = flags(table["certain"])
    order = tuple(_POINTS)
    points = np.array([*_POINTS.values(), 0])
    before = points[codes(table["before_low"], order)]
    lost = points[codes(table["after_high"], order)] == -1
    hits = [certain & (before == 1) & ~lost, certain & (before == 1) & lost,
            certain & (before == 0) & lost]  # fmt: skip
    names, kinds = words(table["kind"])
    names = [*names, "not told"]
    kinds = np.where(kinds < 0, len(names) - 1, kinds)
    tallies["slips"].add(names, kinds, hits, at, mine)
    told = np.where(certain, kinds, -1)
    ways = [flags(table["by_trade"]), flags(table["handed_back"])]
    tallies["slip-ways"].add(names, told, ways, at, mine)
    cost = certain & (before == 1)
    plies = numbers(part.games["plies"], 0)
    picker.slips(part.files, part.ids, plies, at, (cost, cost & lost, cost & ways[0]), mine)
