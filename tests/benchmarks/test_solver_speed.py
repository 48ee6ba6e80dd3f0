"""Speed of the solver, on demand: ``pytest tests/benchmarks/test_solver_speed.py -m benchmark -s``.

Answers are asserted; times are printed with what they are compared to in the same run, never
asserted. docs/benchmarks.md holds a run.
"""

from __future__ import annotations

import random
import statistics
import time
from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import chess
import numpy as np
import pytest
from solver_reference import retrograde
from versions import printed, two_versions

from tablebases import Outcome, open_tables
from tablebases.solver import Budget, Solution, Store, kernels, solve
from tablebases.solver.plan import make_plan
from tablebases.solver.results import OpenDistances, place
from tablebases.solver.run import Run
from tablebases.solver.sets import locate
from tablebases.solver.structures import LOWER, Scope, expand
from tablebases.solver.trying import Solver

pytestmark = pytest.mark.benchmark

ROOK_V_KNIGHT = "8/8/8/3kn3/8/3K4/4R3/8 w - - 0 1"


def timed(run: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds on the clock, and the result."""
    start = time.perf_counter()
    result = run()
    return time.perf_counter() - start, result


def win_set(fen: str) -> Callable[[], Run]:
    """White's wins of everything that the position leads to, both sides to move, one thread."""

    def run() -> Run:
        structures = expand([locate(chess.Board(fen))[0]], Scope(LOWER, (4,)))
        assert structures is not None
        plan = make_plan(structures, np.zeros(len(structures), np.int64), 2**32)
        work = Run(plan, threads=1, memory=2**32)
        work.execute()
        return work

    return run


def settled(fen: str, seconds: float, **budget: Any) -> tuple[Solver, Solution]:
    """Solve a position until it is settled."""
    solver = Solver([chess.Board(fen)], Budget(seconds=seconds, **budget))
    return solver, solver.run()


def test_warm_up() -> None:
    """Compiles whatever the cache does not hold yet, so that the other tests do not count it."""
    seconds, _ = timed(lambda: settled("8/5k2/8/4p3/8/3P4/5K2/8 w - - 0 1", 60))
    assert seconds > 0
    print(f"\nfirst use in this process: {seconds:.1f} s")


def test_rook_against_knight() -> None:
    """The pawnless win set, against a position-by-position solver of the same class."""
    run = win_set(ROOK_V_KNIGHT)
    run()
    best = min(timed(run)[0] for _ in range(5))
    work = run()
    seconds, reference = timed(lambda: retrograde("KR", "KN"))
    assert _whole_board_wins(work, 0) == reference.count_wins(chess.WHITE)
    print(
        f"\nK+R v K+N, win set: {best * 1e3:.0f} ms; position by position {seconds:.1f} s "
        f"(wins of both colours), ratio {seconds / best:.0f}"
    )


def _whole_board_wins(work: Run, s: int) -> int:
    """Positions with White to move and winning, on the whole board, of a symmetric slice."""
    st, total = work.plan.structures, 0
    squares = np.zeros(4, np.int64)
    n, lost = np.zeros(64, np.uint64), np.zeros(64, np.uint64)
    none = np.uint64(0)
    at = int(work.offsets[kernels.OFF_N, s])
    for block in range(640):
        kernels.squares_of(block, 2, True, squares)
        if squares[0] == squares[1]:
            continue
        kernels.legal_block(squares, 2, st.codes[s], none, none, n, lost)
        won = int(np.bitwise_count(n & ~work.pool[at + block]).sum())
        total += won * (4 if squares[0] % 9 == 0 else 8)
    return total


@pytest.mark.parametrize(
    ("name", "fen"),
    [
        ("K+R v K, exact with distances", "8/8/8/3k4/8/3K4/4R3/8 w - - 0 1"),
        ("K+R v K+N, exact with distances", ROOK_V_KNIGHT),
        ("K+R+P v K+N, exact with distances", "8/8/3n4/4k3/8/4K3/4P3/R7 w - - 0 1"),
    ],
)
def test_exact(name: str, fen: str) -> None:
    """Outcome and distance from a position."""
    board = chess.Board(fen)

    def run() -> Solution:
        solution = settled(fen, 120)[1]
        assert solution.distance(board) is not None
        return solution

    run()
    seconds, solution = timed(run)
    low, high = solution.interval(board)
    assert low == high
    if chess.popcount(board.occupied) <= 4:
        assert low == open_tables().wdl_after_zeroing(board)
    print(f"\n{name}: {seconds:.2f} s, {low.word}")


def test_five_men_without_pawns() -> None:
    """K+R+B v K+R, win set, with the eight symmetries."""
    run = win_set("8/8/8/3k1r2/8/3K4/4RB2/8 w - - 0 1")
    seconds, work = timed(run)
    # 59 moves (tests/data/solver/totals.json) are 117 plies with White to move, 118 with Black.
    assert int(work.plies.max()) == 118
    print(f"\nK+R+B v K+R, win set: {seconds:.1f} s")


@pytest.mark.parametrize(
    ("name", "fen", "outcome"),
    [
        ("R+2 v N+2", "8/5p2/4knp1/8/8/5PP1/3R2K1/8 w - - 0 1", Outcome.WIN),
        ("R+3 v N+2", "8/5p2/4knp1/8/8/5PPP/3R2K1/8 w - - 0 1", Outcome.WIN),
        ("pawns 3 v 3", "8/8/5ppp/5k2/8/5PPP/6K1/8 w - - 0 1", None),
        ("pawns 4 v 4", "8/7p/5ppk/8/8/5PPK/7P/8 w - - 0 1", None),
    ],
)
def test_settled(name: str, fen: str, outcome: Outcome | None) -> None:
    """Pawns free to move on both sides; settled means that the ends of the interval meet."""
    board = chess.Board(fen)
    seconds, (solver, solution) = timed(lambda: settled(fen, 600, memory=8 * 2**30))
    low, high = solution.interval(board)
    assert low == high
    assert outcome is None or low is outcome
    cost = solution.cost
    print(
        f"\n{name}: {seconds:.1f} s, {low.word}, {cost.slices:,} slices, "
        f"{cost.peak_bytes / 2**30:.1f} GB planned, {len(solver.steps)} steps"
    )


def test_probing_in_bulk() -> None:
    """All positions of a solved slice at once, against python-chess one by one."""
    board = chess.Board(ROOK_V_KNIGHT)
    solver, _ = settled(ROOK_V_KNIGHT, 60)
    packed = solver.sets.kept[LOWER, locate(board)[0]][0]
    opened = solver.sets.opened(packed)
    assert isinstance(opened, OpenDistances)
    distances = opened.distances()
    rng = random.Random(5)
    boards = []
    while len(boards) < 20_000:
        squares = rng.sample(range(64), 4)
        work = chess.Board(None)
        for square, symbol in zip(squares, "KkRn", strict=True):
            work.set_piece_at(square, chess.Piece.from_symbol(symbol))
        if work.is_valid():
            boards.append(work)
    at = np.array(
        [
            place(packed.kept, locate(b)[1], b.king(True), b.king(False))  # type: ignore[arg-type]
            for b in boards
        ]
    )
    seconds, plies = timed(lambda: distances.white[at[:, 0], at[:, 1], at[:, 2]])
    with open_tables() as prober:
        slow, wdl = timed(lambda: [prober.wdl_after_zeroing(b) for b in boards])
    assert all((w is Outcome.WIN) == (p > 0) for w, p in zip(wdl, plies, strict=True))
    print(
        f"\nbulk probing: {seconds / len(boards) * 1e9:.0f} ns a position, "
        f"ratio to one by one {slow / seconds:.0f}"
    )


def test_second_run_from_the_store(tmp_path: Path) -> None:
    """The same question again, from what the first run kept."""
    fen = "8/6pp/5k1n/8/8/5P2/4R1K1/8 w - - 0 1"
    store = Store(tmp_path)
    first, one = timed(lambda: solve(chess.Board(fen), Budget(60), store=store))
    second, two = timed(lambda: solve(chess.Board(fen), Budget(60), store=store))
    assert one.interval(chess.Board(fen)) == two.interval(chess.Board(fen))
    assert two.cost.slices == 0
    print(f"\nfrom the store: {second:.2f} s, first run {first:.1f} s, ratio {first / second:.0f}")


def test_kernels_are_compiled() -> None:
    """The times above are those of machine code."""
    assert kernels.solve_batch.signatures


ONE_RUN = """
import sys, time
import chess
from tablebases.solver import Budget
from tablebases.solver.trying import Solver, _compile
_compile()
for line in sys.stdin.read().splitlines():
    board = chess.Board(line)
    budget = Budget(seconds=float(sys.argv[2]), threads=int(sys.argv[1]), at_once=0.0)
    solver = Solver([board], budget)
    worked, begun = time.process_time(), time.monotonic()
    low, high = solver.run().interval(board)
    print(
        f"{time.process_time() - worked:.2f} {time.monotonic() - begun:.2f}",
        f"{solver.spent:.2f} {low.name} {high.name} {len(solver.steps)}",
    )
"""
BEFORE_AND_NOW = {
    "rook against bishop, three pawns": "8/4B3/3P4/pp3k2/8/2r2K2/8/8 w - - 0 1",
    "knight and pawn against three pawns": "8/4kp2/8/P3PP2/1n2K3/8/8/8 w - - 0 1",
    "three pawns each": "8/8/3k2pp/8/1p2K3/P7/6PP/8 w - - 0 1",
    "rook against three pawns, one about to promote": "8/1Pr5/8/3k4/1P3P2/3K4/8/8 w - - 0 1",
}


def test_before_and_now() -> None:
    """``FULLPOINT_BEFORE`` names the checkout of another version; three runs of each in turn.

    What a version answers, with how many steps and planned seconds, is the same in all runs; what
    the two answer does not exclude each other.
    """
    checkouts = two_versions()
    taken: dict[tuple[str, int, str], list[tuple[float, float]]] = {}
    answers: dict[tuple[str, str], tuple[str, ...]] = {}
    fens = "\n".join(BEFORE_AND_NOW.values())
    for _, threads, version in product(range(3), (1, 2), checkouts):
        lines = printed(checkouts[version], ONE_RUN, str(threads), "10", text=fens).splitlines()
        for name, line in zip(BEFORE_AND_NOW, lines, strict=True):
            worked, clock, *answer = line.split()
            assert answers.setdefault((version, name), tuple(answer)) == tuple(answer), name
            taken.setdefault((version, threads, name), []).append((float(worked), float(clock)))
    for name in BEFORE_AND_NOW:
        told = [answers[version, name] for version in checkouts]
        least, most = max(Outcome[one[1]] for one in told), min(Outcome[one[2]] for one in told)
        assert least <= most
        print(f"\n{name}: " + "; ".join(" ".join(one) for one in told), end="")
        for threads in (1, 2):
            (w0, c0), (w1, c1) = (
                map(statistics.median, zip(*taken[version, threads, name], strict=True))
                for version in checkouts
            )
            print(
                f"\n  {threads} threads: processor {w0:.1f} and {w1:.1f} s ({w1 / w0:.2f}), "
                f"clock {c0:.1f} and {c1:.1f} s ({c1 / c0:.2f})",
                end="",
            )
