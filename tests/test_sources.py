"""Reading games and positions: places of troubles, where games end, containers, memory.

All games and positions are invented unless a source stands beside them.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import logging
import os
import sys
import threading
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import chess
import chess.pgn
import pytest
import zstandard
from hypothesis import example, given, settings
from hypothesis import strategies as st

from convert.reading import containers, games, records, scan, split
from convert.reading.epd import read_positions
from convert.reading.fen import SourceError, parse_fen
from convert.reading.games import read_games
from convert.reading.records import GameRead, Problem

DATA = Path(__file__).parent / "data" / "pgn"
KP = "8/8/4k3/8/4P3/4K3/8/8"


def games_in(text: str | bytes) -> list[GameRead]:
    raw = text.encode() if isinstance(text, str) else text
    return list(read_games("-", stdin=io.BytesIO(raw)))


def game_in(text: str | bytes) -> GameRead:
    (read,) = games_in(text)
    return read


def reasons(read: GameRead) -> str:
    return " | ".join(problem.reason for problem in read.problems)


def sans(read: GameRead) -> list[str]:
    assert read.game is not None
    board = read.game.board()
    return [board.san_and_push(move) for move in read.moves]


def tree(node: chess.pgn.GameNode) -> object:
    """Everything in a game but its tags, white space in comments counted as one space."""
    return [
        " ".join(node.comment.split()),
        [
            (child.move.uci(), " ".join(child.starting_comment.split()), sorted(child.nags))
            for child in node.variations
        ],
        [tree(child) for child in node.variations],
    ]


# --- what is read -----------------------------------------------------------------------------


def test_games_of_a_file_with_everything_in_them() -> None:
    reads = list(read_games(DATA / "club.pgn"))
    assert [read.number for read in reads] == [1, 2, 3]
    assert [read.line for read in reads] == [2, 17, 30]
    assert [len(read.moves) for read in reads] == [7, 14, 4]
    assert all(read.complete and not read.problems for read in reads)
    first, second, third = (read.game for read in reads)
    assert first is not None
    assert second is not None
    assert third is not None
    assert first.headers["White"] == "Calloway, Ines"
    assert first.headers["TimeControl"] == "5400+30"
    assert first.comment == "A short one."
    e4 = first.variations[0]
    assert e4.comment == "[%clk 1:30:12]"
    assert e4.clock() == 5412
    nc6 = e4.variations[0].variations[0].variations[0]
    assert nc6.nags == {chess.pgn.NAG_DUBIOUS_MOVE}
    nf6 = nc6.parent.variations[1]
    assert nf6.comment == "is the usual move"
    assert [child.san() for child in nf6.variations] == ["d3", "Nc3"]
    assert nf6.variations[1].variations[0].nags == {chess.pgn.NAG_SPECULATIVE_MOVE}
    g6 = nc6.variations[0].variations[1]
    assert (g6.san(), g6.starting_comment) == ("g6", "starting comment")
    assert first.end().comment == "Mate, on a square guarded only by the king."
    be7 = list(second.mainline())[9]
    assert (be7.san(), be7.comment) == ("Be7", "a comment to the end of the line")
    assert third.board().fen() == f"{KP} b - - 4 61"
    assert third.board().halfmove_clock == 4


@pytest.mark.parametrize("name", ["club.pgn"])
def test_well_formed_games_are_read_as_python_chess_reads_them(name: str) -> None:
    """The same trees, but for the `;` comment and the line ends in comments."""
    text = (DATA / name).read_text().replace(" ; a comment to the end of the line", "")
    handle = io.StringIO(text.replace("% an escape line among the moves\n", ""))
    for read in games_in(text):
        expected = chess.pgn.read_game(handle)
        assert expected is not None
        assert read.game is not None
        assert dict(read.game.headers) == dict(expected.headers)
        assert tree(read.game) == tree(expected)


def test_game_without_tags() -> None:
    read = game_in("1. e4 e5 2. Nf3 1-0")
    assert sans(read) == ["e4", "e5", "Nf3"]
    assert read.game is not None
    assert read.game.headers["Result"] == "1-0"
    assert read.game.headers["White"] == "?"
    assert read.complete
    assert not read.problems


def test_python_chess_log_stays_silent(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        list(read_games(DATA / "trouble.pgn"))
    assert not caplog.records


def test_troubles_of_a_file_and_their_places() -> None:
    reads = {read.number: read for read in read_games(DATA / "trouble.pgn")}
    assert sorted(reads) == list(range(1, 11))
    place = str(DATA / "trouble.pgn")

    assert str(reads[1].problems[0]) == (
        f"{place}: game 1, line 6, at 3...Nf3 (ply 6): "
        "illegal move Nf3: the main line ends before it"
    )
    assert sans(reads[1]) == ["e4", "e5", "Nf3", "Nc6", "Bb5"]
    assert not reads[1].complete
    assert not reads[1].problems[0].fatal

    assert "ambiguous move Nd2: Nbd2 or Nfd2" in reasons(reads[3])
    assert len(reads[3].moves) == 4
    assert not reads[3].complete

    bad = reads[4].problems[0]
    assert (bad.line, bad.ply, bad.at) == (24, 5, "3.Ke3")
    assert sans(reads[4]) == ["e4", "e5", "Nf3", "Nc6", "Bb5"]
    assert reads[4].complete
    assert reads[4].game is not None
    assert len(reads[4].game.variations[0].variations) == 1, "the whole variation is dropped"

    assert not reads[5].complete
    assert reads[5].problems[0].line == 30
    assert "comment without '}'" in reasons(reads[5])
    assert reads[5].game is not None
    assert reads[5].game.end().comment == "the usual move 2. Nf3 Nc6 1-0"

    assert reads[6].moves == ()
    assert reads[6].complete
    assert reasons(reads[6]) == "no moves"

    for number, reason, line in (
        (7, "variant 'Chess960'", 40),
        (8, "FEN tag: expected 8 rows", 47),
        (9, "FEN tag: illegal position: Black has no king", 55),
    ):
        assert reads[number].game is None
        assert not reads[number].moves
        assert not reads[number].complete
        (problem,) = reads[number].problems
        assert problem.fatal
        assert problem.line == line
        assert reason in problem.reason

    for number in (2, 10):  # the games after a trouble are untouched
        assert reads[number].complete
        assert not reads[number].problems


def test_main_line_after_a_bad_variation_uses_the_right_board() -> None:
    """python-chess 1.11 goes on with the variation's board: 2...exf4 is illegal there."""
    text = "1. e4 e5 (1... d5 2. Ke7 Kh3) 2. f4 exf4 (2... d6 3. Ke7) 3. Nf3 g5 *"
    read = game_in(text)
    assert sans(read) == ["e4", "e5", "f4", "exf4", "Nf3", "g5"]
    assert read.complete
    assert [problem.at for problem in read.problems] == ["2.Ke7", "3.Ke7"]
    handle = io.StringIO(text)
    logging.disable(logging.CRITICAL)
    try:
        plain = chess.pgn.read_game(handle)
    finally:
        logging.disable(logging.NOTSET)
    assert plain is not None
    assert len(list(plain.mainline_moves())) < 6, "python-chess got better: simplify _Builder"


@pytest.mark.parametrize(
    ("movetext", "moves", "complete", "reason", "ply", "at"),
    [
        ("1. e4 e5 2. Ke3 *", 2, False, "illegal move Ke3", 3, "2.Ke3"),
        ("1. e4 e5 2. -- d6 3. d4 *", 2, False, "null move '--'", 3, "2.--"),
        ("1. e4 Z0 *", 1, False, "null move 'Z0'", 2, "1...Z0"),
        ("1. e4 0000 *", 1, False, "null move '0000'", 2, "1...0000"),
        ("1. e4 e5 2. Sf3 Nc6 *", 2, False, "unknown move 'Sf3'", 3, "2.Sf3"),
        ("1. e4 e5 2. Nf3 Nc6 3. Bc4 Bc5 4. o-o *", 6, False, "unknown move 'o-o'", 7, "4.o-o"),
        ("1. e4 e5 2. N@f3 *", 2, False, "unknown move 'N@f3'", 3, "2.N@f3"),
        ("1. e4 +- e5 2. Nf3 *", 3, True, "unknown token '+-'", 1, None),
        ("1. e4 e5 2. Nf3!!! *", 3, True, "unknown token '!!!'", 3, None),
        ("1. e4 e5 oops 2. Nf3 *", 3, True, "unknown token 'oops'", 2, None),
        ("1. e4 e5 <reserved> 2. Nf3 *", 3, True, "unknown token '<reserved>'", 2, None),
        ("1. e4 e5 } 2. Nf3 *", 3, True, "unknown token '}'", 2, None),
        ("1. e4 e5 ) 2. Nf3 *", 3, True, "')' without '('", 2, None),
        ("1. e4 e5 (1... c5 2. Nf3 *", 2, False, "'(' without ')'", 2, None),
        ("1. e4 e5 ((1... c5) 1... d5) 2. Nf3 *", 3, True, "before the first move", 2, None),
        ("(1. d4) 1. e4 e5 *", 2, True, "before the first move", None, None),
        ("1. e4 () e5 *", 2, True, "variation without moves: left out", 1, None),
        ("1. e4 ({text}) e5 *", 2, True, "its comment is kept", 1, None),
        ("$1 1. e4 e5 *", 2, True, "NAG $1 without a move", None, None),
        ("!! 1. e4 e5 *", 2, True, "'!!' without a move", None, None),
        ("1. e4 ($2 1. d4) e5 *", 2, True, "NAG $2 without a move", 1, None),
        ("1. e4 $256 e5 *", 2, True, "NAG $256 above $255", 1, None),
        ("1. e4 e5 3. Nf3 *", 3, True, "move number 3 where 2 is due", 2, None),
        ("1. e4 e5 (1... c5 1-0) 2. Nf3 *", 3, True, "result 1-0 inside the moves", 2, None),
        ("1. e4 e5 (1... c5 2. Sf3) 2. Nf3 *", 3, True, "unknown move 'Sf3'", 2, None),
        (
            "1. e4 e5 2. Qh5 (2. Qh5 Nc6 3. Qxf7 -- 4. Qxe8) *",
            3,
            True,
            "null move in check",
            6,
            "3...--",
        ),
        ("1. e4 e5 2. Nf3", 3, True, "no result after the moves", None, None),
    ],
)
def test_trouble(
    movetext: str, moves: int, complete: bool, reason: str, ply: int | None, at: str | None
) -> None:
    read = game_in(f'[Event "?"]\n\n{movetext}\n')
    assert (len(read.moves), read.complete) == (moves, complete)
    (problem,) = [found for found in read.problems if reason in found.reason]
    assert (problem.line, problem.ply, problem.at) == (3, ply, at)
    assert not problem.fatal
    assert len(read.problems) == 1, reasons(read)


def test_promotion_without_piece() -> None:
    read = game_in('[FEN "7k/4P3/8/8/8/4K3/8/8 w - - 0 70"]\n[SetUp "1"]\n\n70. e8 *')
    assert "move e8 without a promotion piece" in reasons(read)
    assert read.problems[0].at == "70.e8"


def test_null_moves_in_variations_are_kept() -> None:
    read = game_in("1. e4 e5 (1... -- 2. d4) (1... Z0 2. d3) 2. Nf3 *")
    assert read.game is not None
    assert not read.problems
    assert read.complete
    others = read.game.variations[0].variations[1:]
    assert [node.move for node in others] == [chess.Move.null()] * 2
    assert [node.variations[0].san() for node in others] == ["d4", "d3"]


def test_tolerated_ways_of_writing() -> None:
    read = game_in(
        "1.e4 e5 2.Ng1-f3 Nb8c6 3 . Bb5 a6 ... 4. Bxc6 dxc6 5.0-0 f5 6. exf5 e.p. Pe5e4 $1 $13 *"
    )
    assert sans(read) == [
        "e4",
        "e5",
        "Nf3",
        "Nc6",
        "Bb5",
        "a6",
        "Bxc6",
        "dxc6",
        "O-O",
        "f5",
        "exf5",
        "e4",
    ]
    assert not read.problems
    assert read.game is not None
    assert read.game.end().nags == {1, 13}


def test_glyphs_become_nags() -> None:
    read = game_in("1. e4! e5? 2. Nf3!! Nc6?? 3. Bb5!? a6?! 4. Ba4 ! *")
    assert read.game is not None
    assert not read.problems
    assert [sorted(node.nags) for node in read.game.mainline()] == [
        [1],
        [2],
        [3],
        [4],
        [5],
        [6],
        [1],
    ]


def test_many_bad_variations_are_dropped_one_by_one() -> None:
    moves = " ".join(f"Nf{3 if i % 2 else 6} (Ke4)" for i in range(1, 3))
    text = "1. e4 " + "(1. d4 Ke3) (1. d4 d5) " * 150 + f"1... e5 2. {moves} *"
    read = game_in(text)
    assert sans(read) == ["e4", "e5", "Nf3", "Nf6"]
    assert read.game is not None
    assert len(read.game.variations) == 151, "the 150 good variations are kept"
    assert len(read.problems) == records.MAX_PROBLEMS
    assert read.problems[-1].reason == "103 more problems"


def test_too_many_bad_variations(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(games, "MAX_RETRIES", 3)
    read = game_in("1. e4 " + "(1. d4 Ke3) " * 9 + "1... e5 *")
    assert sans(read) == ["e4", "e5"]
    assert "too many bad variations" in reasons(read)


def test_deep_nesting_is_limited() -> None:
    text = "1. e4 " + "(1. d4 " * 150 + ")" * 150 + " 1... e5 *"
    read = game_in(text)
    assert sans(read) == ["e4", "e5"]
    assert read.complete
    assert "nested deeper than 100" in reasons(read)


def test_count_of_moves_is_checked(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that silently loses a move is found out."""
    real = chess.pgn.read_game

    def losing(handle: io.StringIO, **options: object) -> object:
        return real(io.StringIO(handle.getvalue().replace("Nf6", "")), **options)

    monkeypatch.setattr(chess.pgn, "read_game", losing)
    read = game_in("1. e4 e5 2. Nf3 Nf6 *")
    assert "3 of 4 main-line moves could be read" in reasons(read)
    assert not read.complete


SIMPLE = ["1.", "2.", "3.", "1.", "e4", "e5", "Nf3", "O-O", "exd8=Q+", "Qh4#", "1-0", "*", "(", "x"]


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.sampled_from(SIMPLE), max_size=9),
    st.lists(st.sampled_from([" ", " ", "\n", "\n\n", ""]), min_size=10, max_size=10),
)
@example(["1.", "e4", "e5", "2.", "Nf3", "*"], [" "] * 10)
@example(["1.", "e4", "1.", "e5", "*"], [" "] * 10)
@example(["1.", "1.", "e4", "e5", "*"], [" "] * 10)
@example(["*"], [""] * 10)
def test_short_look_finds_what_the_close_look_finds(words: list[str], gaps: list[str]) -> None:
    text = "".join(word + gap for word, gap in zip(words, gaps, strict=False))
    simple = scan.scan_simple(text)
    close = scan.scan_movetext(text, 1, False, frozenset())
    if simple is None:
        assert words != ["1.", "e4", "e5", "2.", "Nf3", "*"]
    else:
        assert (simple.main, simple.result) == (close.main, close.result)
        assert not close.notes
        assert not close.cut
        assert not close.open_end
        assert len(close.moves_at) == close.main


def test_long_game_is_read_whole() -> None:
    """More than 1000 tokens: handed to python-chess in several lines."""
    text = " ".join(["Nf3 {a} Nf6 {b} Ng1 {c} Ng8 {% d}"] * 200)
    read = game_in(text + " *")
    assert len(read.moves) == 800
    assert not read.problems
    assert read.game is not None
    assert read.game.end().comment == "% d"


# --- results ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tag", "token", "reason", "kept"),
    [
        ("1-0", "1-0", "", "1-0"),
        ("1-0", "0-1", "Result tag 1-0 but 0-1 after the moves", "1-0"),
        ("*", "1/2-1/2", "Result tag * but 1/2-1/2 after the moves", "1/2-1/2"),
        (None, "0-1", "", "0-1"),
        ("1-0", None, "no result after the moves", "1-0"),
        ("draw", "1/2-1/2", "Result tag 'draw' is not a result", "1/2-1/2"),
        ("draw", "1/2", "Result tag 'draw' is not a result", "draw"),
    ],
)
def test_result(tag: str | None, token: str | None, reason: str, kept: str) -> None:
    head = f'[Result "{tag}"]\n' if tag else ""
    read = game_in(f'[Event "?"]\n{head}\n1. e4 e5 {token or ""}\n')
    assert reason in reasons(read)
    assert bool(reason) == bool(read.problems)
    assert read.game is not None
    assert read.game.headers["Result"] == kept
    assert read.complete
    assert len(read.moves) == 2


def test_result_is_found_behind_the_end_of_the_main_line() -> None:
    read = game_in('[Result "1-0"]\n\n1. e4 Ke4 (1... e5 0-1) 2. d4 1-0')
    assert [problem.at for problem in read.problems] == ["1...Ke4"]
    read = game_in('[Result "1-0"]\n\n1. e4 -- (1... e5 0-1) 2. d4 1-0')
    assert [problem.at for problem in read.problems] == ["1...--"]


# --- tags -------------------------------------------------------------------------------------


def test_tags_in_import_format() -> None:
    read = game_in(
        '  [Event "a"][Site "b"]\n[ Date"2026.01.02" ]\n\n[Round\n"3"]\n'
        '[White "A \\"quoted\\" name"]\n[Black "back\\\\slash"]\n\n1. e4 *'
    )
    assert read.game is not None
    assert not read.problems
    assert [read.game.headers[name] for name in ("Event", "Site", "Date", "Round")] == [
        "a",
        "b",
        "2026.01.02",
        "3",
    ]
    assert read.game.headers["White"] == 'A "quoted" name'
    assert read.game.headers["Black"] == "back\\slash"


def test_bad_tags_are_reported() -> None:
    read = game_in(
        '[Event "x"]\n[Site brackwater]\n[Round "a "big" one"]\n[Event "y"]\n[]\n\n1. e4 *'
    )
    assert [(problem.line, problem.reason.split(":")[0]) for problem in read.problems] == [
        (2, "malformed tag pair left out"),
        (3, "tag Round"),
        (4, "tag Event given twice"),
        (5, "malformed tag pair left out"),
    ]
    assert read.game is not None
    assert len(read.moves) == 1
    assert read.game.headers["Round"] == 'a "big" one'
    assert read.game.headers["Event"] == "y"


@pytest.mark.parametrize(
    ("tags", "usable", "reason"),
    [
        (f'[SetUp "1"]\n[FEN "{KP} w - - 3 40"]', True, ""),
        (f'[FEN "{KP} w - - 3 40"]', True, ""),
        (f'[FEN "{KP} w - -"]', True, "halfmove clock assumed 0"),
        (f'[SetUp "0"]\n[FEN "{KP} w - - 3 40"]', True, "SetUp is 0 beside a FEN"),
        (f'[SetUp "0"]\n[FEN "{chess.STARTING_FEN}"]', True, ""),
        (f'[SetUp "yes"]\n[FEN "{KP} w - - 3 40"]', True, "SetUp 'yes' is neither 0 nor 1"),
        ('[SetUp "1"]', False, "there is no FEN"),
        (f"[FEN {KP} w - - 3 40]", False, "malformed FEN tag"),
        ('[FEN "8/8/8/8/8/8/8/8 w - - 0 1"]', False, "the board is empty"),
        (f'[FEN "{KP} x - - 0 1"]', False, "expected 'w' or 'b'"),
        ('[Variant "Standard"]', True, ""),
        ('[Variant "From Position"]', True, ""),
        ('[Variant " Standard "]', True, ""),
        ('[Variant ""]', True, ""),
        ('[Variant "Giveaway"]', False, "variant 'Giveaway': only orthodox chess"),
        ('[FEN "1rk3r1/8/8/8/8/8/8/1RK3R1 w GBgb - 0 1"]', False, "Chess960 castling rights"),
        ('[FEN "1rk3r1/8/8/8/8/8/8/1RK3R1 w KQkq - 0 1"]', False, "Chess960 castling rights"),
    ],
)
def test_start_position(tags: str, usable: bool, reason: str) -> None:
    read = game_in(f'[Event "?"]\n{tags}\n\n*')
    assert (read.game is not None) == usable
    found = [problem for problem in read.problems if problem.reason != "no moves"]
    assert [reason in problem.reason for problem in found] == ([True] if reason else [])
    assert all(problem.fatal != usable for problem in found)


# --- where games end --------------------------------------------------------------------------


def test_blank_lines_do_not_end_a_game() -> None:
    read = game_in(
        '[Event "?"]\n\n\n\n[Site "?"]\n\n1. e4\n\n\ne5 {two\n\nparagraphs}\n \n2. Nf3 (2. f4\n\n'
        "exf4)\n\n2... Nc6\n\n*\n"
    )
    assert sans(read) == ["e4", "e5", "Nf3", "Nc6"]
    assert read.game is not None
    assert not read.problems
    assert read.game.variations[0].variations[0].comment == "two paragraphs"


def test_games_on_one_line() -> None:
    reads = games_in('1. e4 e5 1-0 1. d4 d5 0-1 [Event "x"]\n\n1. c4 *')
    assert [sans(read) for read in reads] == [["e4", "e5"], ["d4", "d5"], ["c4"]]
    assert not any(read.problems for read in reads)


def test_comment_behind_the_result_belongs_to_the_game() -> None:
    reads = games_in("1. e4 e5 1-0 {White\nwins} ; on time\n\n1. d4 *")
    assert [len(read.moves) for read in reads] == [2, 1]
    assert reads[0].game is not None
    assert reads[0].game.end().comment == "White wins on time"


def test_comment_before_the_tags_opens_the_game() -> None:
    reads = games_in('1. d4 *\n\n; a remark\n{A word\nbefore}\n[Event "x"]\n\n{and after} 1. e4 *')
    assert [read.line for read in reads] == [1, 6]
    assert reads[1].game is not None
    assert reads[1].game.comment == "A word before and after"


def test_result_in_a_comment_or_variation_does_not_end_a_game() -> None:
    read = game_in("1. e4 {not 1-0 yet} e5 (1... c5 1-0) 2. Nf3 ; 0-1 soon\n2... Nc6 *")
    assert sans(read) == ["e4", "e5", "Nf3", "Nc6"]


def test_missing_result_and_blank_line_before_the_next_tags() -> None:
    reads = games_in('[Event "a"]\n1. e4 e5\n[Event "b"]\n\n1. d4 *\n')
    assert [len(read.moves) for read in reads] == [2, 1]
    assert reasons(reads[0]) == "no result after the moves"


def test_tags_only() -> None:
    reads = games_in('[Event "a"]\n[Site "?"]\n\n[Event "b"]\n[Site "?"]\n\n1. d4 *\n')
    assert [len(read.moves) for read in reads] == [0, 1]
    assert "no moves" in reasons(reads[0])


def test_escape_lines() -> None:
    read = game_in("% x { (\n1. e4 e5\n%{ 1-0 (\n2. Nf3 {\n% kept}\n 50 % *")
    assert sans(read) == ["e4", "e5", "Nf3"]
    assert read.game is not None
    assert read.game.end().comment == "% kept"
    assert "unknown token '%'" in reasons(read), "a % elsewhere is no escape"


@pytest.mark.parametrize("gap", ["\n\n", "\n"])
def test_runaway_comment_does_not_swallow_the_file(gap: str) -> None:
    one = '[Event "e"]\n[Site "s"]\n\n1. e4 e5 2. Nf3 *' + gap
    bad = '[Event "e"]\n[Site "s"]\n\n1. e4 {oh 1... e5 2. Nf3 *' + gap
    reads = games_in(one + bad + one * 50)
    assert len(reads) == 52
    assert [read.number for read in reads if not read.complete] == [2]
    assert [len(read.moves) for read in reads] == [3, 1] + [3] * 50
    assert "comment without '}'" in reasons(reads[1])


def test_tag_like_line_in_a_comment_is_text() -> None:
    read = game_in('1. e4 {see\n[Event "x"]\nfor more, and\n\n[no tag] too} e5 *')
    assert len(read.moves) == 2
    assert read.complete


def test_game_that_is_too_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(containers, "MAX_GAME_BYTES", 5000)
    monkeypatch.setattr(split, "MAX_GAME_BYTES", 5000)
    one = '[Event "e"]\n\n1. e4 e5 *\n\n'
    long = '[Event "e"]\n\n1. e4 {' + "word word\n" * 3000 + "} e5 *\n\n"
    unbroken = '[Event "e"]\n\n1. e4 {' + "word" * 300_000 + "} e5 *\n\n"
    reads = games_in(one + long + one + unbroken + one)
    assert [len(read.moves) for read in reads] == [2, 0, 2, 0, 2]
    for read in (reads[1], reads[3]):
        assert read.game is None
        assert "text of one game longer than" in reasons(read)
    assert reads[1].problems[0].line == 5
    assert [read.line for read in reads[2:]] == [3009, 3013, 3017]


def test_text_that_is_no_game() -> None:
    reads = games_in('some words before\n\n[Event "x"]\n\n1. e4 *\n\nand some after\n')
    assert len(reads) == 2
    assert "text that is no game" in reasons(reads[0])
    assert reads[0].problems[0].line == 1
    assert reads[1].game is None
    assert reads[1].problems[0].fatal
    assert reads[1].line == 7


POOL = [
    '[Event "a"]\n[Result "1-0"]\n\n1. e4 e5 2. Nf3 {x (y} Nc6 (2... d6 3. d4) 3. Bb5 1-0',
    '[Event "b"]\n\n{c *} 1. d4 d5 2. c4 ; 1-0 {\ndxc4 0-1',
    '[Event "c"]\n[Round "2"]\n\n*',
    '[Event "d"]\n\n1. c4\n\nc5 {\n\n[Event "not a tag here"\n} 1/2-1/2',
    f'[Event "e"]\n[FEN "{KP} w - - 0 1"]\n[SetUp "1"]\n\n1. Kd4 *',
    '[Event "f"]\n\n1. e4 Ke4 2. d4 (2. d3) 1-0',
    '[Event "g"]\n\n1. f3 e5 2. g4 Qh4# 0-1 {mate}',
]
GAPS = ["\n", "\n\n", "\n \n\t\n", "\r\n\r\n", "\r", " ", "\n% x\n", "\n; x\n", "\n\x1a\n"]


def essence(read: GameRead) -> object:
    assert read.game is not None
    return (
        dict(read.game.headers),
        tree(read.game),
        read.moves,
        read.complete,
        [problem.reason for problem in read.problems],
    )


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(POOL), st.sampled_from(GAPS)), min_size=1, max_size=8))
def test_games_joined_with_any_spacing_are_read_one_by_one(parts: list[tuple[str, str]]) -> None:
    joined = "".join(text + gap for text, gap in parts)
    expected = [essence(game_in(text)) for text, _ in parts]
    assert [essence(read) for read in games_in(joined)] == expected
    assert [essence(read) for read in games_in(joined.replace("\n", "\r\n"))] == expected


PIECES = [
    *'{}()[];%$*"\\\n \t!?',
    "1-0",
    "0-1",
    "1/2-1/2",
    "1.",
    "2...",
    "e4",
    "e5",
    "Nf3",
    "--",
    '\n[Event "x"]\n',
    '\n[FEN "8/8/8 w"]\n',
    "O-O",
    "\n\n",
    "word",
    "é",
    "\x00",
    "$3",
    "(",
]


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from(PIECES), max_size=60).map("".join))
@example("1. e4 (1. d4 (1. c4 Ke4 (Kd5) d4) e4) (")
@example("1.e4 {")
def test_any_text_is_read_or_refused(text: str) -> None:
    reads: list[GameRead] = []
    with contextlib.suppress(SourceError):
        reads.extend(games_in(text))
    assert [read.number for read in reads] == list(range(1, len(reads) + 1))
    for read in reads:
        board = chess.Board() if read.game is None else read.game.board()
        for move in read.moves:
            assert move in board.legal_moves
            board.push(move)
        assert read.complete or read.problems
        assert (read.game is None) == any(problem.fatal for problem in read.problems)


# --- containers -------------------------------------------------------------------------------


def zst(data: bytes) -> bytes:
    return zstandard.ZstdCompressor(write_checksum=True).compress(data)


@pytest.mark.parametrize("pack", [gzip.compress, zst])
@pytest.mark.parametrize("name", ["club.pgn", "club.bin"])
def test_compressed_files(pack: object, name: str, tmp_path: Path) -> None:
    data = (DATA / "club.pgn").read_bytes()
    packed = pack(data)  # type: ignore[operator]
    path = tmp_path / name
    path.write_bytes(packed)
    expected = [essence(read) for read in read_games(DATA / "club.pgn")]
    assert [essence(read) for read in read_games(path)] == expected
    assert [essence(read) for read in read_games("-", stdin=io.BytesIO(packed))] == expected
    path.write_bytes(packed + packed)  # members or frames in a row
    assert [essence(read) for read in read_games(path)] == expected * 2


def test_plain_text_under_a_compressed_name(tmp_path: Path) -> None:
    path = tmp_path / "games.pgn.gz"
    path.write_bytes((DATA / "club.pgn").read_bytes())
    assert len(list(read_games(path))) == 3


def take(path: Path) -> tuple[list[GameRead], str]:
    reads: list[GameRead] = []
    with pytest.raises(SourceError) as caught:
        reads.extend(read_games(path))
    return reads, str(caught.value)


def many_games(count: int) -> bytes:
    """Games of different text, which no compression makes very short."""
    names = (f"{i * 7919 % 1009:04}-{i * 104729 % 7907:05}" for i in range(count))
    return "".join(f'[Event "{name}"]\n\n1. e4 e5 2. Nf3 *\n\n' for name in names).encode()


@pytest.mark.parametrize(("pack", "word"), [(gzip.compress, "gzip"), (zst, "zstd")])
def test_truncated_compressed_file(pack: object, word: str, tmp_path: Path) -> None:
    # several frames: a zstd frame is unpacked block by block, not byte by byte
    data = many_games(100)
    packed = pack(data) + pack(many_games(100))  # type: ignore[operator]
    path = tmp_path / "games.pgn.x"
    path.write_bytes(packed[:-20])
    reads, error = take(path)
    assert 100 <= len(reads) <= 200
    assert all(read.complete for read in reads[:100])
    assert error.startswith(f"{path}: damaged after {len(reads)} games: {word} data breaks off")
    assert "\n" not in error


def test_game_at_the_break_is_not_complete(tmp_path: Path) -> None:
    data = b'[Event "a"]\n\n1. e4 *\n\n[Event "b"]\n\n1. e4 e5 2. Nf3 Nf6 3. Bc4 Bc5 4. O-O'
    packed = gzip.compress(data, mtime=0)
    path = tmp_path / "games.pgn.gz"
    path.write_bytes(packed[:-8])  # all of the text, but no checksum
    reads, _ = take(path)
    assert [read.complete for read in reads] == [True, False]
    assert len(reads[1].moves) == 6, "the last word may have been cut"
    assert "the file ends here: gzip data breaks off" in reasons(reads[1])


def test_damaged_gzip(tmp_path: Path) -> None:
    packed = bytearray(gzip.compress(b'[Event "a"]\n\n1. e4 *\n\n', mtime=0))
    packed[-8] ^= 1  # the checksum
    path = tmp_path / "games.pgn.gz"
    path.write_bytes(packed)
    reads, error = take(path)
    assert "gzip data damaged" in error
    path.write_bytes(gzip.compress(b"1. e4 *\n", mtime=0) + b"rubbish")
    reads, error = take(path)
    assert len(reads) == 1
    assert reads[0].complete
    assert "gzip data damaged" in error
    path.write_bytes(gzip.compress(b"1. e4 *\n", mtime=0) + bytes(512))  # padding is allowed
    assert len(list(read_games(path))) == 1


def test_damaged_zstd(tmp_path: Path) -> None:
    packed = bytearray(zst(b'[Event "a"]\n\n1. e4 *\n\n'))
    packed[-1] ^= 1  # the checksum
    path = tmp_path / "games.pgn.zst"
    path.write_bytes(packed)
    assert "zstd data damaged" in take(path)[1]


def test_zstd_without_a_library(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "zstandard", None)
    monkeypatch.setitem(sys.modules, "compression.zstd", None)
    with pytest.raises(SourceError, match=r"needs the zstandard package or Python 3\.14"):
        games_in(zst(b"1. e4 *"))


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "empty file"),
        (gzip.compress(b"", mtime=0), "empty file"),
        (b"\n\n  \n", "no game found"),
        (bytes(range(256)) * 4, "a binary file"),
        ('[Event "x"]\n\n1. e4 *'.encode("utf-16"), "UTF-16"),
        ('[Event "x"]\n\n1. e4 *'.encode("utf-16-le"), "UTF-16"),
        (b"PK\x03\x04....", "a zip archive"),
        (b"%PDF-1.4\n", "a PDF file"),
        (f"{KP} w - - 0 1\n".encode(), "positions (EPD or FEN lines)"),
        (f"# set\n\n{KP} w - - bm Kd4;\n".encode(), "positions (EPD or FEN lines)"),
        (b"Dear reader,\n\nthis is a letter.\n", "no game found: not a PGN file"),
        (b"{only a comment}\n", "no game found: not a PGN file"),
    ],
)
def test_refused_sources(data: bytes, reason: str, tmp_path: Path) -> None:
    path = tmp_path / "games.pgn"
    path.write_bytes(data)
    reads, error = take(path)
    assert not reads
    assert error.startswith(f"{path}: ")
    assert reason in error
    assert "\n" not in error


def test_files_that_cannot_be_opened(tmp_path: Path) -> None:
    assert take(tmp_path / "none.pgn")[1] == f"{tmp_path / 'none.pgn'}: no such file"
    assert take(tmp_path)[1] == f"{tmp_path}: a folder, not a file"


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_unreadable_file(tmp_path: Path) -> None:
    path = tmp_path / "games.pgn"
    path.write_text("1. e4 *")
    path.chmod(0)
    assert take(path)[1] == f"{path}: no permission to read it"


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(SourceError, match="no permission to read it"):
        next(read_games(tmp_path / "games.pgn"))


def test_standard_input_of_the_process(monkeypatch: pytest.MonkeyPatch) -> None:
    stdin = io.TextIOWrapper(io.BytesIO(b"1. e4 Ke4 *"))
    monkeypatch.setattr(sys, "stdin", stdin)
    (read,) = read_games("-")
    assert read.source == "standard input"
    assert str(read.problems[0]).startswith("standard input: game 1, line 1, at 1...Ke4 (ply 2): ")
    assert not stdin.closed


def test_encoding_is_decided_game_by_game() -> None:
    first, second = read_games(DATA / "latin1.pgn")
    assert first.game is not None
    assert second.game is not None
    assert first.game.headers["White"] == second.game.headers["White"] == "Müller, Zoë"
    assert first.game.headers["Event"] == "Championnat du café"
    assert second.game.headers["Event"] == "Open łódzki"
    assert first.game.end().comment == second.game.end().comment == "très bien"


def test_byte_order_marks() -> None:
    one = '\ufeff[Event "é"]\n\n1. e4 *\n\n'
    reads = games_in(one + one)
    assert [read.game and read.game.headers["Event"] for read in reads] == ["é", "é"]
    assert not any(read.problems for read in reads)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_and_line_numbers(end: str) -> None:
    text = end.join(['[Event "x"]', "", "1. e4 {a", "b} e5", "2. Ke3 *"])
    for size in (1, 2, 7, 4096):

        class Slow(io.BytesIO):
            step = size

            def read1(self, _: int | None = -1, /) -> bytes:
                return self.read(self.step)

        (read,) = read_games("-", stdin=Slow(text.encode()))
        assert [(problem.line, problem.at) for problem in read.problems] == [(5, "2.Ke3")]
        assert read.game is not None
        assert read.game.variations[0].comment == "a b"


@pytest.mark.slow
def test_memory_does_not_grow_with_the_file() -> None:
    """3,000 games through a pipe: 6 MB of text, less than 1.5 MB held at any time."""
    one = ('[Event "x"]\n\n1. e4 {' + "word " * 400 + "} e5 *\n\n").encode()
    read_end, write_end = os.pipe()

    def feed() -> None:
        with open(write_end, "wb") as sink:
            for _ in range(3000):
                sink.write(one)

    list(read_games(DATA / "club.pgn"))  # what is loaded once does not count
    writer = threading.Thread(target=feed)
    tracemalloc.start()
    try:
        writer.start()
        with open(read_end, "rb") as stdin:
            count = sum(len(read.moves) == 2 for read in read_games("-", stdin=stdin))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        writer.join()
    assert count == 3000
    assert len(one) * 3000 > 6_000_000
    assert peak < 1_500_000


def test_file_is_closed_when_reading_stops_early(tmp_path: Path) -> None:
    path = tmp_path / "games.pgn"
    path.write_bytes(many_games(3))
    opened: list[io.FileIO] = []
    real = open

    def spy(*args: object, **options: object) -> io.FileIO:
        opened.append(real(*args, **options))  # type: ignore[call-overload]
        return opened[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("builtins.open", spy)
        reads: Iterator[GameRead] = read_games(path)
        next(reads)
        reads.close()  # type: ignore[attr-defined]
    assert [stream.closed for stream in opened] == [True]


# --- positions --------------------------------------------------------------------------------


def test_positions() -> None:
    reads = list(read_positions(DATA / "positions.epd"))
    assert [read.line for read in reads] == [2, 4, 5, 6, 7, 8, 9, 10]
    fens = [read.board.fen() if read.board else None for read in reads]
    assert fens == [
        f"{KP} w - - 7 61",
        f"{KP} w - - 0 1",
        f"{KP} b - - 4 61",
        f"{KP} b - - 0 1",
        None,
        None,
        f"{KP} w - - 0 1",
        f"{KP} w - - 0 1",
    ]
    assert reads[0].operations == {"hmvc": 7, "fmvn": 61, "id": "king and pawn"}
    assert not reads[0].problems
    assert not reads[2].problems
    assert reads[1].operations["bm"] == [chess.Move.from_uci("e3d4"), chess.Move.from_uci("e3f4")]
    for read in (reads[1], reads[3]):
        assert [(p.reason, p.fatal) for p in read.problems] == [("halfmove clock assumed 0", False)]
    assert str(reads[4].problems[0]) == (
        f"{DATA / 'positions.epd'}: line 7: illegal position: Black has no king"
    )
    assert reads[4].problems[0].fatal
    assert reads[5].problems[0].fatal
    for read in reads[6:]:
        assert read.operations == {}
        assert not read.problems[0].fatal
        assert "EPD operations left out" in read.problems[0].reason


def test_positions_from_standard_input_compressed() -> None:
    data = gzip.compress((DATA / "positions.epd").read_bytes())
    assert len(list(read_positions("-", stdin=io.BytesIO(data)))) == 8


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b'[Event "x"]\n\n1. e4 *\n', "games in PGN"),
        (b"# nothing\n\n", "no position found"),
        (b"", "empty file"),
        (gzip.compress(f"{KP} w - - 0 1\n".encode(), mtime=0)[:-8], "damaged after 1 positions"),
    ],
)
def test_refused_position_files(data: bytes, reason: str) -> None:
    with pytest.raises(SourceError, match=reason):
        list(read_positions("-", stdin=io.BytesIO(data)))


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet='bmhvcfn";-+.eE0123456789 Kd4\\', max_size=40))
def test_any_epd_operations_are_read_or_left_out(operations: str) -> None:
    line = f"{KP} w - - b{operations}"
    (read,) = read_positions("-", stdin=io.BytesIO(line.encode()))
    assert read.board is not None or read.problems


# --- FEN --------------------------------------------------------------------------------------


def test_fen() -> None:
    board, notes = parse_fen(f" {KP}  w - - 12 61 ")
    assert board.fen() == f"{KP} w - - 12 61"
    assert notes == ()
    board, notes = parse_fen(f"{KP} b - -")
    assert board.fen() == f"{KP} b - - 0 1"
    assert notes == ("halfmove clock assumed 0",)
    assert "a draw could be claimed" in parse_fen(f"{KP} b - - 100 90")[1][0]
    assert parse_fen(chess.STARTING_FEN)[0] == chess.Board()
    # castling rights given by files are read where they mean the usual ones
    board, _ = parse_fen("r3k2r/8/8/8/8/8/8/R3K2R w HAha - 0 1")
    assert board.castling_xfen() == "KQkq"
    assert not board.chess960


@pytest.mark.parametrize(
    ("fen", "reason"),
    [
        ("", "4 or 6 fields are needed, not 0"),
        (f"{KP} w - - 0", "4 or 6 fields are needed, not 5"),
        (f"{KP} w - - 0 1 +0+0", "4 or 6 fields are needed, not 7"),
        (f"{KP} w - - -1 1", "halfmove clock '-1' is not a number"),
        (f"{KP} w - - 0 x", "fullmove number 'x' is not a number"),
        ("8/8/4k3/8/4P3/4K3/8 w - - 0 1", "expected 8 rows"),
        ("8/8/4k3/8/4P3/4K4/8/8 w - - 0 1", "column"),
        ("8/8/4x3/8/4P3/4K3/8/8 w - - 0 1", "invalid character"),
        (f"{KP}[Qn] w - - 0 1", "only orthodox chess"),
        ("8/8/4k3/8/4P3/8/8/8 w - - 0 1", "White has no king"),
        ("8/8/8/8/4P3/4K3/8/8 w - - 0 1", "Black has no king"),
        ("8/8/4k1k1/8/4P3/4K3/8/8 w - - 0 1", "Black has 2 kings"),
        ("4P3/8/4k3/8/8/4K3/8/8 w - - 0 1", "pawn on the last rank (e8)"),
        ("8/8/4k3/8/8/4K3/8/4P3 w - - 0 1", "pawn on the first rank (e1)"),
        ("8/8/4k3/8/8/4K3/8/p7 w - - 0 1", "pawn on the last rank (a1)"),
        ("4k3/8/8/P7/8/8/PPPPPPPP/4K3 w - - 0 1", "White has 9 pawns"),
        ("4k3/8/8/8/8/NNNNNNNN/NNNNNNNN/4K3 w - - 0 1", "White has 17 men"),
        ("8/8/4k3/8/8/4K3/8/4R3 w - - 0 1", ""),
        ("4k3/8/8/8/8/8/8/K3R3 w - - 0 1", "side not to move is in check"),
        ("8/8/8/8/8/4k3/4K3/8 w - - 0 1", "side not to move is in check"),
        (f"{KP} w KQ - 0 1", "castling rights without king and rook"),
        ("4k3/8/8/8/8/8/8/R4K1R w KQ - 0 1", "Chess960 castling rights"),
        ("4k3/8/8/8/8/8/8/1R2K2R w KB - 0 1", "Chess960 castling rights"),
        (f"{KP} w - e6 0 1", "en passant square e6"),
        ("4k3/8/8/8/8/8/8/K3Q1Q1 b - - 0 1", ""),
        ("Q3k2Q/8/8/8/8/8/8/K3R3 b - - 0 1", "check that no last move can have given"),
        ("8/8/8/8/8/8/8/8 w - - 0 1", "the board is empty"),
    ],
)
def test_fen_that_is_refused(fen: str, reason: str) -> None:
    if not reason:
        parse_fen(fen)
        return
    with pytest.raises(SourceError) as caught:
        parse_fen(fen)
    assert str(caught.value).startswith("FEN: ")
    assert reason in str(caught.value)
    assert "\n" not in str(caught.value)


def test_problem_in_words() -> None:
    assert str(Problem("a.pgn", None, None, None, "why", True)) == "a.pgn: why"
    assert str(Problem("a.pgn", 3, 120, None, "why")) == "a.pgn: game 3, line 120: why"
    assert str(Problem("a.pgn", 3, 120, 14, "why")) == "a.pgn: game 3, line 120, ply 14: why"
    assert str(Problem("a.pgn", 3, 120, 14, "why", at="7...Nf6")) == (
        "a.pgn: game 3, line 120, at 7...Nf6 (ply 14): why"
    )
