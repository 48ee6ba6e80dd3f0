"""Each lesson is taught by a game that shows it, and not by one close by that does not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from demo_reviews import demo_review
from test_deciding import PAWN, reviewed

from convert.model import Lesson, Review, RuleFigure, Slip
from convert.review.teaching import KINDS, counted_of, teach

DEMO = Path(__file__).parent.parent / "demo_games"
#: The rook's trade leads to a drawn pawn ending, 1.b7 wins; with the king near, the trade wins.
FAR, NEAR = "R7/8/rP6/k7/8/8/8/7K w - - 0 1", "R7/8/rPK5/k7/8/8/8/8 w - - 0 1"
#: Black holds by taking the rook and by nothing else.
SAVING = "8/6k1/6r1/4K3/6R1/5P2/8/8 b - - 0 1"


def lesson(kind: str, review: Review) -> Lesson | None:
    return KINDS[kind](review)


@pytest.fixture(scope="module")
def won_by_trade() -> Review:
    return demo_review("09")


@pytest.fixture(scope="module")
def pieces_traded() -> Review:
    return demo_review("08")


def test_what_followed_a_slip() -> None:
    slipped = reviewed("1. Kd3 Kc5 2. c4 Kb4 3. Kd4 Kb3 4. Kc5", "1-0", PAWN)
    found = lesson("what followed", slipped)
    assert found is not None
    assert found.rule is not None
    assert "led to it" in found.shown
    assert lesson("what followed", reviewed("1. Kd3 Kc5", "1-0", PAWN)) is None


def test_a_trade_that_cost_the_result() -> None:
    found = lesson("trade that cost", reviewed("1. Rxa6+ Kxa6", "1/2-1/2", FAR))
    assert found is not None
    assert "count the pawn ending" in found.principle
    assert found.shown.startswith("1.Rxa6+? ")
    assert lesson("trade that cost", reviewed("1. Rxa6+ Kxa6", "1-0", NEAR)) is None


@pytest.mark.slow
def test_pawns_traded_by_the_side_that_is_behind_teach_nothing_of_being_ahead() -> None:
    """A capture of pawns that cost the result: *ahead* is said only of the side that is ahead."""
    review = demo_review("02")
    found = lesson("trade that cost", review)
    assert found is not None
    assert "ahead" in found.principle
    level = tuple(replace(phase, ahead=None) for phase in review.phases)
    other = lesson("trade that cost", replace(review, phases=level))
    assert other is not None
    assert "ahead" not in other.principle


def test_a_trade_missed() -> None:
    review = demo_review("04")
    found = lesson("missed trade", review)
    assert found is not None
    assert found.shown == "55.Rxe6+ won; 55.g4? did not."
    assert "do not play on for more" in found.principle
    # Of Black's slip alone nothing is said of playing for more: he was to hold.
    last = lesson(
        "missed trade", replace(review, slips=tuple(s for s in review.slips if s.certain)[1:])
    )
    assert last is not None
    assert "drawn" in last.principle
    assert lesson("missed trade", reviewed("1. Rxa6+ Kxa6", "1-0", NEAR)) is None


def test_a_saving_trade() -> None:
    held = reviewed("1... Rxg4 2. fxg4 Kf7", "1/2-1/2", SAVING)
    found = lesson("saving trade", held)
    assert found is not None
    assert found.shown.startswith("1...Rxg4 was the only way to hold")
    assert lesson("saving trade", reviewed("1... Kh7 2. Rxg6 Kxg6", "1-0", SAVING)) is None


def test_a_missed_only_move() -> None:
    """After 1.Kd3 Kc5 the one move that wins is 2.Kc3; from the pawn's start two do."""
    missed = reviewed("1. Kd3 Kc5 2. c4", "1/2-1/2", PAWN)
    found = lesson("only move", missed)
    assert found is not None
    assert "Only 2.Kc3 won; 2.c4? did not." in found.shown
    assert lesson("only move", reviewed("1. Kd3 Kc5 2. Kc3", "1-0", PAWN)) is None
    two = "8/8/3k4/8/8/3K4/2P5/8 w - - 0 1"
    several = reviewed("1. c4 Kc5", "1/2-1/2", two)
    assert [slip.san for slip in several.slips] == ["c4"]
    assert lesson("only move", several) is None


def test_a_missed_only_move_among_many_men_says_nothing_of_few() -> None:
    missed = reviewed("1. Kd3 Kc5 2. c4", "1/2-1/2", PAWN)
    few = replace(missed, slips=tuple(replace(slip, rules=()) for slip in missed.slips))
    found = lesson("only move", few)
    assert found is not None
    assert "few men" in found.principle
    many = tuple(replace(phase, men=20) for phase in few.phases)
    assert lesson("only move", replace(few, phases=many)) is None


def test_a_rule_for_the_other_result_does_not_explain_an_only_move() -> None:
    missed = reviewed("1. Kd3 Kc5 2. c4", "1/2-1/2", PAWN)
    (slip,) = missed.slips
    followed = reviewed("1. Kd3 Kc5 2. c4 Kb4 3. Kd4 Kb3 4. Kc5", "1-0", PAWN)
    rule = next(rule for slip in followed.slips for rule in slip.rules_after)
    for side, fits in ((slip.side, True), (slip.side.other, False), (None, False)):
        told = replace(slip, rules=(replace(rule, side=side),))
        found = lesson("only move", replace(missed, slips=(told,)))
        assert found is not None
        assert (found.rule is not None) == fits


@pytest.mark.parametrize(("clock", "taught"), [(80, True), (40, False)])
def test_the_fifty_moves(clock: int, taught: bool) -> None:
    fen = f"k7/8/2K5/8/8/8/8/7R w - - {clock} 60"
    found = lesson("fifty moves", reviewed("60. Kb6 Kb8 61. Rh8#", "1-0", fen))
    assert (found is not None) == taught


def test_with_pawns_no_method_of_a_piece_ending_is_missing() -> None:
    fen = "8/8/8/4k3/8/P3K3/8/R7 w - - 80 60"
    review = reviewed("60. Ra2 Kd6 61. Kd4 Kc6", "1-0", fen)
    assert review.technique is not None
    assert review.technique.closest_clock >= 80
    assert lesson("fifty moves", review) is None


def test_a_trade_into_a_won_ending(won_by_trade: Review) -> None:
    found = lesson("winning trade", won_by_trade)
    assert found is not None
    # The same trades, and the win was known before each: no trade led to it.
    won = next(t.after for t in won_by_trade.trades if t.after.points == 1)
    known = tuple(replace(t, before=won, liquidation=False) for t in won_by_trade.trades)
    assert lesson("winning trade", replace(won_by_trade, trades=known)) is None
    # By the estimate alone nothing is said to be won.
    open_ = won_by_trade.start_verdict.for_side(won_by_trade.side)
    guessed = tuple(replace(trade, after=open_) for trade in won_by_trade.trades)
    assert lesson("winning trade", replace(won_by_trade, trades=guessed)) is None


def test_pieces_traded_while_ahead(pieces_traded: Review) -> None:
    found = lesson("clean conversion", pieces_traded)
    assert found is not None
    assert "while ahead, and won" in found.shown
    level = tuple(replace(phase, ahead=None) for phase in pieces_traded.phases)
    assert lesson("clean conversion", replace(pieces_traded, phases=level)) is None
    behind = tuple(replace(p, ahead=pieces_traded.side.other) for p in pieces_traded.phases)
    assert lesson("clean conversion", replace(pieces_traded, phases=behind)) is None
    assert lesson("clean conversion", replace(pieces_traded, result="1/2-1/2")) is None


def test_only_trades_made_while_ahead_are_counted(pieces_traded: Review) -> None:
    """With one trade after the side came ahead there is nothing to teach."""
    ahead = [
        t
        for t in pieces_traded.trades
        if pieces_traded.phase_at(t.first - 1).ahead is pieces_traded.side
        and {"queen", "rook", "bishop", "knight"} & set(t.white_gave)
    ]
    assert len(ahead) >= 2
    one = tuple(t for t in pieces_traded.trades if t not in ahead[1:])
    assert lesson("clean conversion", replace(pieces_traded, trades=one)) is None


def test_a_won_game_let_go() -> None:
    slipped = reviewed("1. Kd3 Kc5 2. c4", "1/2-1/2", PAWN)
    found = lesson("slip", slipped)
    assert found is not None
    assert found.shown == "A win was let go once, first at 2.c4?."
    # A draw that was lost is no won game.
    lost = reviewed("1... Kb4 2. Kd4", "1-0", "8/8/8/2k5/2P5/3K4/8/8 b - - 0 1")
    assert [slip.san for slip in lost.slips] == ["Kb4"]
    assert lesson("slip", lost) is None


#: A lone king in front of a rook's pawn.
CORNER = "k7/8/K7/P7/8/8/8/8 w - - 0 1"


def test_the_ending_came_out_as_a_rule_says() -> None:
    review = reviewed("1. Kb6 Kb8 2. a6 Ka8", "1/2-1/2", CORNER)
    found = lesson("the ending", review)
    assert found is not None
    assert found.shown.startswith("In the starting position: king on a8")
    assert lesson("the ending", replace(review, result="0-1")) is None
    assert lesson("the ending", replace(review, result="1-0")) is None


def test_a_rule_that_nobody_measured_or_that_seldom_holds_does_not_teach() -> None:
    review = reviewed("1. Kb6 Kb8 2. a6 Ka8", "1/2-1/2", CORNER)
    (rule,) = review.ending_rules
    assert rule.figure is not None
    for figure in (None, replace(rule.figure, right=0.3)):
        other = replace(review, ending_rules=(replace(rule, figure=figure),))
        assert lesson("the ending", other) is None


def test_a_combination_with_many_men_left_is_no_trade_into_an_ending(won_by_trade: Review) -> None:
    many = tuple(replace(phase, men=20) for phase in won_by_trade.phases)
    assert lesson("winning trade", replace(won_by_trade, phases=many)) is None


def test_a_piece_given_for_a_pawn_is_no_trade_into_a_won_ending(won_by_trade: Review) -> None:
    given = tuple(
        replace(trade, white_gave=("pawn",), black_gave=("pawn",)) for trade in won_by_trade.trades
    )
    assert lesson("winning trade", replace(won_by_trade, trades=given)) is None


def test_a_suspicion_teaches_where_the_better_side_did_not_win() -> None:
    review = reviewed("1. Kd3 Kc5 2. c4", "1/2-1/2", PAWN)
    (slip,) = review.slips
    assert slip.refuted is not None
    doubted = replace(slip, certain=False)

    def found(given: Slip, result: str = "1/2-1/2") -> Lesson | None:
        return lesson("suspected", replace(review, slips=(given,), result=result))

    # Neither the move that was better nor the reply is a check or a capture.
    quiet = replace(slip.refuted, moves=("Kc6", *slip.refuted.moves[1:]))
    assert found(replace(doubted, refuted=quiet)) is None
    # The reply is one.
    taking = replace(slip.refuted, moves=("Kxc4", *slip.refuted.moves[1:]))
    allowed = found(replace(doubted, refuted=taking))
    assert allowed is not None
    assert "what can the opponent do" in allowed.principle
    assert "By the estimate 2.c4? gave most away" in allowed.shown
    assert allowed.shown.endswith("It allowed Kxc4.")
    # The better move is one, and the move played is not.
    checking = (replace(slip.held[0], san="Kc3+"), *slip.held[1:])
    passed = found(replace(doubted, held=checking))
    assert passed is not None
    assert passed.principle.startswith("Look at checks and captures")
    assert found(replace(doubted, held=checking), "1-0") is None
    assert found(replace(doubted, held=checking, before=slip.after)) is None


def test_a_rule_that_is_no_better_than_its_base_does_not_teach() -> None:
    review = reviewed("1. Kd3 Kc5 2. c4 Kb4 3. Kd4 Kb3 4. Kc5", "1-0", PAWN)
    rules = [rule for slip in review.slips for rule in slip.rules_after]
    assert counted_of(rules)
    figure = RuleFigure("position", "games", 100, 0.2, 0.1, 0.3, 0.21, "no better")
    assert counted_of([replace(rule, figure=figure) for rule in rules]) == ()


def test_at_most_two_are_taught_and_each_once() -> None:
    taught = teach(reviewed("1. Kd3 Kc5 2. c4 Kb4 3. Kd4 Kb3 4. Kc5", "1-0", PAWN))
    assert 1 <= len(taught) <= 2
    assert len({one.principle for one in taught}) == len(taught)
