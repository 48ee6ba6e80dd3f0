"""A player's page, games that came in twice, several collections, rows joined by other tools."""

from __future__ import annotations

import json
import shutil
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("pyarrow")

import pyarrow as pa
import pyarrow.parquet as pq
from collection_help import call
from collection_rows import FEN, NAMES, game, random_collection, slip, trade, write_part

from convert.collection.batch import seconds_for_a_game
from convert.collection.dataset import NoCollection
from convert.collection.summarise import NoSuchPlayer, summarise
from convert.model.summary import Habit, Summary
from convert.reports.collection_html import html_text
from convert.wording.collections import habit_words, won_words

ME = NAMES[0]


# --- habits ------------------------------------------------------------------------------------


def slow_habits(rows: dict[str, list[dict[str, Any]]], player: str) -> dict[Any, list[Any]]:
    """By habit: number, games and cost of the player's, and the number of all others'."""
    games = {row["id"]: row for row in rows["games"]}
    out: dict[Any, list[Any]] = defaultdict(lambda: [0, set(), 0.0, 0])

    def note(key: Any, ident: str, side: str, cost: float) -> None:
        if games[ident][side] == player:
            out[key][0] += 1
            out[key][1].add(ident)
            out[key][2] += cost
        else:
            out[key][3] += 1

    worth = {"win": 1.0, "cursed win": 0.5, "draw": 0.5, "blessed loss": 0.5, "loss": 0.0}
    for row in rows["slips"]:
        kind, sure = row["kind"] or "position", row["certain"]
        if row["gift"]:
            key = ("gift", "", sure)
        elif row["clock_seconds"] is not None and row["clock_seconds"] < 30:
            key = ("clock", "", sure)
        elif row["by_trade"]:
            key = ("trade", "", sure)
        elif row["missed_trade"]:
            key = ("missed-trade", "", sure)
        elif row["before_low"] == "win":
            key = ("won", kind, sure)
        elif sure:
            key = ("drawn", kind, sure)
        else:
            key = ("better" if row["before_win"] >= 0.6 else "chances", kind, sure)
        cost = worth[row["before_low"]] - worth[row["after_high"]] if sure else row["cost"]
        note(key, row["game"], row["side"], cost)
    for row in rows["games"]:
        for side in ("white", "black"):
            points = row["white_points"]
            if points is None:
                continue
            points = points if side == "white" else 1 - points
            final, expected = row["final_outcome"], row["final_expected"]
            if side == "black":
                expected = 1 - expected
                final = {"win": "loss", "loss": "win", None: None}.get(final, "draw")
            on_time = row["on_time"] == side
            if final is None:
                if points == 0 and on_time and expected >= 0.4:
                    note(("time-level", "", False), row["id"], side, expected)
                if points == 0.5 and expected >= 0.7:
                    note(("agreed-better", "", False), row["id"], side, expected - 0.5)
            elif points == 0 and final != "loss":
                key = "resigned" if not on_time else "time-won" if final == "win" else "time-drawn"
                note((key, "", True), row["id"], side, worth[final])
            elif points == 0.5 and final == "win":
                note(("agreed", "", True), row["id"], side, 0.5)
    return out


@pytest.mark.parametrize("seed", range(4))
def test_habits_equal_a_slow_count(seed: int, tmp_path: Path) -> None:
    rows = random_collection(tmp_path, seed, 120)
    summary = summarise(tmp_path, player=ME)
    slow = slow_habits(rows, ME)
    sides = sum((row["white"] == ME) + (row["black"] == ME) for row in rows["games"])
    assert len(summary.habits) == 5
    for one in summary.habits:
        number, games, cost, others = slow[one.ident, one.kind, one.certain]
        assert (one.n, one.games, one.others) == (number, len(games), others)
        assert one.cost == pytest.approx(cost, abs=0.01)
        assert (one.of, one.others_of) == (sides, 240 - sides)
        assert one.n >= 2
    told = {(one.ident, one.kind, one.certain) for one in summary.habits}
    ranked = sorted(
        (not key[2], -round(values[2], 6)) for key, values in slow.items() if values[0] >= 2
    )
    chosen = sorted((not key[2], -round(slow[key][2], 6)) for key in told)
    assert chosen == ranked[:5]


def test_a_habit_is_a_sentence_with_its_counts() -> None:
    one = Habit("won", "rook ending", 6, 5, 40, 3.5, True, 30, 600)
    assert habit_words(one) == (
        "Let a won position slip, rook ending: 6 times in 5 games; cost 3.5 points. "
        "15 in 100 games; others 5 in 100."
    )
    few = Habit("better", "middlegame", 2, 2, 8, 1.0, False, 0, 0)
    assert habit_words(few) == (
        "Let a clearly better position slip, middlegame: twice; cost 1 point by the estimate "
        "(suspected). In 8 games."
    )


# --- positions, not mates -----------------------------------------------------------------------


def won(number: int, since: int, plies: int, points: float, **more: Any) -> dict[str, Any]:
    """A game in which White had a won position."""
    return game(
        number,
        plies=plies,
        white_points=points,
        result={1.0: "1-0", 0.5: "1/2-1/2", 0.0: "0-1"}[points],
        white_best="win",
        white_best_ply=since,
        white_best_kind="rook ending",
        white_let_slip=False,
        **more,
    )


def test_a_mate_that_was_played_at_once_is_no_conversion(tmp_path: Path) -> None:
    games = [
        won(1, 77, 80, 1.0),
        won(2, 76, 80, 1.0),
        won(3, 75, 80, 1.0),
        won(4, 78, 80, 0.5),  # a mate that was missed
        won(5, 40, 80, 0.0, on_time="white", termination="time forfeit"),
        won(6, 40, 80, 0.0),
    ]
    write_part(tmp_path, "00", {"games": games})
    summary = summarise(tmp_path)
    told = summary.won
    assert told is not None
    assert (told.all, told.at_once, told.counted) == (6, 2, 4)
    assert (told.won, told.drawn, told.lost, told.on_time) == (1, 1, 1, 1)
    assert won_words(summary)[1:] == [
        "2 of them were won within two moves and left out of what follows.",
        "Of the others (4) 1 won, 1 drawn, 1 lost over the board and 1 lost on time; none was let "
        "slip by a move.",
    ]
    assert [pick.number for pick in summary.forfeits] == [5]
    assert "lost on time" in html_text(summary)


@pytest.mark.parametrize(
    ("tag", "seconds"),
    [
        ("60+0", 60),
        ("300+3", 480),
        ("1800", 1800),
        ("40/9000:3600", 12600),
        ("*180", 180),
        ("40/5400+30:1800+30", 5400 + 1800 + 3600),
        ("?", None),
        ("-", None),
        ("rapid", None),
    ],
)
def test_time_for_a_game(tag: str, seconds: int | None) -> None:
    assert seconds_for_a_game(tag) == seconds


# --- games worth looking at ----------------------------------------------------------------------


def test_games_that_changed_are_never_passed_over(tmp_path: Path) -> None:
    turned = {
        "deciding_ply": 31,
        "deciding_number": 16,
        "deciding_side": "white",
        "deciding_move": "Rc6+",
        "deciding_certain": False,
        "deciding_before": 0.8,
        "deciding_after": 0.3,
        "deciding_better": "Rc3",
        "deciding_fen": FEN,
    }
    games = [game(1, **turned), game(2), game(3), game(4, **turned | {"deciding_side": "black"})]
    suspected = slip("g00002", 51, certain=False, before_win=0.9, after_win=0.2)
    write_part(tmp_path, "00", {"games": games, "slips": [suspected]})
    summary = summarise(tmp_path)
    assert [pick.number for pick in summary.picks] == [2, 1, 4]
    assert summary.picks[0].why == "White slipped once (suspected)."
    assert summary.picks[1].why == "White turned the game (by the estimate)."
    moment = summary.picks[1].moments[0]
    assert moment.told == (
        "By the estimate White's expected points fall from 0.8 to 0.3; Rc3 looks better."
    )
    assert moment.uci == "c4c6"
    own = summarise(tmp_path, player=NAMES[1])
    assert [pick.number for pick in own.picks] == [4]


# --- spellings, duplicates, several collections ---------------------------------------------------


def test_spellings_are_joined(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    games = [
        game(1),
        game(2, white="Marrin, O."),
        game(3, white=NAMES[2]),
        game(4, white=NAMES[2], black="marrin"),
    ]
    write_part(tmp_path / "out", "00", {"games": games})
    names = tmp_path / "names.txt"
    names.write_text("MARRIN\n\nMarrin,  O.\n", encoding="utf-8")
    assert summarise(tmp_path / "out", player=ME).facts.counted == 1
    summary = summarise(tmp_path / "out", player=ME, same=("Marrin, O.", "Marrin, Oz"))
    assert summary.facts.counted == 2
    assert summary.spellings == ("Marrin, O.", "Marrin, Osgood")
    assert "No game under the name Marrin, Oz." in summary.untold
    assert call("report", str(tmp_path / "out"), "--player", ME, "--same", str(names)) == 0
    assert "Counted here: 3 games" in capsys.readouterr().out
    assert call("report", str(tmp_path / "out"), "--same", "Marrin") == 2
    with pytest.raises(NoSuchPlayer):
        summarise(tmp_path / "out", player="Nobody", same=("No one",))


def test_a_game_that_came_in_twice_counts_once(tmp_path: Path) -> None:
    same = {"moves_id": "a1" * 10}
    games = [
        game(1, **same),
        game(2, **same, event="Another heading", offset=9),
        game(3, **same, white="Marrin, O."),
        game(4, **same, result="1-0", white_points=1.0),
        game(5, moves_id="b2" * 10),
        game(6),
        game(7),
        game(8, moves_id="c3" * 10, white=None),
        game(9, moves_id="c3" * 10, white=None, white_rating=1600),
    ]
    slips = [slip(f"g0000{n}", 61) for n in (1, 2)]
    trades = [trade(f"g0000{n}", 11) for n in (1, 2)]
    write_part(tmp_path, "00", {"games": games, "slips": slips, "trades": trades})
    summary = summarise(tmp_path)
    assert (summary.facts.games, summary.facts.duplicates) == (8, 1)
    totals = {table.id: table.total.n for table in summary.tables}
    assert (totals["slips"], totals["trades"]) == (1, 1)
    assert [pick.number for pick in summary.picks] == [1]
    joined = summarise(tmp_path, player=ME, same=("Marrin, O.",))
    assert joined.facts.duplicates == 2


def test_several_collections_are_told_together(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = random_collection(tmp_path / "one", 1, 60)
    random_collection(tmp_path / "two", 2, 60)
    shutil.copytree(tmp_path / "one", tmp_path / "copy")
    for number, row in enumerate(rows["games"]):
        row["moves_id"] = f"{number:020x}"
    for folder in ("one", "copy"):
        shutil.rmtree(tmp_path / folder)
        write_part(tmp_path / folder, "00", rows)
    one, two = summarise(tmp_path / "one"), summarise(tmp_path / "two")
    both = summarise(tmp_path / "one", tmp_path / "two")
    assert both.facts.games == one.facts.games + two.facts.games
    for a, b, c in zip(one.tables, two.tables, both.tables, strict=True):
        assert a.total.n + b.total.n == c.total.n
    again = summarise(tmp_path / "one", tmp_path / "copy")
    assert (again.facts.games, again.facts.duplicates) == (60, 60)
    assert [table.total for table in again.tables] == [table.total for table in one.tables]
    assert call("report", str(tmp_path / "one"), str(tmp_path / "two")) == 0
    assert "Collections" in capsys.readouterr().out


def test_an_unfinished_collection_says_so(tmp_path: Path) -> None:
    random_collection(tmp_path, 1, 30)
    assert not any("not finished" in text for text in summarise(tmp_path).untold)
    for complete, said in ((False, 1), (True, 0)):
        about = {"format": "fullpoint collection", "complete": complete}
        (tmp_path / "collection.json").write_text(json.dumps(about), encoding="utf-8")
        summary = summarise(tmp_path, player=ME)
        assert sum("is not finished" in text for text in summary.untold) == said
        assert ("is not finished" in html_text(summary)) == bool(said)


# --- joined by other tools -----------------------------------------------------------------------


def figures(summary: Summary) -> list[Any]:
    """All that is counted, however the rows lie on disk; sums of floats may differ at the end."""
    rows = [
        (table.id, row.label, row.n, row.games, [share.count for share in row.shares])
        for table in summary.tables
        for row in (*table.rows, table.total)
    ]
    return [*rows, summary.facts, summary.won]


@pytest.mark.parametrize("how", ["one file", "plain", "two apart", "only slips", "folders"])
def test_rows_may_be_joined_in_any_way(how: str, tmp_path: Path) -> None:
    random_collection(tmp_path / "made", 3, 90, parts=5)
    shutil.copytree(tmp_path / "made", tmp_path / "joined")
    for number, table in enumerate(("games", "trades", "decisions", "slips", "errors")):
        folder = tmp_path / "joined" / table
        whole = pa.concat_tables([pq.read_table(path) for path in sorted(folder.iterdir())])
        if how == "only slips" and table != "slips":
            continue
        shutil.rmtree(folder)
        folder.mkdir()
        if how == "plain":  # as a data frame writes it: no metadata, other types, other order
            whole = pa.table(
                {
                    name: whole[name].cast(pa.large_string())
                    if pa.types.is_string(whole[name].type)
                    else whole[name].cast(pa.int64())
                    if pa.types.is_integer(whole[name].type)
                    else whole[name]
                    for name in reversed(whole.column_names)
                }
            )
        if how in ("two apart", "folders"):
            at = 10 + 7 * number
            inside = [
                f"year={n}/data.parquet" if how == "folders" else f"{n}.parquet" for n in "12"
            ]
            for name, rows in zip(inside, (whole.slice(0, at), whole.slice(at)), strict=True):
                (folder / name).parent.mkdir(exist_ok=True)
                pq.write_table(rows, folder / name)
        else:
            pq.write_table(whole, folder / "all.parquet")
    made, joined = summarise(tmp_path / "made"), summarise(tmp_path / "joined")
    told, again = figures(made), figures(joined)
    assert sorted(map(repr, told)) == sorted(map(repr, again))


def test_a_table_of_something_else_is_refused(tmp_path: Path) -> None:
    random_collection(tmp_path, 3, 9)
    pq.write_table(pa.table({"id": ["a"], "plies": [3]}), tmp_path / "games" / "more.parquet")
    with pytest.raises(NoCollection, match=r"more\.parquet: was not written by fullpoint"):
        summarise(tmp_path)
