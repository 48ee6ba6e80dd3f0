"""The rows of a collection: against slow readings of the definitions, and whole and anonymous."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from itertools import groupby
from pathlib import Path
from typing import Any

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies import games, positions

from convert.board.balance import Census, census
from convert.board.kinds import MIDDLEGAME, PHASE_KINDS, is_ending, kind_of, phase_kind
from convert.collection.rows import (
    GamePlace,
    Options,
    Rows,
    gone,
    rows_of,
    rows_of_failure,
)
from convert.collection.schema import TABLES, TYPES
from convert.judging.judges import EFFORTS, Bench, EffortName
from convert.reading.games import read_games
from convert.reading.records import GameRead
from convert.review.endings import first_ending, first_exchange_up, phase_sides
from convert.review.walker import phases, walk
from tablebases.probing import open_tables

HERE = Path(__file__).parent
FOUR_MEN = HERE / "data" / "four_men_games.pgn"
DEMO = sorted((HERE.parent / "demo_games").glob("*.pgn"))
WALK = Options()
JUDGED = {
    table: {column.name for column in columns if column.judged} for table, columns in TABLES.items()
}


def reads(text: str) -> list[GameRead]:
    return list(read_games("-", stdin=BytesIO(text.encode())))


def rows(read: GameRead, options: Options = WALK, file: str = "club.pgn") -> Rows:
    return rows_of(read, options, None, GamePlace(file, read.number, 100 * read.number))


def game_row(text: str, options: Options = WALK) -> dict[str, Any]:
    (read,) = reads(text)
    (row,) = rows(read, options).tables["games"]
    return row


# --- definitions, against slow readings of them ------------------------------------------------


def letters(count: Census, white: bool) -> str:
    """One side's pieces, pawns left out."""
    men = count[:5] if white else count[5:]
    return "".join(name * number for name, number in zip("PNBRQ", men, strict=True)).strip("P")


def slow_exchange_up(counts: tuple[Census, ...]) -> tuple[int, bool, int, int, int] | None:
    """Label every position, look at the runs of one label."""

    def label(count: Census) -> bool | None:
        white, black, wp, bp = letters(count, True), letters(count, False), count[0], count[5]
        if wp + bp == 0 or abs(wp - bp) > 2:
            return None
        return (
            True
            if white == "R" and black in "BN" and black
            else (False if black == "R" and white in "BN" and white else None)
        )

    at = 0
    for name, run in groupby(counts, label):
        found = list(run)
        to_end = at + len(found) == len(counts)
        if name is not None and (len(found) >= 4 or (to_end and len(found) >= 2)):
            wp, bp = found[0][0], found[0][5]
            return at, name, *((wp, bp) if name else (bp, wp)), len(found)
        at += len(found)
    return None


few = st.sampled_from(
    [
        (3, 0, 0, 1, 0, 3, 1, 0, 0, 0),
        (3, 0, 0, 1, 0, 2, 0, 1, 0, 0),
        (2, 0, 1, 0, 0, 2, 0, 0, 1, 0),
        (5, 0, 0, 1, 0, 2, 0, 1, 0, 0),
        (0, 0, 0, 1, 0, 0, 0, 1, 0, 0),
        (1, 0, 0, 1, 0, 1, 0, 0, 1, 0),
        (1, 0, 0, 1, 0, 1, 1, 1, 0, 0),
        (1, 0, 0, 0, 1, 1, 0, 1, 0, 0),
    ]
)


@given(st.lists(st.tuples(few, st.integers(1, 5)), min_size=1, max_size=8))
def test_exchange_up_phase_by_its_definition(runs: list[tuple[Census, int]]) -> None:
    counts = tuple(count for count, number in runs for _ in range(number))
    assert first_exchange_up(counts) == slow_exchange_up(counts)


@given(positions(least=3, most=7))
def test_pure_exchange_up_and_kind_agree_with_the_rest_of_the_program(board: chess.Board) -> None:
    count = census(board)
    assert phase_kind(count) in PHASE_KINDS
    if phase_sides(count) is not None:
        assert phase_kind(count) == "exchange up"
    coarse = {
        "rooks and minor pieces": "other",
        "queens and other pieces": "other",
        "bare kings": "pawn ending",
    }
    if is_ending(count):
        assert coarse.get(phase_kind(count), phase_kind(count)) == kind_of(board)
    else:
        assert phase_kind(count) == MIDDLEGAME


@st.composite
def few_men_games(draw: st.DrawFn) -> tuple[chess.Board, list[chess.Move]]:
    """A random game from a position with few men, captures preferred."""
    board = draw(positions(least=6, most=12))
    start, moves = board.copy(), []
    for _ in range(draw(st.integers(1, 30))):
        legal = sorted(board.legal_moves, key=lambda m: m.uci())
        if not legal:
            break
        takes = [m for m in legal if board.is_capture(m) or m.promotion]
        moves.append(draw(st.sampled_from(takes if takes and draw(st.booleans()) else legal)))
        board.push(moves[-1])
    return start, moves


@given(few_men_games())
def test_first_ending_is_a_phase(made: tuple[chess.Board, list[chess.Move]]) -> None:
    walked = walk(*made)
    endings = [p.since for p in phases(walked) if is_ending(walked.counts[p.since])]
    assert first_ending(walked) == (endings[0] if endings else None)


@given(games())
def test_first_ending_in_games_from_the_start(moves: list[chess.Move]) -> None:
    walked = walk(chess.Board(), moves)
    endings = [p.since for p in phases(walked) if is_ending(walked.counts[p.since])]
    assert first_ending(walked) == (endings[0] if endings else None)


@pytest.fixture(scope="module")
def four_men() -> list[dict[str, Any]]:
    return [rows(read).tables["games"][0] for read in read_games(FOUR_MEN)]


def test_figures_counted_by_another_script(four_men: list[dict[str, Any]]) -> None:
    """Exchange-up phases and pawn endings of 100 games, counted apart from this program."""
    with (HERE / "data" / "four_men_games.csv").open(encoding="utf-8", newline="") as file:
        counted = {row.pop("game"): row for row in csv.DictReader(file)}
    assert sum(bool(row["exchange_ply"]) for row in counted.values()) == 20
    assert sum(row["pawn_ending_way"] == "trade" for row in counted.values()) == 28
    for row in four_men:
        told = counted.pop(dict(row["other_tags"])["GameId"])
        if row.get("pawn_ending_way") == "capture":
            del told["pawn_ending_first"]
        for name, value in told.items():
            mine = row.get(name)
            assert ("" if mine is None else str(mine)) == value, (row["number"], name)
    assert not counted


def test_pawn_ending_against_boards(four_men: list[dict[str, Any]]) -> None:
    for read, row in zip(read_games(FOUR_MEN), four_men, strict=True):
        assert read.game is not None
        board, ply = read.game.board(), None
        for at, move in enumerate(read.moves, 1):
            takes = board.is_capture(move)
            board.push(move)
            if takes and board.occupied == board.kings | board.pawns:
                ply = at if board.pawns else None
                break
        assert row.get("pawn_ending_ply") == ply


@pytest.mark.parametrize(
    ("fen", "moves", "expected"),
    [
        ("8/5k2/5r2/4K1P1/8/8/8/8 w - - 0 1", "1. gxf6", ("capture", "vR", "white", 1)),
        # one piece each, taken and taken back
        ("3r4/4k1pp/8/8/8/8/4KPPP/3R4 w - - 0 1", "1. Rxd8 Kxd8", ("trade", "RvR", "white", 1)),
        ("3r4/4k1pp/8/8/4b3/3P4/4KPPP/8 w - - 0 1", "1. dxe4 Kd7", None),
        # two pieces for one: the last capture alone brings the pawn ending about
        (
            "8/4k3/2p5/3b4/4P3/2N5/4K3/5N2 b - - 0 1",
            "1... Bxe4 2. Nxe4 Kf7 3. Nf6 Kxf6 4. Ng3",
            None,
        ),
        ("8/4k3/8/3p4/4N3/3P4/3K4/8 b - - 0 1", "1... dxe4 2. dxe4", ("capture", "Nv", "black", 0)),
        # a pawn that promotes by taking the last piece is no trade of pieces
        ("n7/1P2k3/8/8/8/6p1/8/K7 w - - 0 1", "1. bxa8=Q g2 2. Qxg2", None),
        ("8/5k2/8/3p4/8/3P4/4K3/8 w - - 0 1", "1. Ke3", ("start", None, None, None)),
        ("8/5k2/8/3b4/8/8/3RK3/8 w - - 0 1", "1. Rxd5 Ke6", None),
        ("8/5k2/4p3/3b4/8/8/3RK3/8 w - - 0 1", "1. Rxd5 exd5", ("trade", "RvB", "white", -1)),
        (
            "3r4/4kppp/8/8/8/8/4K1PP/3R4 b - - 0 1",
            "1... Rxd1 2. Kxd1",
            ("trade", "RvR", "black", 1),
        ),
    ],
)
def test_ways_into_a_pawn_ending(fen: str, moves: str, expected: Any) -> None:
    row = game_row(f'[SetUp "1"]\n[FEN "{fen}"]\n\n{moves} *\n')
    told = tuple(row.get(f"pawn_ending_{name}") for name in ("way", "pieces", "first", "lead"))
    assert told == (expected or (None,) * 4)


N, B, R, Q, P = chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN, chess.PAWN


@pytest.mark.parametrize(
    ("white", "black", "expected"),
    [
        ((Q,), (Q,), "queens"),
        ((Q, R), (R, Q), "queens"),
        ((R, P), (R,), "rooks"),
        ((B,), (N,), "minor pieces"),
        ((P,), (P,), "pawns"),
        ((R,), (N, P), "the exchange"),
        ((Q, B), (Q, R), "the exchange"),
        ((Q,), (R, R), "unequal pieces"),
        ((N, B), (R, P), "unequal pieces"),
        ((N,), (P, P), "unequal pieces"),
    ],
)
def test_kinds_of_trade(white: tuple[int, ...], black: tuple[int, ...], expected: str) -> None:
    assert gone(white, black) == gone(black, white) == expected


# --- rows and their columns ----------------------------------------------------------------------


def odd_games() -> Iterator[GameRead]:
    more = sorted((HERE / "data" / "pgn").glob("*.pgn"))
    for path in (HERE / "data" / "hostile.pgn", *more, *DEMO):
        yield from read_games(path)


def test_every_row_fits_its_table_and_nothing_is_lost() -> None:
    number = 0
    for read in odd_games():
        found = rows(read).tables
        (game,) = found["games"]
        assert game["problems"] == len(found["errors"]) == len(read.problems)
        assert game["plies"] == len(read.moves)
        assert game["complete"] == read.complete
        for table, told in found.items():
            names = {column.name for column in TABLES[table]}
            for row in told:
                assert set(row) <= names
                assert all(row.get(name) is None for name in JUDGED[table])
                assert row.get("game", game["id"]) == game["id"]
        number += 1
    assert number > 15


def test_columns_are_well_named() -> None:
    for columns in TABLES.values():
        names = [column.name for column in columns]
        assert len(set(names)) == len(names)
        for column in columns:
            assert re.fullmatch(r"[a-z]+(_[a-z]+)*", column.name)
            assert column.type in TYPES
            assert column.meaning[0] != " "
            assert "\n" not in column.meaning
    assert list(TABLES)[-1] == "games"


def test_ids_name_a_game_at_its_place() -> None:
    text = '[Event "A"]\n\n1. e4 e5 *\n\n[Event "B"]\n\n1. e4 e5 *\n'
    first, second = reads(text)
    one, two = rows(first).tables["games"][0], rows(second).tables["games"][0]
    assert one["id"] != two["id"]
    assert one["moves_id"] == two["moves_id"]
    assert rows(first).tables["games"][0]["id"] == one["id"]
    assert rows(first, file="other.pgn").tables["games"][0]["id"] != one["id"]


@pytest.mark.parametrize(
    ("tags", "expected"),
    [
        ('[Date "2026.02.12"]', {"date": "2026-02-12", "year": 2026}),
        ('[Date "2026.02.??"]', {"date": "None", "year": 2026}),
        ('[Date "2026.02.30"]', {"date": "None", "year": 2026}),
        ('[Date "????.??.??"]', {"date": "None", "year": None}),
        ('[Date "1.2.2026"]', {"date": "None", "year": None}),
        ('[WhiteElo "1815"]\n[BlackElo "-"]', {"white_rating": 1815, "black_rating": None}),
        ('[WhiteElo "0"]\n[BlackElo "1500?"]', {"white_rating": None, "black_rating": None}),
        (
            '[WhiteElo "99999999999999999999"]\n[BlackElo "²"]',
            {"white_rating": None, "black_rating": None},
        ),
        ('[White "?"]\n[Black "Dole, Sunniva"]', {"white": None, "black": "Dole, Sunniva"}),
        (f'[SetUp "1"]\n[FEN "{chess.STARTING_FEN}"]', {"start_fen": None}),
        (
            '[SetUp "1"]\n[FEN "4k3/4p3/8/8/8/8/4P3/4K3 w - - 0 1"]',
            {"start_fen": "4k3/4p3/8/8/8/8/4P3/4K3 w - - 0 1"},
        ),
        ('[Result "0-1"]', {"result": "0-1", "white_points": 0.0}),
        ('[Result "won"]', {"result": "*", "white_points": None}),
    ],
)
def test_tags(tags: str, expected: dict[str, Any]) -> None:
    end = "0-1" if "0-1" in tags else "*"
    row = game_row(f"{tags}\n\n1. e4 e5 {end}\n")
    told = {name: str(row[name]) if name == "date" else row[name] for name in expected}
    assert told == expected


# --- no names ------------------------------------------------------------------------------------

NAMED = """[Event "Marrin - Wrenfield match"]
[Site "https://club.example/Marrin"]
[Date "2025.03.01"]
[Round "Marrin"]
[White "Marrin, Osgood"]
[Black "Wrenfield, Tobias"]
[Result "1-0"]
[Annotator "Marrin"]
[TimeControl "by Marrin"]
[Termination "Marrin won by resignation"]
[Marrin-tag
[WhiteTeam "Marrin "and" friends"]

1. e4 {Marrin's favourite} e5 Marrin 2. Nf3 'Wrenfield' Nc6 3. Bc4 Nf6 1-0
"""


def everything(read: GameRead, options: Options) -> str:
    tables = rows(read, options, file="games of Marrin.pgn").tables
    trouble = rows_of_failure(
        GamePlace("games of Marrin.pgn", None, 0), "Marrin.pgn: broken", options
    )
    return repr(tables) + repr(trouble.tables["errors"][0]["file"])


@pytest.mark.parametrize("how", ["left out", "hashed"])
def test_anonymous_rows_hold_no_name(how: Any) -> None:
    (read,) = reads(NAMED)
    assert len(read.problems) >= 3
    assert "Marrin" in everything(read, WALK)
    told = everything(read, Options(anonymous=how, key="k"))
    for word in ("marrin", "osgood", "wrenfield", "club.example", "friends"):
        assert word not in told.lower()


def test_hashed_players_can_be_told_apart_but_not_without_the_key() -> None:
    (read,) = reads(NAMED)
    options = Options(anonymous="hashed", key="one")
    row = rows(read, options).tables["games"][0]
    again = rows(reads(NAMED.replace("Marrin, Osgood", "MARRIN,  OSGOOD".title()))[0], options)
    assert row["white"] != row["black"]
    assert row["white"] == again.tables["games"][0]["white"]
    other = rows(read, replace(options, key="two")).tables["games"][0]
    for name in ("white", "black", "file", "id", "moves_id"):
        assert row[name] != other[name]


# --- with verdicts -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def judged() -> list[tuple[GameRead, Rows]]:
    """The endings of two of the demo games."""
    bench = Bench(open_tables(), effort=EFFORTS[EffortName.QUICK])
    options = Options(effort="quick", solve=False)
    texts = [
        # The last pieces are traded into a drawn pawn ending.
        '[WhiteElo "1500"]\n[BlackElo "1610"]\n[Result "1/2-1/2"]\n[SetUp "1"]\n'
        '[FEN "3k4/3r4/3R4/3p2P1/3K4/8/8/8 w - - 11 41"]\n\n'
        "41. Rxd7+ {[%clk 0:01:30.5]} Kxd7 42. Kxd5 Ke7 43. Ke5 Kf7 44. Kf5 Kg7 45. g6 Kg8 "
        "46. Kf6 Kf8 47. g7+ Kg8 48. Kg6 1/2-1/2\n",
        # A winning trade is declined, offered again, and made.
        '[Result "1-0"]\n[SetUp "1"]\n[FEN "8/4k3/4r3/8/5K2/4R1P1/8/8 w - - 10 55"]\n\n'
        "55. g4 Kf6 56. Rxe6+ Kxe6 57. Kg5 Kf7 58. Kh6 Kg8 59. Kg6 Kh8 60. Kf7 Kh7 61. g5 1-0\n",
    ]
    out = []
    for text in texts:
        (read,) = reads(text)
        out.append((read, rows_of(read, options, bench, GamePlace("a.pgn", read.number, 0))))
    return out


def test_verdicts_are_added_and_nothing_else_changes(
    judged: list[tuple[GameRead, Rows]],
) -> None:
    for read, told in judged:
        plain = rows_of(read, WALK, None, GamePlace("a.pgn", read.number, 0)).tables
        for table in ("games", "trades", "errors"):
            for mine, other in zip(told.tables[table], plain[table], strict=True):
                names = {c.name for c in TABLES[table]} - JUDGED[table] - {"effort"}
                assert {n: mine.get(n) for n in names} == {n: other.get(n) for n in names}
        for table, found in told.tables.items():
            for row in found:
                assert set(row) <= {column.name for column in TABLES[table]}


def test_a_win_traded_away(judged: list[tuple[GameRead, Rows]]) -> None:
    tables = judged[0][1].tables
    (game,), (trade,), (slip,) = tables["games"], tables["trades"], tables["slips"]
    assert (game["side"], game["converted"], game["let_slip"]) == ("white", False, True)
    assert (game["white_best"], game["white_best_evidence"], game["white_best_ply"]) == (
        "win",
        "table",
        0,
    )
    assert "black_best" in game
    assert game["black_best"] == "draw"
    assert (game["better_ply"], game["better_certain"], game["better_kind"]) == (
        0,
        True,
        "rook ending",
    )
    assert (game["settled_ply"], game["settled_outcome"], game["turning_ply"]) == (0, "win", 1)
    assert (trade["gone"], trade["kind_after"], trade["moves"]) == (
        "rooks",
        "pawn ending",
        "Rxd7+ Kxd7 Kxd5",
    )
    assert (trade["before_low"], trade["after_high"], trade["start_grade"]) == (
        "win",
        "draw",
        "wrong",
    )
    assert (trade["began_rating"], trade["other_rating"], trade["began_points"]) == (
        1500,
        1610,
        0.5,
    )
    assert slip["certain"] is True
    assert slip["by_trade"] is True
    assert (slip["move"], slip["held"], slip["number"]) == ("Rxd7+", "Kxd5", 41)
    assert (slip["rating"], slip["other_rating"], slip["points"]) == (1500, 1610, 0.5)
    assert (slip["halfmove_clock"], slip["clock_seconds"], slip["men"]) == (11, 90.5, 6)
    wrong = [row for row in tables["decisions"] if row["grade"] == "wrong"]
    assert [(row["part"], row["move"], row["better_move"]) for row in wrong] == [
        ("start", "Rxd7+", "Kxd5")
    ]


def test_a_trade_missed_and_handed_back(judged: list[tuple[GameRead, Rows]]) -> None:
    tables = judged[1][1].tables
    first, second = (row for row in tables["slips"] if row["certain"])
    assert (first["side"], first["missed_trade"], first["handed_back_ply"]) == (
        "white",
        "Rxe6+",
        2,
    )
    assert (second["side"], second["handed_back"]) == ("black", False)
    missed = [row for row in tables["decisions"] if row["grade"] == "missed"]
    assert {(row["part"], row["side"], row["trade"]) for row in missed} >= {
        ("decline", "white", None)
    }
    game = tables["games"][0]
    assert (game["converted"], game["let_slip"]) == (True, True)


def test_black_has_no_best_where_nothing_was_ever_certain() -> None:
    bench = Bench(open_tables(), effort=EFFORTS[EffortName.QUICK])
    (read,) = reads(
        '[Result "1-0"]\n[SetUp "1"]\n[FEN "4k3/8/4K3/4P3/8/8/8/8 w - - 0 1"]\n\n'
        "1. Kd6 Kd8 2. e6 Ke8 3. e7 1-0\n"
    )
    options = Options(effort="quick", solve=False)
    game = rows_of(read, options, bench, GamePlace("a.pgn", 1, 0)).tables["games"][0]
    assert game["white_best"] == "win"
    assert game.get("black_best") is None
    assert game.get("black_best_ply") is None


def test_a_review_that_fails_is_told_and_keeps_the_moves(monkeypatch: pytest.MonkeyPatch) -> None:
    import convert.collection.judged as module

    def broken(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError("nobody thought of it")

    monkeypatch.setattr(module, "review_game", broken)
    (read,) = reads("1. e4 d5 2. exd5 Qxd5 *\n")
    bench = Bench(open_tables())
    found = rows_of(read, Options(effort="quick"), bench, GamePlace("a.pgn", 1, 0)).tables
    assert found["games"][0]["trades"] == len(found["trades"]) == 1
    assert any("nobody thought of it" in row["reason"] for row in found["errors"])
    assert found["games"][0]["problems"] == len(found["errors"])


def test_an_effort_needs_judges() -> None:
    with pytest.raises(ValueError, match="judges"):
        rows_of(reads("1. e4 *\n")[0], Options(effort="quick"), None, GamePlace("a.pgn", 1, 0))


# --- on disk -------------------------------------------------------------------------------------


def all_rows() -> Iterator[Rows]:
    return (rows(read) for read in odd_games())


def test_written_and_read_back(tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    from convert.collection.write import finished, part_file, remove_part, write_rows

    written = write_rows(all_rows(), tmp_path, "a")
    assert finished(tmp_path, "a")
    for table in TABLES:
        expected = [row for one in all_rows() for row in one.tables.get(table, [])]
        told = pq.read_table(tmp_path / table).to_pylist()
        assert written[table] == len(told) == len(expected)
        for mine, row in zip(told, expected, strict=True):
            assert {k: v for k, v in mine.items() if v is not None} == {
                k: v for k, v in row.items() if v is not None
            }
    before = [part_file(tmp_path, table, "a").read_bytes() for table in TABLES]
    write_rows(all_rows(), tmp_path, "a")
    assert before == [part_file(tmp_path, table, "a").read_bytes() for table in TABLES]
    remove_part(tmp_path, "a")
    assert not any(path.is_file() for path in tmp_path.rglob("*"))


def test_row_groups_do_not_change_the_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    from convert.collection import write

    write.write_rows(all_rows(), tmp_path, "a")
    monkeypatch.setattr(write, "GROUP", 3)
    write.write_rows(all_rows(), tmp_path / "small", "a")
    for table in TABLES:
        small = pq.read_table(tmp_path / "small" / table)
        assert small.equals(pq.read_table(tmp_path / table))
    assert pq.ParquetFile(tmp_path / "small" / "games" / "part-a.parquet").num_row_groups > 3


def test_a_part_is_there_whole_or_not_at_all(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    from convert.collection.write import finished, write_rows

    def breaks() -> Iterator[Rows]:
        yield from all_rows()
        raise OSError(28, "no space left")

    with pytest.raises(OSError, match="no space left"):
        write_rows(breaks(), tmp_path, "a")
    assert not finished(tmp_path, "a")
    assert not any(path.is_file() for path in tmp_path.rglob("*"))


def test_the_folder_knows_every_table() -> None:
    from convert.collection import schema
    from convert.rim import collection_folder

    assert tuple(schema.TABLES) == collection_folder.TABLES


# --- lost on time, and endings that are counted elsewhere -----------------------------------------


@pytest.mark.parametrize(
    ("result", "termination", "loser"),
    [
        ("1-0", "time forfeit", "black"),
        ("0-1", "Time forfeit", "white"),
        ("0-1", "Quillon won on time", "white"),
        ("1/2-1/2", "time forfeit", None),
        ("1-0", "normal", None),
    ],
)
def test_who_lost_on_time(result: str, termination: str, loser: str | None) -> None:
    text = f'[Result "{result}"]\n[Termination "{termination}"]\n\n1. e4 e5 {result}\n'
    assert game_row(text)["on_time"] == loser


def test_material_that_is_counted_in_games_is_named() -> None:
    text = (
        '[SetUp "1"]\n[FEN "8/8/4k3/8/4P3/4K3/r7/4R3 w - - 0 1"]\n\n'
        "1. Rb1 Ra3+ 2. Kd4 Ra4+ 3. Kd3 Ra3+ *\n"
    )
    row = game_row(text)
    assert (row["practice_key"], row["practice_side"]) == ("KRPvKR", "white")
    assert game_row("1. e4 e5 *\n").get("practice_key") is None


def test_where_the_outcome_changed_last(judged: list[tuple[GameRead, Rows]]) -> None:
    told = 0
    for read, made in judged:
        row = made.tables["games"][0]
        assert 0 <= row["final_expected"] <= 1
        if row.get("deciding_ply") is None:
            continue
        told += 1
        board = read.game.board() if read.game else chess.Board()
        for move in read.moves[: row["deciding_ply"] - 1]:
            board.push(move)
        assert board.fen() == row["deciding_fen"]
        assert board.san(read.moves[row["deciding_ply"] - 1]) == row["deciding_move"]
        assert row["deciding_before"] > row["deciding_after"]
    assert told >= 2
