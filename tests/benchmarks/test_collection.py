"""Collections: speed, processes and memory, on demand.

``pytest tests/benchmarks/test_collection.py -m benchmark -s``.  ``FULLPOINT_BENCH_PGN`` names a
plain file of games to be used instead of the games in tests/data, ``FULLPOINT_BENCH_GAMES`` the
number of games (copies make up for what the file lacks).  Times are ratios taken in one run.
"""

from __future__ import annotations

import logging
import multiprocessing
import subprocess
import sys
import time
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import chess.pgn
import pytest

pytest.importorskip("pyarrow")

from game_files import GAMES, spans, text_at, wanted

from convert.collection.inputs import find_inputs
from convert.collection.parts import PART_BYTES, cut
from convert.collection.rows import Options
from convert.collection.run import run

pytestmark = pytest.mark.benchmark

WALK = Options(effort="walk")


def file_of(folder: Path, number: int) -> Path:
    """A file of so many games."""
    path = folder / f"{number}.pgn"
    found = list(islice(spans(), number))
    with GAMES.open("rb") as stream, path.open("wb") as out:
        for at in range(number):
            out.write(text_at(stream.fileno(), found[at % len(found)]))
    return path


def timed(clock: Callable[[], float], what: Callable[[], object], times: int = 3) -> float:
    """Shortest of a few runs, seconds."""
    taken = []
    for _ in range(times):
        start = clock()
        what()
        taken.append(clock() - start)
    return min(taken)


class Counting(chess.pgn.BaseVisitor[int]):
    """The least that a visitor of python-chess can do."""

    def __init__(self) -> None:
        self.moves = 0

    def visit_move(self, board: chess.Board, move: chess.Move) -> None:
        self.moves += 1

    def result(self) -> int:
        return self.moves


def test_walking_against_reading(tmp_path: Path) -> None:
    """All of a collection at effort walk, one process, against python-chess reading the file."""
    logging.getLogger("chess.pgn").disabled = True
    number = wanted(3000)
    path = file_of(tmp_path, number)

    def reading() -> None:
        with path.open(encoding="utf-8", errors="replace") as file:
            count = 0
            while chess.pgn.read_game(file, Visitor=Counting) is not None:
                count += 1
        assert count == number

    def trees() -> None:
        with path.open(encoding="utf-8", errors="replace") as file:
            while chess.pgn.read_game(file) is not None:
                pass

    def collecting() -> None:
        out = tmp_path / "out"
        outcome = run(find_inputs([str(path)], out), out, WALK, again=out.exists())
        assert outcome.new == number

    def cutting() -> None:
        assert sum(part.games for part in cut(path, PART_BYTES["walk"])) == number

    clock = time.process_time
    base = timed(clock, reading)
    tree, ours, cuts = (timed(clock, what) / base for what in (trees, collecting, cutting))
    print(
        f"\n{number} games: python-chess with a visitor 1; its game trees {tree:.2f}; "
        f"collection at effort walk {ours:.2f}; of that cutting {cuts:.3f} "
        f"({1000 * base / number:.2f} ms of processor time a game for python-chess)"
    )


def test_two_processes_against_one(tmp_path: Path) -> None:
    """Time on the clock, processes started and ended included."""
    number = wanted(20_000)
    path = file_of(tmp_path, number)

    def collecting(jobs: int) -> Callable[[], None]:
        def go() -> None:
            out = tmp_path / f"out{jobs}"
            outcome = run(find_inputs([str(path)], out), out, WALK, jobs=jobs, again=out.exists())
            assert outcome.new == number

        return go

    one = timed(time.perf_counter, collecting(1), 1)
    two = timed(time.perf_counter, collecting(2), 1)
    print(
        f"\n{number} games: one process 1; two processes {one / two:.2f} times as fast "
        f"({number / one:.0f} and {number / two:.0f} games a second, "
        f"{multiprocessing.cpu_count()} processors)"
    )


def test_memory_is_flat(tmp_path: Path) -> None:
    """Peak memory of the process that does the work, for 1,000 games and many more."""
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "from convert.collection.inputs import find_inputs\n"
        "from convert.collection.rows import Options\n"
        "from convert.collection.run import run\n"
        "out = Path(sys.argv[2])\n"
        "done = run(find_inputs([sys.argv[1]], out), out, Options(effort='walk'))\n"
        # The kernel's own peak of this program; that of getrusage begins with the one before it.
        "peak = next(x for x in open('/proc/self/status') if x.startswith('VmHWM'))\n"
        "print(done.new, peak.split()[1])\n"
    )
    peaks = {}
    for number in (1000, max(2000, wanted(25_000))):
        path = file_of(tmp_path, number)
        told = subprocess.run(
            [sys.executable, "-c", code, str(path), str(tmp_path / f"out{number}")],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split()
        assert int(told[0]) == number
        peaks[number] = int(told[1]) / 1024
    print("\npeak memory: " + ", ".join(f"{n} games {mb:.0f} MB" for n, mb in peaks.items()))
    few, many = peaks.values()
    # No more than a part is held by either; a part that is full takes more than a small file.
    assert many < few + 150
