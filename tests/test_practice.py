"""What became of endings in games: counting, the file that ships, and how it is told."""

from __future__ import annotations

import gzip
import io
import json
import re
from collections import Counter
from pathlib import Path

import chess
import chess.pgn
import pytest
from demo_reviews import demo_review
from hypothesis import example, given
from hypothesis import strategies as st
from rich.console import Console
from strategies import games, positions

from convert.board.balance import census
from convert.judging.judges import Bench
from convert.measuring import practice as counting
from convert.measuring.practice import PracticeTally, count, parts, seconds_of
from convert.model import Practice, PracticeRow, Review, Side, from_json, to_json
from convert.reading.fastread import read_lines
from convert.reading.fen import SourceError
from convert.reading.games import read_games
from convert.reports.html import page
from convert.reports.position_text import print_position
from convert.reports.terminal import print_review
from convert.review.position import judge_position
from convert.review.practice import (
    BANDS,
    FILE,
    LEAST,
    MaterialKind,
    band_of,
    document,
    in_practice,
    kind_of,
    kind_on,
    kinds_of,
    looked_up,
    stretches,
)
from convert.review.walker import walk
from convert.rules.figures import digest
from convert.wording.practice import CAVEAT, of_hundred, practice_rows, practice_words, row_words

ROOT = Path(__file__).parent.parent
DEMO = sorted((ROOT / "demo_games").glob("*.pgn"))
FILES = [
    *DEMO,
    *(ROOT / "tests" / "data" / name for name in ("classic_games.pgn", "four_men_games.pgn")),
]

#: Worth of the letters of a man, and the order in which the first difference decides.
_WORTH = {"p": 1, "n": 3, "b": 3, "r": 5, "q": 9}


# --- a slow obvious reference ---------------------------------------------------------------


def slow_key(board: chess.Board) -> tuple[str, chess.Color | None] | None:
    """Material, side with more first, read off the letters of the FEN; None: not counted."""
    field = board.board_fen()
    white = "".join(sorted(c.lower() for c in field if c.isupper() and c != "K"))
    black = "".join(sorted(c for c in field if c.islower() and c != "k"))
    wp, bp = white.replace("p", ""), black.replace("p", "")
    pawns = white.count("p") + black.count("p")
    few = len(white) + len(black) <= 5
    if few and white + black in ("", "n", "b"):
        return None
    # Bishop and knight cancel out.
    ours, other = (Counter(men.replace("n", "b")) for men in (wp, bp))
    exchange = (
        {str(ours - other), str(other - ours)} == {str(Counter("r")), str(Counter("b"))}
        and max(len(wp), len(bp)) <= 2
        and "q" not in wp + bp
        and pawns > 0
        and abs(white.count("p") - black.count("p")) <= 2
    )
    if not (few or (not wp and not bp) or exchange):
        return None

    def by_size(men: str) -> list[int]:
        return [men.count(c) for c in "qrbnp"]

    # More worth first; if equal, the biggest man that the other lacks.
    ranks = [(sum(_WORTH[c] for c in men), by_size(men)) for men in (white, black)]
    first = None if ranks[0] == ranks[1] else ranks[0] > ranks[1]
    mine, theirs = (black, white) if first is False else (white, black)
    text = f"{mine}/{theirs}"
    if pawns > 5:
        text = f"{mine.replace('p', '')}/{theirs.replace('p', '')}"
        text += f"{mine.count('p') - theirs.count('p')} {'some' if pawns < 9 else 'many'}"
    if wp == bp == "b":
        shades = {
            (chess.square_rank(s) + chess.square_file(s)) % 2
            for s, p in board.piece_map().items()
            if p.piece_type == chess.BISHOP
        }
        text += str(len(shades))
    return text, first


def slow_counts(game: chess.pgn.Game) -> dict[str, int]:
    """Material that lasted: 0 won, 1 drawn, 2 lost (level: 0 decided)."""
    board = game.board()
    keys = [slow_key(board)]
    for move in game.mainline_moves():
        board.push(move)
        keys.append(slow_key(board))
    score = {"1-0": 1, "0-1": -1, "1/2-1/2": 0}[game.headers["Result"]]
    out: dict[str, int] = {}
    for i, key in enumerate(keys):
        lasts = keys[i : i + 4] == [key] * 4 or (len(keys) - i >= 2 and set(keys[i:]) == {key})
        if key is None or not lasts or key[0] in out:
            continue
        mine = score if key[1] is not False else -score
        out[key[0]] = 1 - mine if key[1] is not None else int(not score)
    return out


#: A game (invented) that came to rook and bishop against two knights: there too the exchange is up.
_TWO_KNIGHTS = """
    e2e3 g7g5 b2b4 a7a5 b4a5 a8a5 c2c3 d7d5 d1f3 a5a2 f3f4 a2d2 f4c7 d2f2 c7c8 b7b5 c8b8 f2f1
    e1f1 d8b8 c1a3 b8h2 a3e7 e8e7 h1h2 e7e6 h2h7 h8h7 g1e2 h7h8 a1a8 f8e7 a8g8 h8g8 f1g1 e6e5
    e2c1 f7f6 c1a2 g8e8 a2b4 e7b4 c3b4 e8a8 g1f2 e5f5 b1d2 f5g4 g2g3 a8d8 f2g1 d8d7
"""
TWO_KNIGHTS = [chess.Move.from_uci(move) for move in _TWO_KNIGHTS.split()]


def the_games() -> list[chess.pgn.Game]:
    out = []
    for path in FILES:
        text = io.StringIO(path.read_text(encoding="utf-8"))
        while game := chess.pgn.read_game(text):
            out.append(game)
    return out


def test_counts_agree_with_a_slow_reference() -> None:
    """The same numbers, whatever the keys are called: demo games, classic games, made-up ones."""
    slow: Counter[tuple[str, int]] = Counter()
    fast: Counter[tuple[str, int]] = Counter()
    for game in the_games():
        if game.headers["Result"] not in counting._SCORES:
            continue
        slow.update(slow_counts(game).items())
        score = counting._SCORES[game.headers["Result"]]
        walked = walk(game.board(), game.mainline_moves())
        fast.update((k.key, counting._place(score, k.first)) for k in kinds_of(walked))
    assert sum(slow.values()) > 100
    assert sorted(slow.values()) == sorted(fast.values())
    by_key = [Counter(key for key, _ in counts.elements()) for counts in (slow, fast)]
    assert sorted(by_key[0].values()) == sorted(by_key[1].values())
    assert sum(n for (_, place), n in slow.items() if place == 0) == sum(
        n for (_, place), n in fast.items() if place == 0
    )


@example(TWO_KNIGHTS)
@given(games(most=120))
def test_kinds_of_random_games_agree_with_the_reference(moves: list[chess.Move]) -> None:
    game = chess.pgn.Game()
    game.add_line(moves)
    game.headers["Result"] = "1-0"
    kinds = kinds_of(walk(chess.Board(), moves))
    assert Counter(counting._place(1, k.first) for k in kinds) == Counter(
        slow_counts(game).values()
    )


@given(positions(least=2, most=7))
def test_which_positions_are_told_apart(board: chess.Board) -> None:
    kind, slow = kind_on(board), slow_key(board)
    assert (kind is None) == (slow is None)
    if kind is not None and slow is not None:
        assert kind.first == slow[1]


# --- kinds of material ----------------------------------------------------------------------


@given(positions(least=2, most=16))
def test_colours_changed_count_together(board: chess.Board) -> None:
    kind, other = kind_on(board), kind_on(board.mirror())
    if kind is None:
        assert other is None
        return
    assert other is not None
    assert (kind.key, kind.words) == (other.key, other.words)
    assert other.first == (None if kind.first is None else not kind.first)


@pytest.mark.parametrize(
    ("fen", "key", "words", "first"),
    [
        (
            "8/5k2/8/4p3/8/3b3p/5PP1/3R2K1 w - - 0 1",
            "KRPPvKBPP",
            "rook and 2 pawns against bishop and 2",
            True,
        ),
        (
            "3r2k1/5pp1/3B3P/8/4P3/8/5K2/8 w - - 0 1",
            "KRPPvKBPP",
            "rook and 2 pawns against bishop and 2",
            False,
        ),
        (
            "8/5k2/8/4p3/5p2/3b3p/5PP1/3R2K1 w - - 0 1",
            "KRPPvKBPPP",
            "rook and 2 pawns against bishop and 3",
            True,
        ),
        (
            "8/5k1p/8/4p3/5p2/3b3p/5PP1/3R2K1 w - - 0 1",
            "KRvKB -2 6-8",
            "rook against bishop, 2 pawns fewer, 6 to 8 pawns on the board",
            True,
        ),
        (
            "8/ppp2k1p/8/4p3/5p2/3b3p/1PPPPPP1/3R2K1 w - - 0 1",
            "KRvKB -1 9+",
            "rook against bishop, a pawn fewer, 9 or more pawns on the board",
            True,
        ),
        (
            "8/ppp2k2/8/8/8/8/PPP5/6K1 w - - 0 1",
            "KvK +0 6-8",
            "pawn ending, equal pawns, 6 to 8 pawns on the board",
            None,
        ),
        ("8/pp3k2/8/8/8/8/PPP5/6K1 w - - 0 1", "KPPPvKPP", "pawn ending, 3 pawns against 2", True),
        ("8/5k2/8/8/8/8/P7/6K1 w - - 0 1", "KPvK", "pawn ending, a pawn against none", True),
        ("8/p4k2/8/8/8/8/P7/6K1 w - - 0 1", "KPvKP", "pawn ending, a pawn each", None),
        ("8/5k2/8/8/8/8/8/Q5K1 w - - 0 1", "KQvK", "queen against the bare king", True),
        ("8/p4k2/r7/8/8/8/P7/R5K1 w - - 0 1", "KRPvKRP", "rook and a pawn each", None),
        (
            "8/p4k2/n7/8/8/8/P7/B5K1 w - - 0 1",
            "KBPvKNP",
            "bishop and a pawn against knight and a pawn",
            True,
        ),
        (
            "8/5k2/b7/8/8/8/P7/B5K1 w - - 0 1",
            "KBPvKB opposite",
            "bishop and a pawn against bishop, bishops of opposite colours",
            True,
        ),
        (
            "8/5k2/1b6/8/8/8/P7/B5K1 w - - 0 1",
            "KBPvKB same",
            "bishop and a pawn against bishop, bishops on squares of one colour",
            True,
        ),
    ],
)
def test_words(fen: str, key: str, words: str, first: bool | None) -> None:
    assert kind_on(chess.Board(fen)) == MaterialKind(key, words, first)


@pytest.mark.parametrize(
    "fen",
    [
        chess.STARTING_FEN,
        "8/5k2/8/8/8/8/8/6K1 w - - 0 1",
        "8/5k2/8/8/8/8/8/B5K1 w - - 0 1",
        "8/pppp1k2/r7/8/8/8/PPPP4/R5K1 w - - 0 1",  # rooks, more than seven men
        "8/pp3k2/b7/8/8/8/7P/R5K1 w - - 0 1",  # seven men: counted
        "8/pppp1k2/b7/8/8/8/7P/R5K1 w - - 0 1",  # the exchange up, three pawns fewer
        "q7/ppp2k2/b7/8/8/8/PPP5/RQ4K1 w - - 0 1",  # queens on
    ],
)
def test_only_material_with_every_game_is_counted(fen: str) -> None:
    board = chess.Board(fen)
    assert (kind_on(board) is not None) == (board.occupied.bit_count() == 7)


# --- what lasts, and what is left out -------------------------------------------------------


@given(st.lists(st.sampled_from([None, 1, 2]), max_size=14))
def test_stretches_last(labels: list[int | None]) -> None:
    told = dict(stretches(labels))
    for begin, end in told.items():
        assert set(labels[begin : end + 1]) == {labels[begin]} != {None}
        assert end - begin >= 3 or (end == len(labels) - 1 and end - begin >= 1)
    whole = [
        i
        for i in range(len(labels))
        if labels[i] is not None and labels[i : i + 4] == [labels[i]] * 4
    ]
    assert all(any(b <= i <= e for b, e in told.items()) for i in whole)


@pytest.mark.parametrize(
    ("tags", "band"),
    [
        (("1399", "1400"), 0),
        (("1400", "1400"), 1),
        (("1799", "1800"), 1),
        (("1800", "1800"), 2),
        (("2199", "2200"), 2),
        (("2200", "2200"), 3),
        (("2500", "1900"), 3),
        (("?", "2200"), 4),
        (("", "2200"), 4),
        (("0", "2200"), 4),
        (("-", "-"), 4),
        (("12345", "2200"), 4),
        (("２２００", "2200"), 4),
    ],
)
def test_edges_of_the_bands(tags: tuple[str, str], band: int) -> None:
    assert band_of({"WhiteElo": tags[0], "BlackElo": tags[1]}) == band
    assert band_of({"WhiteElo": tags[1], "BlackElo": tags[0]}) == band


def test_ratings_that_are_missing() -> None:
    assert BANDS[band_of({})] == "unknown"


@pytest.mark.parametrize(
    ("control", "seconds"),
    [
        ("60", 60),
        ("60+0", 60),
        ("60+5", 260),
        ("180+0", 180),
        ("40/9000", float("inf")),
        ("?", float("inf")),
        ("-", float("inf")),
        ("", float("inf")),
        ("*60", float("inf")),
    ],
)
def test_time_controls(control: str, seconds: float) -> None:
    assert seconds_of(control) == seconds


#: Comes down to a pawn ending.
_MOVES = DEMO[2].read_text(encoding="utf-8").split("\n\n")[1].rsplit(maxsplit=1)[0]
_FEN = "4k3/8/8/8/8/8/4P3/4K3 w - - 0 1"


def _game(result: str = "1-0", moves: str = "", **tags: str) -> str:
    head = {"Event": "?", "White": "?", "Black": "?", **tags, "Result": result}
    lines = [f'[{name} "{value}"]' for name, value in head.items()]
    return "\n".join([*lines, "", f"{moves or _MOVES} {result}", "", ""])


def _tally(tmp_path: Path, *texts: str, jobs: int = 1) -> PracticeTally:
    path = tmp_path / "games.pgn"
    path.write_text("".join(texts), encoding="utf-8")
    return count([str(path)], jobs)


def test_games_left_out(tmp_path: Path) -> None:
    tally = _tally(
        tmp_path,
        _game(),
        _game(Termination="time forfeit"),
        _game(Termination="normal", TimeControl="300+3"),
        _game(TimeControl="60+0"),
        _game("*"),
        _game(moves="1. Kd2 Kd7 2. Kd3 Kd6", FEN=_FEN, SetUp="1"),
        _game("1/2-1/2", "1. e4 e5 2. Nf3"),  # nothing to count
        _game(moves=_MOVES + " Qh5"),  # an illegal move
    )
    assert tally.read == 8
    assert tally.games == 2
    assert tally.left_out == {
        counting.TIME: 1,
        counting.TOO_FAST: 1,
        counting.NO_RESULT: 2,
        counting.SET_UP: 1,
    }
    assert tally.balances
    assert all(sum(map(sum, rows)) == 2 for rows in tally.balances.values())


def test_the_bands_of_a_game(tmp_path: Path) -> None:
    tally = _tally(tmp_path, _game(WhiteElo="1700", BlackElo="1900"), _game("0-1"))
    rows = [[sum(row) for row in rows] for rows in tally.balances.values()]
    assert rows
    assert all(row == [0, 0, 1, 0, 1] for row in rows)


def test_processes_and_pieces_change_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = tmp_path / "all.pgn.gz"
    text = "\n\n".join(path.read_text(encoding="utf-8") for path in FILES[:-1])
    whole.write_bytes(gzip.compress(text.encode()))
    one = count([str(whole)])
    assert one.read == sum(1 for path in FILES[:-1] for _ in read_games(path))
    monkeypatch.setattr(counting, "PART", 4000)
    pieces = list(parts(whole, 4000))
    assert len(pieces) > 1
    assert all(piece.lstrip().startswith(b"[Event ") for piece in pieces)
    assert count([str(whole)], jobs=2) == one


def test_what_cannot_be_read_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.json"
    empty = tmp_path / "empty.pgn"
    empty.write_text("")
    for path in (tmp_path / "none.pgn", empty):
        assert counting.main([str(path), "-o", str(out), "--jobs", "1"]) == 2
        told = capsys.readouterr().err
        assert told.count("\n") == 1
        assert path.name in told
    assert not out.exists()
    with pytest.raises(SourceError):
        count([str(empty)])


def test_what_is_written(tmp_path: Path) -> None:
    games_ = tmp_path / "games.pgn"
    games_.write_text(_game() * 15 + _game("1/2-1/2") * 6)
    out = tmp_path / "out.json"
    assert counting.main([str(games_), "-o", str(out), "--jobs", "1"]) == 0
    told = json.loads(out.read_text())
    assert told["sha256"] == digest(told)
    assert (told["games read"], told["games counted"], told["too few"]) == (21, 21, 0)
    assert {tuple(map(sum, rows)) for rows in told["balances"].values()} == {(0, 0, 0, 0, 21)}
    games_.write_text(_game() * 19)
    assert counting.main([str(games_), "-o", str(out), "--jobs", "1"]) == 0
    told = json.loads(out.read_text())
    assert told["balances"] == {}
    assert told["too few"] > 0


# --- the file that ships --------------------------------------------------------------------


def test_the_shipped_file_is_what_it_says() -> None:
    told = document()
    assert told["sha256"] == digest(told)
    assert told["bands"] == list(BANDS)
    assert told["least"] == LEAST
    assert re.fullmatch(r"fullpoint \d+\.\d+\.\d+", told["program"])
    assert FILE.stat().st_size < 120_000
    assert len(told["balances"]) > 100
    for key, rows in told["balances"].items():
        assert len(rows) == len(BANDS), key
        assert all(len(row) == 3 and min(row) >= 0 for row in rows), key
        assert LEAST <= sum(map(sum, rows)) <= told["games counted"], key


def _census(key: str) -> tuple[int, ...]:
    white, black = key.split("v")
    return tuple(side.count(c) for side in (white, black) for c in "PNBRQ")


def test_each_exact_key_is_one_that_is_looked_up() -> None:
    exact = [key for key in document()["balances"] if " " not in key]
    assert exact
    for key in exact:
        kind = kind_of(_census(key))  # type: ignore[arg-type]
        assert kind is not None
        assert kind.key == key
        level = key.split("v")[0] == key.split("v")[1]
        assert (kind.first is None) == level
        if level:
            assert not any(lost for *_, lost in document()["balances"][key])


def test_looking_up_a_position() -> None:
    board = chess.Board("8/5k2/8/4p3/8/3b3p/5PP1/3R2K1 w - - 0 1")
    told = in_practice(board)
    assert told is not None
    rows = document()["balances"]["KRPPvKBPP"]
    assert told.side is Side.WHITE
    assert told.all == PracticeRow("all", sum(map(sum, rows)), *map(sum, zip(*rows, strict=True)))
    assert [row.n for row in told.bands] == [sum(r) for r in rows[:4] if sum(r) >= LEAST]
    assert (told.band, told.ply) == (None, None)
    other = in_practice(board.mirror())
    assert other is not None
    assert other.side is Side.BLACK
    assert other.all == told.all


def _rows(*numbers: int) -> list[list[int]]:
    return [[n, 0, 0] for n in numbers]


def test_nothing_is_told_of_few_games() -> None:
    kind = MaterialKind("KQvK", "queen against the bare king", chess.WHITE)
    assert looked_up({}, kind) is None
    assert looked_up({"KQvK": _rows(0, 0, 0, 19, 0)}, kind) is None
    told = looked_up({"KQvK": _rows(19, 20, 0, 0, 30)}, kind, band=0)
    assert told is not None
    assert told.all.n == 69
    assert [row.band for row in told.bands] == ["1400 to 1799"]
    assert told.band == "under 1400"
    assert "rated" not in practice_words(told)  # nor is there a band with most of the games
    unknown = looked_up({"KQvK": _rows(19, 20, 0, 0, 30)}, kind, band=4)
    assert unknown is not None
    assert unknown.band is None


# --- in words -------------------------------------------------------------------------------


@given(st.lists(st.integers(0, 3000), min_size=2, max_size=3).filter(any))
def test_shares_of_a_hundred(counts: list[int]) -> None:
    shares = of_hundred(tuple(counts))
    if all(share.isdigit() for share in shares):
        assert sum(map(int, shares)) == 100
    for number, share in zip(counts, shares, strict=True):
        assert (share == "0") == (number == 0)
        assert (share == "100") == (number == sum(counts))
        if share.isdigit():
            assert abs(int(share) - 100 * number / sum(counts)) < 1


def test_sentences() -> None:
    row = PracticeRow("all", 523, 319, 131, 73)
    own = PracticeRow("1800 to 2199", 88, 51, 24, 13)
    told = Practice("rook and 2 pawns against bishop and 3", Side.WHITE, row, (own,), own.band, 61)
    assert practice_words(told) == (
        "In practice (rook and 2 pawns against bishop and 3): White's side won 61, drew 25 and "
        "lost 14 of 100 games (n = 523); between players rated 1800 to 2199 on average, as here, "
        "won 51, drew 24 and lost 13 of 88. " + CAVEAT
    )
    assert practice_rows(told)[1] == ("rated 1800 to 2199", "won 51, drew 24 and lost 13 of 88")
    high = PracticeRow("2200 and more", 262, 150, 70, 42)
    told = Practice("queen against rook", Side.BLACK, row, (high,), "under 1400")
    assert practice_words(told) == (
        "In practice (queen against rook): Black's side won 61, drew 25 and lost 14 of 100 games "
        "(n = 523), most of them between players rated 2200 and more on average. " + CAVEAT
    )
    level = Practice("rook and a pawn each", None, PracticeRow("all", 400, 100, 300, 0), ())
    assert practice_words(level) == (
        "In practice (rook and a pawn each): decided in 25 and drawn in 75 of 100 games (n = 400). "
        + CAVEAT
    )
    assert row_words(PracticeRow("all", 1000, 999, 1, 0), level=False) == (
        "won more than 99, drew fewer than 1 and lost 0 of 100 (n = 1,000)"
    )


# --- in reports -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def review() -> Review:
    return demo_review("01")


def text_of(review: Review) -> str:
    console = Console(file=io.StringIO(), width=80, color_system=None)
    print_review(review, console, full=True)
    return " ".join(console.file.getvalue().split())  # type: ignore[attr-defined]


def test_a_review_tells_it_of_the_ending(review: Review) -> None:
    told = review.practice
    assert told is not None
    assert told.ply is not None
    assert review.ending_ply is not None
    phase = next(p for p in review.phases if p.first <= review.ending_ply <= p.last)
    assert phase.since <= told.ply <= phase.last
    assert practice_words(told) in text_of(review)
    plain = re.sub("<[^>]+>", "", page(review)).replace("’", "'").replace("&#39;", "'")
    assert practice_words(told) in " ".join(plain.split())
    assert from_json(to_json(review)) == review


def test_it_is_never_mixed_into_a_verdict(review: Review) -> None:
    text = text_of(review)
    for sentence in re.split(r"(?<=[.:]) ", text):
        if "(n =" in sentence and "games" in sentence:
            assert "estimate" not in sentence
            assert "such positions" not in sentence


def test_a_position_tells_it(bench: Bench) -> None:
    board = chess.Board("8/5k2/8/4p3/8/3b3p/5PP1/3R2K1 w - - 0 1")
    report = judge_position(board, bench, variants=False)
    assert report.practice == in_practice(board)
    assert report.practice is not None
    console = Console(file=io.StringIO(), width=80, color_system=None)
    print_position(report, console)
    text = console.file.getvalue()  # type: ignore[attr-defined]
    assert "In games" in text
    for label, told in practice_rows(report.practice):
        assert re.search(rf"^    {label} +{re.escape(told)}$", text, re.M)
    console = Console(file=io.StringIO(), width=80, color_system=None)
    print_position(judge_position(chess.Board(), bench, variants=False), console)
    assert "In games" not in console.file.getvalue()  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("fen", "moves", "counted"),
    [
        ("3r4/4k1pp/8/8/8/8/4KPPP/3R4 w - - 0 1", "1. Rxd8 Kxd8", True),
        ("8/5k2/5r2/4K1P1/8/8/8/8 w - - 0 1", "1. gxf6 Kf8", False),  # nothing is taken back
    ],
)
def test_only_a_trade_is_a_trade_into_a_pawn_ending(fen: str, moves: str, counted: bool) -> None:
    text = f'[Result "1-0"]\n[SetUp "1"]\n[FEN "{fen}"]\n\n{moves} 1-0\n'
    tally = PracticeTally()
    (read,) = read_lines("-", stdin=io.BytesIO(text.encode()))
    tally.add(read)
    assert bool(tally.control) == counted


def test_the_figures_of_the_docs_are_those_of_the_file() -> None:
    """docs/measuring.md holds the control counts against others of the same games."""
    text = (ROOT / "docs" / "measuring.md").read_text(encoding="utf-8")
    section = text.partition("## What became of such endings in games")[2]
    told = document()
    for number in (
        told["games read"],
        told["games counted"],
        *told["left out"].values(),
        len(told["balances"]),
        told["too few"],
    ):
        assert f"{number:,}" in section, number
    enough = [sum(sum(rows[i]) >= LEAST for rows in told["balances"].values()) for i in range(4)]
    plain = " ".join(section.split())
    assert (
        f"{enough[3]} kinds have 20 games or more at 2200 and more, {enough[2]} at 1800 to 2199, "
        f"{enough[1]} at 1400 to 1799 and {enough[0] or 'none'} below"
    ) in plain
    for row in told["control"].values():
        if sum(row) < 1000:
            continue
        shares = " | ".join(f"{100 * n / sum(row):.1f}%" for n in row)
        assert f"| {sum(row):,} | {shares} |" in section, row


def test_census_of_a_board_is_what_is_counted() -> None:
    board = chess.Board("8/5k2/8/4p3/8/3b3p/5PP1/3R2K1 w - - 0 1")
    assert kind_of(census(board)) == kind_on(board)
