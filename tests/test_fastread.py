"""Main lines read fast: what `read_games` finds, game by game and problem by problem."""

from __future__ import annotations

import gzip
import io
import itertools
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import chess
import chess.pgn
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from strategies import games, positions

from convert.reading import fastread
from convert.reading import games as reading_games
from convert.reading.fastread import main_lines_of, only_line, play, read_lines
from convert.reading.fen import SourceError
from convert.reading.games import read_games
from convert.reading.records import GameRead, LineRead
from convert.reading.split import Block

HERE = Path(__file__).parent
FILES = sorted([*(HERE.parent / "demo_games").glob("*.pgn"), *(HERE / "data").rglob("*.pgn")])


def taken(reads: Iterator[LineRead]) -> tuple[list[LineRead], str | None]:
    """All that is given, and the error after it."""
    found: list[LineRead] = []
    try:
        found.extend(reads)
    except SourceError as error:
        return found, str(error)
    return found, None


def both(data: bytes) -> tuple[list[LineRead], str | None]:
    """What is read fast, after it was found equal to what `read_games` reads."""
    fast = taken(read_lines("-", stdin=io.BytesIO(data)))
    slow = taken(map(only_line, read_games("-", stdin=io.BytesIO(data))))
    assert fast == slow
    return fast


@pytest.fixture
def closer_looks(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Numbers of the games that were not read the quick way."""
    seen: list[int] = []
    whole = reading_games.read_block

    def look(block: Block, source: str, number: int) -> tuple[GameRead, bool]:
        seen.append(number)
        return whole(block, source, number)

    monkeypatch.setattr(reading_games, "read_block", look)
    return seen


# --- whole files --------------------------------------------------------------------------------


def test_every_file_of_games_here() -> None:
    assert len(FILES) > 12
    for path in FILES:
        fast, slow = taken(read_lines(path)), taken(map(only_line, read_games(path)))
        assert fast == slow, path.name


@pytest.mark.parametrize("name", ["four_men_games.pgn", "proofread/notes.pgn"])
def test_ordinary_games_need_no_closer_look(name: str, closer_looks: list[int]) -> None:
    assert any(read.moves for read in read_lines(HERE / "data" / name))
    assert not closer_looks


def test_odd_games_get_a_closer_look(closer_looks: list[int]) -> None:
    reads = list(read_lines(HERE / "data" / "pgn" / "trouble.pgn"))
    incomplete = {read.number for read in reads if not read.complete and read.headers is not None}
    assert incomplete
    assert incomplete <= set(closer_looks)


@pytest.mark.parametrize("cut", [1, 9, 40, 200, 400])
def test_damaged_file(cut: int, tmp_path: Path) -> None:
    packed = gzip.compress((HERE / "data" / "four_men_games.pgn").read_bytes())
    path = tmp_path / "games.pgn.gz"
    path.write_bytes(packed[:-cut])
    fast = taken(read_lines(path))
    assert fast == taken(map(only_line, read_games(path)))
    assert fast[1] is not None
    assert "damaged" in fast[1]


@pytest.mark.parametrize("text", ["", "\0\0", "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1", "no game here"])
def test_what_is_no_file_of_games(text: str) -> None:
    assert both(text.encode())[1] is not None


def test_a_part_of_a_source() -> None:
    text = '[Event "a"]\n\n1. e4 e5 1-0\n\n[Event "b"]\n\n1. d4 d4 0-1\n'
    reads = list(
        main_lines_of("x", iter(text.encode().split(b"\n")), games_before=7, lines_before=100)
    )
    assert [(read.source, read.number, read.line, len(read.moves)) for read in reads] == [
        ("x", 8, 101, 2),
        ("x", 9, 105, 1),
    ]
    assert [(p.game, p.line, p.at) for p in reads[1].problems] == [(9, 107, "1...d4")]


# --- the text of a game -------------------------------------------------------------------------

QUICK = [
    "1. e4 e5 2. Nf3 1-0",
    "1.e4 e5 2.Nf3 1-0",
    "1. e4 1... e5 2. Nf3 1-0",
    "1 e4 e5 2 Nf3 1-0",
    "e4 e5 Nf3 1-0",
    "1. e4 {[%clk 0:10:00]} 1... e5 {a; (b) $1} 2. Nf3{c}1-0",
    "{before} 1. e4! e5?? $6 2. Nf3 $255 1/2-1/2 {after}",
    "1. e4 (1. d4 d5 (1... Nf6 2. c4) 2. c4) (1. c4) 1... e5 ! 2. Nf3 *",
    "1. e4 e5 2. Nf3 Nc6\n3. Bb5 a6\r\n4. Bxc6 dxc6 5. O-O f6 0-1",
    "*",
]


@pytest.mark.parametrize("text", QUICK)
def test_ordinary_movetext(text: str, closer_looks: list[int]) -> None:
    fast = taken(read_lines("-", stdin=io.BytesIO(b'[Event "x"]\n\n' + text.encode())))
    assert not closer_looks
    (read,), error = both(b'[Event "x"]\n\n' + text.encode())
    assert ([read], error) == fast
    assert read.complete


ODD = [
    "1. e4 e5 2. Nf3 1-0.",
    "1. e4 e5 1-0!",
    "1. e4 e5 1-0 $1",
    "1. e4 e5 1-0$1",
    "1. e4 e5!1-0",
    "1. e4 e5 2(1... e6) Nf3 1-0",
    "1. e4 e5 (1... e6 12) 1-0",
    "1. e4 ($1 d4) e5 1-0",
    "1. e4 (1. ! d4) e5 1-0",
    "$1 1. e4 e5 1-0",
    "1. ! e4 e5 1-0",
    "1. e4 $256 e5 1-0",
    "1. e4 $007 e5 1-0",
    "1. e4 e5!!! 1-0",
    "1. e4 ; note {x\n e5} 1-0",
    "1. e4\n%{ e5\n e5 1-0",
    "1. e4 {open e5 1-0",
    "1. e4 e5} 1-0",
    "1. e4 (1. d4 e5 1-0",
    "1. e4 e5) 1-0",
    "(1. e4) e4 1-0",
    "1. e4 () e5 1-0",
    "1. e4 ({only a word}) e5 1-0",
    "1. e4 (1. Ke2) e5 1-0",
    "1. e4 (1. d4 1-0) e5 1-0",
    "1. e4 (--) e5 1-0",
    "1. e4 -- 1-0",
    "1. e4 e5 3. Nf3 1-0",
    "1. e4 0001... e5 1-0",
    "1. e2e4 e7-e5 1-0",
    "1. e4 e5 2. 0-0 1-0",
    "1. e4 e5 2. Pd4 ed4 1-0",
    "1. e4 e5 2. Ke2 Ke7 3. O-O 1-0",
    "1. Nc3 a6 2. Nf3 a5 3. Nd4 a4 4. Nb5 a3 5. Nbd5 1-0",
    "1. e4 e5",
    "1. e4 e5 1-0 0-1",
    "1. e4 e5 2. … Nf3 1-0",
    "1. e4 e.p. e5 1-0",
    "1. e4 \u0661. e5 1-0",
    "1. e4 e5 2.2 Nf3 1-0",
    "1. e4.e5 1-0",
    "1. f3 e5 2. g4 Qh4# 3. a3 1-0",
]


@pytest.mark.parametrize("text", ODD)
def test_odd_movetext(text: str) -> None:
    both(b'[Event "x"]\n\n' + text.encode())
    both(text.encode())


@pytest.mark.parametrize(
    "tags",
    [
        '[Event "x"]\n[Event "y"]',
        '[Event "x"]\n[White "a "b" c"]',
        '[Result "1-0"]',
        '[Result "won"]',
        '[FEN "4k3/8/8/8/8/8/8/R3K3 b Q - 3 40"]',
        '[FEN "4k3/8/8/8/8/8/8/R3K3 b Q -"]\n[SetUp "0"]',
        '[FEN "4k3/8/8/8/8/8/8/8 w - - 0 1"]',
        '[SetUp "1"]',
        '[Variant " Standard "]',
        '[Variant ""]',
        '[Variant "Giveaway"]',
        '[White "Bj\u00f6rn"]',
    ],
)
@pytest.mark.parametrize("moves", ["40... Kd7 41. O-O-O+ 0-1", "1. e4 e5 1/2-1/2", "*", ""])
@pytest.mark.parametrize("encoding", ["utf-8", "iso-8859-1"])
def test_tags(tags: str, moves: str, encoding: str) -> None:
    both(f'{tags}\n\n{moves}\n\n[Event "next"]\n\n1. d4 *\n'.encode(encoding))


def test_a_preface_counts_for_the_encoding() -> None:
    both(b'{caf\xe9}\n[Event "x"]\n[White "Bj\xc3\xb6rn"]\n\n1. e4 *\n')


def test_many_short_variations_late_in_a_long_game_take_python_chess(
    closer_looks: list[int],
) -> None:
    shuffle = " ".join(["Nf3 Nf6 Ng1 Ng8"] * 40)
    few = shuffle + " e4 (e3) 1-0"
    many = shuffle + " e4" + " (e3)" * 300 + " 1-0"
    assert both(few.encode())[0][0].complete
    closer_looks.clear()
    list(read_lines("-", stdin=io.BytesIO(few.encode())))
    assert not closer_looks
    list(read_lines("-", stdin=io.BytesIO(many.encode())))
    assert closer_looks


@st.composite
def game_texts(draw: st.DrawFn, *, accidents: int = 0) -> str:
    """A legal game written in one of many ways, with so many accidents at most."""
    moves = draw(games(most=24))
    board = chess.Board()
    style = draw(st.sampled_from(["1. ", "1.", "1 ", "", "both"]))
    out: list[str] = []
    for ply, move in enumerate(moves):
        number = str(board.fullmove_number)
        if style == "both":
            out.append(number + ("." if board.turn else "...") + draw(st.sampled_from(["", " "])))
        elif board.turn and style:
            out.append(number + style[1:])
        others = [board.san(other) for other in board.legal_moves if other != move]
        out.append(board.san_and_push(move))
        out.append(draw(st.sampled_from(["", "", "", "", "!", " $5", " {a (note) 1-0}", "{x}"])))
        out.append(" ")
        if others and draw(st.integers(0, 9)) == 0:
            variation = draw(st.sampled_from(others))
            first = f"{number}{'.' if ply % 2 == 0 else '...'} "
            out.append(f"({draw(st.sampled_from(['', first]))}{variation}) ")
    out.append(draw(st.sampled_from(["1-0", "0-1", "1/2-1/2", "*"])))
    for _ in range(draw(st.integers(0, accidents))):
        at = draw(st.integers(0, len(out) - 1))
        out[at] = draw(st.sampled_from(ACCIDENTS)) + draw(st.sampled_from([out[at], ""]))
    return "".join(out)


ACCIDENTS = [
    *"{}()[];%$*.!?0123x+#O-PQ",
    "1-0",
    "2.",
    "(",
    ") ",
    "e4",
    "Nf3 ",
    "O-O ",
    "--",
    "\n",
    "\n%",
    "\r\n",
    "=Q",
    "e8=Q ",
    "$12 ",
    "?? ",
    " ! ",
    "\x85",
    "\xa0",
    "word ",
    "{c}",
    '\n[Event "y"]\n\n',
    "\x1a",
]


@settings(max_examples=30, deadline=None)
@given(game_texts())
def test_games_written_in_many_ways(text: str) -> None:
    data = f'[Event "x"]\n\n{text}'.encode()
    (read,), error = both(data)
    assert read.complete
    with mock.patch.object(reading_games, "read_block", side_effect=AssertionError("closer look")):
        assert ([read], error) == taken(read_lines("-", stdin=io.BytesIO(data)))


@settings(max_examples=60, deadline=None)
@given(st.lists(game_texts(accidents=2), min_size=1, max_size=2))
def test_games_with_accidents(texts: list[str]) -> None:
    both("\n\n".join(f'[Event "x"]\n\n{text}' for text in texts).encode())


BITS = [
    *'{}()[];%$*"\\\n \t!?.',
    "1-0",
    "0-1",
    "1/2-1/2",
    "1.",
    "2...",
    "1",
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
    " ",
    " e4",
    " e5 ",
    "a4!",
]


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from(BITS), max_size=40).map("".join))
@example("1. e4 (1. d4 (1. c4 Ke4 (Kd5) d4) e4) (")
def test_any_text(text: str) -> None:
    both(text.encode())


# --- SAN ----------------------------------------------------------------------------------------


def as_python_chess(board: chess.Board, word: str) -> chess.Move | None:
    try:
        return board.parse_san(word)
    except ValueError:
        return None


SQUARES = list(chess.SQUARE_NAMES)
WORDS = [
    *(
        f"{piece}{file}{rank}{square}"
        for piece in "NBRQK"
        for square in SQUARES
        for file, rank in [
            ("", ""),
            ("a", ""),
            ("d", ""),
            ("h", ""),
            ("", "1"),
            ("", "4"),
            ("e", "4"),
            ("c", "7"),
        ]
    ),
    *(
        f"{pawn}{square}{promotion}"
        for pawn in ["", *(f"{file}x" for file in "abcdefgh")]
        for square in SQUARES
        for promotion in ("", "=Q", "=N")
    ),
    "O-O",
    "O-O-O",
    "O-O+",
    "Nxf3",
    "Nf3+",
    "Qh5#",
    "0-0",
    "--",
    "e2e4",
    "",
    "Pe4",
    "xe4",
    "ed5",
]


def agrees(board: chess.Board) -> None:
    """What `play` takes python-chess takes alike; and it takes each legal move as it is written."""
    for word in WORDS:
        found = play(board, [word])
        assert found is None or found == (as_python_chess(board, word),), (board.fen(), word)
    for move in board.legal_moves:
        assert play(board, [board.san(move)]) == (move,), (board.fen(), move)


@pytest.mark.parametrize(
    "fen",
    [
        chess.STARTING_FEN,
        "r3k2r/pppppppp/8/8/8/8/PPPPPPPP/R3K2R w KQkq - 0 1",
        "r3k2r/pppppppp/8/8/8/8/PPPPPPPP/R3K2R b Kq - 0 1",
        "4k3/8/8/8/8/8/8/R3K2R w - - 0 1",
        "4kr2/8/8/8/8/8/8/R3K2R w KQ - 0 1",  # not over f1
        "1r2k3/8/8/8/8/8/8/R3K2R w KQ - 0 1",  # an attack on b1 does no harm
        "4k3/8/8/8/4q3/8/8/R3K2R w KQ - 0 1",  # not out of check
        "4k3/8/8/8/8/8/3p4/R3K2R w KQ - 0 1",
        "8/8/8/8/8/8/6k1/4K2R w K - 0 1",  # the other king attacks, too
        "4k3/8/8/8/8/5N2/8/1N2K3 w - - 0 1",  # two knights to d2
        "4k3/8/8/8/1b6/8/3N4/4K1N1 w - - 0 1",  # of two knights one is pinned
        "4k3/8/8/1b6/8/8/3R1R2/4K3 b - - 0 1",
        "4k3/8/8/2pP4/8/8/8/4K3 w - c6 0 1",
        "8/8/8/K1pP3r/8/8/8/4k3 w - c6 0 1",  # taking in passing bares the king
        "4k3/P6P/8/8/8/8/p6p/4K3 w - - 0 1",
        "1n2k3/P7/8/8/8/8/p7/1N2K3 b - - 0 1",
        "4k3/8/8/8/8/4p3/4P3/4K3 w - - 0 1",
        "8/8/8/8/8/1k6/1q6/K7 w - - 0 1",
        "3k4/3r4/8/8/8/8/8/q2KQ3 w - - 0 1",
        "k7/8/8/3Q4/8/1Q6/8/3Q3K w - - 0 1",
        "4k3/8/8/8/8/8/4r3/4K3 w - - 0 1",  # the man that gives check can be taken
        "4k3/8/8/8/8/3n4/8/3RK3 w - - 0 1",
        "4k3/8/8/8/8/8/3p4/4K2B w - - 0 1",
    ],
)
def test_words_in_chosen_positions(fen: str) -> None:
    board = chess.Board(fen)
    agrees(board)
    agrees(board.mirror())


@settings(max_examples=12, deadline=None)
@given(positions(least=3, most=9))
def test_words_in_any_position(board: chess.Board) -> None:
    agrees(board)


@settings(max_examples=40, deadline=None)
@given(games(most=120), st.integers(0, 20))
def test_moves_of_any_game(moves: list[chess.Move], skipped: int) -> None:
    """The whole game from any of its positions on, castling and taking in passing included."""
    board = chess.Board()
    sans = [board.san_and_push(move) for move in moves]
    start = chess.Board()
    for move in moves[:skipped]:
        start.push(move)
    assert play(start, sans[skipped:]) == tuple(moves[skipped:])
    for other in itertools.islice(board.legal_moves, 3):
        san = board.san(other)
        assert play(start, [*sans[skipped:], san]) == (*moves[skipped:], other)


LOST = [
    ["Kd1", "Ra7", "Ke1", "Ra8", "O-O"],
    ["Rg1", "Ke7", "Rh1", "Ke8", "O-O"],
    ["Rxh8+", "Kd7", "Rxa8", "Rxa8"],
    ["Rxa8+", "Kd7", "Rxh8", "Ke7", "O-O-O"],
    ["Rxa8+", "Ke7", "Ra1", "Ke8", "O-O"],
    ["Rxa8+", "Ke7", "Ra1", "Ke8", "O-O-O"],
]


def test_castling_is_lost_for_good() -> None:
    """After the king or a rook has moved and returned, or the rook was taken."""
    whole = chess.Board("r3k2r/8/8/8/8/8/8/R3K2R w KQkq - 0 1")
    replaced = chess.Board("4k2r/8/8/7r/8/8/1B6/4K3 w k - 0 1")
    for board, sans in (
        (replaced, ["Bc1", "Rh1+", "Kd2", "O-O"]),
        (replaced, ["Bxh8", "Rxh8", "Kd2", "O-O"]),
        *((whole, sans) for sans in LOST),
    ):
        replay, moves = board.copy(), []
        for san in sans:
            move = as_python_chess(replay, san)
            if move is None:
                break
            replay.push(move)
            moves.append(move)
        expected = tuple(moves) if len(moves) == len(sans) else None
        assert play(board, sans) == expected, sans


def test_a_chance_to_take_in_passing_lasts_one_move() -> None:
    sans = ["e4", "a6", "e5", "d5"]
    assert play(chess.Board(), [*sans, "exd6"]) is not None
    assert play(chess.Board(), [*sans, "h3", "h6", "exd6"]) is None


def test_the_usual_start_is_not_changed() -> None:
    for read in read_lines(HERE / "data" / "four_men_games.pgn"):
        assert read.start is not None
    assert chess.Board().fen() == fastread._USUAL.fen()
    assert play(fastread._USUAL, ["e4", "e5"]) == play(chess.Board(), ["e4", "e5"])
