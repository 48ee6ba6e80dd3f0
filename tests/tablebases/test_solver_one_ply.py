"""The solver's answers obey the rules of one ply, and the symmetries of the board.

Each answer is checked against the answers for all positions one legal move later, as python-chess
makes the moves (``solver_reference.one_ply_value``); so promotions, en passant, mates, stalemates
and the fifty-move count are checked wherever a random position has them, with no table at hand.

What one ply can tell depends on what is known:

* *exact*: the position has an exact distance, its quiet successors have one or are drawn, and
  its zeroing successors are settled. Then outcome and DTZ equal the one-ply value. If that held
  at every position of a slice, and the slices that zeroing moves lead to were right, so would the
  slice be: a win or loss by induction on its distance, and a draw because from each drawn
  position either side can keep to drawn ones. The tests try random positions.
* *bounded*: the ends of an interval come from two runs that may have left structures out. Sound
  ends need not obey the equation: a run may know less than the kept successors do. What must
  hold is one-sided. The interval and the one that the successors give both hold the truth, so
  they overlap. And the solver cannot prove more than its successors support: its low is not above
  the best of their highs seen from this side (negated), its high not below the best of their
  lows (negated), the doubtful hundredth ply read in the solver's favour.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import lru_cache

import chess
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from solver_reference import claimable_interval, one_ply_interval, one_ply_value
from solver_strategies import Pawns, boards_in_slice, mirror_files, random_legal, structures

from tablebases import Outcome, outcome_under_clock
from tablebases.solver import Budget, Solution, solve

BUDGET = Budget(seconds=30.0)
SHORT = Budget(seconds=5.0)

SETTLED = {
    "KRP v KN": "8/8/4k3/3n4/8/4P3/8/R3K3 w - - 0 1",
    "KPP v KP": "8/8/4k3/4p3/4P3/6P1/8/4K3 w - - 0 1",
    "KP v KP, en passant": "8/8/4k3/8/4p3/8/3P4/4K3 w - - 0 1",
}
"""Roots that half a minute is plenty for: every position of the slice must be exact."""

SLOWER = {"KRPP v KNP", "KPPP v KPP"}
LARGER = {
    "KRP v KNP, apart": "8/8/4k1p1/3n4/8/1P6/8/R3K3 w - - 0 1",
    "KRP v KNP, face to face": "8/8/4k3/3np3/4P3/8/8/R3K3 w - - 0 1",
    "KRP v KNP, en passant": "8/8/4k3/3n4/4p3/8/3P4/R3K3 w - - 0 1",
    "KPP v KP, en passant": "8/8/4k3/8/P3p3/8/3P4/4K3 w - - 0 1",
    "KPP v KPP, en passant": "8/8/4k3/1p6/P3p3/8/3P4/4K3 w - - 0 1",
    "KRPP v KNP": "8/8/4k3/3np3/4P3/6P1/8/R3K3 w - - 0 1",
    "KPPP v KPP": "8/6p1/4k3/1p6/1P5P/4K1P1/8/8 w - - 0 1",
    "KRP v KBP": "8/8/4k1p1/3b4/8/6P1/8/R3K3 w - - 0 1",
    "KQ v KRP": "8/4p3/4k3/4r3/8/8/8/Q3K3 w - - 0 1",
    "KRPP v KNPP": "8/5p2/4k1p1/3n4/8/5PP1/8/R3K3 w - - 0 1",
}
"""Roots where some positions may stay bounded."""


@dataclass
class Tally:
    """How many positions were checked in which way."""

    exact: int = 0
    bounded: int = 0


@lru_cache(maxsize=2)
def _solved(
    fen: str, seed: int, n: int, budget: Budget = BUDGET
) -> tuple[Solution, list[chess.Board]]:
    """A solved slice and random positions of it, the successors of all of them kept."""
    root = chess.Board(fen)
    boards = boards_in_slice(root, random.Random(seed), n, ep=True)
    return solve(root, budget, also=boards), boards


def _check(solution: Solution, board: chess.Board, tally: Tally) -> None:
    """One position against its successors; see the top of the file."""
    assert solution.covers(board), board.fen()
    for move in board.legal_moves:
        # A promotion beyond what a bounded answer models leads to a slice that is not kept.
        modelled = solution.covers(_after(board, move))
        assert modelled or (move.promotion and not solution.exact(board)), (board.fen(), move.uci())
    low, high = solution.interval(board)
    if low == high and (expected := _exact_value(solution, board)) is not None:
        distance = solution.distance(board)
        if distance is not None:
            assert not distance.rounded
            assert (low, distance.plies) == expected, board.fen()
            tally.exact += 1
            return
    _check_interval(solution, board)
    tally.bounded += 1


def _check_interval(solution: Solution, board: chess.Board) -> None:
    low, high = solution.interval(board)
    assert low <= high, board.fen()

    def plies(after: chess.Board) -> int | None:
        distance = solution.distance(after)
        return None if distance is None else distance.plies

    least, most = one_ply_interval(board, solution.interval, plies)
    assert max(low, least) <= min(high, most), (board.fen(), "no common outcome")
    if not all(solution.covers(_after(board, move)) for move in board.legal_moves):
        # Of a promotion that is not modelled the solver knows more than its successor tells: that
        # the new piece is lost at once.
        return
    claim_low, claim_high = claimable_interval(board, solution.interval)
    assert low <= claim_low, (board.fen(), "low is more than the successors support")
    assert high >= claim_high, (board.fen(), "high is less than the successors support")


def _exact_value(solution: Solution, board: chess.Board) -> tuple[Outcome, int] | None:
    """The one-ply value, or None if some successor is not known well enough for it."""
    values: dict[str, tuple[Outcome, int]] = {}
    for move in board.legal_moves:
        after = _after(board, move)
        low, high = solution.interval(after)
        if low != high:
            return None
        distance = solution.distance(after)
        if distance is not None:
            values[after.fen()] = (low, distance.plies)
        elif low == Outcome.DRAW or board.is_zeroing(move):
            values[after.fen()] = (low, int(low))  # the plies of these are never looked at
        else:
            return None
    return one_ply_value(board, lambda after: values[after.fen()])


def _after(board: chess.Board, move: chess.Move) -> chess.Board:
    after = board.copy(stack=False)
    after.push(move)
    after.halfmove_clock = 0
    return after


@pytest.mark.parametrize(
    "fen",
    [
        pytest.param(fen, id=name, marks=[pytest.mark.slow] if name == "KRP v KN" else [])
        for name, fen in SETTLED.items()
    ],
)
def test_settled_slices_obey_one_ply(fen: str) -> None:
    solution, boards = _solved(fen, 1, 120)
    tally = Tally()
    for board in boards:
        _check(solution, board, tally)
    assert tally == Tally(exact=len(boards))


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=pytest.mark.long if name in SLOWER else pytest.mark.slow)
        for name in LARGER
    ],
)
def test_larger_slices_obey_one_ply(name: str) -> None:
    men = chess.popcount(chess.Board(LARGER[name]).occupied)
    solution, boards = _solved(LARGER[name], 2, 60, SHORT if men <= 6 else BUDGET)
    tally = Tally()
    for board in boards:
        _check(solution, board, tally)
    assert tally.exact + tally.bounded == len(boards)


@pytest.mark.slow
@pytest.mark.parametrize("fen", SETTLED.values(), ids=SETTLED.keys())
def test_settled_slices_obey_one_ply_at_many_positions(fen: str) -> None:
    solution, boards = _solved(fen, 3, 800)
    tally = Tally()
    for board in boards:
        _check(solution, board, tally)
    assert tally == Tally(exact=len(boards))


def test_en_passant_is_among_the_positions_checked() -> None:
    """The tests above would be weaker than they say if no such position came up."""
    fens = [fen for name, fen in SETTLED.items() if name.endswith("en passant")]
    boards = [
        board for fen in fens for board in boards_in_slice(chess.Board(fen), random.Random(1), 120)
    ]
    capturable = [
        board
        for board in boards
        if any(_after(board, move).has_legal_en_passant() for move in board.legal_moves)
    ]
    assert len(capturable) > 20


@settings(max_examples=3)
@given(structures(1, 1), st.integers(0, 2**32 - 1))
def test_any_structure_of_one_pawn_each_obeys_one_ply(pawns: Pawns, seed: int) -> None:
    """Pawn endings; the position drawn and 30 others of its slice."""
    _check_structure("KPvKP", pawns, seed, 30)


@pytest.mark.slow
@settings(max_examples=4)
@given(
    st.sampled_from(["KRPvKNP", "KRPvKBP", "KNPvKBP", "KQPvKRP"]),
    structures(1, 1),
    st.integers(0, 2**32 - 1),
)
def test_any_structure_with_pieces_obeys_one_ply(material: str, pawns: Pawns, seed: int) -> None:
    _check_structure(material, pawns, seed, 40, SHORT)


@pytest.mark.slow
@settings(max_examples=5)
@given(structures(2, 1), st.integers(0, 2**32 - 1))
def test_any_structure_of_two_pawns_to_one_obeys_one_ply(pawns: Pawns, seed: int) -> None:
    _check_structure("KPPvKP", pawns, seed, 60, SHORT)


def _check_structure(
    material: str, pawns: Pawns, seed: int, n: int, budget: Budget = BUDGET
) -> None:
    rng = random.Random(seed)
    root = random_legal(material, rng, pawns=pawns)
    boards = [root, *boards_in_slice(root, rng, n, ep=True)]
    solution = solve(root, budget, also=boards)
    tally = Tally()
    for board in boards:
        _check(solution, board, tally)
    assert tally.exact > 0 or budget is SHORT


# --- symmetry ----------------------------------------------------------------------------------

SYMMETRIES = {"colours": chess.Board.mirror, "files": mirror_files}


@pytest.mark.parametrize(
    "name", [pytest.param("KRP v KN", marks=pytest.mark.slow), "KP v KP, en passant"]
)
@pytest.mark.parametrize("change", SYMMETRIES.values(), ids=SYMMETRIES.keys())
def test_a_mirrored_position_has_the_same_answer(name: str, change: object) -> None:
    """Outcome, interval and distance are those of the position with colours or files changed."""
    assert callable(change)
    solution, boards = _solved(SETTLED[name], 1, 120)
    mirrored = solve(change(chess.Board(SETTLED[name])), BUDGET, also=[change(b) for b in boards])
    for board in boards:
        twin = change(board)
        assert solution.answer(board) == mirrored.answer(twin), board.fen()
        assert solution.interval(board) == mirrored.interval(twin), board.fen()
        assert solution.distance(board) == mirrored.distance(twin), board.fen()


@pytest.mark.slow
@pytest.mark.parametrize("name", ["KRP v KNP, en passant", "KPPP v KPP", "KRP v KBP"])
@pytest.mark.parametrize("change", SYMMETRIES.values(), ids=SYMMETRIES.keys())
def test_a_mirrored_interval_has_an_outcome_in_common(name: str, change: object) -> None:
    """Time may cut the two solutions at different places; both must hold the truth."""
    assert callable(change)
    fen = LARGER[name]
    solution, boards = _solved(fen, 2, 60, SHORT)
    mirrored = solve(change(chess.Board(fen)), SHORT, also=[change(b) for b in boards])
    for board in boards:
        low, high = solution.interval(board)
        twin_low, twin_high = mirrored.interval(change(board))
        assert max(low, twin_low) <= min(high, twin_high), board.fen()
        first, second = solution.distance(board), mirrored.distance(change(board))
        assert first is None or second is None or first == second, board.fen()


# --- clock -------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_clock_counts_with_the_exact_distance() -> None:
    """``answer`` honours the halfmove clock by the distance that ``distance`` gives."""
    solution, boards = _solved(SETTLED["KRP v KN"], 1, 120)
    changed = 0
    for board in boards:
        distance = solution.distance(board)
        assert distance is not None, board.fen()
        low, _ = solution.interval(board)
        if board.is_checkmate():
            continue
        # The last clock at which the outcome stands, and the first at which it does not.
        for clock in (0, 100 - abs(distance.plies), 101 - abs(distance.plies)):
            if not 0 <= clock < 100:
                continue
            later = board.copy(stack=False)
            later.halfmove_clock = clock
            answer = solution.answer(later)
            assert answer is not None
            assert (answer.low, answer.high) == outcome_under_clock(low, distance, clock)
            changed += answer.low != low
    assert changed > 20
