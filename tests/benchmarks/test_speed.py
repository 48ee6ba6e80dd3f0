"""Speed and memory, on demand: ``pytest tests/benchmarks -m benchmark -s``.

Answers are asserted; times are printed as ratios taken in one run, never
asserted, since they depend on the machine.  docs/benchmarks.md holds a run.
"""

from __future__ import annotations

import gc
import logging
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import chess
import chess.pgn
import chess.syzygy
import pytest

from convert.judging.judges import EFFORTS, Bench, Effort, EffortName
from convert.reading.fastread import read_lines
from convert.reading.games import read_games
from convert.review.game import review_game
from convert.review.trades import find_trades
from convert.review.walker import phases, walk
from tablebases.files import bundled_folder
from tablebases.probing import open_tables

pytestmark = pytest.mark.benchmark

DATA = Path(__file__).parent.parent / "data"
GAMES = DATA / "four_men_games.pgn"


def median(run: Callable[[], object], times: int = 5) -> float:
    """Median processor-and-wall time of a few runs, seconds."""
    taken = []
    for _ in range(times):
        gc.collect()
        start = time.perf_counter()
        run()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def command(*args: str) -> Callable[[], str]:
    """A whole process."""

    def run() -> str:
        return subprocess.run(
            [sys.executable, "-m", "convert", *args], capture_output=True, text=True, check=True
        ).stdout

    return run


def test_start_up() -> None:
    """``--version`` and ``position`` as whole processes, against importing python-chess alone."""
    fen = "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"
    assert "version" in command("--version")()
    assert "Drawn (table)" in command("position", fen)()
    base = median(lambda: subprocess.run([sys.executable, "-c", "import chess"], check=True))
    version = median(command("--version"))
    position = median(command("position", fen))
    print(
        f"\nimport chess 1; --version {version / base:.2f}; position {position / base:.2f} "
        f"({base:.3f}, {version:.3f}, {position:.3f} s)"
    )


def ending_game(tmp_path: Path) -> tuple[Path, int]:
    """A real game of about 60 moves with at least its last 40 plies within the tables."""
    best: tuple[int, chess.pgn.Game] | None = None
    with GAMES.open(encoding="utf-8") as file:
        while game := chess.pgn.read_game(file):
            board, reached, plies = game.board(), 0, 0
            for move in game.mainline_moves():
                board.push(move)
                plies += 1
                if not reached and len(board.piece_map()) <= 4:
                    reached = plies
            if reached and plies - reached >= 40:
                off = abs(plies - 120)
                if best is None or off < best[0]:
                    best = (off, game)
    assert best is not None
    path = tmp_path / "ending.pgn"
    path.write_text(str(best[1]) + "\n", encoding="utf-8")
    return path, sum(1 for _ in best[1].mainline_moves())


def test_one_game_with_a_long_table_ending(tmp_path: Path) -> None:
    """Whole process at normal effort, and its memory."""
    path, plies = ending_game(tmp_path)
    out = command("game", str(path))()
    assert "How we know" in out
    base = median(lambda: subprocess.run([sys.executable, "-c", "import chess"], check=True))
    taken = median(command("game", str(path)), 3)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(
        f"\nimport chess 1; game of {plies} plies {taken / base:.1f} ({taken:.2f} s), "
        f"largest child process {peak:.0f} MB"
    )


def test_probes_against_probing_every_move(tmp_path: Path) -> None:
    """How many table look-ups a review makes, and how many reading every move would take."""
    ours = plain = direct = 0
    slips = 0
    no_proofs = Effort(500, 20, proof_nodes=0, proof_checked=0, proof_men=0, proof_slack=0)
    for read in list(read_games(GAMES))[:20]:
        review = review_game(read, Bench(open_tables(), effort=EFFORTS[EffortName.NORMAL]))
        ours += review.counts.wdl_probes + review.counts.dtz_probes
        slips += sum(s.certain for s in review.slips)
        bare = review_game(read, Bench(open_tables(), effort=no_proofs)).counts
        plain += bare.wdl_probes + bare.dtz_probes
        for board in walk(read.game.board(), read.moves).boards:  # type: ignore[union-attr]
            if len(board.piece_map()) <= 4:
                direct += 2 * (1 + board.legal_moves.count())
    assert slips > 0
    print(
        f"\nlook-ups: every legal move of every ply (WDL and DTZ) 1; a review without lines into "
        f"the tables {plain / direct:.2f}, with them {ours / direct:.2f} "
        f"({direct}, {plain}, {ours})"
    )


class _Nothing(chess.pgn.BaseVisitor[bool]):
    """Keeps nothing of a game; python-chess plays its moves all the same."""

    def result(self) -> bool:
        """A game was read."""
        return True


def test_walk_against_reading(tmp_path: Path) -> None:
    """Reading and walking 2,000 games, against python-chess just reading the file."""
    text = GAMES.read_text(encoding="utf-8")
    games = sum(1 for _ in read_games(GAMES))
    path = tmp_path / "many.pgn"
    copies = -(-2000 // games)
    path.write_text((text.rstrip() + "\n\n") * copies, encoding="utf-8")
    logging.getLogger("chess.pgn").disabled = True

    def visitor() -> int:
        number = 0
        with path.open(encoding="utf-8") as file:
            while chess.pgn.read_game(file, Visitor=_Nothing):
                number += 1
        return number

    def plain() -> int:
        number = 0
        with path.open(encoding="utf-8") as file:
            while chess.pgn.read_game(file) is not None:
                number += 1
        return number

    def reading() -> int:
        return sum(1 for _ in read_games(path))

    def walking() -> int:
        number = 0
        for read in read_games(path):
            assert read.game is not None
            walked = walk(read.game.board(), read.moves)
            phases(walked)
            find_trades(walked)
            number += 1
        return number

    def lines() -> int:
        return sum(1 for _ in read_lines(path))

    def light() -> int:
        number = 0
        for read in read_lines(path):
            assert read.start is not None
            walked = walk(read.start, read.moves)
            phases(walked)
            find_trades(walked)
            number += 1
        return number

    taken = {}
    for run in (visitor, plain, reading, walking, lines, light):
        start = time.process_time()
        assert run() == copies * games
        taken[run] = time.process_time() - start
    base = taken[visitor]
    print(
        f"\npython-chess with a visitor that keeps nothing 1; reading to a tree: python-chess "
        f"{taken[plain] / base:.2f}, read_games {taken[reading] / base:.2f}, with phases and "
        f"trades {taken[walking] / base:.2f}; main lines alone: read_lines "
        f"{taken[lines] / base:.3f}, with phases and trades {taken[light] / base:.3f} "
        f"({1000 * base / (copies * games):.2f} ms a game)"
    )


def test_memory_is_flat(tmp_path: Path) -> None:
    """Peak memory of walking 500 and 5,000 games, each in a process of its own."""
    text = GAMES.read_text(encoding="utf-8")
    games = sum(1 for _ in read_games(GAMES))
    code = (
        "import sys, resource\n"
        "from convert.reading.games import read_games\n"
        "from convert.review.walker import walk, phases\n"
        "from convert.review.trades import find_trades\n"
        "n = 0\n"
        "for r in read_games(sys.argv[1]):\n"
        "    w = walk(r.game.board(), r.moves); phases(w); find_trades(w); n += 1\n"
        "print(n, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    peaks = {}
    for copies in (-(-500 // games), -(-5000 // games)):
        path = tmp_path / f"{copies}.pgn"
        path.write_text((text.rstrip() + "\n\n") * copies, encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
        ).stdout.split()
        assert int(done[0]) == copies * games
        peaks[int(done[0])] = int(done[1]) / 1024
    (few, small), (many, large) = sorted(peaks.items())
    print(f"\npeak memory: {few} games {small:.0f} MB, {many} games {large:.0f} MB")
    assert large < small + 20


def test_probe_speed_against_python_chess_alone() -> None:
    """Our checked, clock-aware answer against a bare WDL probe of the same positions."""
    boards = []
    for read in list(read_games(GAMES))[:30]:
        boards += [
            b
            for b in walk(read.game.board(), read.moves).boards  # type: ignore[union-attr]
            if len(b.piece_map()) <= 4 and not b.castling_rights
        ]
    tables = open_tables()
    raw = chess.syzygy.open_tablebase(str(bundled_folder()))
    for board in boards:
        wdl = raw.probe_wdl(board)
        assert abs(tables.wdl_after_zeroing(board) - wdl) == 0
    bare = median(lambda: [raw.probe_wdl(b) for b in boards], 3)
    ours = median(lambda: [tables.outcome_or_none(b) for b in boards], 3)
    print(
        f"\nbare WDL probe 1; our outcome with the clock {ours / bare:.2f} "
        f"({len(boards)} positions)"
    )
