"""Whole outputs against gold files; ``pytest --update-gold`` rewrites them."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import chess
import chess.pgn
import pytest
from demo_reviews import demo_review
from rich.console import Console

from convert.judging.judges import Bench
from convert.model import from_json, to_json
from convert.reading.games import read_games
from convert.reports import Beside, form_called, pieces
from convert.reports.diagram import diagram, in_words
from convert.reports.pgn import annotated
from convert.reports.position_text import print_position
from convert.reports.terminal import print_review
from convert.review.position import judge_position
from tablebases.probing import open_tables

DEMO = Path(__file__).parent.parent / "demo_games"
Gold = Callable[[str, str], None]

POSITIONS = {
    "kpk": "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1",
    "exchange-up": "8/R2n1p2/P1k5/8/3K4/8/8/8 w - - 1 55",
    "kbnk-clock": "8/8/8/3k4/8/8/8/KBN5 w - - 60 90",
    "middlegame": "r2q1rk1/pp2nppp/1bn5/1B1p4/6b1/1N2BN2/PPP2PPP/R2QR1K1 w - - 6 12",
}


def console(file: io.StringIO) -> Console:
    return Console(file=file, width=80, markup=False, highlight=False, emoji=False)


@pytest.mark.parametrize("path", sorted(DEMO.glob("*.pgn")), ids=lambda p: p.stem)
def test_demo_reports(path: Path, gold: Gold) -> None:
    (read,) = read_games(path)
    assert read.game is not None
    review = demo_review(path.stem[:2])
    out = io.StringIO()
    print_review(review, console(out))
    gold(f"{path.stem}.txt", out.getvalue())
    text = annotated(review, read.game)
    gold(f"{path.stem}.pgn", text)
    again = chess.pgn.read_game(io.StringIO(text))
    assert again is not None
    assert not again.errors
    assert list(again.mainline_moves()) == list(read.moves)
    assert from_json(to_json(review)) == review


def test_markdown_and_full_report_of_one_game(gold: Gold) -> None:
    review = demo_review("04")
    gold("04.md", "".join(pieces(form_called("markdown"), [(review, Beside())])))
    out = io.StringIO()
    print_review(review, console(out), full=True)
    gold("04-full.txt", out.getvalue())


def test_json_of_one_game(gold: Gold) -> None:
    review = demo_review("09")
    gold("09.json", "".join(pieces(form_called("json"), [(review, Beside())])))


@pytest.mark.parametrize("name", POSITIONS)
def test_positions(name: str, gold: Gold) -> None:
    report = judge_position(chess.Board(POSITIONS[name]), Bench(open_tables()))
    out = io.StringIO()
    print_position(report, console(out))
    gold(f"position-{name}.txt", out.getvalue())


def test_diagrams_with_letters_and_figures() -> None:
    letters = diagram(POSITIONS["kpk"])
    assert letters[3] == "5  :  .  :  .  k  .  :  . "
    assert letters[-1].strip() == "White to move"
    figures = diagram(POSITIONS["kpk"], figures=True)
    assert "♚" in figures[3]
    assert max(len(line) for line in letters) <= 36
    assert in_words(POSITIONS["kpk"]) == "White: Ke3, pawn e2; Black: Ke5; White to move"
