"""The audit: what the solver keeps, held against the moves that python-chess generates.

Default: small endings, and that the audit sees what is wrong. ``slow``: endings in which bounds
went wrong once, and 10^5 positions of endings of five to nine men. ``long``: 10^7 of them in parts
that ``pytest -n`` spreads over the processors; the report in JUnit's format has what was compared:

    python -m pytest tests/tablebases/test_solver_audit.py -m long -n 16 --junitxml audit.xml
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from pathlib import Path

import chess
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tablebases.errors import Contradiction, TablebaseError
from tablebases.solver import Budget, Store, solve
from tablebases.solver import run as running
from tablebases.solver.audit import (
    Audit,
    Mismatch,
    board_at,
    draw,
    predecessors,
)
from tablebases.solver.results import open_slice, place
from tablebases.solver.scopes import SolveStep
from tablebases.solver.sets import framed, locate
from tablebases.solver.solution import Solution
from tablebases.solver.structures import LOWER, UPPER, Scope
from tablebases.solver.trying import Solver
from tablebases.values import Compared, Outcome
from tests.solver_strategies import random_legal

GAME_ENDINGS = Path(__file__).parent.parent / "data" / "solver" / "game_endings.epd"
TWO_TO_ONE = "8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1"
EN_PASSANT = "8/8/4k3/1p6/P3p3/8/3P4/4K3 w - - 0 1"
CURSED = "K6k/1p6/8/8/P7/5Q2/8/2q5 w - - 0 1"
AFTER_CURSED = "7k/1K6/8/8/P7/5Q2/8/2q5 b - - 0 1"
TWO_KNIGHTS = "8/3p4/8/2N5/3k4/1p6/3N4/3K4 w - - 0 1"
"""Endings in which wins beyond the fifty-move rule decide what a bound may claim."""
SLOW_WINS = Scope(UPPER, (3, 2, 1), limit=20_000)


def audited(fen: str, seconds: float = 5.0, **options: int) -> tuple[Audit, Solution]:
    audit = Audit(**options)
    solver = Solver([chess.Board(fen)], Budget(seconds), moves_too=True, audit=audit)
    return audit, solver.run()


def audited_step(fen: str, step: SolveStep, slices: int) -> Audit:
    """One step only, whatever the solver would choose."""
    audit = Audit(slices=slices)
    board = chess.Board(fen)
    solver = Solver([board], Budget(math.inf), moves_too=True, audit=audit)
    plan = solver._make_plan(step, [board])
    assert plan is not None
    solver._execute(step, plan)
    return audit


@pytest.mark.parametrize("fen", [TWO_TO_ONE, pytest.param(EN_PASSANT, marks=pytest.mark.slow)])
def test_what_is_kept_follows_from_the_moves(fen: str) -> None:
    audit, solution = audited(fen)
    found = audit.compare(2_000)
    assert found.positions >= 1_900
    assert found.exact + found.bounds == found.positions
    assert found.distances > 300
    assert found.successors > 5 * found.positions
    assert found.together > 50
    assert solution.interval(chess.Board(fen)) == (Outcome.WIN, Outcome.WIN)
    if fen == EN_PASSANT:
        assert found.bounds > 1_000
        assert found.en_passant > 5


def test_the_same_seed_compares_the_same() -> None:
    first, second = (audited(TWO_TO_ONE, slices=5)[0].compare(200) for _ in range(2))
    assert first == second


# --- it sees what is wrong ------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["candidates", "open"])
def test_a_wrong_bit_in_a_hundred_is_seen(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    real = running.Run.kept

    def spoilt(run: running.Run, s: int) -> running.Kept:
        kept = real(run, s)
        rng = np.random.default_rng(s)
        words = getattr(kept, name)
        noise = rng.random((*words.shape, 64)) < 0.01
        flips = (noise << np.arange(64, dtype=np.uint64)).sum(axis=-1, dtype=np.uint64)
        return replace(kept, **{name: words ^ (flips & words)})

    monkeypatch.setattr(running.Run, "kept", spoilt)
    audit, _ = audited(TWO_TO_ONE, slices=20)
    # By its moves, or since the other colour is said to win the position as well.
    with pytest.raises((Mismatch, Contradiction)) as caught:
        audit.compare(2_000)
    told = str(caught.value)
    assert chess.Board(caught.value.fen).is_valid()
    assert caught.value.fen in told
    if isinstance(caught.value, Mismatch):
        assert caught.value.successors
        assert all(fen in told for fen, _ in caught.value.successors)
    assert isinstance(caught.value, TablebaseError)


def test_a_spoilt_entry_of_the_store_is_seen(tmp_path: Path) -> None:
    store = Store(tmp_path)
    solve(chess.Board(TWO_TO_ONE), Budget(5.0), store=store)
    audit, _ = audited(TWO_TO_ONE)
    assert audit.against(store) >= 2
    run = next(run for run in audit.runs if locate(chess.Board(TWO_TO_ONE))[0] in run.slices)
    key = locate(framed(chess.Board(TWO_TO_ONE), run.step.colour))[0]
    packed = run.slices[key]
    kept = packed.open()
    kept.open[0, 0] ^= np.uint64(1 << 20)
    from tablebases.solver.results import pack

    run.slices[key] = pack(kept)
    with pytest.raises(Mismatch, match="the store"):
        audit.against(store)


@pytest.mark.slow
def test_the_cursed_wins_of_version_2_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a limit on the plies of upper bounds, whose complete slices passed for exact."""
    step = SolveStep(chess.WHITE, SLOW_WINS)
    audited_step(CURSED, step, 40).compare(6_000)
    monkeypatch.setattr(running, "LAST_PLY", 1 << 30)
    monkeypatch.setattr(running.Run, "_slow_unknown", lambda *_: False)
    with pytest.raises(Mismatch, match="kept as win in"):
        audited_step(CURSED, step, 40).compare(6_000)


@pytest.mark.slow
def test_a_position_next_door_is_worth_what_it_is_alone(tmp_path: Path) -> None:
    """Version 2 told the first of these as won by White in 20 plies, and kept that."""
    store = Store(tmp_path)
    board, after = chess.Board(CURSED), chess.Board(AFTER_CURSED)
    nearby = solve(board, Budget(60.0), store=store, moves_too=True)
    alone = solve(after, Budget(60.0))
    stored = solve(after, Budget(60.0), store=store)
    assert alone.interval(after) == (Outcome.BLESSED_LOSS, Outcome.BLESSED_LOSS)
    distance = alone.distance(after)
    assert distance is not None
    assert distance.plies == -108
    assert stored.interval(after) == alone.interval(after)
    assert stored.distance(after) == distance
    low, high = nearby.interval(after)
    assert low <= Outcome.BLESSED_LOSS <= high


@pytest.mark.slow
def test_a_blessed_loss_is_not_told_as_a_plain_draw() -> None:
    after = chess.Board("8/3p4/8/8/3k4/1N6/3N4/3K4 b - - 0 1")
    nearby = solve(chess.Board(TWO_KNIGHTS), Budget(60.0), moves_too=True)
    low, high = nearby.interval(after)
    assert low <= Outcome.BLESSED_LOSS <= high
    alone = solve(after, Budget(60.0))
    assert alone.interval(after) == (Outcome.BLESSED_LOSS, Outcome.BLESSED_LOSS)
    distance = alone.distance(after)
    assert distance is not None
    assert distance.plies == -103


@pytest.mark.parametrize("mode", [LOWER, UPPER])
@pytest.mark.parametrize(
    "fen",
    [
        pytest.param(TWO_KNIGHTS, marks=pytest.mark.long),
        pytest.param(CURSED, marks=pytest.mark.long),
    ],
)
def test_what_a_bound_keeps_as_exact_is_what_the_slice_is_alone(fen: str, mode: int) -> None:
    """Position by position, within the fifty-move rule and without it."""
    compared = 0
    most = 4 if fen == TWO_KNIGHTS else 40
    for colour in chess.COLORS:
        audit = audited_step(fen, SolveStep(colour, replace(SLOW_WINS, mode=mode)), 8)
        whole = [one for one in audit.runs[0].slices.items() if one[1].kept.whole]
        for key, packed in [one for one in whole if not one[1].kept.solved][:most]:
            board = next(draw(key, random.Random(1), 1), None)
            if board is None or not framed(board, colour).is_valid():
                continue
            alone = Solver([board], Budget(math.inf))
            alone._exactly(math.inf)
            exact = [p for p in alone.sets.kept.get((LOWER, key), ()) if p.complete]
            if not exact or not board.occupied_co[chess.WHITE] & ~board.kings:
                continue
            now, then = open_slice(packed).distances(), open_slice(exact[0]).distances()
            within_now = np.where(now.white <= 100, now.white, 0)
            within_then = np.where(then.white <= 100, then.white, 0)
            assert (within_now == within_then).all(), key
            assert ((now.black <= 100) == (then.black <= 100)).all(), key
            if packed.complete:
                assert (now.white == then.white).all(), key
                assert ((now.black == now.none) == (then.black == then.none)).all(), key
            compared += 1
    assert compared >= most


def test_moves_that_a_bound_leaves_out_are_no_mate() -> None:
    """Once told as a contradiction: in check, and only promotions, which the run left out, help."""
    audit = Audit(slices=20, seed=1)
    board = chess.Board("8/8/K7/8/4p3/8/2R2p2/k3Q3 b - - 0 1")
    assert board.is_check()
    assert all(move.promotion for move in board.legal_moves)
    solver = Solver([board], Budget(math.inf), moves_too=True, audit=audit)
    step = SolveStep(chess.WHITE, Scope(UPPER, (1,), limit=20_000))
    plan = solver._make_plan(step, [board])
    assert plan is not None
    solver._execute(step, plan)
    (run,) = audit.runs
    found: Counter[str] = Counter()
    assert audit._value(run, board) == (2, 1)
    assert audit._compare_one(run, board, found)
    assert found["successors"] == 0


def test_a_promotion_that_a_bound_leaves_out_goes_by_the_new_piece_being_taken() -> None:
    """Once told as a mismatch: the position after it was asked about too, and known less well."""
    before = chess.Board("4r3/P7/K7/2p5/8/8/1p3k2/8 w - - 0 1")
    after = chess.Board("Q3r3/8/K7/2p5/8/8/1p3k2/8 b - - 0 1")
    audit = Audit(slices=0)
    solver = Solver([before, after], Budget(math.inf), audit=audit)
    step = SolveStep(chess.WHITE, Scope(UPPER, (2, 1), black_promotions=8))
    plan = solver._make_plan(step, [before, after])
    assert plan is not None
    solver._execute(step, plan)
    (run,) = audit.runs
    found: Counter[str] = Counter()
    assert audit._value(run, before) == (0, None)
    assert audit._value(run, after) == (1, None)
    assert audit._compare_one(run, before, found)
    assert found["successors"] == 8


# --- its parts ------------------------------------------------------------------------------------


MATERIALS = ("KRvKN", "KPvK", "KQPvKR", "KRPvKNP", "KBBvKP", "KPPvKP", "KNNvKP")


@st.composite
def boards(draw_from: st.DrawFn) -> chess.Board:
    seed = draw_from(st.integers(0, 2**32))
    return random_legal(draw_from(st.sampled_from(MATERIALS)), random.Random(seed))


@given(boards())
def test_an_address_and_its_position(board: chess.Board) -> None:
    key, squares = locate(board)
    symmetric = len(squares) >= 2 and not board.pawns
    white, black = board.king(chess.WHITE), board.king(chess.BLACK)
    assert white is not None
    assert black is not None

    class Kept:
        pass

    kept = Kept()
    kept.symmetric = symmetric  # type: ignore[attr-defined]
    at = place(kept, squares, white, black)  # type: ignore[arg-type]
    again = board_at(key, symmetric, at, board.turn)
    assert locate(again)[0] == key
    images = [
        board.transform(f)
        for f in (
            lambda b: b,
            chess.flip_vertical,
            chess.flip_horizontal,
            chess.flip_diagonal,
            chess.flip_anti_diagonal,
            lambda b: chess.flip_vertical(chess.flip_horizontal(b)),
            lambda b: chess.flip_vertical(chess.flip_diagonal(b)),
            lambda b: chess.flip_horizontal(chess.flip_diagonal(b)),
        )
    ]
    assert again.board_fen() in {image.board_fen() for image in images}
    if not symmetric:
        assert again.board_fen() == board.board_fen()


@given(boards())
def test_a_position_is_among_those_before_each_of_its_moves(board: chess.Board) -> None:
    for move in board.legal_moves:
        if board.is_en_passant(move):
            continue
        after = board.copy(stack=False)
        after.push(move)
        assert board.board_fen() in {before.board_fen() for before in predecessors(after)}


@given(boards(), st.integers(0, 2**32))
def test_what_is_drawn_belongs_to_the_slice(board: chess.Board, seed: int) -> None:
    key = locate(board)[0]
    found = list(draw(key, random.Random(seed), 5))
    assert len(found) == 5
    for one in found:
        assert one.is_valid()
        assert locate(one)[0] == key


# --- at large -------------------------------------------------------------------------------------


def endings(seed: int) -> Iterator[chess.Board]:
    """Endings of five to nine men: from games, and drawn by chance, in turn; without end."""
    rng = random.Random(seed)
    lines = GAME_ENDINGS.read_text(encoding="utf-8").splitlines()
    while True:
        board = chess.Board()
        board.set_epd(rng.choice(lines))
        board.halfmove_clock = 0
        yield board
        men = rng.randrange(5, 10)
        pieces = ["", ""]
        for _ in range(rng.randrange(0, 3)):
            pieces[rng.randrange(2)] += rng.choice("QRBN")
        pawns = men - 2 - sum(map(len, pieces))
        white = rng.randrange(max(0, pawns - 4), min(4, pawns) + 1)
        yield random_legal(f"K{pieces[0]}{'P' * white}vK{pieces[1]}{'P' * (pawns - white)}", rng)


def audit_at_large(seed: int, positions: int, each: int) -> Compared:
    """Compare so many positions, ``each`` of an ending; what a few seconds do not bound is left."""
    total: Counter[str] = Counter()
    for number, board in enumerate(endings(seed)):
        if total["positions"] >= positions:
            break
        audit = Audit(slices=30, most_bytes=2**29, opened_bytes=2**28, seed=seed * 1000 + number)
        solver = Solver([board], Budget(6.0, 2**31), moves_too=True, audit=audit)
        solver.run()
        if audit.runs:
            try:
                total.update(asdict(audit.compare(each)))
            except (Mismatch, Contradiction) as error:
                raise AssertionError(f"{board.fen()}: {error}") from error
    return Compared(**total)


@pytest.mark.slow
def test_a_hundred_thousand_positions() -> None:
    total = audit_at_large(seed=1, positions=100_000, each=16_000)
    assert total.positions >= 100_000
    assert min(total.exact, total.bounds, total.distances) > 10_000


@pytest.mark.long
@pytest.mark.parametrize("seed", range(100, 164))
def test_ten_million_positions(seed: int, record_property: Callable[[str, object], None]) -> None:
    total = audit_at_large(seed, positions=157_000, each=16_000)
    record_property("compared", str(total))
    assert total.positions >= 157_000
