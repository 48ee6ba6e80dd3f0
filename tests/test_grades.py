"""Grades, slips and the turning point as pure functions of verdicts; words for verdicts."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from convert.model import (
    Alternative,
    Decision,
    Evidence,
    Grade,
    Part,
    Side,
    Verdict,
    move_label,
)
from convert.review.course import (
    CLEARLY,
    better_from,
    better_stretches,
    simplification,
    turning_point,
)
from convert.review.decisions import Others, by_difference, grade, kept, slipped
from convert.wording.verdicts import grade_words, line_words, tenths, verdict_words
from tablebases.values import Outcome

W, D, L = Outcome.WIN, Outcome.DRAW, Outcome.LOSS


def exact(outcome: Outcome, side: Side = Side.WHITE) -> Verdict:
    return Verdict(side, outcome, outcome, Evidence.TABLE)


def guess(win: float, loss: float, side: Side = Side.WHITE) -> Verdict:
    return Verdict(side, L, W, Evidence.ESTIMATE, win=win, loss=loss)


intervals = st.tuples(st.sampled_from(Outcome), st.sampled_from(Outcome)).map(
    lambda pair: Verdict(Side.WHITE, min(pair), max(pair), Evidence.BOUNDED, win=0.4, loss=0.2)
)


@given(intervals, intervals)
def test_a_slip_is_certain_exactly_when_the_intervals_do_not_overlap(
    before: Verdict, after: Verdict
) -> None:
    assert slipped(before, after) == (after.high.points < before.low.points)
    assert not (slipped(before, after) and kept(before, after))


@given(intervals)
def test_told_for_the_other_side_and_back(verdict: Verdict) -> None:
    other = verdict.for_side(Side.BLACK)
    assert other.for_side(Side.WHITE) == verdict
    assert (other.low, other.high) == (verdict.high.opposite, verdict.low.opposite)
    assert other.expected == pytest.approx(1 - verdict.expected)
    assert 0 <= verdict.expected <= 1


@pytest.mark.parametrize(
    ("before", "after", "others", "expected"),
    [
        (exact(W), exact(D), None, Grade.WRONG),
        (exact(D), exact(L), None, Grade.WRONG),
        (exact(W), exact(Outcome.CURSED_WIN), None, Grade.WRONG),
        (exact(Outcome.CURSED_WIN), exact(D), Others(0, 9, 0), Grade.NEEDED),
        (exact(W), exact(W), Others(0, 9, 0), Grade.NEEDED),
        (exact(W), exact(W), Others(3, 9, 0), Grade.RIGHT),
        (exact(W), exact(W), Others(5, 9, 0), Grade.HARMLESS),
        (exact(W), exact(W), Others(0, 9, 2), Grade.RIGHT),
        (exact(L), exact(L), Others(0, 9, 0), Grade.HARMLESS),
        (guess(0.5, 0.1), exact(W), None, Grade.RIGHT),
        (guess(0.5, 0.1), guess(0.7, 0.1), None, Grade.IN_FAVOUR),
        (guess(0.7, 0.1), guess(0.5, 0.1), None, Grade.AGAINST),
        (guess(0.5, 0.1), guess(0.51, 0.1), None, Grade.EVEN),
        (guess(0.5, 0.1), exact(D), None, Grade.AGAINST),
    ],
)
def test_grades(before: Verdict, after: Verdict, others: Others | None, expected: Grade) -> None:
    given_, difference, _ = grade(before, after, None if others is None else lambda: others)
    assert given_ is expected
    estimated = expected in (Grade.IN_FAVOUR, Grade.AGAINST, Grade.EVEN)
    assert (difference is not None) == estimated


@given(st.floats(-1, 1))
def test_grade_by_difference_has_the_sign_of_the_difference(difference: float) -> None:
    given_, rounded = by_difference(difference)
    if given_ is Grade.IN_FAVOUR:
        assert rounded > 0
    if given_ is Grade.AGAINST:
        assert rounded < 0


def test_turning_point_and_simplification() -> None:
    verdicts = [guess(0.5, 0.2), guess(0.6, 0.1), exact(W), exact(D), exact(W), exact(W)]
    assert simplification(verdicts) == 2
    assert turning_point(verdicts) == 4
    assert turning_point([*verdicts, guess(0.5, 0.2)]) is None
    assert simplification([guess(0.5, 0.2)]) is None
    assert turning_point([exact(D)] * 3) == 0


@given(st.lists(st.sampled_from([exact(W), exact(D), exact(L), guess(0.7, 0.1)]), min_size=1))
def test_turning_point_by_its_definition(verdicts: list[Verdict]) -> None:
    turn = turning_point(verdicts)
    if turn is None:
        assert not verdicts[-1].exact
        return
    points = {v.points for v in verdicts[turn:]}
    assert points == {verdicts[-1].points}
    if turn:
        assert verdicts[turn - 1].points != verdicts[-1].points


def test_clearly_better_must_last() -> None:
    up, level = guess(0.7, 0.1), guess(0.3, 0.3)
    assert better_from([level, up, up, level, up, up, up, up], Side.WHITE, 0.6) == 4
    assert better_from([level, up, level], Side.WHITE, 0.6) is None
    assert better_from([level, exact(W)], Side.WHITE, 0.6) == 1
    assert better_from([level, up, exact(W)], Side.WHITE, 0.6) == 1
    assert better_from([level] * 3, Side.BLACK, 0.6) is None


@pytest.mark.parametrize(
    ("verdict", "text"),
    [
        (exact(W), "White wins (table)"),
        (exact(L), "Black wins (table)"),
        (exact(D, Side.BLACK), "drawn (table)"),
        (
            exact(Outcome.CURSED_WIN),
            "drawn by the fifty-move rule, without it White would win (table)",
        ),
        (
            exact(Outcome.CURSED_WIN).for_side(Side.BLACK),
            "drawn by the fifty-move rule, without it White would win (table)",
        ),
        (guess(0.7, 0.1), "White wins in about 7 of 10 such positions (estimate, unmeasured)"),
        (guess(0.1, 0.7), "Black wins in about 7 of 10 such positions (estimate, unmeasured)"),
        (guess(0.2, 0.2), "balanced (estimate, unmeasured)"),
        (
            Verdict(Side.WHITE, Outcome.CURSED_WIN, W, Evidence.TABLE, win=0.5, loss=0.0),
            "White wins or it is drawn by the fifty-move rule: the table rounds",
        ),
    ],
)
def test_verdicts_in_words(verdict: Verdict, text: str) -> None:
    assert verdict_words(verdict) == text


@given(st.floats(0, 1))
def test_tenths_say_no_more_than_a_tenth(probability: float) -> None:
    text = tenths(probability)
    number = int("".join(c for c in text.split(" of ")[0] if c.isdigit()))
    assert abs(number / 10 - probability) <= 0.1 + 1e-9


def test_lines_are_numbered_as_in_print() -> None:
    assert line_words(44, Side.WHITE, ("Kc5", "Rd8", "Kc6")) == "44.Kc5 Rd8 45.Kc6"
    assert line_words(44, Side.BLACK, ("Rd8", "Kc6", "Rc8+")) == "44...Rd8 45.Kc6 Rc8+"
    assert move_label(3, Side.BLACK, "e5") == "3...e5"


def test_an_estimate_never_speaks_as_if_certain() -> None:
    for win, loss in itertools.product((0.0, 0.3, 0.9), (0.0, 0.1)):
        assert "estimate, unmeasured" in verdict_words(guess(win, loss))


@pytest.mark.parametrize("unmeasured", [None, "before", "after", "best"])
def test_a_grade_says_when_its_estimate_was_held_against_nothing(unmeasured: str | None) -> None:
    def told(name: str) -> Verdict:
        return replace(guess(0.5, 0.2), measured=name != unmeasured)

    best = Alternative("Kd4", "e3d4", told("best"), trade=False)
    decision = Decision(
        Part.OFFER, 1, Side.WHITE, "Rd4", Grade.AGAINST, told("before"), told("after"), best, -0.25
    )
    word = "estimate" if unmeasured is None else "unmeasured estimate"
    assert grade_words(decision) == f"against ({word}: 0.25 of a point worse)"
    certain = replace(decision, grade=Grade.RIGHT)
    assert "estimate" not in grade_words(certain)


# --- clearly better, and until when -------------------------------------------------------------


def white(*chances: float) -> list[Verdict]:
    return [guess(c, 0.9 * (1 - c)) for c in chances]


def test_an_advantage_ends_where_it_is_gone_for_a_while() -> None:
    up, down = [0.8] * 4, [0.3] * 4
    assert better_stretches(white(*up), Side.WHITE, CLEARLY) == [(0, None)]
    assert better_stretches(white(*up, *down, *up), Side.WHITE, CLEARLY) == [(0, 3), (8, None)]
    # Three positions are no while, unless they are the last.
    assert better_stretches(white(*up, 0.3, 0.3, 0.3, *up), Side.WHITE, CLEARLY) == [(0, None)]
    assert better_stretches(white(*up, 0.3), Side.WHITE, CLEARLY) == [(0, 3)]
    assert better_stretches(white(*down), Side.WHITE, CLEARLY) == []


@given(st.lists(st.floats(0, 1), max_size=40))
def test_stretches_are_better_at_both_ends(chances: list[float]) -> None:
    verdicts = white(*chances)
    found = better_stretches(verdicts, Side.WHITE, CLEARLY)
    first = better_from(verdicts, Side.WHITE, CLEARLY)
    assert (first is None) == (not found)
    if found:
        assert found[0][0] == first
    for i, (start, end) in enumerate(found):
        last = len(chances) - 1 if end is None else end
        assert start <= last
        assert chances[start] >= CLEARLY
        assert chances[last] >= CLEARLY
        assert end is not None or i == len(found) - 1
