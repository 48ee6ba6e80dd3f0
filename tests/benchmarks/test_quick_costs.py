"""Where the time goes at effort quick, and which positions take most of it, on demand.

``pytest tests/benchmarks/test_quick_costs.py -m benchmark -s``.  ``FULLPOINT_BENCH_PGN`` names a
plain file of games to be used instead of those in tests/data, ``FULLPOINT_BENCH_GAMES`` how many
games are taken from it, evenly; ``FULLPOINT_BENCH_SOLVE=0`` leaves the solver out.
"""

from __future__ import annotations

import os
import statistics
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import chess
import pytest

pytest.importorskip("pyarrow")

from game_files import GAMES, spans, text_at, wanted

from convert.collection.parts import cut
from convert.collection.rows import Options
from convert.collection.work import _rows
from convert.judging import judges as judge
from convert.judging.bench import open_bench
from convert.review import game as review
from tablebases.solver import trying

pytestmark = pytest.mark.benchmark

MOST_COSTLY = 10


def evenly(folder: Path, number: int) -> Path:
    """A file of so many games, taken evenly from all of them."""
    found = list(spans())
    path = folder / "games.pgn"
    with GAMES.open("rb") as stream, path.open("wb") as out:
        for at in range(number):
            out.write(text_at(stream.fileno(), found[at * len(found) // number]) + b"\n")
    return path


class Clock:
    """Processor time by stage, that of a stage within another counted once; and by position."""

    def __init__(self) -> None:
        self.stages: dict[str, float] = defaultdict(float)
        self.positions: list[tuple[float, str, str, str]] = []
        self.inner = [0.0]

    def around(
        self,
        stage: str,
        call: Callable[..., Any],
        board: Callable[..., Any] | None,
        told: Callable[..., str] = lambda *_: "",
    ) -> Callable[..., Any]:
        def timed(*args: Any, **more: Any) -> Any:
            self.inner.append(0.0)
            start = time.process_time()
            try:
                result = call(*args, **more)
            finally:
                whole = time.process_time() - start
                own = whole - self.inner.pop()
                self.inner[-1] += whole
                self.stages[stage] += own
            if board is not None:
                self.positions.append((own, stage, board(*args), told(*args)))
            return result

        return timed


def test_where_the_time_goes_at_quick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))  # no results of earlier times
    number = wanted(20)
    path = evenly(tmp_path, number)
    clock = Clock()

    def fen(board: chess.Board, *_: Any) -> str:
        return board.fen()

    def whose(solver: trying.Solver) -> str:
        return solver.boards[0].fen() if solver.boards else ""

    def settled(solver: trying.Solver) -> str:
        done = sum(map(solver._is_settled, solver.boards))
        return (
            f"{done} of {len(solver.boards)} positions settled, "
            f"{len(solver.steps)} questions answered, on the clock {solver.cost.seconds:.1f} s"
        )

    trying._compile()
    wrapped: list[tuple[Any, str, str, Any, Any]] = [
        (trying.Solver, "run", "solver", whose, settled),
        (judge, "resolve", "look-ahead", fen, None),
        (judge, "prove", "forced lines", fen, None),
        (judge, "features", "features", None, None),
        (judge, "position_voices", "rules", None, None),
        (judge.TableJudge, "judge", "tables", None, None),
        (review, "walk", "walk", None, None),
    ]
    for owner, name, stage, board, told in wrapped:
        more = {} if told is None else {"told": told}
        monkeypatch.setattr(owner, name, clock.around(stage, getattr(owner, name), board, **more))

    solve = os.environ.get("FULLPOINT_BENCH_SOLVE") != "0"
    options = Options(effort="quick", solve=solve)
    bench = open_bench((), "quick", solve=solve, share=2)
    games = []
    for part in cut(path, 2**40, name="games.pgn"):
        start = time.process_time()
        for _, is_game in _rows(part, options, bench):
            if is_game:
                now = time.process_time()
                games.append(now - start)
                start = now
    assert len(games) == number
    total = sum(games)
    print(
        f"\n{number} games, {total:.0f} s of processor time, {number / total:.2f} games "
        f"a second; a game {total / number:.2f} s, half of them {statistics.median(games):.2f} "
        f"or less, {max(games):.1f} at most"
    )
    status = Path("/proc/self/status").read_text(encoding="ascii")
    peak = next(line for line in status.splitlines() if line.startswith("VmHWM"))
    print(f"peak memory {int(peak.split()[1]) >> 10} MB")
    rest = total - sum(clock.stages.values())
    for stage, seconds in sorted({**clock.stages, "all else": rest}.items(), key=lambda x: -x[1]):
        print(f"{100 * seconds / total:5.1f} of 100  {stage}")
    for stage in ("solver", "look-ahead", "forced lines"):
        own = sorted((one for one in clock.positions if one[1] == stage), reverse=True)
        share = sum(one[0] for one in own[:MOST_COSTLY]) / total
        print(f"{stage}: {len(own)} positions, the costliest {MOST_COSTLY} take {share:.1%} of all")
        for seconds, _, where, what in own[:MOST_COSTLY]:
            print(f"  {seconds:6.2f} s  {where}  {what}")
