"""The solver as a prober: the promises of the protocol, and what it refuses."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import chess
import pytest
from solver_strategies import mirror_files, random_ep, random_legal

from tablebases import (
    CastlingRights,
    ChainProber,
    IllegalPosition,
    MissingTable,
    Outcome,
    Prober,
    SyzygyProber,
    TooManyMen,
)
from tablebases.conformance import SAMPLE_FENS, check_prober
from tablebases.solver import Budget, Store, solve
from tablebases.solver import prober as module
from tablebases.solver.classes import solve_class
from tablebases.solver.prober import SolverProber

CLASSES = ("KRvK", "KPvK", "KPvKP", "KNPvK")
EMPTY = SolverProber()


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A store with some classes."""
    store = Store(tmp_path_factory.mktemp("classes"))
    for name in CLASSES:
        solve_class(name, store=store)
    return store


def boards(number: int, names: tuple[str, ...] = CLASSES) -> Iterator[chess.Board]:
    rng = random.Random(20261125)
    for name in names:
        for _ in range(number):
            yield random_legal(name, rng)
    for _ in range(number):
        yield random_ep("KPvKP", rng)


def test_it_keeps_the_promises_from_classes() -> None:
    prober = SolverProber(solutions=[solve_class("KNPvK", around=True), solve_class("KPvKP")])
    assert isinstance(prober, Prober)
    assert prober.name == "solver"
    assert check_prober(prober, boards(60, ("KNPvK", "KPvKP"))) >= 180


def test_it_keeps_the_promises_from_a_store(store: Store) -> None:
    samples = [chess.Board(fen) for fen in SAMPLE_FENS]
    assert check_prober(SolverProber(store), [*boards(40), *samples]) >= 200


@pytest.mark.long
def test_it_keeps_the_promises_with_five_men() -> None:
    rng = random.Random(5)
    prober = SolverProber(solutions=[solve_class("KRPvKN", around=True)])
    assert check_prober(prober, (random_legal("KRPvKN", rng) for _ in range(500))) == 500


def test_answers_are_those_of_the_tables(store: Store, prober: SyzygyProber) -> None:
    mine = SolverProber(store)
    for board in boards(50):
        for position in (board, mirror_files(board), board.mirror()):
            assert mine.covers(position)
            assert mine.wdl_after_zeroing(position) == prober.wdl_after_zeroing(position)
            distance, table = mine.distance(position), prober.distance(position)
            assert not distance.rounded
            assert table.least <= distance.least <= table.most
        for clock in (1, 60, 90, 99):
            board.halfmove_clock = clock
            answer, known = mine.outcome(board), prober.outcome(board)
            assert answer.exact
            assert known.low <= answer.low <= known.high


def test_few_slices_are_in_memory_at_a_time(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_SLICES", 3)
    prober = SolverProber(store)
    expected = [SolverProber(store).wdl_after_zeroing(board) for board in boards(10)]
    assert [prober.wdl_after_zeroing(board) for board in boards(10)] == expected
    assert prober._stored is not None
    assert len(prober._stored.kept) <= 2 * 4


@pytest.mark.parametrize("prober", [EMPTY], ids=["empty"])
def test_what_it_does_not_know_it_does_not_cover(prober: SolverProber) -> None:
    board = chess.Board("8/8/4k3/8/8/4K3/8/4R3 w - - 0 1")
    assert not prober.covers(board)
    assert prober.outcome_or_none(board) is None
    for ask in (prober.wdl_after_zeroing, prober.distance, prober.outcome):
        with pytest.raises(MissingTable) as caught:
            ask(board)
        assert caught.value.material == "KRvK"
        assert caught.value.metric == ("dtz" if ask == prober.distance else "wdl")


def test_a_class_that_the_store_lacks_is_missing(store: Store) -> None:
    with pytest.raises(MissingTable, match=r"no WDL table for KRvKP \(searched: .+\)"):
        SolverProber(store).outcome(chess.Board("8/8/4k3/8/8/p3K3/8/4R3 w - - 0 1"))


@pytest.mark.parametrize(
    ("fen", "error"),
    [
        ("8/8/8/4k3/8/8/8/R3K3 w Q - 0 1", CastlingRights),
        ("8/8/8/8/8/8/8/K1k4R b - - 0 1", None),
        ("8/8/8/8/8/8/8/Kk5R w - - 0 1", IllegalPosition),
        ("8/8/8/8/8/8/8/2k1K1R1 w - - 0 1", None),
        ("8/8/8/8/8/8/7R/K6k w - - 0 1", IllegalPosition),
    ],
)
def test_castling_and_illegal_positions_are_refused(
    store: Store, fen: str, error: type[Exception] | None
) -> None:
    prober, board = SolverProber(store), chess.Board(fen)
    assert prober.covers(board) is (error is None)
    for ask in (prober.wdl_after_zeroing, prober.distance, prober.outcome):
        if error is None:
            ask(board)
        else:
            with pytest.raises(error):
                ask(board)


def test_a_solved_position_is_enough() -> None:
    board = chess.Board("8/8/8/1p3k2/1P6/8/5PK1/8 w - - 0 1")
    prober = SolverProber(solutions=[solve(board, Budget(seconds=60.0))])
    assert prober.covers(board)
    assert prober.outcome(board).low is Outcome.WIN
    assert prober.distance(board).plies > 0
    assert not prober.covers(chess.Board("8/8/8/1p3k2/8/8/5PK1/8 w - - 0 1"))


def test_too_many_men(store: Store) -> None:
    board = chess.Board("4k3/pp6/8/8/PP6/8/5P2/4K3 w - - 0 1")
    with pytest.raises(MissingTable, match="KPPPvKPP"):
        SolverProber(store).outcome(board)
    with pytest.raises(TooManyMen):
        SolverProber(store).outcome(chess.Board("4k3/ppp5/8/8/PP6/8/5P2/4K3 w - - 0 1"))


def test_bounds_do_not_count() -> None:
    board = chess.Board("4k3/pppppppp/8/8/8/8/PPPPPPPP/4K3 w - - 0 1")
    solution = solve(board, Budget(seconds=0.1))
    assert not SolverProber(solutions=[solution]).covers(board)


def test_mate_and_stalemate(store: Store) -> None:
    prober = SolverProber(store)
    mate = chess.Board("4R1k1/8/6K1/8/8/8/8/8 b - - 0 1")
    assert mate.is_checkmate()
    mate.halfmove_clock = 120
    assert prober.outcome(mate).low is Outcome.LOSS
    assert prober.distance(mate).plies == -1
    stalemate = chess.Board("k7/P7/K7/8/8/8/8/8 b - - 0 1")
    assert stalemate.is_stalemate()
    assert prober.wdl_after_zeroing(stalemate) is Outcome.DRAW


def test_it_joins_a_chain(store: Store, prober: SyzygyProber, tmp_path: Path) -> None:
    chain = ChainProber([SolverProber(Store(tmp_path / "none")), SolverProber(store), prober])
    assert chain.name == "solver, solver, Syzygy tables"
    for fen in ("8/8/4k3/8/8/4K3/8/4R3 w - - 0 1", "8/8/4k3/8/8/4K3/8/4Q3 w - - 0 1"):
        assert chain.wdl_after_zeroing(chess.Board(fen)) is Outcome.WIN
