"""What is read in a comment, what is left alone, and what position it is taken to speak of."""

from __future__ import annotations

import io
import unicodedata

import chess
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from convert.model import Side
from convert.model.findings import Kind, Slot, Statement, Written
from convert.proofreading.comments import split
from convert.proofreading.nags import NAGS
from convert.proofreading.phrase_list import GROUPS
from convert.proofreading.phrases import PHRASES
from convert.proofreading.statements import find_statements
from convert.reading.games import read_games

FEN = "8/8/8/3k4/8/3K4/3P4/8 w - - 0 45"


def statements(movetext: str, fen: str = FEN, result: str = "*") -> tuple[Statement, ...]:
    """The statements of a game of Calloway against Dole."""
    text = (
        f'[White "Calloway, Ines"]\n[Black "Dole, Hal"]\n[Result "{result}"]\n[SetUp "1"]\n'
        f'[FEN "{fen}"]\n\n{movetext} {result}\n'
    )
    read = next(read_games("-", stdin=io.BytesIO(text.encode())))
    assert read.game is not None
    return find_statements(read.game)


def said(comment: str) -> list[tuple[Kind, str]]:
    """Kind and reading of what stands in a comment behind 45.Ke3, if it can be checked."""
    found = statements(f"45. Ke3 {{{comment}}}")
    return [(s.kind, s.reading) for s in found if not s.why]


EXAMPLES = [(group, example) for group in GROUPS for example in group.examples]


@pytest.mark.parametrize(("group", "text"), EXAMPLES, ids=[text for _, text in EXAMPLES])
def test_every_documented_example_is_read(group, text: str) -> None:
    (found,) = statements(f"45. Ke3 {{{text}}}")
    assert found.kind is group.kind
    assert found.why == ""
    assert found.quote == text.rstrip(".!")
    assert found.written is Written.WORDS
    assert found.reading


def test_every_phrase_is_documented() -> None:
    assert {phrase.name for phrase in PHRASES} == {group.name for group in GROUPS}
    assert all(
        phrase.kind is group.kind
        for phrase in PHRASES
        for group in GROUPS
        if phrase.name == group.name
    )


@pytest.mark.parametrize(
    "text",
    [
        "White wins a pawn.",
        "White wins the race.",
        "White wins back the piece.",
        "Black loses a piece.",
        "Black loses time.",
        "Black is losing a pawn.",
        "White draws the king out.",
        "The king is drawn to the edge.",
        "The knight draws fire.",
        "White won.",
        "Black lost on time.",
        "Draw agreed.",
        "White probably wins.",
        "White should win.",
        "White would win.",
        "White was winning.",
        "Is White winning?",
        "Does Black hold?",
        "The only weak pawn.",
        "White holds the e-file.",
        "Black holds on to the pawn.",
        "White is better off waiting.",
        "White is better placed.",
        "White has a winning plan in mind.",
        "This wins the exchange.",
        "The move wins time.",
        "45.Kc3 wins a pawn.",
        "Black's only move is Kd6.",
        "He wins.",
        "Neither side wins.",
        "The white pawn wins.",
        "White draws level.",
        "not the only move",
        "45.Kc3 draws the king.",
        "Not a draw.",
        "White is winning material.",
        "The position is no longer drawn.",
        "No longer equal.",
        "The exchange of rooks is a threat.",
        "Black should trade queens.",
        '[%clk 0:01:02] [fullpoint: "White wins": refuted. Drawn (table).]',
    ],
)
def test_nothing_is_read_where_nothing_is_claimed(text: str) -> None:
    assert statements(f"45. Ke3 {{{text}}}") == ()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("If Black takes, White wins.", "another case"),
        ("Otherwise White wins.", "another case"),
        ("After Kd5 White wins.", "another case"),
        ("White wins with Kd4.", "without its number"),
        ("Black hopes that White draws.", "aim"),
        ("The trainer thought that White wins.", "opinion"),
        ("For practical purposes White is winning.", "guess"),
        ("Before that White is winning.", "earlier position"),
        ("45.Kh8 wins.", "cannot be played"),
        ("47.Kc3 wins.", "do not start from"),
        ("45.Kc3 45.Kc2 wins.", "several lines"),
        ("45.Kc3 Ke4 46.Kc4 is good. White wins.", "moves named before"),
        ("Better is 45.Kc2. White wins.", "moves named before"),
        ("Black agreed that White wins.", "how the game went"),
        ("The game is drawn.", "how the game went"),
        ("The last round tells that White wins.", "how the game went"),
        ("It is not true that White wins.", "denial"),
        ("Black's only move.", "not Black's"),
    ],
)
def test_what_cannot_be_placed_is_not_guessed(text: str, why: str) -> None:
    (found,) = statements(f"45. Ke3 {{{text}}}")
    assert why in found.why


def fens(comment: str) -> list[str]:
    """Positions that the statements of a comment behind 45.Ke3 speak of."""
    return [s.fen for s in statements(f"45. Ke3 {{{comment}}}")]


def after(*moves: str, fen: str = FEN) -> str:
    """FEN after moves."""
    board = chess.Board(fen)
    for san in moves:
        board.push_san(san)
    return board.fen()


def test_the_position_that_is_spoken_of() -> None:
    assert fens("White wins.") == [after("Ke3")]
    assert fens("This wins.") == [after("Ke3")]
    assert fens("45.Kc3 wins.") == [after("Kc3")]
    assert fens("45...Ke5 draws.") == [after("Ke3", "Ke5")]
    assert fens("After 45.Kc3, White wins.") == [after("Kc3")]
    assert fens("After 45.Kc3! White wins.") == [after("Kc3")]
    assert fens("After 45.Kc3 Ke4 46.Kc4 White wins.") == [after("Kc3", "Ke4", "Kc4")]
    assert fens("White wins, since 45...Ke5 runs into 46.d4+.") == [after("Ke3")]
    assert fens("45.Kc3 wins, but 45.Kc2 only draws.") == [after("Kc3"), after("Kc2")]
    assert fens("Better is 45.Kc2. Now Black draws.") == [after("Ke3")]
    assert fens("45.Ke3! The position is drawn.") == [after("Ke3")]
    assert fens("Only 45.Kc3 wins.") == [FEN]
    (earlier,) = statements("45. Ke3 Ke5 46. d4+ Kd5 {45.Kc3 would have won.}")
    assert earlier.fen == after("Kc3")


def test_the_side_that_is_spoken_of() -> None:
    assert said("This wins.") == [(Kind.RESULT, "White wins")]
    assert said("45...Ke5 wins.") == [(Kind.RESULT, "after 45...Ke5, Black wins")]
    assert said("Calloway is winning.") == [(Kind.RESULT, "White wins")]
    assert said("Dole is lost.") == [(Kind.RESULT, "Black loses")]
    assert said("Black is worse.") == [(Kind.ADVANTAGE, "White is better")]


def test_places() -> None:
    found = statements(
        "{White is winning.} 45. Ke3 Ke5 ({Also drawn:} 45... Kc4 46. d3+ (46. Ke4 {Drawn.}) 46... "
        "Kd5 $10) 46. d4+ $1"
    )
    assert [(s.place.slot, s.place.label, s.place.branch) for s in found] == [
        (Slot.START, "start", ""),
        (Slot.BEFORE, "45...Kc4", "45...Kc4"),
        (Slot.AFTER, "46.Ke4", "45...Kc4 46.Ke4"),
        (Slot.AFTER, "46...Kd5", "45...Kc4 46.d3+ Kd5"),
        (Slot.AFTER, "46.d4+", ""),
    ]
    assert [s.place.path for s in found] == [(), (0, 1), (0, 1, 1), (0, 1, 0, 0), (0, 0, 0)]
    assert [s.place.ply for s in found] == [0, 2, 3, 4, 3]


def test_nags() -> None:
    found = statements("45. Ke3 $1 $18 $22 $139 $140 $255")
    assert [(s.quote, s.kind, s.side) for s in found] == [
        ("$1", Kind.GOOD, Side.WHITE),
        ("$18", Kind.RESULT, Side.WHITE),
        ("$22", Kind.ZUGZWANG, Side.WHITE),
    ]
    assert all(1 <= number <= 139 for number in NAGS)


def test_a_null_move_is_walked_over() -> None:
    found = statements("45. Ke3 Ke5 (45... -- $7 {The only move.} 46. Kd3 {White wins.}) 46. d4+")
    assert [bool(s.why) for s in found] == [True, True, False]
    assert found[2].place.branch == "45...-- 46.Kd3"


def test_no_statement_in_an_empty_game() -> None:
    assert statements("") == ()
    assert statements("{White wins.}", result="1-0")[0].place.label == "start"


def test_the_result_of_the_game_is_told_from_a_claim() -> None:
    assert [s.last for s in statements("45. Ke3 {White wins.}", result="1-0")] == [True]
    assert [s.last for s in statements("45. Ke3 {White wins.}", result="0-1")] == [False]
    assert [s.last for s in statements("45. Ke3 {White wins.} Ke5", result="1-0")] == [False]


WORDS = [
    "White",
    "Black",
    "wins",
    "draws",
    "loses",
    "is",
    "winning",
    "lost",
    "drawn",
    "only",
    "move",
    "the",
    "45.Kc3",
    "45...Ke5",
    "46.d4+",
    "45.",
    "...",
    "?",
    "!",
    "(",
    ")",
    "[",
    "]",
    "{",
    ";",
    "if",
    "after",
    "not",
    "\x01",
    "\x02",
    "\x03",
    "[%clk",
    "[fullpoint:",
    "$18",
    "é",
    "\u2654e4",
    "1-0",
    "\t",
    "must",
    "exchange",
    "rooks",
    "zugzwang",
    "mutual",
    ",",
    "-",
    "—",
]


@given(st.lists(st.sampled_from(WORDS), max_size=14).map(" ".join) | st.text(max_size=60))
@example("White wins [%clk 0:0")
@example("\x01\x02 wins")
def test_hostile_comments(comment: str) -> None:
    """Nothing breaks, and every quotation stands in the comment."""
    for sentence in split(comment, "Calloway", "Dole"):
        for clause in sentence.clauses:
            assert len(clause.masked) == clause.end - clause.start
            assert 0 <= clause.start < clause.end <= len(comment)
    plain = "".join(
        " " if c == "}" or unicodedata.category(c) in ("Cc", "Cs") else c for c in comment
    )
    flat = " ".join(plain.split())
    for statement in statements("45. Ke3 {" + plain + "}"):
        assert statement.quote.removesuffix("...") in flat


@given(st.permutations(["White wins.", "Drawn.", "The only move.", "If Black waits, White wins."]))
def test_sentences_are_read_each_for_itself(sentences: list[str]) -> None:
    alone = [s for text in sentences for s in statements(f"45. Ke3 {{{text}}}")]
    together = statements("45. Ke3 {" + " ".join(sentences) + "}")
    assert [(s.kind, s.reading, s.why) for s in together] == [
        (s.kind, s.reading, s.why) for s in alone
    ]
