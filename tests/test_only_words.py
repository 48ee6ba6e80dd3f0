"""*Only* is said of a move when it is certain of all others that they fail."""

from __future__ import annotations

from pathlib import Path

import chess
from demo_reviews import demo_review

from convert.judging.judges import Bench

DEMO = Path(__file__).parent.parent / "demo_games"


def test_only_is_not_said_while_other_moves_are_open(bench: Bench) -> None:
    """48...Rxf7 is proved to win; of other moves with six men on the board nothing is."""
    review = demo_review("02")
    (slip,) = [s for s in review.slips if s.certain]
    board = chess.Board(slip.fen)
    open_moves = [m for m in board.legal_moves if not (bench.after(board, m) or _Open).exact]
    assert open_moves
    assert not slip.complete
    assert "only" not in review.story[1].lower()


def test_only_is_said_when_all_others_fail() -> None:
    review = demo_review("05")
    (slip,) = [s for s in review.slips if s.certain]
    assert slip.complete
    assert "only 54.Kxh4 won" in review.story[1]


class _Open:
    exact = False
