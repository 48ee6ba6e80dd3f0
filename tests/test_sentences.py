"""Patterns that no sentence of a report may show, read over whole games.

``long``: over 500 games made by chance, or those of the file that FULLPOINT_SENTENCES names.
"""

from __future__ import annotations

import io
import itertools
import os
import random
import re
from functools import cache
from pathlib import Path

import chess
import chess.pgn
import pytest
from rich.console import Console

from convert.judging.bench import fresh
from convert.judging.judges import EFFORTS, Bench, Effort, EffortName
from convert.model import Review
from convert.reading.games import read_games
from convert.reading.records import GameRead
from convert.reports.html_lines import positions
from convert.reports.sections import Board, Labelled, Strip, sections, texts_of
from convert.reports.terminal import print_review
from convert.review.game import review_game
from convert.wording.finish import deciding_words, finished_words
from convert.wording.slips import played_after
from convert.wording.small import counted
from convert.wording.verdicts import CERTAIN_GRADES, mentioned, shown_phases, verdict_words
from tablebases.probing import SyzygyProber, open_tables

ROOT = Path(__file__).parent
#: The demo games, games of masters, and endings of club players (tests/data/SOURCES.md).
GAMES = [
    *((path.name, 0) for path in sorted((ROOT.parent / "demo_games").glob("*.pgn"))),
    *(("classic_games.pgn", number) for number in range(0, 28, 2)),
    *(("four_men_games.pgn", number) for number in range(0, 100, 5)),
]

#: What is wrong in a sentence, and why.
WRONG = {
    r"\b1 (?:plies|moves|pawns|times|slips|trades|positions|men)\b": "numbers agree",
    r"\b(?:[02-9]|\d\d+) (?:ply|move|slip|time)\b(?!-)": "numbers agree",
    r"\bpawns on [a-h][1-8](?! and|,)": "one pawn",
    r"\bpawn on [a-h][1-8](?:, [a-h][1-8]|) and [a-h][1-8]": "several pawns",
    r"\b([a-z]{2,}) \1\b(?<!that that)(?<!had had)": "a word twice",
    r"\.\.(?!\.)(?<!\.\.\.)": "two stops",
    r" (?:[,;:]|\.(?!\.))": "a blank before a sign",
    r"\(\)|\[\]": "empty brackets",
    r"\bNone\b|\bTrue\b|\bFalse\b|\{": "a value that is no word",
    r"\band \d+ more slips?\b(?!.*followed)": "slips hidden",
    r"[Tt]urning point": "knowledge told as a cause",
    r"\b[Aa]n? (?:estimate, )?(?:\d+\.)": "an article before a move",
}
_MOVE = re.compile(
    r"(?<![\d.])(\d+)(\.{3}|\.)(O-O(?:-O)?|[KQRBN]?[a-h]?[1-8]?x?[a-h][1-8](?:=[QRBN])?)[+#]?(\?)?"
)


@cache
def _reads(name: str) -> tuple[object, ...]:
    folder = ROOT.parent / "demo_games"
    path = folder / name
    return tuple(read_games(path if path.exists() else ROOT / "data" / name))


@cache
def review_of(name: str, number: int) -> Review:
    read = _reads(name)[number]
    bench = Bench(open_tables(), effort=EFFORTS[EffortName.QUICK])
    return review_game(read, bench)  # type: ignore[arg-type]


#: Of each file the first few; the others are slow.
FIRST = (*GAMES[:9:2], *GAMES[9:13], *GAMES[23:28])


@pytest.mark.parametrize(
    ("name", "number"),
    [pytest.param(*game, marks=[] if game in FIRST else [pytest.mark.slow]) for game in GAMES],
)
def test_sentences(name: str, number: int) -> None:
    _read(review_of(name, number))


#: A look-ahead that is short enough for many games; what is told is told in the same words.
SHORT = Effort(200, 20, proof_nodes=20, proof_checked=20, proof_men=6, proof_slack=2)
MADE = 500


@pytest.mark.long
def test_sentences_of_many_games() -> None:
    named = os.environ.get("FULLPOINT_SENTENCES")
    bench = Bench(open_tables(), effort=SHORT)
    reads = read_games(Path(named)) if named else map(_made, range(MADE))
    number = 0
    for number, read in enumerate(reads, 1):
        fresh(bench)
        if read.moves:
            try:
                _read(review_game(read, bench))
            except AssertionError as error:
                error.add_note(f"game {number} of {named or 'those made by chance'}")
                raise
    assert number


def _made(seed: int) -> GameRead:
    """A game made by chance: mates are given, captures and pawn moves come often."""
    draw, board = random.Random(seed), chess.Board()
    while not board.is_game_over(claim_draw=True) and board.ply() < 240:
        moves = sorted(board.legal_moves, key=chess.Move.uci)
        mates = [move for move in moves if board.gives_check(move) and _mates(board, move)]
        weights = [
            12 if board.is_capture(move) else 5 if board.piece_type_at(move.from_square) == 1 else 2
            for move in moves
        ]
        board.push(mates[0] if mates else draw.choices(moves, weights)[0])
    game = chess.pgn.Game.from_board(board)
    game.headers["Result"] = board.result(claim_draw=True)
    (read,) = read_games("-", stdin=io.BytesIO(str(game).encode()))
    return read


def _mates(board: chess.Board, move: chess.Move) -> bool:
    board.push(move)
    try:
        return board.is_checkmate()
    finally:
        board.pop()


def _read(review: Review) -> None:
    for text in _texts(review):
        for pattern, why in WRONG.items():
            wrong = re.search(pattern, text)
            assert wrong is None, f"{why}: {wrong and wrong[0]!r} in {text!r}"
    _phases_differ(review)
    _moves_in_order(review)
    _moves_named_were_possible(review)
    _as_played(review)
    _first_screen(review)
    _openings_stay_folded(review)
    _only_moves_are_that(review)
    _differences_show(review)


def _texts(review: Review) -> list[str]:
    """Every sentence of the report but the names of the game, which are the file's."""
    skipped = {f"{review.title}   {review.result}", *(f"Note: {p}" for p in review.problems)}
    number = review.number
    skipped.add(f"{Path(review.file).name}, game {number}")
    parts = (*sections(review), *sections(review, brief=True))
    made = [text for part in parts for piece in part.pieces for text in texts_of(piece)]
    return [text for text in made if text not in skipped]


def _phases_differ(review: Review) -> None:
    names = [phase.name for phase in shown_phases(review)]
    assert all(one != other for one, other in itertools.pairwise(names))


def _moves_in_order(review: Review) -> None:
    """The story tells moves in the order in which they were played."""
    played = []
    for text in review.story:
        outside = re.sub(r"\([^)]*\)", "", text)
        # Until when something lasted is told with its beginning.
        outside = re.sub(r"(from (?:the start|\S+)) to \d+\.+\S+", r"\1", outside)
        played += [int(m[1]) * 2 + (m[2] == "...") for m in _MOVE.finditer(outside)]
    suspects = [text for text in review.story if text.startswith("No slip is certain")]
    assert played[: len(played) - len(suspects)] == sorted(played[: len(played) - len(suspects)])


def _moves_named_were_possible(review: Review) -> None:
    """Each numbered move of the story and the first screen was legal where it is told."""
    boards = {}
    board = chess.Board(review.start_fen)
    for record in review.plies:
        boards[record.number, record.side.color] = board.copy(stack=False)
        board.push_uci(record.uci)
    texts = [*review.story, *finished_words(review)]
    texts += [text for text in deciding_words(review) if not text.startswith("Line:")]
    texts += [text for only in sections(review) if only.ident == "only" for text in _flat(only)]
    for text in texts:
        for match in _MOVE.finditer(text):
            place = boards[int(match[1]), match[2] == "."]
            assert place.parse_san(match[3]) in place.legal_moves


def _flat(section: object) -> list[str]:
    return [text for piece in section.pieces for text in texts_of(piece)]  # type: ignore[attr-defined]


def _as_played(review: Review) -> None:
    """*As played* shows the game's own moves."""
    for slip in review.slips:
        moves = played_after(review, slip)
        own = [record.san for record in review.plies[slip.ply : slip.ply + len(moves)]]
        assert list(moves) == own
        if slip.handed_back is not None and slip.handed_back - slip.ply <= 12:
            assert slip.ply + len(moves) == slip.handed_back


def _first_screen(review: Review) -> None:
    out = io.StringIO()
    print_review(review, Console(file=out, width=80, color_system=None))
    text = out.getvalue()
    head = min(
        text.find(f"\n{title}\n")
        for title in ("The story", "Where it slipped")
        if f"\n{title}\n" in text
    )
    assert len(text[:head].splitlines()) <= 30, text[:head]
    assert finished_words(review)[0].split(",")[0][:20] in text[:head]


def _openings_stay_folded(review: Review) -> None:
    if review.start_fen.split()[0] != chess.STARTING_BOARD_FEN:
        return
    for section in sections(review):
        if section.ident != "trades":
            continue
        for piece in section.pieces:
            if isinstance(piece, Board):
                number = int(piece.caption.partition("Before ")[2].partition(".")[0])
                settled = any(word in " ".join(piece.words) for word in ("the result", "(table"))
                assert number > 10 or settled


def _differences_show(review: Review) -> None:
    """A move is called better or worse than another only where the words for both differ."""
    decisions = [*review.declined, *(d for trade in review.trades for d in trade.decisions)]
    for decision in decisions:
        if decision.best is not None and decision.difference and mentioned(decision):
            if decision.grade in CERTAIN_GRADES:
                continue
            assert verdict_words(decision.best.verdict) != verdict_words(decision.after)


def _only_moves_are_that(review: Review) -> None:
    """What is called the only move keeps a result that no other move keeps, as far as tables go."""
    boards = positions(review)
    tables = open_tables()
    for only in review.only_moves:
        board = boards[only.ply - 1]
        assert only.san in {board.san(move) for move in board.legal_moves}
        for move in list(board.legal_moves):
            named = board.san(move) == only.san
            board.push(move)
            if chess.popcount(board.occupied) <= 4 and not board.castling_rights:
                worth = _points(tables, board)
                assert worth is None or (-worth >= only.kept.points) == named, board.fen()
            board.pop()


def _points(tables: SyzygyProber, board: chess.Board) -> int | None:
    """1, 0 or -1 for the side to move, by the table alone; None where it rounds."""
    outcome = board.outcome()
    if outcome is not None:
        return 0 if outcome.winner is None else 1 if outcome.winner == board.turn else -1
    answer = tables.outcome_or_none(board)
    if answer is None or answer.low.points != answer.high.points:
        return None
    return answer.low.points


def test_made_games_are_games() -> None:
    review = review_game(_made(1), Bench(open_tables(), effort=SHORT))
    assert len(review.plies) > 20
    _read(review)


def test_the_patterns_catch_what_they_are_for() -> None:
    bad = {
        "by 1 plies in all",
        "White made 2 move",
        "only the pawns on d6 remain",
        "the the move",
        "and 4 more slips",
        "Turning point: from 46.Kg5",
    }
    for text in bad:
        assert any(re.search(pattern, text) for pattern in WRONG), text
    assert not any(re.search(pattern, "54...Kg5 held (1 ply).") for pattern in WRONG)


def test_numbers_agree() -> None:
    assert [counted(n, "ply") for n in (0, 1, 2)] == ["0 plies", "1 ply", "2 plies"]
    assert [counted(n, "more slip") for n in (1, 3)] == ["1 more slip", "3 more slips"]


def test_rows_and_strips_have_their_texts() -> None:
    assert texts_of(Labelled("a", "b")) == ("a", "b")
    assert texts_of(Strip(())) == ()
