"""The solver as a judge: what it is given, what it says, and that it stays out when told to."""

from __future__ import annotations

import time
from collections.abc import Iterable
from itertools import pairwise

import chess
import pytest

from convert.cli.common import StatusLine, solver_words
from convert.judging.bench import keep_small
from convert.judging.judges import Bench, after_move
from convert.judging.lines import best_line
from convert.judging.solving import REACHES, SolverJudge, in_reach
from convert.model import Evidence, Side
from convert.review.position import judge_position
from tablebases.probing import Prober, open_tables
from tablebases.solver import Progress
from tablebases.values import Outcome

TWO_TO_ONE = "8/8/8/4k1p1/6P1/4K3/4P3/8 w - - 0 1"
"""Two pawns against one: past the tables, settled in well under a second."""


@pytest.fixture(scope="module")
def prober() -> Prober:
    return open_tables()


def make(prober: Prober) -> tuple[Bench, SolverJudge]:
    def known(board: chess.Board) -> bool:
        return board.occupied.bit_count() <= 4 and prober.covers(board)

    solver = SolverJudge(REACHES["normal"], known)
    return Bench(prober, solver=solver), solver


@pytest.mark.parametrize(
    ("fen", "quick", "normal", "deep"),
    [
        ("8/8/3n4/4k3/8/4K3/4P3/R7 w - - 0 1", True, True, True),
        ("8/5p2/4knp1/8/8/5PP1/3R2K1/8 w - - 0 1", False, True, True),
        ("8/5p2/4knp1/8/8/5PPP/3R2K1/8 w - - 0 1", False, False, True),
        ("8/5ppp/5k2/8/8/5PPP/6K1/8 w - - 0 1", False, True, True),
        ("8/4pppp/5k2/8/8/4PPPP/6K1/8 w - - 0 1", False, True, True),
        ("8/3ppppp/5k2/8/8/3PPPPP/6K1/8 w - - 0 1", False, False, False),
        ("8/8/8/4k3/8/4K3/4P3/R3K3 w Q - 0 1", False, False, False),
        (chess.STARTING_FEN, False, False, False),
    ],
)
def test_reach(fen: str, quick: bool, normal: bool, deep: bool) -> None:
    """By men, pawns a side and pieces a side; never with castling rights."""
    board = chess.Board(fen)
    found = tuple(in_reach(board, REACHES[name]) for name in ("quick", "normal", "deep"))
    assert found == (quick, normal, deep)


def test_nothing_is_solved_unasked(prober: Prober) -> None:
    bench, solver = make(prober)
    settled = bench.settle(chess.Board(TWO_TO_ONE))
    assert settled is None or settled.evidence is not Evidence.SOLVED
    assert solver.seconds == 0.0


def test_a_prepared_position_is_solved_with_its_moves(prober: Prober) -> None:
    """The position, each move, the line and the distance; mirrored for Black."""
    for board in (chess.Board(TWO_TO_ONE), chess.Board(TWO_TO_ONE).mirror()):
        bench, solver = make(prober)
        bench.prepare([board])
        assert solver.seconds > 0.0
        verdict = bench.settle(board)
        assert verdict is not None
        assert verdict.exact
        assert verdict.evidence is Evidence.SOLVED
        assert verdict.side is Side.of(board.turn)
        best = max(
            told.for_side(verdict.side).points
            for move in board.legal_moves
            if (told := bench.settle(after_move(board, move))) is not None
        )
        assert best == verdict.points
        assert bench.reaches(board)
        line = best_line(bench, board)
        assert line is not None
        assert line.moves
        assert bench.counts()[Evidence.SOLVED] >= 1


@pytest.mark.slow
def test_what_the_first_use_compiles_is_not_counted(
    prober: Prober, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither as time that the solver may spend nor as time that a position took."""
    real, more = time.monotonic, [0.0]

    def compiling() -> None:
        more[0] += 1000.0

    monkeypatch.setattr(time, "monotonic", lambda: real() + more[0])
    monkeypatch.setattr("tablebases.solver.trying._compile", compiling)
    bench, solver = make(prober)
    boards = [chess.Board(TWO_TO_ONE), chess.Board("8/8/8/4k3/8/2N1K3/4R3/7n w - - 0 1")]
    bench.prepare(boards)
    assert 0 < solver.seconds < 1000
    for board in boards:
        verdict = bench.settle(board)
        assert verdict is not None
        assert verdict.evidence is Evidence.SOLVED


def test_between_games_memory_is_let_go_and_answers_stay(
    prober: Prober, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Open slices at once, all others when they take much; what is judged stays judged."""
    board = chess.Board(TWO_TO_ONE)
    bench, solver = make(prober)
    bench.prepare([board])
    before, plies = bench.settle(board), bench.distance(board)
    opened = solver.held_bytes
    keep_small(bench)
    assert 0 < solver.held_bytes < opened
    bench.forget()
    assert (bench.settle(board), bench.distance(board)) == (before, plies)
    monkeypatch.setattr("convert.judging.bench.MOST_HELD", 1)
    keep_small(bench)
    assert solver.held_bytes == 0
    assert bench.remembered == 0


def test_open_slices_keep_within_their_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many are open at once, packed or not, and however much of them is remembered."""
    from tablebases.solver import Budget, sets
    from tablebases.solver.trying import Solver

    board = chess.Board(TWO_TO_ONE)
    free, tight = sets.Sets(), sets.Sets(most_opened=1, threads=1)
    told = []
    for some, answers in ((free, 20_000), (tight, 0)):
        monkeypatch.setattr(sets, "_MOST_ANSWERS", answers)
        solution = Solver([board], Budget(planned=True), sets=some, moves_too=True).run()
        told.append([solution.interval(after_move(board, move)) for move in board.legal_moves])
    assert told[0] == told[1]
    assert tight.packed_bytes == free.packed_bytes > 0
    assert 0 < tight.opened_bytes < free.opened_bytes  # one is open, whatever its size
    most = [max(map(len, some.answers().values())) for some in (tight, free)]
    assert most[0] < most[1]


@pytest.mark.slow
def test_the_clock_counts(prober: Prober) -> None:
    """With 99 plies gone a win that needs more than one ply is a draw (FIDE Laws, 9.3)."""
    board = chess.Board("8/8/3n4/8/4k3/8/3PK3/R7 w - - 99 100")
    bench, _ = make(prober)
    bench.prepare([board])
    fresh = board.copy(stack=False)
    fresh.halfmove_clock = 0
    bench.prepare([fresh])
    told, at_once = bench.settle(board), bench.settle(fresh)
    assert told is not None
    assert at_once is not None
    assert at_once.low is Outcome.WIN
    distance = bench.distance(fresh)
    assert distance is not None
    assert (told.low is Outcome.WIN) == (distance.plies == 1)


def test_position_report_says_solved(prober: Prober) -> None:
    bench, _ = make(prober)
    report = judge_position(chess.Board(TWO_TO_ONE), bench, variants=False)
    assert report.verdict.evidence is Evidence.SOLVED
    assert not report.notes
    assert all(row.verdict.exact for row in report.moves)


def test_the_terminal_shows_for_how_long_at_most(prober: Prober) -> None:
    """More than five men: what all steps may take is bounded, and it never grows."""
    heard: list[Progress] = []
    solver = SolverJudge(REACHES["normal"], lambda _: False, tell=heard.append, threads=1)
    solver.prepare([chess.Board("8/8/4k1p1/6p1/6P1/4K1P1/8/8 w - - 0 1")], moves_too=False)
    assert heard
    assert all(progress.left <= progress.most < REACHES["normal"].total + 60 for progress in heard)
    words = solver_words(heard[0])
    assert words.startswith(f"to prove: {heard[0].question}; about ")
    assert ", at most " in words
    assert words.endswith(" (Ctrl-C: go on)")
    assert len(words) <= StatusLine.WIDTH


def test_moves_get_work_of_their_own_only_where_something_was_let_go() -> None:
    """Black's king steps out of the square of the pawn's defence, and only this move is asked."""
    asked: list[tuple[str, ...]] = []

    class Spy(SolverJudge):
        def prepare(self, boards: Iterable[chess.Board], **more: object) -> None:
            boards = list(boards)
            asked.append(tuple(board.fen() for board in boards))
            super().prepare(boards, **more)  # type: ignore[arg-type]

    game = [chess.Board(TWO_TO_ONE)]
    for san in ("Kf3", "Kd4", "e3+", "Kd3", "e4", "Kd4"):
        game.append(game[-1].copy())
        game[-1].push_san(san)
    spy = Spy(REACHES["normal"], lambda _: False, threads=1)
    bench = Bench(open_tables(), solver=spy)
    bench.prepare_game(game)
    assert len(asked) == 2
    assert asked[0] == tuple(board.fen() for board in game)
    values = [spy.judge(board) for board in game]
    fallen = [
        game[i].fen()
        for i, (before, after) in enumerate(pairwise(values))
        if before is not None and after is not None and -after.low.points < before.low.points
    ]
    assert list(asked[1]) == fallen
