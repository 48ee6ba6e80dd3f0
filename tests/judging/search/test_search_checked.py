"""The search where an index out of bounds is an error: run with ``NUMBA_BOUNDSCHECK=1``.

``.ci/run`` does so, with a folder of its own for the machine code. Without it the same positions
are gone through, and what would be seen is skipped.
"""

from __future__ import annotations

import os
import random
from typing import Any

import chess
import pytest

from convert.judging.search import front
from convert.judging.search.front import Search

CHECKED = os.environ.get("NUMBA_BOUNDSCHECK") == "1"

#: Few men, many men, many queens, castling, en passant, promotions, a mate, clocks running out.
FENS = [
    chess.STARTING_FEN,
    "r3k2r/p1ppqpb1/bn2pnp1/3PN3/1p2P3/2N2Q1p/PPPBBPPP/R3K2R w KQkq - 0 1",
    "8/6kR/8/8/8/bq6/1rqqqqqq/K1nqnbrq b - - 0 1",
    "8/ppp3p1/8/8/3p4/5Q2/1ppp2K1/brk4n w - - 0 1",
    "8/8/8/8/1k1Pp3/8/8/4K3 b - d3 0 1",
    "8/8/4k3/8/2p5/8/B2P2K1/8 w - - 0 1",
    "R6R/3Q4/1Q4Q1/4Q3/2Q4Q/Q4Q2/pp1Q4/kBNN1KB1 w - - 0 1",
    "8/8/4k3/8/8/8/8/R3K3 w - - 97 120",
    "8/8/8/8/8/4k3/4p3/4K3 b - - 0 1",
]


@pytest.fixture(scope="module")
def search(code: Any) -> Search:
    """With three men alone, which need little of the solver."""
    gathered = code.sets.Gathered()
    for name in ("KQvK", "KRvK", "KPvK"):
        gathered.add_class(name)
    return Search(leaves=gathered.leaves())


@pytest.mark.parametrize("fen", FENS)
def test_everything(search: Search, fen: str) -> None:
    board = chess.Board(fen)
    search.coefficients([board])
    found = search.search(board, 5000)
    assert board.is_legal(found.line[0])
    each = search.moves(board, 5000)
    assert len(each.found) == board.legal_moves.count()


def test_lines_to_the_end_of_the_record(search: Search) -> None:
    """Kings and blocked pawns: as deep as it goes."""
    board = chess.Board("4k3/8/8/p1p1p1p1/P1P1P1P1/8/8/4K3 w - - 0 1")
    assert search.search(board, 20_000).depth > 10
    rng = random.Random(5)
    for _ in range(60):
        board.push(rng.choice(sorted(board.legal_moves, key=chess.Move.uci)))
        search.search(board, 1000)


def test_an_index_out_of_bounds_is_seen(code: Any, search: Search) -> None:
    """That the checks are on where they should be."""
    if not CHECKED:
        pytest.skip("compiled code does not look")
    worker = front._Worker(search, 4)
    with pytest.raises(IndexError):
        code.moves.pass_move(worker.state, code.moves.PLIES)
