"""The same command gives the same answer: on a busy machine, on one processor, without memory to
spare, with and without what earlier runs have kept.

The commands run in processes of their own, with a cache folder of their own but for the machine
code. Left out of the comparison is what was spent, which is measured: ``cost`` of ``solve``.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import json
import math
import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import chess
import pytest

# Imported before any test changes the cache folder: the machine code is kept there.
import tablebases.solver  # noqa: F401
from convert.judging.bench import fresh, open_bench
from convert.judging.solving import REACHES
from convert.model import Review
from convert.reading.games import read_games
from convert.review.game import review_game
from tablebases.solver import Budget, Store
from tablebases.solver import room as solving
from tablebases.solver.budget import Cost
from tablebases.solver.machine import NoRoom
from tablebases.solver.scopes import SolveStep, exactly
from tablebases.solver.sets import positions_of
from tablebases.solver.solution import Solution
from tablebases.solver.trying import Solver

ROOT = Path(__file__).parent.parent
TWO_TO_ONE = "8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1"
ROOK_PAWN_ROOK = "8/1r6/5R1K/2k4P/8/8/8/8 b - - 0 64"
"""Rook and pawn against rook from a game; it stayed unsettled on a busy machine."""
BOUNDED = "8/5p2/4k3/8/6r1/5P2/3R2K1/8 w - - 0 1"
"""A rook and a pawn each: some moves stay open at the normal effort."""
DEMO = "demo_games/04-winning-trade-missed-handed-back-and-taken.pgn"


@contextlib.contextmanager
def busy() -> Iterator[None]:
    """A process for each processor that does nothing, as fast as it can."""
    spinning = [
        subprocess.Popen([sys.executable, "-c", "while True: pass"])
        for _ in range(os.cpu_count() or 1)
    ]
    try:
        yield
    finally:
        for process in spinning:
            process.kill()
        for process in spinning:
            process.wait()


def one_processor() -> None:
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})


def output(folder: Path, *args: str, prepare: Callable[[], None] | None = None) -> bytes:
    """Text and JSON of a command that has its cache in ``folder``.

    Of ``solve`` the JSON without its ``cost``; its text tells that too.
    """
    environment = os.environ | {"XDG_CACHE_HOME": str(folder), "FULLPOINT_SOLVE": "1"}
    folder.mkdir(exist_ok=True)
    written = folder / "report.json"
    called = ["-c", "from convert.cli import main; main()", *args, "--json", str(written)]
    if args[0] == "lesson":
        called[-2] = "-o"
    done = subprocess.run(
        [sys.executable, *called],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        preexec_fn=prepare,
    )
    assert done.returncode == 0, done.stderr.decode()
    if args[0] == "solve":
        found = json.loads(written.read_bytes())
        assert found.pop("cost")
        return json.dumps(found).encode()
    assert done.stdout or args[0] == "lesson"
    return done.stdout + written.read_bytes()


def same_everywhere(tmp_path: Path, *args: str, threads: bool = False) -> bytes:
    """What the command prints, the same on the second run, on a busy machine and on one core."""
    first = output(tmp_path / "one", *args)
    assert list((tmp_path / "one").rglob("*.slice")), "nothing was solved"
    assert output(tmp_path / "one", *args) == first, "differs where results are in the store"
    more = ("--threads", "3") if threads else ()
    with busy():
        assert output(tmp_path / "two", *args, *more) == first, "differs on a busy machine"
    more = ("--threads", "1") if threads else ()
    assert output(tmp_path / "three", *args, *more, prepare=one_processor) == first
    return first


@pytest.mark.slow
def test_solve(tmp_path: Path) -> None:
    found = json.loads(same_everywhere(tmp_path, "solve", TWO_TO_ONE, threads=True))
    assert found["exact"], f"{TWO_TO_ONE} is not settled: {found}"


@pytest.mark.slow
def test_position(tmp_path: Path) -> None:
    assert b"olved" in same_everywhere(tmp_path, "position", TWO_TO_ONE)


@pytest.mark.long
@pytest.mark.parametrize("fen", [ROOK_PAWN_ROOK, BOUNDED], ids=["rooks", "bounded"])
def test_solve_larger(tmp_path: Path, fen: str) -> None:
    found = json.loads(same_everywhere(tmp_path, "solve", fen, threads=True))
    assert found["exact"] == (fen == ROOK_PAWN_ROOK)


@pytest.mark.long
def test_position_larger(tmp_path: Path) -> None:
    same_everywhere(tmp_path, "position", "--effort", "quick", BOUNDED)


@pytest.mark.slow
def test_game(tmp_path: Path) -> None:
    same_everywhere(tmp_path, "game", "--effort", "quick", DEMO)


@pytest.mark.slow
def test_lesson(tmp_path: Path) -> None:
    same_everywhere(tmp_path, "lesson", DEMO)


# --- what the solver itself promises ---------------------------------------------------------


def told(solver: Solver) -> list[object]:
    """What is known of the boards and all positions up to two plies on, and the steps taken."""
    known = Solution(solver.sets, Cost())
    found: list[object] = [solver.steps, solver.spent]
    for board in solver.boards:
        for one in positions_of(board):
            for two in positions_of(one):
                found.append((known.interval(two), known.distance(two), known.bound(two)))
    return found


@pytest.mark.parametrize(
    "fen", [TWO_TO_ONE, pytest.param(BOUNDED, marks=pytest.mark.slow)], ids=["exact", "bounded"]
)
def test_the_store_changes_nothing(tmp_path: Path, fen: str) -> None:
    """Neither what the same question has left there, nor wider results of another."""
    budget = Budget(4.0)
    alone = Solver([chess.Board(fen)], budget, moves_too=True)
    alone.run()
    assert alone.steps
    store = Store(tmp_path)
    wider = Solver([chess.Board(fen)], Budget(12.0), store=store, moves_too=True)
    wider.run()
    after = Solver([chess.Board(fen)], budget, store=store, moves_too=True)
    after.run()
    again = Solver([chess.Board(fen)], budget, store=store, moves_too=True)
    again.run()
    assert told(after) == told(again) == told(alone)
    assert again.cost.slices == 0
    assert again.cost.from_store > 0


@pytest.mark.slow
def test_memory_decides_only_where_the_sets_lie(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """With little to spare they lie in a file, of which nothing is left behind."""
    runs: list[bool] = []

    class Watched(solving.Run):
        def __init__(self, *args: object, **more: object):
            super().__init__(*args, **more)  # type: ignore[arg-type]
            runs.append(self._file is not None)

    monkeypatch.setattr(solving, "Run", Watched)
    found = []
    for spare in (2**62, 2**25):
        monkeypatch.setattr(solving, "to_spare", lambda share, spare=spare: spare)
        solver = Solver([chess.Board(BOUNDED)], Budget(2.0, threads=1), folder=tmp_path)
        solver.run()
        found.append(told(solver))
    assert found[0] == found[1]
    assert {False, True} == set(runs)
    assert not list(tmp_path.iterdir())


def test_no_room_at_all_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Rather than proving less without a word."""
    monkeypatch.setattr(solving, "to_spare", lambda share: 2**16)
    solver = Solver([chess.Board(TWO_TO_ONE)], Budget(), folder=tmp_path)
    with pytest.raises(NoRoom, match=r"needs \d\.\d GB .* '--effort quick' needs less"):
        solver.run()
    monkeypatch.setattr(solving, "to_spare", lambda share: 2**25)
    monkeypatch.setattr("shutil.disk_usage", lambda folder: os.terminal_size((0, 0)))
    blocked = tmp_path / "file"
    blocked.touch()
    solver = Solver([chess.Board(BOUNDED)], Budget(60.0), folder=blocked)
    with pytest.raises(NoRoom, match="will not do instead"):
        solver.run()


@pytest.mark.parametrize(
    "fen",
    [
        TWO_TO_ONE,
        pytest.param(ROOK_PAWN_ROOK, marks=pytest.mark.slow),
    ],
    ids=["pawns", "rooks"],
)
def test_few_men_are_settled_whatever_it_takes(fen: str) -> None:
    """Where the budget is far too small for what it counts."""
    board = chess.Board(fen)
    strict = Solver([board], Budget(0.01))
    low, high = strict.run().interval(board)
    assert low != high
    solver = Solver([board], Budget(0.01, settled=5))
    low, high = solver.run().interval(board)
    assert low == high, f"{board.fen()}: {low} to {high} after {solver.steps}"


def five_men() -> Iterator[tuple[str, str]]:
    """The sides of every class of five men, one that is not weaker in numbers first."""
    for more in (3, 2):
        for white in itertools.combinations_with_replacement("QRBNP", more):
            for black in itertools.combinations_with_replacement("QRBNP", 3 - more):
                yield "K" + "".join(white), "K" + "".join(black)


def test_every_class_of_five_men_can_be_solved_exactly() -> None:
    """In the memory of the default effort, from places drawn with a fixed seed.

    What is solved exactly is settled; so it is enough to look at the plans.
    """
    rng = random.Random(5)
    classes, left = list(five_men()), []
    assert len(classes) == 110
    for white, black in classes:
        board = drawn(rng, white, black)
        reach = REACHES["normal"]
        solver = Solver([board], Budget(reach.seconds, reach.memory, settled=reach.settled))
        assert solver.unlimited
        for colour in chess.COLORS:
            step = SolveStep(colour, exactly())
            if solver._fitting(step, [board], math.inf) is None:
                left.append(f"{white}v{black}: {board.fen()}")
    assert not left


@pytest.mark.slow
def test_rook_and_pawn_against_rook_is_settled() -> None:
    """With all its moves, whoever has the pawn."""
    rng = random.Random(64)
    for white, black in (("KRP", "KR"), ("KR", "KRP"), ("KRP", "KR")):
        board = drawn(rng, white, black)
        bench = open_bench((), "normal")
        assert bench.solver is not None
        bench.solver.open_store = None
        bench.prepare([board])
        for one in positions_of(board):
            told = bench.settle(one)
            assert told is not None, f"nothing is known of {one.fen()}"
            assert told.exact, f"{one.fen()}: {told.low} to {told.high}"


def drawn(rng: random.Random, white: str, black: str) -> chess.Board:
    """A legal position of the class with a legal move, nobody in check more than is possible."""
    while True:
        board = chess.Board(None)
        squares = rng.sample(range(64), len(white) + len(black))
        men = [*white, *black.lower()]
        for square, man in zip(squares, men, strict=True):
            board.set_piece_at(square, chess.Piece.from_symbol(man))
        board.turn = rng.random() < 0.5
        if board.is_valid() and any(board.generate_legal_moves()):
            return board


def test_the_look_ahead_knows_nothing_of_the_game_before() -> None:
    """Two games that begin alike: their ends are not carried back to each other's beginnings."""
    sharp, dull = (
        "1. e4 e5 2. Qh5 Nc6 3. Bc4 Nf6 4. Qxf7# 1-0",
        "1. e4 e5 2. Nf3 Nc6 3. Bc4 Nf6 4. d3 Be7 1/2-1/2",
    )

    def reviewed(*games: str) -> list[Review]:
        bench = open_bench((), "quick", solve=False)
        reviews = []
        for read in read_games("-", stdin=io.BytesIO("\n\n".join(games).encode())):
            reviews.append(review_game(read, bench))
            fresh(bench)
            assert bench.remembered == 0
        return reviews

    (alone,) = reviewed(dull)
    _, after = reviewed(sharp, dull)
    assert [ply.verdict for ply in after.plies] == [ply.verdict for ply in alone.plies]
    assert after.start_verdict == alone.start_verdict


def test_a_game_is_judged_alike_whatever_was_judged_before() -> None:
    """What the solver found in one game is forgotten before the next."""
    bench = open_bench((), "quick")
    assert bench.solver is not None
    bench.solver.open_store = None
    board, other = chess.Board(TWO_TO_ONE), chess.Board(TWO_TO_ONE).mirror()
    before = bench.settle(other)
    bench.prepare([board])
    assert bench.settle(board) != before
    fresh(bench)
    assert bench.remembered == 0
    assert bench.settle(other) == before
    held = bench.remembered
    fresh(bench)
    assert bench.remembered == held  # nothing was solved meanwhile
