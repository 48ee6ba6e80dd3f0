"""Outcomes, distances and the fifty-move rule, without any table."""

from __future__ import annotations

import itertools
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablebases import Answer, Distance, Outcome, outcome_under_clock
from tablebases.values import AUTOMATIC_DRAW_PLIES, CLAIM_PLIES

WIN, CURSED, DRAW = Outcome.WIN, Outcome.CURSED_WIN, Outcome.DRAW
BLESSED, LOSS = Outcome.BLESSED_LOSS, Outcome.LOSS

outcomes = st.sampled_from(Outcome)
clocks = st.integers(0, 220)


def played_out(plies: int, clock: int, *, winner_to_move: bool) -> bool:
    """Is a line that zeroes or mates after ``plies`` won? Plays it ply by ply.

    The loser claims a draw as soon as the FIDE Laws of Chess allow it: with the move, when the
    clock stands at 100 (9.3.2), or at 99 if he has a move that does not zero (9.3.1). At 150 the
    game is drawn by itself (9.6.2).
    """
    while True:
        if clock >= 150:
            return False
        if not winner_to_move and (clock >= 100 or (clock == 99 and plies > 1)):
            return False
        plies, clock, winner_to_move = plies - 1, clock + 1, not winner_to_move
        if plies == 0:
            return True


@pytest.mark.parametrize("winner_to_move", [True, False])
def test_clock_arithmetic_agrees_with_playing_the_line_out(winner_to_move: bool) -> None:
    decided = {True: 0, False: 0}
    for plies, clock in itertools.product(range(1, 101), range(1, 160)):
        won = played_out(plies, clock, winner_to_move=winner_to_move)
        decided[won] += 1
        wdl, expected = (WIN, WIN if won else CURSED)
        distance = Distance(plies)
        if not winner_to_move:
            wdl, expected, distance = wdl.opposite, expected.opposite, distance.opposite
        assert outcome_under_clock(wdl, distance, clock) == (expected, expected), (plies, clock)
    assert min(decided.values()) > 1000


@pytest.mark.parametrize("winner_to_move", [True, False])
def test_a_rounded_distance_spans_both_true_distances(winner_to_move: bool) -> None:
    open_cases = []
    for plies, clock in itertools.product(range(1, 100), range(1, 160)):
        won = {
            played_out(true, clock, winner_to_move=winner_to_move) for true in (plies, plies + 1)
        }
        possible = {WIN if each else CURSED for each in won}
        distance = Distance(plies, rounded=True)
        if winner_to_move:
            low, high = outcome_under_clock(WIN, distance, clock)
        else:
            low, high = outcome_under_clock(LOSS, distance.opposite, clock)
            low, high = high.opposite, low.opposite
        assert {low, high} == possible, (plies, clock)
        if len(possible) == 2:
            open_cases.append((plies, clock))
    at_the_edge = {(plies, 100 - plies) for plies in range(1, 100)}
    after_the_claim = {(1, clock) for clock in range(100, 150)} if winner_to_move else set()
    assert set(open_cases) == at_the_edge | after_the_claim


@pytest.mark.parametrize(
    ("wdl", "plies", "rounded", "clock", "low", "high"),
    [
        # A win in 53 plies: safe up to a clock of 47, too late from 48 on.
        (WIN, 53, False, 46, WIN, WIN),
        (WIN, 53, False, 47, WIN, WIN),
        (WIN, 53, False, 48, CURSED, CURSED),
        # The same, rounded: 53 or 54 plies.
        (WIN, 53, True, 46, WIN, WIN),
        (WIN, 53, True, 47, CURSED, WIN),
        (WIN, 53, True, 48, CURSED, CURSED),
        (LOSS, -54, False, 46, LOSS, LOSS),
        (LOSS, -54, False, 47, BLESSED, BLESSED),
        (LOSS, -53, True, 47, LOSS, BLESSED),
        # At clock 0 the outcome alone decides, even at 100 plies and rounded.
        (WIN, 100, True, 0, WIN, WIN),
        (LOSS, -100, True, 0, LOSS, LOSS),
        (WIN, 100, False, 1, CURSED, CURSED),
        # Cursed and blessed stay so.
        (CURSED, 101, True, 0, CURSED, CURSED),
        (CURSED, 120, True, 99, CURSED, CURSED),
        (BLESSED, -101, True, 160, BLESSED, BLESSED),
        (DRAW, 0, False, 99, DRAW, DRAW),
        # Nobody claimed: the winner, having the move, may still zero or mate at once.
        (WIN, 1, False, 100, WIN, WIN),
        (WIN, 1, False, 149, WIN, WIN),
        (WIN, 1, False, 150, CURSED, CURSED),
        (WIN, 2, False, 100, CURSED, CURSED),
        (LOSS, -1, False, 99, LOSS, LOSS),
        (LOSS, -1, False, 100, BLESSED, BLESSED),
    ],
)
def test_examples(
    wdl: Outcome, plies: int, rounded: bool, clock: int, low: Outcome, high: Outcome
) -> None:
    assert outcome_under_clock(wdl, Distance(plies, rounded), clock) == (low, high)


def test_the_limits_are_fifty_and_seventy_five_moves_by_each_player() -> None:
    assert CLAIM_PLIES == 2 * 50
    assert AUTOMATIC_DRAW_PLIES == 2 * 75


@pytest.mark.parametrize(
    ("wdl", "plies", "clock", "complaint"),
    [
        (WIN, 3, -1, "negative"),
        (WIN, -3, 0, "contradicts"),
        (WIN, 0, 5, "contradicts"),
        (DRAW, 1, 5, "contradicts"),
        (BLESSED, 101, 5, "contradicts"),
    ],
)
def test_nonsense_is_refused(wdl: Outcome, plies: int, clock: int, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        outcome_under_clock(wdl, Distance(plies), clock)


@given(st.integers(1, 100), st.booleans(), clocks, st.sampled_from([WIN, LOSS]))
def test_a_higher_clock_never_helps_the_winner(
    plies: int, rounded: bool, clock: int, wdl: Outcome
) -> None:
    distance = Distance(plies if wdl > 0 else -plies, rounded)
    now = outcome_under_clock(wdl, distance, clock)
    later = outcome_under_clock(wdl, distance, clock + 1)
    for before, after in zip(now, later, strict=True):
        assert after * wdl <= before * wdl
        assert after * wdl > 0


@given(outcomes)
def test_opposite_turns_everything_over(outcome: Outcome) -> None:
    assert outcome.opposite.opposite is outcome
    assert outcome.opposite.points == -outcome.points
    assert (outcome < DRAW) == (outcome.opposite > DRAW)


def test_points_are_those_under_the_fifty_move_rule() -> None:
    assert [outcome.points for outcome in Outcome] == [-1, 0, 0, 0, 1]


def test_words() -> None:
    assert [outcome.word for outcome in Outcome] == [
        "loss",
        "blessed loss",
        "draw",
        "cursed win",
        "win",
    ]


@given(outcomes, outcomes, st.one_of(st.none(), st.builds(Distance, st.integers(-120, 120))))
def test_answers(one: Outcome, other: Outcome, distance: Distance | None) -> None:
    low, high = sorted((one, other))
    answer = Answer(low, high, distance)
    assert answer.exact == (low == high)
    assert answer.opposite.low == high.opposite
    assert answer.opposite.high == low.opposite
    assert answer.opposite.opposite == answer
    assert pickle.loads(pickle.dumps(answer)) == answer
    if low != high:
        with pytest.raises(ValueError, match="above"):
            Answer(high, low)


def test_answer_words() -> None:
    assert Answer(WIN, WIN).word == "win"
    assert Answer(CURSED, WIN).word == "win or draw: the table rounds"
    assert Answer(CURSED, WIN).opposite.word == "draw or loss: the table rounds"
    assert Answer(BLESSED, CURSED).word == "blessed loss to cursed win"


def test_distance_bounds() -> None:
    assert (Distance(-53, rounded=True).least, Distance(-53, rounded=True).most) == (53, 54)
    assert (Distance(7).least, Distance(7).most) == (7, 7)
    assert Distance(0, rounded=True).most == 0
    assert Distance(-53, rounded=True).opposite == Distance(53, rounded=True)
