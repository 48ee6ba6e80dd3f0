"""The report on a collection: figures against a slow count, the terminal, the page, JSON, pages."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from convert.shares import independent

pytest.importorskip("pyarrow")

from collection_help import call
from collection_rows import (
    FEN,
    NAMES,
    decision,
    error,
    game,
    random_collection,
    slip,
    trade,
    write_part,
)

from convert.collection.dataset import NoCollection
from convert.collection.summarise import NoSuchPlayer, summarise
from convert.model.summary import ENOUGH, Row, Summary, Table
from convert.reports.collection_html import html_text
from convert.reports.collection_text import print_summary

Rows = dict[str, list[dict[str, Any]]]


def text_of(summary: Summary, width: int = 80) -> str:
    """What the terminal shows."""
    out = StringIO()
    print_summary(summary, Console(file=out, width=width, markup=False, highlight=False))
    return out.getvalue()


def run(*arguments: str) -> int:
    """The exit code of the command."""
    return call("report", *arguments)


def table_of(summary: Summary, ident: str) -> Table:
    """A table by its id."""
    return next(table for table in summary.tables if table.id == ident)


# --- shares -----------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(1, 6), st.integers(0, 6)), min_size=2, max_size=40))
def test_trials_of_one_game_never_count_for_more_than_they_are(
    pairs: list[tuple[int, int]],
) -> None:
    pairs = [(n, min(n, r)) for n, r in pairs]
    number, right = sum(n for n, _ in pairs), sum(r for _, r in pairs)
    squares = (
        sum(n * n for n, _ in pairs),
        sum(n * r for n, r in pairs),
        sum(r * r for _, r in pairs),
    )
    alike = independent(number, right, len(pairs), squares)
    assert 0 < alike <= number


def test_games_that_repeat_themselves_count_once() -> None:
    # Half of 100 games have three right trials each, the others three wrong ones.
    alike = independent(300, 150, 100, (900, 450, 450))
    assert alike == pytest.approx(100, rel=0.02)


# --- the figures against a slow count ----------------------------------------------------------


def slow_points(row: dict[str, Any], side: str | None) -> float | None:
    """Points of a side."""
    white = row["white_points"]
    if white is None or side is None:
        return None
    return white if side == "white" else 1 - white  # type: ignore[no-any-return]


WDL = {1.0: "won", 0.5: "drawn", 0.0: "lost"}


def band(rating: int | None) -> str:
    """The band of a rating."""
    if rating is None:
        return "unknown"
    return (
        "under 1400"
        if rating < 1400
        else "1400 to 1799"
        if rating < 1800
        else "1800 to 2199"
        if rating < 2200
        else "2200 and more"
    )


def slow_count(rows: Rows) -> list[tuple[str, str, str, str, str | None]]:
    """Everything that is to be counted: table, label, part, game, side."""
    out: list[tuple[str, str, str, str, str | None]] = []
    games = {row["id"]: row for row in rows["games"]}
    for ident, row in games.items():
        ahead = row.get("ending_ahead")
        for color in ("white", "black"):
            points = slow_points(row, color)
            if points is None:
                continue
            became = WDL[points]
            if row["on_time"] == color and points == 0:
                became = "lost on time"
            if row.get(f"{color}_best") != "win":
                if row.get(f"{color}_better_ply") is not None:
                    out.append(("better", row[f"{color}_better_kind"], became, ident, color))
                continue
            if points == 1 and row["plies"] - row[f"{color}_best_ply"] <= 4:
                continue
            held = "not let slip"
            if row[f"{color}_let_slip"]:
                held = f"let slip, {'won' if points == 1 else 'not won'}"
            other = "black" if color == "white" else "white"
            day, year = row["date"], row["year"]
            quarter = f"{year}" if year else None
            if day:
                quarter += {5: ", 2nd quarter", 12: ", 4th quarter"}[day.month]
            labels = {
                "": row[f"{color}_best_kind"],
                "-by-opponent": band(row[f"{other}_rating"]),
                "-by-colour": color.capitalize(),
                "-by-quarter": quarter,
                "-by-time": {
                    "60+0": "under 3 minutes",
                    "300+3": "3 to 10 minutes",
                    "40/5400:1800": "60 minutes and more",
                }.get(row["time_control"], "time not told"),
            }
            for how, label in labels.items():
                if label is not None:
                    out.append((f"won{how}", label, became, ident, color))
                    out.append((f"held{how}", label, held, ident, color))
            out.append(("won-by-rating", band(row[f"{color}_rating"]), became, ident, color))
        points = slow_points(row, ahead)
        if points is not None:
            became = WDL[points]
            if row["on_time"] == ahead and points == 0:
                became = "lost on time"
            out.append(("ahead", row["ending_kind"], became, ident, ahead))
            rating = band(row[f"{ahead}_rating"])
            out.append(("ahead-by-rating", rating, became, ident, ahead))
        if row.get("exchange_points") is not None:
            pawns, became = row["exchange_pawns"], WDL[row["exchange_points"]]
            label = ["1-2 pawns", "3-4 pawns", "5-6 pawns", "7-8 pawns", "9 and more"][
                min((pawns - 1) // 2, 4)
            ]
            out.append(("exchange-pawns", label, became, ident, row["exchange_side"]))
            more = row["exchange_pawns_up"] - row["exchange_pawns_down"]
            label = {-2: "two fewer", -1: "one fewer", 0: "equal", 1: "one more", 2: "two more"}[
                more
            ]
            out.append(("exchange-lead", label, became, ident, row["exchange_side"]))
        if row.get("pawn_ending_way") == "trade" and row["pawn_ending_points"] is not None:
            lead = row["pawn_ending_lead"]
            label = (
                "two or more down"
                if lead < -1
                else "two or more up"
                if lead > 1
                else {-1: "a pawn down", 0: "level", 1: "a pawn up"}[lead]
            )
            became = WDL[row["pawn_ending_points"]]
            out.append(("pawn-endings", label, became, ident, row["pawn_ending_first"]))
    for row in rows["trades"]:
        if row["began_points"] is not None:
            became = WDL[row["began_points"]]
            out.append(("trades", row["gone"], became, row["game"], row["began_by"]))
    for row in rows["decisions"]:
        label = "declined" if row["part"] == "decline" else row["gone"]
        grade = {"needed": "right"}.get(row["grade"], row["grade"])
        if grade in ("right", "wrong", "missed"):
            out.append(("decisions", label, grade, row["game"], row["side"]))
            rating = band(row["rating"])
            out.append(("decisions-by-rating", rating, grade, row["game"], row["side"]))
        elif grade != "harmless":
            out.append(("decisions-estimated", label, grade, row["game"], row["side"]))
    for row in rows["slips"]:
        if row["certain"]:
            before = "won" if row["before_low"] == "win" else "drawn"
            after = "lost" if row["after_high"] == "loss" else "drawn"
            label = row["kind"] or "not told"
            out.append(("slips", label, f"{before} to {after}", row["game"], row["side"]))
            for column, part in (("by_trade", "by a trade"), ("handed_back", "handed back")):
                if row[column]:
                    out.append(("slip-ways", label, part, row["game"], row["side"]))
    return out


def counts_of(row: Row, parts: tuple[str, ...]) -> dict[str, int]:
    """Counts by part, those of nought left out."""
    return {p: s.count for p, s in zip(parts, row.shares, strict=True) if s.count}


def tallied(
    counted: list[tuple[str, str, str, str, str | None]], ident: str, label: str | None
) -> dict[str, int]:
    """The slow count of one row, None: of the whole table."""
    out: dict[str, int] = {}
    for table, of, part, *_ in counted:
        if table == ident and label in (of, None):
            out[part] = out.get(part, 0) + 1
    return out


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("player", [None, NAMES[2]])
@pytest.mark.parametrize("judged", [True, False])
def test_every_figure_equals_a_slow_count(
    seed: int, player: str | None, judged: bool, tmp_path: Path
) -> None:
    rows = random_collection(tmp_path, seed, 150, judged=judged)
    summary = summarise(tmp_path, player=player)
    counted = slow_count(rows)
    games = {row["id"]: row for row in rows["games"]}
    own = [c for c in counted if player is None or games[c[3]][c[4] or "white"] == player]
    others = [c for c in counted if c not in own]
    told = 0
    for table in summary.tables:
        assert {r.label for r in table.rows} >= {c[1] for c in own if c[0] == table.id}
        for row in (*table.rows, table.total):
            label = None if row is table.total else row.label
            assert counts_of(row, table.parts) == tallied(own, table.id, label), (table.id, label)
            told += row.n
            for share in row.shares:
                assert share.n == row.n
                assert (share.share is None) == (row.n < ENOUGH)
                if share.low is not None and share.high is not None:
                    assert share.low <= share.count / share.n <= share.high
            if table.whole:
                assert row.n == sum(share.count for share in row.shares)
            assert (row.rest is None) == (player is None)
            if row.rest is not None:
                rest = counts_of(row.rest, table.parts)
                assert rest == tallied(others, table.id, label), (table.id, label)
    assert told > 100
    assert summary.facts.games == 150
    assert bool(summary.facts.reviewed) is judged
    assert bool(summary.untold) is not judged


def test_the_cut_into_parts_makes_no_difference(tmp_path: Path) -> None:
    random_collection(tmp_path / "one", 5, 120, parts=1)
    rows = random_collection(tmp_path / "many", 5, 120, parts=1)
    shutil.rmtree(tmp_path / "many")
    for part in range(7):
        own = {row["id"] for row in rows["games"][part::7]}
        tables = {
            table: [r for r in found if r.get("game", r.get("id")) in own]
            for table, found in rows.items()
        }
        tables["errors"] = rows["errors"] if part == 3 else []
        write_part(tmp_path / "many", f"{part}", tables)
    one, many = summarise(tmp_path / "one"), summarise(tmp_path / "many")
    for first, second in zip(one.tables, many.tables, strict=True):
        for a, b in zip((*first.rows, first.total), (*second.rows, second.total), strict=True):
            assert (a.label, a.n, a.games) == (b.label, b.n, b.games)
            for x, y in zip(a.shares, b.shares, strict=True):
                assert (x.count, x.low, x.high) == pytest.approx((y.count, y.low, y.high))
    assert one.facts == many.facts
    assert [pick.why for pick in one.picks] == [pick.why for pick in many.picks]


# --- games worth looking at --------------------------------------------------------------------


def club(folder: Path, judged: bool = True) -> None:
    """Five games with slips and endings that are told apart by hand."""
    games = [
        game(1, white=NAMES[0], black=NAMES[1]),
        game(2, white=NAMES[1], black=NAMES[0], plies=60, result="0-1", white_points=0.0),
        game(3, white=NAMES[2], black=NAMES[3], plies=90, result="1-0", white_points=1.0),
        game(4, white=NAMES[0], black=NAMES[2], result="0-1", white_points=0.0),
        game(5, white=NAMES[3], black=NAMES[0], plies=70),
    ]
    endings = ("the exchange up", "a pawn up", None, "rook for bishop and pawn", None)
    for row, edge in zip(games, endings, strict=True):
        if edge:
            row |= {
                "ending_ahead": "white",
                "ending_ply": 41,
                "ending_edge": edge,
                "ending_kind": "rook ending",
                "ending_material": "KRPvKR",
            }
    tables: Rows = {"games": games, "errors": [error(3), error(6, fatal=True, line=None)]}
    if judged:
        lost = {"after_low": "loss", "after_high": "loss"}
        tables["slips"] = [
            slip("g00001", 61),
            slip("g00001", 65, by_trade=True, handed_back=True),
            slip("g00002", 51),
            slip("g00002", 55, **lost),
            slip("g00003", 71, certain=False),
            slip("g00003", 73, before_low="draw", **lost),
            slip("g00004", 61),
            slip("g00005", 61),
        ]
        tables["decisions"] = [decision("g00001", 65, grade="wrong"), decision("g00002", 11)]
    tables["trades"] = [trade("g00001", 65)]
    if not judged:
        for row in games:
            row |= {"side": None, "effort": "walk"}
    write_part(folder, "00", tables)


def test_games_are_ranked_by_the_rule_that_is_told(tmp_path: Path) -> None:
    club(tmp_path)
    summary = summarise(tmp_path)
    assert [pick.number for pick in summary.picks] == [2, 1, 5, 4, 3]
    assert "slips that gave a won position away" in summary.pick_rule
    first = summary.picks[0]
    assert first.why == "White gave a win away twice."
    assert first.moments[1].told.startswith("White was winning (table) and now loses (table)")
    assert first.moments[0].uci == "c4c6"
    assert "by a trade; Rc3 held; handed back" in summary.picks[1].moments[1].told
    assert summarise(tmp_path, most=1).picks == summary.picks[:1]
    assert summarise(tmp_path, most=0).picks == ()


def test_of_a_player_only_his_own_slips_count(tmp_path: Path) -> None:
    club(tmp_path)
    summary = summarise(tmp_path, player=f"  {NAMES[0].upper()}")
    assert summary.player == NAMES[0]
    assert [pick.number for pick in summary.picks] == [1, 4]
    assert summary.facts.counted == 4
    assert dict(summary.facts.results) == {"won": 1, "drawn": 2, "lost": 1, "without a result": 0}


def test_without_verdicts_games_are_chosen_by_material(tmp_path: Path) -> None:
    club(tmp_path, judged=False)
    summary = summarise(tmp_path)
    assert [pick.number for pick in summary.picks] == [4, 2, 1]
    assert summary.picks[0].why == (
        "White had rook for bishop and pawn from move 21 on (KRPvKR) and lost."
    )
    assert summary.picks[1].why == "White was a pawn up from move 21 on (KRPvKR) and lost."
    assert summary.picks[2].why.endswith("and drew.")
    assert "Without verdicts" in summary.pick_rule
    shown = text_of(summary)
    assert "no verdicts" in shown
    assert "won for certain" not in shown


# --- what is shown -----------------------------------------------------------------------------


@pytest.mark.parametrize("player", [None, NAMES[1]])
def test_no_share_without_its_number_and_none_below_ten(player: str | None, tmp_path: Path) -> None:
    random_collection(tmp_path, 9, 90)
    summary = summarise(tmp_path, player=player)
    text = text_of(summary)
    assert max(map(len, text.splitlines())) <= 80
    rows = [
        row
        for table in summary.tables
        for whole in (*table.rows, table.total)
        for row in (whole, whole.rest)
        if row is not None
    ]
    assert {row.n < ENOUGH for row in rows} == {True, False}
    for line in text.splitlines():
        if "%" in line and "(" in line and "95%" not in line:
            label = r"(?:\d-\d pawns|under 1400|\d{4} to \d{4}|2200 and more|9 and more|\D+)"
            number = re.match(rf"\s*{label}\s+([\d,]+)\s", line)
            assert number, line
            assert int(number[1].replace(",", "")) >= ENOUGH, line
    page = html_text(summary)
    for found in re.findall(r"<tr role=\"row\".*?</tr>", page, re.S):
        shares = re.findall(r'class="share">([^<]+)<', found)
        number = re.search(r'<td role="cell" class="n">([\d,]+)<', found)
        if shares:
            assert number
            assert int(number[1].replace(",", "")) >= ENOUGH
    bars = re.findall(r'<svg [^>]*class="bar".*?</svg>', page, re.S)
    assert len(bars) == sum(
        line.n >= ENOUGH
        for table in summary.tables
        if table.whole and table.total.n
        for row in (*table.rows, *([table.total] if len(table.rows) > 1 else []))
        for line in (row, row.rest)
        if line is not None
    )
    for bar in bars:
        assert 'role="img"' in bar
        assert re.search(r"<title>.+; [\d,]+ (games|positions|trades|decisions|slips)</title>", bar)


def test_the_terminal_shows_what_it_showed(
    tmp_path: Path, gold: Callable[[str, str], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    random_collection(Path("club"), 2, 60)
    gold("collection_report.txt", text_of(summarise(Path("club"), most=3)))


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    hostile = '<script>alert("x")</script>'
    row = game(1, white=hostile, event=hostile, file=f"{hostile}.pgn")
    write_part(
        tmp_path,
        "00",
        {
            "games": [row],
            "slips": [slip("g00001", 61, move="Rc6+")],
            "errors": [error(1, reason=hostile, file=hostile)],
        },
    )
    page = html_text(summarise(tmp_path, player=hostile))
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "default-src 'none'" in page.replace("&#39;", "'")
    assert " style=" not in page
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")


def test_without_names_and_files_the_report_still_stands(tmp_path: Path) -> None:
    row = game(1, white=None, black=None, file=None, event=None, number=None)
    write_part(tmp_path, "00", {"games": [row], "slips": [slip("g00001", 61)]})
    summary = summarise(tmp_path)
    assert "1 game, of 2025." in text_of(summary)
    assert "fullpoint game" not in html_text(summary)
    with pytest.raises(NoSuchPlayer, match="no names of players"):
        summarise(tmp_path, player=NAMES[0])


def test_an_empty_collection_says_so(tmp_path: Path) -> None:
    write_part(tmp_path, "00", {})
    summary = summarise(tmp_path)
    assert "0 games" in text_of(summary)
    assert "<table" not in html_text(summary)


# --- the command -------------------------------------------------------------------------------


def test_json_goes_to_standard_output(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    random_collection(tmp_path, 3, 80)
    assert run(str(tmp_path), "--json", "-") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["schema"] == 2
    table = next(t for t in told["tables"] if t["id"] == "trades")
    assert list(table["total"]["parts"]) == ["won", "drawn", "lost"]
    assert table["total"]["n"] == sum(p["count"] for p in table["total"]["parts"].values())
    assert table["total"]["parts"]["won"]["low"] < table["total"]["parts"]["won"]["share"]


def test_what_is_no_collection_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(str(tmp_path / "nowhere")) == 2
    assert "holds no collection" in capsys.readouterr().err
    club(tmp_path)
    assert run(str(tmp_path), "--player", "Marrin") == 2
    assert f"there is {NAMES[0]}" in capsys.readouterr().err
    (tmp_path / "slips" / "part-00.parquet").write_bytes(b"PAR1 no more")
    assert run(str(tmp_path)) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "part-00.parquet: cannot be read" in said


def test_other_columns_are_refused(tmp_path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    club(tmp_path)
    path = tmp_path / "games" / "part-00.parquet"
    table = pq.read_table(path)
    pq.write_table(table.replace_schema_metadata({"fullpoint.schema": "0"}), path)
    with pytest.raises(NoCollection, match="columns of version 0"):
        summarise(tmp_path)
    pq.write_table(pa.table({"id": ["a"]}), path)
    with pytest.raises(NoCollection, match="was not written by fullpoint"):
        summarise(tmp_path)


def test_rows_without_their_game_are_refused(tmp_path: Path) -> None:
    write_part(tmp_path, "00", {"games": [game(1)], "slips": [slip("g00002", 61)]})
    with pytest.raises(NoCollection, match="games that are not in the table games"):
        summarise(tmp_path)


def test_without_pyarrow_the_extra_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert run(str(tmp_path)) == 2
    assert "pip install 'fullpoint[collection]'" in capsys.readouterr().err


PAWN_GAME = """[Event "Club evening"]
[White "Quillon, Ada"]
[Black "Marrin, Osgood"]
[Result "1/2-1/2"]
[SetUp "1"]
[FEN "8/8/8/4k3/8/4K3/4P3/8 w - - 0 60"]

60. Kd3 Kd5 61. e4+ Ke5 1/2-1/2
"""


def test_pages_are_made_and_linked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("club.pgn").write_text(PAWN_GAME + "\n" + PAWN_GAME, encoding="utf-8")
    rows = [
        game(n, number=n, offset=(n - 1) * len((PAWN_GAME + "\n").encode()), plies=4)
        for n in (1, 2)
    ]
    lost = game(3, file="gone.pgn", number=1)
    write_part(
        Path("out"),
        "00",
        {
            "games": [*rows, lost],
            "slips": [slip(f"g0000{n}", 61, fen=FEN) for n in (1, 2, 3)],
        },
    )
    Path("web").mkdir()
    pages = ("--pages", "web/games", "--effort", "quick", "-q")
    assert run("out", "--html", "web/report.html", *pages) == 2
    assert "gone.pgn: cannot be read" in capsys.readouterr().err
    page = Path("web/report.html").read_text(encoding="utf-8")
    links = re.findall(r'<a href="(games/[^"]+)"', page)
    assert len(links) == 2
    for link in links:
        told = (Path("web") / link).read_text(encoding="utf-8")
        assert "Quillon, Ada" in told
    assert Path("web/games/index.html").is_file()
    assert "fullpoint game gone.pgn --game 1" in page
    # A file that has changed since is not taken for the game that stood there.
    Path("club.pgn").write_text('[Event "?"]\n\n1. e4 e5 *\n', encoding="utf-8")
    assert run("out", "--pages", "again", "--effort", "quick", "-q") == 2
    assert "is another one by now" in capsys.readouterr().err
    assert not os.path.exists("again")
