"""The features an estimate looks at: the same for mirror images, true of what they name."""

from __future__ import annotations

import chess
from hypothesis import given
from strategies import positions

from convert.board.features import features
from convert.judging.view import view
from convert.rules import position_voices


def seen(board: chess.Board, side: chess.Color) -> dict[str, float]:
    facts = features(board)
    return dict(view(facts, position_voices(board, facts), side))


@given(positions(most=8))
def test_colours_changed_the_other_side_sees_the_same(board: chess.Board) -> None:
    for side in chess.COLORS:
        assert seen(board, side) == seen(board.mirror(), not side)


@given(positions(most=8))
def test_left_and_right_do_not_matter(board: chess.Board) -> None:
    board = board.copy()
    board.castling_rights = 0
    mirrored = board.transform(chess.flip_horizontal)
    plain, turned = seen(board, chess.WHITE), seen(mirrored, chess.WHITE)
    assert {k: v for k, v in plain.items() if not k.startswith("rule")} == {
        k: v for k, v in turned.items() if not k.startswith("rule")
    }


def test_a_known_position() -> None:
    told = seen(chess.Board("8/5p2/6k1/3P4/5K2/8/5P2/8 w - - 0 1"), chess.WHITE)
    assert told["pawn ending: this kind"] == 1
    assert told["lead in worth"] == told["pawn ending: more pawns"] == 1
    assert told["own passed pawns"] == 1
    assert told["own foremost passed pawn"] == (4 / 6) ** 2
    assert told["own passed pawn: king with it"] == 3 - 2
    assert told["pawn ending: to move"] == 1
    assert "opposite bishops" not in told
