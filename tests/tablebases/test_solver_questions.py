"""Which proofs are tried first, by a guess at the chances; a wrong guess proves nothing wrong."""

from __future__ import annotations

from collections.abc import Sequence

import chess
from hypothesis import given, settings
from hypothesis import strategies as st

from tablebases.solver import Budget
from tablebases.solver.scopes import Likely, questions_by_chances, questions_by_men
from tablebases.solver.structures import LOWER, UPPER
from tablebases.solver.trying import Solver
from tablebases.values import Outcome

CHANCES = st.tuples(st.floats(0, 1), st.floats(0, 1)).map(
    lambda pair: (pair[0], (1 - pair[0]) * pair[1])
)
KNOWN = {
    "8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1": Outcome.WIN,
    "8/8/3p4/3k4/8/3K4/3P4/8 w - - 0 1": Outcome.DRAW,
    "8/8/8/4k1p1/4p1P1/8/8/4K3 w - - 0 1": Outcome.LOSS,
}
"""Worth for the side to move, as solved without any guess."""


@given(st.lists(CHANCES, min_size=1, max_size=5))
def test_each_question_is_asked_once(chances: list[Likely]) -> None:
    asked = questions_by_chances(chances)
    assert sorted((q.colour, q.mode) for q in asked) == sorted(
        (colour, mode) for colour in chess.COLORS for mode in (LOWER, UPPER)
    )
    assert any(question.most > 100 for question in asked)


@given(st.lists(CHANCES, min_size=1, max_size=5))
def test_the_colours_are_alike(chances: list[Likely]) -> None:
    """Chances turned round ask the same of the other colour, but for the order of equals."""

    def told(chances: list[Likely]) -> dict[tuple[bool, int], float]:
        return {(q.colour, q.mode): q.most for q in questions_by_chances(chances)}

    turned = told([(black, white) for white, black in chances])
    assert {(not colour, mode): most for (colour, mode), most in turned.items()} == told(chances)


def test_what_nobody_expects_gets_cheap_steps_alone() -> None:
    """A likely win is tried first; where a draw is likely nobody's win is worth a long proof."""
    first, *others = questions_by_chances([(0.9, 0.0), (0.4, 0.1)])
    assert (first.colour, first.mode) == (chess.WHITE, LOWER)
    cheap = [(q.colour, q.mode) for q in others if q.most <= 1.0]
    assert cheap == [(chess.BLACK, LOWER)]
    drawn = questions_by_chances([(0.1, 0.05)])
    assert [q.mode for q in drawn] == [UPPER, UPPER, LOWER, LOWER]
    assert [q.most <= 1.0 for q in drawn] == [False, False, True, True]


def test_by_the_men_the_stronger_side_is_asked_about_first() -> None:
    board = chess.Board("8/5p2/4knp1/8/8/5PP1/3R2K1/8 w - - 0 1")
    first = questions_by_men([board])[0]
    assert (first.colour, first.mode) == (chess.WHITE, LOWER)
    first = questions_by_men([board.mirror()])[0]
    assert (first.colour, first.mode) == (chess.BLACK, LOWER)


@settings(max_examples=8)
@given(st.sampled_from(sorted(KNOWN)), CHANCES, st.sampled_from([0.3, 2.0, 20.0]))
def test_a_wrong_guess_proves_nothing_wrong(fen: str, chances: Likely, seconds: float) -> None:
    board, asked = chess.Board(fen), []

    def likely(boards: Sequence[chess.Board]) -> list[Likely]:
        asked.append(len(boards))
        return [chances] * len(boards)

    budget = Budget(seconds, threads=1, at_once=0.0)
    low, high = Solver([board], budget, likely=likely, moves_too=True).run().interval(board)
    assert low <= KNOWN[fen] <= high
    assert asked in ([], [1])


def test_the_worths_above_are_right() -> None:
    for fen, worth in KNOWN.items():
        board = chess.Board(fen)
        assert Solver([board], Budget(20.0, threads=1)).run().interval(board) == (worth, worth)


def test_the_kind_of_a_draw_costs_no_more_than_was_given() -> None:
    """Five men are settled whatever it takes; whether the fifty-move rule makes the draw is not.

    Here that takes 118 planned seconds, a minute and more of a review.
    """
    board = chess.Board("8/8/8/6pk/8/5K1P/5P2/8 b - - 0 1")
    solver = Solver([board], Budget(seconds=10.0, settled=5, at_once=2.0))
    low, high = solver.run().interval(board)
    assert low.points == high.points == Outcome.DRAW.points
    assert solver.spent < 10
