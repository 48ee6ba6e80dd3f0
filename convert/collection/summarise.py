"""From the dataset to the summary: each part is read once, column by column."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from convert.collection import specs
from convert.collection.batch import (
    SIDES,
    Batch,
    Player,
    Seats,
    both,
    both_words,
    controls,
    quarters,
    seats_of,
)
from convert.collection.counting import (
    Flags,
    Tally,
    band_codes,
    codes,
    flags,
    numbers,
    result_hits,
    time_hits,
    words,
)
from convert.collection.dataset import Apart, Chunk, chunks_of, plain, players_in, unfinished
from convert.collection.duplicates import repeated
from convert.collection.habits import Habits
from convert.collection.own_practice import OwnPractice
from convert.collection.picking import Picker
from convert.model.summary import SUMMARY_SCHEMA, Facts, Summary, Trouble, WonPositions
from convert.review.practice import BANDS, document
from convert.rim.safe_text import file_text

_WON = dict.fromkeys(("all", "at_once", "counted", "won", "drawn", "lost", "on_time", "slipped"), 0)
RESULTS = ("won by White", "drawn", "won by Black", "without a result")
OWN_RESULTS = ("won", "drawn", "lost", "without a result")
#: Outcomes that are results under the fifty-move rule.
_POINTS = {"win": 1, "cursed win": 0, "draw": 0, "blessed loss": 0, "loss": -1}
#: Remarks kept of the errors.
MOST_TROUBLES = 20


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
    duplicates: int = 0
    on_time: int = 0
    won: Counter[str] = field(default_factory=lambda: Counter(_WON))
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
            duplicates=self.duplicates,
            on_time=self.on_time,
        )


def summarise(
    *folders: Path,
    player: str | None = None,
    same: Sequence[str] = (),
    most: int = 20,
    tell: Callable[[int, int], None] | None = None,
) -> Summary:
    """Count one collection, or several together.

    Args:
        folders: where they lie.
        player: the one player it is to be about, his side of each game against all others'.
        same: other spellings of the player's name.
        most: games worth looking at that are named.
        tell: told the number of chunks of files done and of all.

    Raises:
        NoCollection: there is none, it is damaged, or of another version.
        NoSuchPlayer: nobody of that name is in it; names close to it are told.
    """
    try:
        return _summary(folders, False, player, same, most, tell)
    except Apart:  # joined otherwise than by the names of the files
        return _summary(folders, True, player, same, most, tell)


def _summary(
    folders: Sequence[Path],
    whole: bool,
    player: str | None,
    same: Sequence[str],
    most: int,
    tell: Callable[[int, int], None] | None,
) -> Summary:
    chunks = [chunk for folder in folders for chunk in chunks_of(folder, whole=whole)]
    missing: tuple[str, ...] = ()
    one: Player | None = None
    if player is not None:
        one, missing = _spelt(chunks, player, same)
    again = repeated(chunks, plain if one is None else one.joined)
    shown = specs.ALL if one is None else specs.FOR_A_PLAYER
    tallies = {spec.id: Tally(spec, one is not None) for spec in shown}
    counted, picker = _Found(), Picker(most, one)
    habits, beside = Habits(), OwnPractice(document()["balances"])
    for done, files in enumerate(chunks, 1):
        batch = Batch(files, one, again.get(done - 1))
        seats = seats_of(batch)
        _facts(batch, counted)
        _won(seats, counted.won)
        _games(batch, seats, tallies)
        _trades(batch, tallies)
        _decisions(batch, tallies)
        _slips(batch, tallies, picker)
        picker.forfeit(batch, seats)
        picker.material(batch)
        if one is not None:
            _dimensions(batch, seats, tallies)
            habits.add(batch, seats)
            beside.add(batch)
        if tell is not None:
            tell(done, len(chunks))
    facts = counted.facts()
    picks, rule = picker.picks(judged=facts.reviewed > 0)
    return Summary(
        schema=SUMMARY_SCHEMA,
        folder=", ".join(file_text(folder) for folder in folders),
        player="" if one is None else one.name,
        facts=facts,
        tables=tuple(tallies[spec.id].table() for spec in shown),
        pick_rule=rule,
        picks=picks,
        untold=_untold(facts, folders, missing),
        troubles=tuple(counted.troubles),
        won=WonPositions(**counted.won) if facts.reviewed else None,
        spellings=() if one is None else tuple(sorted(_spellings(chunks, one))),
        habits=habits.told() if one is not None else (),
        practised=beside.told() if one is not None else None,
        forfeits=picker.forfeited(),
        forfeits_more=max(0, picker.forfeits - most),
    )


def _untold(facts: Facts, folders: Sequence[Path], missing: Sequence[str]) -> tuple[str, ...]:
    texts = [
        f"{file_text(folder)} is not finished: what is counted here is what was done so far. The "
        "command that made it goes on with it."
        for folder in folders
        if unfinished(folder)
    ]
    texts += [f"No game under the name {name}." for name in missing]
    if facts.games and not facts.reviewed:
        texts.append(
            "Without verdicts it cannot be told which positions were won, which trades were right "
            "and where results slipped; material and results are shown instead. A run with "
            "--effort quick, normal or deep into another folder tells the rest."
        )
    elif "walk" in facts.effort.split(", "):
        texts.append(
            "Some games were walked only, without verdicts, and are missing where those are needed."
        )
    return tuple(texts)


def _spelt(
    chunks: Sequence[Chunk], player: str, same: Sequence[str]
) -> tuple[Player, tuple[str, ...]]:
    """The player with all spellings, and those of them that no game has.

    Raises:
        NoSuchPlayer: no game has any of them.
    """
    import difflib

    by_name = {plain(name): name for name in players_in(chunks)}
    wanted = {plain(name): name for name in (player, *same)}
    there = [key for key in wanted if key in by_name]
    if there:
        first = plain(player)
        name = by_name[first if first in by_name else there[0]]
        missing = tuple(text for key, text in wanted.items() if key not in by_name)
        return Player(name, frozenset(wanted)), missing
    if not by_name:
        raise NoSuchPlayer(f"{player}: this collection has no names of players")
    key = plain(player)
    near = [by_name[n] for n in difflib.get_close_matches(key, by_name, 3, 0.6)]
    near += [n for other, n in by_name.items() if key in other and n not in near]
    hint = f"; there is {', '.join(near[:3])}" if near else ""
    raise NoSuchPlayer(f"{player}: no player of that name in this collection{hint}")


def _spellings(chunks: Sequence[Chunk], player: Player) -> set[str]:
    """The player's name as it stands in the files."""
    return {name for name in players_in(chunks) if player.plays(name)}


def _facts(batch: Batch, counted: _Found) -> None:
    games = batch.games
    counted.files.update(words(games["file"])[0])
    counted.games += batch.size
    counted.duplicates += batch.dropped
    counted.complete += int(flags(games["complete"]).sum())
    counted.reviewed += int((codes(games["side"], SIDES) >= 0).sum())
    counted.counted += int(batch.own_games.sum())
    years = games["year"].drop_null().unique().to_pylist()
    counted.years.update(years)
    counted.undated += games["year"].null_count
    names, at = words(games["effort"])
    for i, number in enumerate(np.bincount(at[at >= 0], minlength=len(names))):
        counted.efforts[names[i]] += int(number)
    _results(batch, counted)
    counted.programs.update(words(games["program"])[0])
    errors = batch.files.read("errors", ("file", "number", "line", "reason", "fatal"))
    counted.errors += errors.num_rows
    counted.fatal += int(flags(errors["fatal"]).sum())
    room = MOST_TROUBLES - len(counted.troubles)
    for row in errors.slice(0, max(0, room)).to_pylist():
        counted.troubles.append(
            Trouble(
                row["file"] or "",
                row["number"],
                row["line"],
                row["reason"] or "",
                bool(row["fatal"]),
            )
        )


def _results(batch: Batch, counted: _Found) -> None:
    """Results of all games, or of the player's, for him."""
    pair = RESULTS if batch.mine is None else OWN_RESULTS
    points, own = batch.points, batch.own_games
    timed = np.asarray(batch.games["on_time"].is_valid().to_numpy())
    if batch.mine is not None:
        side = np.where(batch.mine[0], 0, 1)
        points, timed = batch.side_points(side), batch.on_time(side)
    hits = [*result_hits(points), np.isnan(points)]
    for words_, hit in zip(pair, hits, strict=True):
        counted.results[words_] += int((hit & own).sum())
    counted.on_time += int((timed & own).sum())


def _won(seats: Seats, sums: Counter[str]) -> None:
    """Positions won for certain, the player's where there is one."""
    own = np.ones(len(seats.side), bool) if seats.mine is None else seats.mine
    rows = seats.counted & own
    parts = time_hits(seats.points, seats.on_time)
    for name, hit in (
        ("all", seats.won & own),
        ("at_once", seats.at_once & own),
        ("counted", rows),
        *zip(("won", "drawn", "lost", "on_time"), (rows & part for part in parts), strict=True),
        ("slipped", rows & seats.slipped),
    ):
        sums[name] += int(hit.sum())


def _games(batch: Batch, seats: Seats, tallies: dict[str, Tally]) -> None:
    games, index = batch.games, batch.index
    hits = time_hits(seats.points, seats.on_time)
    names, kinds = both_words(batch, "best_kind")
    here = seats.counted
    about = (hits, seats.game, seats.mine)
    tallies["won"].add(names, np.where(here, kinds, -1), *about)
    tallies["held"].add(names, np.where(here, kinds, -1), _held(seats), *about[1:])
    bands = np.concatenate([batch.side_band(np.full(batch.size, one)) for one in (0, 1)])
    tallies["won-by-rating"].add(BANDS, np.where(here, bands, -1), *about)
    better = ~np.isnan(both(batch, "better_ply", numbers)) & ~seats.won
    names, kinds = both_words(batch, "better_kind")
    tallies["better"].add(names, np.where(better, kinds, -1), *about)
    ahead = codes(games["ending_ahead"], SIDES)
    hits = time_hits(batch.side_points(ahead), batch.on_time(ahead))
    mine = batch.owned(ahead)
    names, kinds = words(games["ending_kind"])
    tallies["ahead"].add(names, np.where(ahead >= 0, kinds, -1), hits, index, mine)
    bands = np.where(ahead >= 0, batch.side_band(ahead), -1)
    tallies["ahead-by-rating"].add(BANDS, bands, hits, index, mine)
    _exchange(batch, tallies)
    _pawn_endings(batch, tallies)


def _held(seats: Seats) -> list[Flags]:
    """Not let slip; let slip and won; let slip and not won."""
    won, *others = result_hits(seats.points)
    finished = np.logical_or.reduce([won, *others])
    return [finished & ~seats.slipped, seats.slipped & won, seats.slipped & finished & ~won]


def _dimensions(batch: Batch, seats: Seats, tallies: dict[str, Tally]) -> None:
    """Won positions by opponent, colour, quarter and time for the game."""
    other = np.concatenate([batch.side_band(np.full(batch.size, one)) for one in (1, 0)])
    names, when = quarters(batch)
    for ident, labels, at in (
        ("opponent", BANDS, other),
        ("colour", ("White", "Black"), seats.side),
        ("quarter", names, np.tile(when, 2)),
        ("time", [name for name, _ in specs.CONTROLS], np.tile(controls(batch), 2)),
    ):
        at = np.where(seats.counted, at, -1)
        hits = time_hits(seats.points, seats.on_time)
        tallies[f"won-by-{ident}"].add(labels, at, hits, seats.game, seats.mine)
        tallies[f"held-by-{ident}"].add(labels, at, _held(seats), seats.game, seats.mine)


def _exchange(batch: Batch, tallies: dict[str, Tally]) -> None:
    games = batch.games
    up = codes(games["exchange_side"], SIDES)
    hits, mine = result_hits(numbers(games["exchange_points"])), batch.owned(up)
    pawns = numbers(games["exchange_pawns"], -1)
    label = np.searchsorted([most for _, most in specs.PAWNS], pawns).astype(np.int64)
    label[(pawns < 1) | (up < 0)] = -1
    tallies["exchange-pawns"].add([name for name, _ in specs.PAWNS], label, hits, batch.index, mine)
    lead = numbers(games["exchange_pawns_up"]) - numbers(games["exchange_pawns_down"])
    fits = (up >= 0) & (np.abs(lead) <= 2)
    label = np.where(fits, np.nan_to_num(lead) + 2, -1).astype(np.int64)
    tallies["exchange-lead"].add(specs.EXCHANGE_LEADS, label, hits, batch.index, mine)


def _pawn_endings(batch: Batch, tallies: dict[str, Tally]) -> None:
    games = batch.games
    first = codes(games["pawn_ending_first"], SIDES)
    traded = codes(games["pawn_ending_way"], ("trade",)) == 0
    lead = numbers(games["pawn_ending_lead"])
    fits = traded & (first >= 0) & ~np.isnan(lead)
    label = np.where(fits, np.clip(np.nan_to_num(lead), -2, 2) + 2, -1).astype(np.int64)
    hits = result_hits(numbers(games["pawn_ending_points"]))
    tallies["pawn-endings"].add(specs.PAWN_LEADS, label, hits, batch.index, batch.owned(first))


def _trades(batch: Batch, tallies: dict[str, Tally]) -> None:
    trades, at = batch.joined("trades", ("gone", "began_by", "began_points"))
    began = codes(trades["began_by"], SIDES)
    names, gone = words(trades["gone"])
    hits = result_hits(numbers(trades["began_points"]))
    tallies["trades"].add(names, gone, hits, at, batch.owned(began, at))


def _decisions(batch: Batch, tallies: dict[str, Tally]) -> None:
    table, at = batch.joined("decisions", ("part", "side", "grade", "gone", "rating"))
    side = codes(table["side"], SIDES)
    mine = batch.owned(side, at)
    grade = codes(
        table["grade"], ("needed", "right", "wrong", "missed", "in favour", "even", "against")
    )
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


def _slips(batch: Batch, tallies: dict[str, Tally], picker: Picker) -> None:
    table, at = batch.joined(
        "slips",
        ("side", "certain", "before_low", "after_high", "by_trade", "handed_back", "kind"),
    )
    side = codes(table["side"], SIDES)
    mine = batch.owned(side, at)
    certain = flags(table["certain"])
    order = tuple(_POINTS)
    points = np.array([*_POINTS.values(), 0])
    before = points[codes(table["before_low"], order)]
    lost = points[codes(table["after_high"], order)] == -1
    hits = [
        certain & (before == 1) & ~lost,
        certain & (before == 1) & lost,
        certain & (before == 0) & lost,
    ]
    names, kinds = words(table["kind"])
    names = [*names, "not told"]
    kinds = np.where(kinds < 0, len(names) - 1, kinds)
    tallies["slips"].add(names, kinds, hits, at, mine)
    values = np.where(certain, kinds, -1)
    ways = [flags(table["by_trade"]), flags(table["handed_back"])]
    tallies["slip-ways"].add(names, values, ways, at, mine)
    won = certain & (before == 1)
    picker.slips(batch, at, (won, won & lost, won & ways[0], hits[2], ~certain), mine)
