"""Speed of the search, on demand: ``pytest tests/benchmarks/test_search_speed.py -m benchmark -s``.

Times are ratios and rates of one run, never asserted. Processor time is taken where one thread
works, so that other work on the machine counts for less.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

import chess
import chess.pgn
import pytest
from versions import printed, two_versions

from convert.judging.search.front import Search, _bits, _Worker
from convert.measuring.forcing import resolve
from tablebases.probing import open_tables

pytestmark = pytest.mark.benchmark

GAMES = Path(__file__).parent.parent / "data" / "classic_games.pgn"


def positions() -> list[chess.Board]:
    """Every position of the first game of the file."""
    with GAMES.open(encoding="utf-8") as file:
        game = chess.pgn.read_game(file)
    assert game is not None
    board, found = game.board(), []
    for move in game.mainline_moves():
        found.append(board.copy(stack=False))
        board.push(move)
    return found


def by_men(boards: list[chess.Board]) -> dict[str, list[chess.Board]]:
    bands = {
        "25 to 32 men": (25, 32),
        "19 to 24": (19, 24),
        "13 to 18": (13, 18),
        "8 to 12": (8, 12),
    }
    return {
        name: [b for b in boards if low <= chess.popcount(b.occupied) <= high]
        for name, (low, high) in bands.items()
    }


def test_positions_a_second() -> None:
    search = Search()
    boards = positions()
    worker = _Worker(search, _bits(200_000))
    rates = {}
    for name, some in by_men(boards).items():
        looked, depths = 0, []
        begun = time.process_time()
        for board in some[:10]:
            worker.forget()
            worker.put(board)
            depths.append(
                worker.code.kernel.deepen(
                    worker.state,
                    60,
                    200_000,
                    worker.table,
                    search.leaves.heads,
                    search.leaves.pool,
                    worker.line,
                    worker.out,
                )
            )
            looked += int(worker.out[2])
        spent = time.process_time() - begun
        if depths:
            rates[name] = looked / spent
            depth = sum(depths) / len(depths)
            print(
                f"\n{name}: {rates[name] / 1e6:.2f} million positions a second of one "
                f"processor, {depth:.1f} plies at 200,000 positions",
                end="",
            )
    tables, plain, begun = open_tables(), 0, time.process_time()
    for board in boards[::4]:
        plain += resolve(board, tables).nodes
    before = plain / (time.process_time() - begun)
    low, high = min(rates.values()) / before, max(rates.values()) / before
    print(
        f"\nlook-ahead in Python: {before:,.0f} a second; the search: {low:.0f} to {high:.0f} "
        "times as many"
    )


ONE_RUN = """
import sys, time
import chess
from convert.judging.search.front import Search
boards = [chess.Board(line) for line in sys.stdin.read().splitlines()]
search = Search()
search.search(boards[0], 1000)
begun = time.process_time()
results = [search.search(board, 100_000) for board in boards]
taken = time.process_time() - begun
print(sum(one.positions for one in results) / taken, [(one.score, one.depth) for one in results])
"""


def test_positions_a_second_before_and_now() -> None:
    """``FULLPOINT_BEFORE`` names the checkout of another version; five runs of each in turn."""
    checkouts = two_versions()
    boards = "\n".join(board.fen() for board in positions()[::2])
    rates: dict[str, list[float]] = {"before": [], "now": []}
    answers = set()
    for _ in range(5):
        for name, checkout in checkouts.items():
            rate, answer = printed(checkout, ONE_RUN, text=boards).split(maxsplit=1)
            rates[name].append(float(rate) / 1e6)
            answers.add(answer)
    middle = {name: statistics.median(some) for name, some in rates.items()}
    for name, some in rates.items():
        print(f"\n{name}: middle {middle[name]:.2f}, best {max(some):.2f} million", end="")
    print(f"\nnow / before: {middle['now'] / middle['before']:.2f}")
    assert len(answers) == 1


def test_a_game_and_two_threads() -> None:
    search, boards = Search(), positions()
    seconds = {}
    for threads in (1, 2, 1, 2):
        begun = time.perf_counter()
        found = search.many(boards, threads=threads)
        seconds[threads] = min(seconds.get(threads, 1e9), time.perf_counter() - begun)
        assert len(found) == len(boards)
    print(
        f"\n{len(boards)} positions at the default effort: {seconds[1]:.2f} s with one thread, "
        f"{seconds[1] / seconds[2]:.2f} times as fast with two"
    )
    begun = time.perf_counter()
    kept = search.backwards(boards)
    print(
        f"backwards with the table kept: {time.perf_counter() - begun:.2f} s; depth "
        f"{sum(f.depth for f in kept) / len(kept):.1f} against "
        f"{sum(f.depth for f in found) / len(found):.1f} plies"
    )


LOAD = """
import time
begun = time.process_time()
import tablebases.solver
solver = time.process_time() - begun
from convert.judging.search import front
begun = time.process_time()
front._compiled()
loaded = time.process_time() - begun
begun = time.process_time()
leaves = front.Search().leaves
print(f"{solver:.2f} {loaded:.2f} {time.process_time() - begun:.2f} {leaves.nbytes / 1e6:.0f}")
"""


def test_compiling_and_loading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Nothing compiled and no leaves kept: the first time the solver is compiled to make them.
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "code"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "kept"))
    for name in ("first", "second"):
        done = subprocess.run([sys.executable, "-c", LOAD], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        solver, loaded, leaves, size = done.stdout.split()
        print(
            f"\n{name} time: numba and the solver's modules {solver} s, the search {loaded} s, "
            f"leaves {leaves} s ({size} MB); processor time",
            end="",
        )
    code = sum(f.stat().st_size for f in (tmp_path / "code").rglob("*.nb?")) / 1e6
    print(f"\nmachine code {code:.1f} MB")
