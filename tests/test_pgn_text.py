"""PGN export format: the rules of the 1994 standard, and that nothing is lost on the way.

All games are invented.
"""

from __future__ import annotations

import io
import itertools
import re
from random import Random

import chess
import chess.pgn
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from convert.reading.games import read_games
from convert.rim.pgn_text import (
    comment_of,
    export_game,
    safe_comment,
    starting_comment_of,
)

ROSTER = ["Event", "Site", "Date", "Round", "White", "Black", "Result"]


def read(text: str) -> chess.pgn.Game:
    (found,) = read_games("-", stdin=io.BytesIO(text.encode()))
    assert found.complete
    assert found.game is not None
    assert {problem.reason for problem in found.problems} <= {"no moves"}
    return found.game


def plain(text: str) -> chess.pgn.Game:
    """The first game as python-chess alone reads it."""
    game = chess.pgn.read_game(io.StringIO(text))
    assert game is not None
    assert not game.errors
    return game


def export(movetext: str, tags: str = "") -> str:
    return export_game(read(f"{tags}\n{movetext}"))


def movetext(text: str) -> list[str]:
    """Lines between the two empty lines of an exported game."""
    tags, moves, rest = text.split("\n\n")
    assert rest == ""
    assert tags.startswith("[Event ")
    return moves.split("\n")


# --- tags (section 8.1) -----------------------------------------------------------------------


def test_seven_tag_roster_first_then_ascii_order() -> None:
    """Section 8.1.1: the roster in order, further tags in ASCII order by name."""
    text = export(
        "1. e4 *", '[Round "3"]\n[event "low"]\n[Zone "z"]\n[Board "2"]\n[ECO "B00"]\n[Site "S"]\n'
    )
    names = re.findall(r"^\[(\S+)", text, re.MULTILINE)
    assert names == [*ROSTER, "Board", "ECO", "Zone", "event"]
    assert '[Event "?"]\n[Site "S"]\n[Date "????.??.??"]\n[Round "3"]\n' in text


def test_tag_values_are_escaped() -> None:
    """Section 7: backslash before a quote and a backslash; no tabs in strings."""
    game = chess.pgn.Game()
    game.headers["Event"] = 'The "Big" \\ One\t!'
    text = export_game(game)
    assert '[Event "The \\"Big\\" \\\\ One !"]\n' in text
    assert read(text).headers["Event"] == 'The "Big" \\ One !'


@pytest.mark.parametrize("result", ["1-0", "0-1", "1/2-1/2", "*"])
def test_result_token_equals_the_tag(result: str) -> None:
    """Section 8.1.1.7."""
    game = chess.pgn.Game()
    game.headers["Result"] = result
    text = export_game(game)
    assert f'[Result "{result}"]\n\n{result}\n\n' in text


def test_unusual_result_becomes_unknown() -> None:
    game = chess.pgn.Game()
    game.headers["Result"] = "White wins"
    assert export_game(game).endswith('[Result "*"]\n\n*\n\n')


def test_game_without_any_tags() -> None:
    text = export_game(chess.pgn.Game.without_tag_roster())
    assert re.findall(r"^\[(\S+)", text, re.MULTILINE) == ROSTER


def test_setup_tag_goes_with_fen() -> None:
    """Section 9.7."""
    fen = "8/8/4k3/8/4P3/4K3/8/8 b - - 4 61"
    text = export("61... Ke5 62. Kd3 *", f'[FEN "{fen}"]\n')
    assert f'[Result "*"]\n[FEN "{fen}"]\n[SetUp "1"]\n\n61... Ke5 62. Kd3 *\n\n' in text


# --- movetext (section 8.2) -------------------------------------------------------------------


def test_whole_game() -> None:
    text = export(
        "{before} 1. e4! {good} e5 (1... c5!? {sharp} 2. Nf3 (2. c3) d6) (1... e6) 2. Nf3 $1 $13"
        " Nc6 ({first} 2... d6 3. d4 $10) {after} 3. Bb5 a6 1-0",
        '[Result "1-0"]\n',
    )
    assert movetext(text) == [
        "{before} 1. e4 $1 {good} 1... e5 (1... c5 $5 {sharp} 2. Nf3 (2. c3) 2... d6)",
        "(1... e6) 2. Nf3 $1 $13 2... Nc6 {after} ({first} 2... d6 3. d4 $10) 3. Bb5 a6",
        "1-0",
    ]


def test_move_numbers() -> None:
    """Section 8.2.2.2: no number before a Black move that follows White's at once."""
    assert movetext(export("1. e4 e5 2. Nf3 Nc6 *")) == ["1. e4 e5 2. Nf3 Nc6 *"]
    assert movetext(export("1. e4 {x} e5 *")) == ["1. e4 {x} 1... e5 *"]
    assert movetext(export("1. e4 $1 e5 *")) == ["1. e4 $1 1... e5 *"]
    assert movetext(export("1. e4 (1. d4) e5 *")) == ["1. e4 (1. d4) 1... e5 *"]
    assert movetext(export("1. e4 e5 {x} 2. Nf3 *")) == ["1. e4 e5 {x} 2. Nf3 *"]


def test_lines_are_as_full_as_can_be() -> None:
    """Section 8.2.1: less than 80 characters, as many tokens as possible on a line."""
    lines = movetext(export(" ".join(["Nf3 Nf6 Ng1 Ng8"] * 60) + " *"))
    assert max(map(len, lines)) == 79
    for line, following in itertools.pairwise(lines):
        assert len(line) + 1 + len(following.split()[0]) > 79


@pytest.mark.parametrize("columns", [20, 40, 80, 120])
def test_columns(columns: int) -> None:
    game = read("1. e4 {" + "some words of a comment " * 20 + "} e5 (1... c5 2. Nf3 d6) 2. Nf3 *")
    lines = movetext(export_game(game, columns=columns))
    assert max(map(len, lines)) < columns
    assert " ".join(lines) == " ".join(movetext(export_game(game)))


def test_too_few_columns() -> None:
    with pytest.raises(ValueError, match="columns must be at least 20"):
        export_game(chess.pgn.Game(), columns=19)


def test_null_move_in_a_variation() -> None:
    assert movetext(export("1. e4 e5 (1... -- 2. d4) 2. Nf3 *")) == [
        "1. e4 e5 (1... -- 2. d4) 2. Nf3 *"
    ]


def test_nags_beyond_the_standard_are_kept_when_read() -> None:
    assert movetext(export("1. e4 $146 $3 e5 $255 *")) == ["1. e4 $3 $146 1... e5 $255 *"]


def test_deeply_nested_variations() -> None:
    """Deeper than Python lets functions call each other."""
    game = chess.pgn.Game()
    node: chess.pgn.GameNode = game
    node.add_variation(chess.Move.from_uci("g1f3"))
    for i in range(3000):
        move = ("b1c3", "g8f6", "c3b1", "f6g8")[i % 4]
        node = node.add_variation(chess.Move.from_uci(move))
        other = ("b8c6", "g1f3", "c6b8", "f3g1")[i % 4]
        if i % 4 == 0:
            node.add_variation(chess.Move.from_uci(other))
    assert export_game(game).count("(") == 751


# --- comments ---------------------------------------------------------------------------------


def test_long_comment_is_wrapped_with_its_words_unchanged() -> None:
    words = [f"word{i}" for i in range(200)]
    text = export("1. e4 {" + " ".join(words) + "} e5 *")
    lines = movetext(text)
    assert max(map(len, lines)) <= 79
    assert " ".join(lines) == "1. e4 {" + " ".join(words) + "} 1... e5 *"


def test_embedded_commands_are_kept_byte_for_byte() -> None:
    arrows = "[%cal " + ",".join(f"Ga1{file}{rank}" for file in "abcd" for rank in "2345678") + "]"
    comment = f"[%clk  0:01:02][%emt 0:00:01.5] text [%eval -1.25,30] {arrows} end"
    text = export("1. e4 {" + comment + "} e5 *")
    assert "[%clk  0:01:02][%emt 0:00:01.5]" in text
    assert "[%eval -1.25,30]" in text
    assert arrows in text
    (line,) = [line for line in movetext(text) if arrows in line]
    assert line == " " + arrows, "too long for a line: on its own, not at the start of the line"
    assert comment_of(read(text).variations[0]) == comment


def test_command_is_not_broken_at_the_end_of_a_line() -> None:
    for shift in range(60, 80):
        comment = "x" * shift + " [%clk 0:01:02] and more"
        text = export("1. e4 {" + comment + "} e5 *")
        assert "[%clk 0:01:02]" in text
        assert max(map(len, movetext(text))) <= max(79, shift + 3)


@pytest.mark.parametrize("word", ["%", "%x", "[", "[x]", "[%clk 1:02:03]", ";", ";x"])
def test_no_line_starts_with_what_may_be_misread(word: str) -> None:
    """Section 6 (`%` in column 1), section 5 (`;`), section 8.1 (`[`)."""
    for comment in ("a " * 30 + f"{word} " * 80, "b" * 77 + f" {word}", f"{word} " * 80):
        text = export("1. e4 {" + comment + "} e5 *")
        lines = movetext(text)
        assert len(lines) > 1
        assert not [line for line in lines if line[0] in "%[;"]
        assert max(map(len, lines)) <= 79
        assert comment_of(read(text).variations[0]) == comment.strip()
        assert plain(text).variations[0].comment.split() == comment.split()


def test_right_brace_in_a_comment() -> None:
    game = chess.pgn.Game()
    game.comment = "a {b} c"
    assert movetext(export_game(game)) == ["{a {b) c} *"]


@pytest.mark.parametrize("comment", ["", " ", "\n\t "])
def test_empty_comments_are_left_out(comment: str) -> None:
    game = chess.pgn.Game()
    game.comment = comment
    assert movetext(export_game(game)) == ["*"]


def test_comment_before_a_main_line_move_is_kept() -> None:
    game = read("1. e4 {one} e5 *")
    game.variations[0].variations[0].starting_comment = "two"
    text = export_game(game)
    assert movetext(text) == ["1. e4 {one two} 1... e5 *"]
    assert export_game(read(text)) == text


def test_comments_as_a_list_are_read_too() -> None:
    """Later versions of python-chess hold a list of comments."""

    class Node:
        comments = ("one", "", "two")
        starting_comments = ("three",)

    class Bare:
        comments: tuple[str, ...] = ()

    assert comment_of(Node()) == "one two"  # type: ignore[arg-type]
    assert starting_comment_of(Node()) == "three"  # type: ignore[arg-type]
    assert comment_of(Bare()) == ""  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("plain", "plain"),
        (" a\n b\t\tc ", "a b c"),
        ("{x} and }", "(x) and )"),
        ("bell\a\x00", "bell"),
        ("", ""),
        ("1\u00a0000", "1\u00a0000"),
    ],
)
def test_safe_comment(text: str, safe: str) -> None:
    assert safe_comment(text) == safe


@given(st.text(max_size=200))
def test_safe_comment_is_safe(text: str) -> None:
    safe = safe_comment(text)
    assert safe_comment(safe) == safe
    game = chess.pgn.Game()
    game.comment = safe
    assert comment_of(read(export_game(game))) == safe


# --- round trip -------------------------------------------------------------------------------

_CHUNKS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        [
            "{",
            "}",
            "(",
            ")",
            ";",
            "%",
            "%x",
            "[",
            "]",
            "[%clk 0:01:02]",
            "[%csl Ra1,Gb2]",
            "[%",
            "[% a  b ]",
            '[Event "x"]',
            '\n\n[Event "x"]\n',
            "1-0",
            "*",
            "1. e4",
            "\n",
            "\r\n",
            "\n\n",
            "  ",
            "$3",
            "$",
            "\\",
            '"',
            "longer words of a comment about a move",
            "x" * 75,
            "x" * 90,
        ]
    ),
)
COMMENTS = st.lists(_CHUNKS, max_size=8).map(" ".join) | st.lists(_CHUNKS, max_size=8).map("".join)
FENS = [
    None,
    None,
    "8/8/4k3/8/4P3/4K3/8/8 b - - 4 61",
    "4k3/P6P/8/8/8/8/p6p/4K3 w - - 0 40",
    "r3k2r/8/8/8/8/8/8/R3K2R b KQkq - 3 20",
]
TAGS = st.dictionaries(
    st.from_regex(r"[A-Za-z][A-Za-z0-9_]{0,8}", fullmatch=True).filter(
        lambda name: name not in ("FEN", "SetUp", "Variant", "Result")
    ),
    st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=30),
    max_size=4,
)


@st.composite
def games(draw: st.DrawFn) -> chess.pgn.Game:
    """A game of random legal moves with variations, comments and NAGs all over."""
    random: Random = draw(st.randoms(use_true_random=False))
    comments = draw(st.lists(COMMENTS, min_size=1, max_size=4))
    game = chess.pgn.Game()
    fen = draw(st.sampled_from(FENS))
    if fen:
        game.setup(fen)
    game.headers.update(draw(TAGS))
    game.headers["Result"] = draw(st.sampled_from(["1-0", "0-1", "1/2-1/2", "*"]))
    if random.random() < 0.3:
        game.comment = random.choice(comments)
    ends: list[chess.pgn.GameNode] = [game]
    for _ in range(draw(st.integers(0, 25))):
        node = random.choice(ends[-3:])
        used = {child.move for child in node.variations}
        moves = [move for move in node.board().legal_moves if move not in used]
        if not moves:
            continue
        child = node.add_variation(random.choice(moves))
        if random.random() < 0.3:
            child.comment = random.choice(comments)
        if random.random() < 0.2:
            child.nags = set(random.sample(range(256), random.randint(1, 3)))
        if child.starts_variation() and random.random() < 0.4:
            child.starting_comment = random.choice(comments)
        ends.append(child)
    return game


def spaces(text: str) -> str:
    text = re.sub(r"[\x00-\x08\x0e-\x1f\x7f]", "", text.replace("}", ")"))
    return re.sub(r"[ \t\n\r\f\v]+", " ", text).strip(" ")


def tree(node: chess.pgn.GameNode) -> object:
    return (
        spaces(comment_of(node)),
        [
            (child.move.uci(), sorted(child.nags), spaces(starting_comment_of(child)), tree(child))
            for child in node.variations
        ],
    )


@settings(max_examples=150, deadline=None)
@given(games())
def test_round_trip(game: chess.pgn.Game) -> None:
    text = export_game(game)
    again = read(text)
    assert tree(again) == tree(game)
    assert dict(again.headers) == dict(game.headers)
    assert export_game(again) == text, "what was exported once is not changed again"

    alone = plain(text)  # python-chess keeps the backslashes in tag values
    assert tree(alone) == tree(game)
    unescaped = {name: re.sub(r"\\(.)", r"\1", value) for name, value in alone.headers.items()}
    assert unescaped == dict(game.headers)

    for line in movetext(text):
        unbroken = re.sub(r"\[%[^\[\]]*\]", "", line.strip(" "))
        assert len(line) <= 79 or not re.search(r"[ \t\f\v]", unbroken)
        assert line[0] not in "%[;"
        assert not line.endswith(" ")


@settings(max_examples=20, deadline=None)
@given(st.lists(games(), min_size=2, max_size=4))
def test_exported_games_in_a_row_are_a_file(many: list[chess.pgn.Game]) -> None:
    data = "".join(map(export_game, many)).encode()
    again = [found.game for found in read_games("-", stdin=io.BytesIO(data))]
    assert [tree(game) for game in again if game] == [tree(game) for game in many]


@given(COMMENTS)
@example("a\n\n[%clk\n0:01:02] b")
@example("[%cal " + "Ga1a2," * 30 + "]" + " [%x" * 30)
@settings(deadline=None)
def test_any_comment_survives(comment: str) -> None:
    game = chess.pgn.Game()
    game.add_variation(chess.Move.from_uci("e2e4"), comment=comment)
    text = export_game(game)
    again = read(text)
    assert spaces(comment_of(again.variations[0])) == spaces(comment)
    assert export_game(again) == text
