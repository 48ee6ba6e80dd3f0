"""The fitted estimate: what ships is what was recorded, honest, and never against common sense."""

from __future__ import annotations

import chess
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from strategies import positions

from convert.board.features import features
from convert.judging.estimate import by_table_line, estimate, fitted_now, probability, table
from convert.judging.keeping import with_chances
from convert.judging.view import View, sign_of, view
from convert.measuring.draw import random_position
from convert.measuring.quality import quality
from convert.model import Evidence, Side, Verdict
from convert.rules import position_voices
from convert.rules.figures import digest
from tablebases.probing import SyzygyProber
from tablebases.values import Outcome

KINDS = ("exchange up", "rook ending", "minor pieces", "pawn ending", "queen ending")


def seen(board: chess.Board, side: chess.Color) -> View:
    facts = features(board)
    return view(facts, position_voices(board, facts), side)


def chances(board: chess.Board) -> tuple[float, float, float]:
    facts = features(board)
    told = estimate(facts, position_voices(board, facts))
    return told.win, told.draw, told.loss


# --- what ships ------------------------------------------------------------------------------


def test_what_ships_is_what_was_recorded() -> None:
    told = dict(table())
    assert told["sha256"] == digest(told)
    assert {"seed", "program", "solver", "chess", "fitted", "held_out", "look_ahead"} <= set(told)


def test_every_weight_has_a_sign_that_makes_sense() -> None:
    for name, weight in table()["weights"].items():
        assert weight * sign_of(name) >= 0, name


def test_the_figures_are_better_than_those_of_every_baseline() -> None:
    all_ = table()["held_out"]["all"]
    assert all_["fitted"]["n"] >= 500
    assert all_["fitted"]["ece"] < 0.03
    for baseline in ("by hand", "material", "constant"):
        assert all_["fitted"]["brier"] < all_[baseline]["brier"]
        assert all_["fitted"]["log_loss"] < all_[baseline]["log_loss"]
    assert set(KINDS) <= set(table()["held_out"])


# --- what it says ----------------------------------------------------------------------------


@given(positions(least=4, most=9))
def test_probabilities_add_up_and_change_sides_with_the_colours(board: chess.Board) -> None:
    win, draw, loss = chances(board)
    assert win + draw + loss == pytest.approx(1)
    assert min(win, draw, loss) >= 0
    assert chances(board.mirror()) == pytest.approx((loss, draw, win))


def placed(board: chess.Board, square: int) -> tuple[chess.Board, chess.Color]:
    """The position with one pawn more for the side that is ahead in worth."""
    facts = features(board)
    assume(facts.balance(chess.WHITE) != 0)
    side = facts.balance(chess.WHITE) > 0
    assume(board.piece_at(square) is None)
    richer = board.copy()
    richer.set_piece_at(square, chess.Piece(chess.PAWN, side))
    return richer, side


def _counted(old: View, new: View) -> dict[str, float]:
    """The new view's numbers of men, with all that hangs on where they stand from the old one."""
    stays = (
        "rule ",
        "king nearer",
        "more squares",
        "own passed",
        "own foremost",
        "their passed",
        "their foremost",
    )
    out = {name: value for name, value in new.items() if not name.startswith(stays)}
    return out | {name: value for name, value in old.items() if name.startswith(stays)}


def _claim(own: View, their: View) -> float:
    weights = table()["weights"]
    win, loss = probability(weights, own), probability(weights, their)
    return win / (win + loss) if win + loss > 1 else win


@given(positions(least=4, most=9), st.integers(8, 55))
def test_a_pawn_more_for_the_better_side_never_lowers_its_chance(
    board: chess.Board, square: int
) -> None:
    """All else equal: the same rules speak, and what stands where it stands counts the same."""
    richer, side = placed(board, square)
    before, after = seen(board, side), seen(richer, side)
    more = _claim(_counted(before, after), _counted(seen(board, not side), seen(richer, not side)))
    assert more >= _claim(before, seen(board, not side)) - 1e-12


@given(
    positions(least=4, most=8),
    st.sampled_from(
        (
            "own passed pawns",
            "own foremost passed pawn",
            "own passed pawn: king with it",
            "king nearer the centre",
            "king nearer the pawns",
            "more squares",
        )
    ),
    st.floats(0, 3),
)
def test_better_placed_men_never_lower_the_chance(
    board: chess.Board, name: str, more: float
) -> None:
    told, weights = seen(board, chess.WHITE), table()["weights"]
    better = {**told, name: told.get(name, 0.0) + more}
    assert probability(weights, better) >= probability(weights, told)


@given(positions(least=4, most=8))
def test_a_rule_never_speaks_against_what_it_says(board: chess.Board) -> None:
    told, weights = seen(board, chess.WHITE), table()["weights"]
    plain = {name: value for name, value in told.items() if not name.startswith("rule ")}
    for name in set(told) - set(plain):
        with_rule = probability(weights, {**plain, name: 1.0})
        without = probability(weights, plain)
        assert with_rule >= without if name.endswith(" for") else with_rule <= without


def test_bare_material_wins_nothing() -> None:
    win, _, loss = chances(chess.Board("8/8/4k3/4q3/8/3NK3/8/8 w - - 0 1"))
    assert win == 0 < loss


@pytest.mark.parametrize("points", [1, 0, -1])
def test_a_line_into_a_table_is_worth_what_was_counted(points: int) -> None:
    told = by_table_line(points)
    assert told.win + told.draw + told.loss == pytest.approx(1)
    likely = {1: told.win, 0: told.draw, -1: told.loss}[points]
    assert 0.5 < likely < 1


@given(
    st.floats(0, 1), st.floats(0, 1), st.sampled_from(list(Outcome)), st.sampled_from(list(Outcome))
)
def test_chances_keep_within_what_is_proved(
    win: float, rest: float, low: Outcome, high: Outcome
) -> None:
    """Where bounds are proved, the estimate is conditioned on them."""
    assume(low <= high)
    loss = (1 - win) * rest
    told = with_chances(Verdict(Side.WHITE, low, high, Evidence.BOUNDED), win, loss)
    assert told.win is not None
    assert told.loss is not None
    assert told.win + told.loss <= 1 + 1e-3
    if high.points < 1:
        assert told.win == 0
    if low.points > -1:
        assert told.loss == 0
    if low.points > 0:
        assert told.win == 1
    if low.points == -1 and high.points == 1:
        assert (told.win, told.loss) == pytest.approx((win, loss), abs=1e-3)


def test_it_beats_a_constant_on_the_tables(tables: SyzygyProber) -> None:
    """Positions of four men drawn at random, outcomes from the published tables."""
    import random

    rng = random.Random(20)
    forecasts, outcomes = [], []
    for name in ("KRPvK", "KPvKP", "KRvKP", "KRvKN", "KBPvK", "KQvKR"):
        for _ in range(60):
            board = random_position(rng, name)
            value = int(tables.wdl_after_zeroing(board))
            points = (value > 1) - (value < -1)
            outcomes.append(points if board.turn else -points)
            forecasts.append(chances(board))
    share = [outcomes.count(o) / len(outcomes) for o in (1, 0, -1)]
    even = (share[0] + share[2]) / 2
    constant = quality([(even, share[1], even)] * len(outcomes), outcomes)
    assert quality(forecasts, outcomes).brier < constant.brier


def test_other_numbers_count_within_the_fitting_only() -> None:
    board = chess.Board("8/5p2/6k1/3P4/5K2/8/5P2/8 w - - 0 1")
    plain = chances(board)
    with fitted_now({"always": 0.0}, {}):
        assert chances(board) == pytest.approx((0.5, 0.0, 0.5))
    assert chances(board) == plain
