"""Bounds hold the exact answer, and a wider scope never proves less.

Whole slices are compared at once: every legal position of a rook-and-pawn against knight slice and
of a pawn ending, exact against each of the scopes that the solver goes through.
"""

from __future__ import annotations

import gc
import itertools
import math
import subprocess
import sys
import tracemalloc
import weakref
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import chess
import numpy as np
import pytest
from chess import KING
from hypothesis import given
from hypothesis import strategies as st

from tablebases import Outcome
from tablebases.solver import Budget, kernels
from tablebases.solver.entries import _blocks_of
from tablebases.solver.notes import Estimate
from tablebases.solver.results import (
    Distances,
    OpenDistances,
    OpenSets,
    Packed,
    Pieces,
    pack,
    replay,
)
from tablebases.solver.run import Run
from tablebases.solver.scopes import SolveStep, scopes_of
from tablebases.solver.sets import Sets, framed, keys_of, locate, positions_of
from tablebases.solver.solution import Solution
from tablebases.solver.structures import LOWER, UPPER, Scope, expand
from tablebases.solver.trying import Solver

ROOK = "8/8/3n4/4k3/8/4K3/4P3/R7 w - - 0 1"
PAWNS = "8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1"
LIMIT = 100_000


def distances(fen: str, colour: chess.Color, scope: Scope) -> Distances:
    """The slice of the position solved with one scope, for one colour's wins."""
    board = chess.Board(fen)
    solver = Solver([board], Budget(seconds=600.0))
    step = SolveStep(colour, scope)
    plan = solver._prepare(step, [board])
    assert plan is not None
    solver._execute(step, plan)
    (packed,) = solver.sets.kept[scope.mode, locate(framed(board, colour))[0]]
    assert packed.complete == (scope.caps == (4,) and scope.white_promotions == 15)
    return replay(packed.open())


@lru_cache(maxsize=8)
def exact(fen: str, colour: chess.Color) -> Distances:
    return distances(fen, colour, Scope(LOWER, (4,), limit=LIMIT))


def wins(found: Distances) -> tuple[np.ndarray, np.ndarray]:
    """Positions won: with White to move, and with Black to move."""
    return found.white > 0, found.black != found.none


@pytest.mark.parametrize("colour", chess.COLORS, ids=["Black", "White"])
@pytest.mark.parametrize(
    "fen", [pytest.param(ROOK, marks=pytest.mark.slow), PAWNS], ids=["rook", "pawns"]
)
@pytest.mark.parametrize("mode", [LOWER, UPPER], ids=["lower", "upper"])
def test_bounds_hold_the_exact_answer(fen: str, colour: chess.Color, mode: int) -> None:
    """Lower bound within the exact wins, these within the upper bound; nested as scopes widen."""
    truth = wins(exact(fen, colour))
    before: tuple[np.ndarray, np.ndarray] | None = None
    sizes = []
    for scope in scopes_of(mode, LIMIT, pieces=fen == ROOK)[:8]:
        found = wins(distances(fen, colour, scope))
        for bound, true in zip(found, truth, strict=True):
            inside, outside = (bound, true) if mode == LOWER else (true, bound)
            assert not (inside & ~outside).any()
        if before is not None:
            for narrow, wide in zip(before, found, strict=True):
                less, more = (narrow, wide) if mode == LOWER else (wide, narrow)
                assert not (less & ~more).any()
        before = found
        sizes.append(int(found[0].sum() + found[1].sum()))
    # The widest of these scopes comes close, and the first is not the last: the test bites.
    total = int(truth[0].sum() + truth[1].sum())
    if colour and total:
        assert sizes[0] != sizes[-1] or sizes[-1] == total
        assert 0.8 * total <= sizes[-1] <= 1.25 * total


@pytest.mark.parametrize(
    "fen", [pytest.param(ROOK, marks=pytest.mark.slow), PAWNS], ids=["rook", "pawns"]
)
def test_a_lower_bound_never_claims_a_quicker_win(fen: str) -> None:
    """What is left out can only make the proved way longer."""
    truth = exact(fen, chess.WHITE)
    bound = distances(fen, chess.WHITE, scopes_of(LOWER, LIMIT)[4])
    both = bound.white > 0
    # Exits may lead elsewhere in the two, so compare where the bound sees the same first exits.
    assert (truth.white[both] > 0).all()
    assert (bound.white[both] >= truth.white[both]).all()


@pytest.mark.slow
def test_more_time_never_widens_the_interval() -> None:
    """The same position with growing budgets."""
    board = chess.Board("8/8/4k1p1/3n4/8/1P6/8/R3K3 w - - 0 1")
    low, high = -2, 2
    for seconds in (1.0, 3.0, 9.0):
        solver = Solver([board], Budget(seconds=seconds))
        solution = solver.run()
        now_low, now_high = solution.interval(board)
        assert low <= now_low <= now_high <= high
        low, high = now_low, now_high


def test_threads_do_not_change_the_result() -> None:
    """One thread or three: the same distances in the whole slice."""
    found = []
    for threads in (1, 3):
        board = chess.Board("8/8/8/2p1k3/8/4K3/3P4/8 w - - 0 1")
        solver = Solver([board], Budget(seconds=60.0, threads=threads))
        solver.run()
        (packed,) = solver.sets.kept[LOWER, locate(board)[0]]
        found.append(replay(packed.open()))
    assert (found[0].white == found[1].white).all()
    assert (found[0].black == found[1].black).all()


@pytest.mark.slow
def test_a_slow_win_is_cursed() -> None:
    """Two knights against a pawn: some wins take more than a hundred plies to the next exit.

    That such wins exist is a fact of the trade (A. A. Troitzky's analysis of the ending, from
    memory); the rule that makes them cursed is Syzygy's (tablebases/values.py).
    """
    board = chess.Board("8/8/8/8/4k3/7p/8/KNN5 w - - 0 1")
    solver = Solver([board], Budget(seconds=120.0))
    assert solver._exactly(math.inf)
    (packed,) = solver.sets.kept[LOWER, locate(board)[0]]
    found = replay(packed.open())
    quick = np.argwhere((found.white > 0) & (found.white <= 100))
    slow = np.argwhere(found.white > 100)
    assert len(quick)
    assert len(slow)
    solution = solver.solution()
    for places, expected in ((quick[:50], Outcome.WIN), (slow[:50], Outcome.CURSED_WIN)):
        for block, black_king, white_king in places:
            position = board.copy(stack=False)
            position.clear_board()
            position.set_piece_at(chess.H3, chess.Piece(chess.PAWN, chess.BLACK))
            for square in (int(block) // 64, int(block) % 64):
                position.set_piece_at(square, chess.Piece(chess.KNIGHT, chess.WHITE))
            position.set_piece_at(int(white_king), chess.Piece(KING, chess.WHITE))
            position.set_piece_at(int(black_king), chess.Piece(KING, chess.BLACK))
            assert solution.interval(position) == (expected, expected), position.fen()


@pytest.mark.parametrize(
    ("fen", "outcome"),
    [
        ("k7/p7/2K5/8/8/8/8/8 w - - 0 1", Outcome.DRAW),
        ("k1K5/p7/8/8/8/8/8/8 w - - 0 1", Outcome.LOSS),
        ("k1K5/p7/8/8/8/8/8/8 b - - 0 1", Outcome.WIN),
    ],
)
def test_a_bare_king_wins_nothing(fen: str, outcome: Outcome) -> None:
    """Black stuck but for a pawn move, against a bare king: once taken for lost."""
    board = chess.Board(fen)
    solution = Solver([board], Budget(seconds=60.0)).run()
    assert solution.interval(board) == (outcome, outcome)


def test_more_roots_than_fit_a_buffer() -> None:
    """Six hundred structures at once: all are listed (only 512 once were)."""
    roots = [(0, 1 << a, 1 << b) for a in range(8, 56) for b in range(8, 56) if a != b][:600]
    structures = expand(roots, Scope(LOWER, (4,), limit=LIMIT))
    assert structures is not None
    assert set(roots) <= set(keys_of(structures))


def test_a_pool_on_disk_gives_the_same(tmp_path: Path) -> None:
    """What does not fit into memory is kept in a file; nothing of it is left behind."""
    found = []
    for memory, disk in ((2**30, 0), (2**24, 2**30)):
        board = chess.Board("8/8/3n4/4k3/8/4K3/4P3/R7 w - - 0 1")
        solver = Solver([board], Budget(60.0, memory, disk), folder=tmp_path)
        step = SolveStep(chess.WHITE, scopes_of(LOWER, LIMIT)[4])
        plan = solver._prepare(step, [board])
        assert plan is not None
        assert (plan.bytes(2) <= memory) == (disk == 0)
        assert solver._fits(Estimate.of(plan), 600.0)
        solver._execute(step, plan)
        (packed,) = solver.sets.kept[LOWER, locate(board)[0]]
        found.append(replay(packed.open()))
    assert (found[0].white == found[1].white).all()
    assert (found[0].black == found[1].black).all()
    assert not list(tmp_path.iterdir())


def test_what_does_not_fit_is_not_begun() -> None:
    """Memory is known beforehand: with too little of it nothing is proved, and nothing breaks."""
    board = chess.Board("8/8/3n4/4k3/8/4K3/4P3/R7 w - - 0 1")
    solver = Solver([board], Budget(20.0, 2**20))
    solution = solver.run()
    assert solution.interval(board) == (Outcome.LOSS, Outcome.WIN)
    assert solution.answer(board) is None
    assert solution.cost.peak_bytes == 0


def test_a_budget_in_plan_does_not_depend_on_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    board = chess.Board(PAWNS)
    found = []
    for step in (0.0, 1000.0):
        # A clock that stands still, and one that runs away.
        ticks = itertools.count()
        clock = SimpleNamespace(monotonic=lambda ticks=ticks, step=step: next(ticks) * step)
        monkeypatch.setattr("tablebases.solver.trying.time", clock)
        solver = Solver([board], Budget(seconds=3.0, threads=1, planned=True))
        run = solver.run()
        found.append((solver.steps, run.interval(board)))
        assert 0 < solver.spent <= 3.0
    assert found[0] == found[1]


@given(st.integers(1, 40), st.integers(0, 2**32))
def test_pieces_are_the_array(blocks: int, seed: int) -> None:
    array = np.random.default_rng(seed).integers(0, 3, (blocks, 4, 4)).astype(np.uint16)
    pieces = Pieces(array)
    assert (pieces.whole() == array).all()
    assert all((pieces.block(number) == array[number]).all() for number in range(blocks))
    assert pieces.nbytes > 0


def test_a_slice_kept_as_it_is_is_the_one_that_was_compressed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Those that come first are not compressed, as far as their share of memory goes."""
    monkeypatch.setattr("tablebases.solver.sets._PLAIN", 1_500)
    sets = Sets()
    Solver([chess.Board(PAWNS)], Budget(planned=True), sets=sets).run()
    slices = [one for known in sets.kept.values() for one in known]
    plain = {
        id(one): one
        for one in slices
        if not any(isinstance(words, bytes) for words in one.sets.values())
    }
    assert 0 < sum(one.nbytes for one in plain.values()) <= 1_500
    assert len(plain) < len({id(one) for one in slices})
    for one in slices:
        opened = one.open()
        again = pack(opened, one.name)
        assert all(isinstance(words, bytes) for words in again.sets.values())
        assert again.sets.keys() == one.sets.keys()
        for name in one.sets:
            assert (getattr(again.open(), name) == getattr(opened, name)).all()
            assert getattr(opened, name).flags.writeable
        if id(one) in plain:
            assert again.nbytes < one.nbytes
    assert sets.packed_bytes == sum({id(one): one.nbytes for one in slices}.values())


def test_answers_of_slices_that_made_way_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bound gives way to the exact slice, and the same bound is held once.

    Asked in the same order the next time, neither has to be opened.
    """
    board = chess.Board(PAWNS)
    turned = framed(board, chess.WHITE)
    exact, bounds = Sets(), Sets()
    Solver([board], Budget(planned=True), sets=exact).run()
    solver = Solver([board], Budget(planned=True), sets=bounds)
    scope = scopes_of(LOWER, LIMIT)[0]
    solver._do(SolveStep(chess.WHITE, scope), [board])
    key = locate(turned)[0]
    (bound,) = bounds.kept[LOWER, key]
    assert not bound.complete
    assert bound.name

    def go() -> Sets:
        sets = Sets()
        sets.remembered = remembered
        sets.add_packed(LOWER, key, replace(bound, answers={}))
        sets.value(LOWER, turned)
        sets.add_packed(LOWER, key, replace(bound, answers={}))
        assert len(sets.kept[LOWER, key]) == 1
        (whole,) = exact.kept[LOWER, key]
        sets.add_packed(LOWER, key, replace(whole, answers={}))
        sets.value(LOWER, turned)
        return sets

    remembered: dict[str, Any] = {}
    first = go()
    (whole,) = first.kept[LOWER, key]
    assert whole.complete
    remembered = first.answers()
    assert remembered.keys() == {bound.name, whole.name}

    def refuse(*_: object) -> None:
        raise AssertionError("opened again")

    monkeypatch.setattr(Sets, "opened", refuse)
    assert go().answers() == remembered


@given(
    st.lists(st.integers(0, 7), max_size=4).map(sorted),
    st.integers(0, 1),
)
def test_blocks_are_counted_alike(codes: list[int], pawns: int) -> None:
    """With compiled code and without."""
    packed = sum((code + 1) << 4 * d for d, code in enumerate(codes))
    symmetric = len(codes) >= 2 and not pawns
    assert _blocks_of((packed, 256 * pawns, 0)) == kernels.blocks_of(len(codes), symmetric)


@pytest.mark.parametrize(
    "fen", [PAWNS, pytest.param(ROOK, marks=pytest.mark.slow)], ids=["pawns", "rook"]
)
def test_a_slice_is_looked_up_as_it_was_solved(fen: str) -> None:
    """With distances and with sets, also where a win comes too late."""
    sets = Sets()
    Solver([chess.Board(fen)], Budget(planned=True), sets=sets).run()
    slices = [one for known in sets.kept.values() for one in known if not one.kept.solved]
    assert slices
    seen = set()
    for packed in slices[:6]:
        kept = packed.open()
        found = replay(kept)
        # Let those that take longest be too late, whatever they take.
        far = Distances(found.white.astype(np.uint16), found.black.astype(np.uint16))
        far.black[found.black == found.none] = far.none
        for array in (far.white, far.black):
            array[(array > 2) & (array != far.none)] += 100
        lost, won = far.black != far.none, far.white > 0

        def words(positions: Any) -> Any:
            return np.packbits(positions, axis=2, bitorder="little").view("<u8")[..., 0]

        with_sets = OpenSets(
            replace(
                kept,
                candidates=words(far.black <= 100),
                open=words((far.white > 100) | ~won),
                late_candidates=words(lost),
                late_open=words(~won),
                solved=True,
            )
        )
        with_distances = OpenDistances(far)
        assert (with_distances.distances().white == far.white).all()
        assert (with_distances.distances().black == far.black).all()
        rng = np.random.default_rng(1)
        for number in range(3000):
            if number == 1500:
                before, as_it_is = with_distances.nbytes, with_distances.whole
                with_distances.compress()
                if as_it_is:
                    assert with_distances.nbytes < before
                else:  # a large one is compressed from the start
                    assert with_distances.nbytes == before
            at = tuple(int(rng.integers(0, n)) for n in far.white.shape)
            for turn, array in ((True, far.white), (False, far.black)):
                plies = int(array[at])
                level = 0 if plies == (0 if turn else far.none) else 2 if plies <= 100 else 1
                assert with_sets.value(turn, at)[0] == level
                assert with_distances.value(turn, at) == (level, plies if level else None)
                seen.add(level)
    assert seen == {0, 1, 2}


TWO_TO_ONE = "8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1"


@pytest.mark.parametrize(
    ("fen", "seconds"),
    [
        (TWO_TO_ONE, 60.0),
        # some moves stay open
        pytest.param("8/5p2/4k3/8/6r1/5P2/3R2K1/8 w - - 0 1", 3.0, marks=pytest.mark.long),
        ("8/6p1/4k3/8/8/5PP1/6K1/8 w - - 0 1", 3.0),  # so here
    ],
)
def test_what_is_gathered_is_what_is_found_one_by_one(
    monkeypatch: pytest.MonkeyPatch, fen: str, seconds: float
) -> None:
    """And a slice is opened for what is won at least and at most, with memory for one only."""
    board = chess.Board(fen)
    sets = Sets(most_opened=1)
    solver = Solver([board], Budget(seconds, planned=True), sets=sets, moves_too=True)
    alone, together = solver.run(), Solution(sets, solver.cost)
    boards = [later for one in positions_of(board) for later in positions_of(one)]
    opened: list[int] = []
    real = Packed.open
    monkeypatch.setattr(Packed, "open", lambda one: opened.append(id(one)) or real(one))
    together.gather(boards)
    assert opened
    assert max(opened.count(one) for one in opened) <= 2
    for one in boards:
        assert together.interval(one) == alone.interval(one)
        assert together.distance(one) == alone.distance(one)
        assert together.bound(one) == alone.bound(one)
        assert together.answer(one) == alone.answer(one)


def test_what_is_open_is_known_whatever_was_asked_before() -> None:
    """A step never forgets a board that has an open move, nor asks for one that has none."""
    boards = [chess.Board(TWO_TO_ONE), chess.Board("8/6p1/8/4k3/6P1/4K3/4PP2/8 w - - 0 1")]
    solver = Solver(boards, Budget(seconds=2.0, planned=True), moves_too=True)
    execute = solver._execute

    def check() -> None:
        fresh = Solution(solver.sets, solver.cost)
        for colour in chess.COLORS:
            slow = []
            for board in boards:
                told = [fresh.interval(one) for one in positions_of(board)]
                turns = [one.turn for one in positions_of(board)]
                wins = [  # does the colour win: at least, at most
                    (low > 0, high > 0) if turn == colour else (high < 0, low < 0)
                    for (low, high), turn in zip(told, turns, strict=True)
                ]
                if any(least != most for least, most in wins):
                    slow.append(board)
            assert solver._open_boards(colour) == slow

    def step(*args: Any) -> None:
        execute(*args)
        check()

    solver._execute = step  # type: ignore[method-assign]
    check()
    solver.run()
    assert solver.steps


def test_what_is_broken_off_leaves_nothing_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without waiting for Python's search for rings of objects, which counts no bytes."""
    made: list[weakref.ref[Run]] = []

    class Watched(Run):
        def __init__(self, *args: Any, **more: Any):
            super().__init__(*args, **more)
            made.append(weakref.ref(self))

    monkeypatch.setattr("tablebases.solver.room.Run", Watched)
    solver = Solver([chess.Board(TWO_TO_ONE)], Budget(planned=True))
    monkeypatch.setattr(solver, "_over", lambda: True)
    gc.disable()
    try:
        solver.run()
        assert made
        assert [one() for one in made] == [None] * len(made)
    finally:
        gc.enable()
    assert not solver.steps


def test_what_is_compressed_takes_no_more_memory_than_it_says() -> None:
    """The buffer of the compressing module, as large as the data, is not kept."""
    arrays = [np.full((64, 64, 64), number, np.uint8) for number in range(100)]
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        pieces = [Pieces(array) for array in arrays]
        taken = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    assert sum(one.nbytes for one in pieces) < 1_000_000
    assert taken < 2_000_000  # the arrays take 26 million


@pytest.mark.parametrize(("seconds", "until"), [(4.0, 6.0), (100.0, 110.0)])
def test_a_step_under_way_may_overrun_the_time_a_little(
    monkeypatch: pytest.MonkeyPatch, seconds: float, until: float
) -> None:
    """By a tenth, at least two seconds; no step is begun in that time."""
    clock = SimpleNamespace(now=0.0, monotonic=lambda: clock.now)
    monkeypatch.setattr("tablebases.solver.trying.time", clock)
    solver = Solver([chess.Board(TWO_TO_ONE)], Budget(seconds=seconds, planned=False))
    for clock.now, over, begin in (
        (0.0, False, True),
        (seconds - 0.1, False, True),
        (seconds + 0.1, False, False),
        (until - 0.1, False, False),
        (until + 0.1, True, False),
    ):
        assert solver._over() == over
        assert (solver._left() > 0) == begin
    assert not Solver([], Budget(seconds=math.inf))._over()


COMPILED = """
import chess
from tablebases.solver import Budget, kernels, plan, results, run, structures, trying
def compiled():
    return {f"{module.__name__}.{name}": len(one.signatures)
            for module in (kernels, plan, results, run, structures)
            for name, one in vars(module).items() if hasattr(one, "signatures")}
trying._compile()
before = compiled()
for fen in ("8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1", "8/1r6/5R1K/2k4P/8/8/8/8 b - - 0 64"):
    trying.Solver([chess.Board(fen)], Budget(planned=True), moves_too=True).run()
after = compiled()
print({name: (before[name], number) for name, number in after.items() if number != before[name]})
"""


@pytest.mark.slow
def test_nothing_is_left_to_be_compiled_within_the_time() -> None:
    """What the first use on a machine compiles is compiled before the clock starts."""
    done = subprocess.run(
        [sys.executable, "-c", COMPILED], capture_output=True, text=True, check=True
    )
    assert done.stdout == "{}\n"
