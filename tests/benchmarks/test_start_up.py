"""A newcomer's run against that of an older checkout: ratios of whole processes, in one run.

    FULLPOINT_BEFORE=OLDER/CHECKOUT pytest tests/benchmarks/test_start_up.py -m benchmark -s

Both run in this Python, alternating; of each the least processor time counts, since whatever else
the machine does only adds.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest
from versions import two_versions

pytestmark = pytest.mark.benchmark

DEMO = "demo_games/05-wrong-coloured-bishop.pgn"
RUNS = {
    "import convert": (["-c", "import convert"], 40),
    "--version": (["-m", "convert", "--version"], 15),
    "a position in the tables": (
        ["-m", "convert", "position", "--no-solve", "8/8/8/4k3/8/4K3/4P3/8 w - - 0 1"],
        15,
    ),
    "a demo game": (["-m", "convert", "game", "--no-solve", DEMO], 5),
}
#: Slower than this against the older checkout is slower, on a machine that does other things too.
MOST = 1.15
#: A whole game is judged by a search that the older one (2bbf8f3) had not: where nothing is proved
#: 20,000 positions each, and 160,000 where all moves are compared.
MOST_A_GAME = 6.0


def seconds(tree: Path, arguments: list[str]) -> float:
    """Processor seconds of one process that takes its modules from a tree."""
    environment = {**os.environ, "PYTHONPATH": str(tree)}
    began = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, *arguments], cwd=tree, env=environment, capture_output=True, check=False
    )
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode == 0, done.stderr.decode()
    return ended.ru_utime + ended.ru_stime - began.ru_utime - began.ru_stime


@pytest.mark.parametrize("name", RUNS)
def test_as_fast_as_before(name: str) -> None:
    trees = two_versions()
    arguments, number = RUNS[name]
    least = dict.fromkeys(trees, float("inf"))
    for tree in trees.values():
        seconds(tree, arguments)  # the modules' bytecode is written
    for _ in range(number):
        for which, tree in trees.items():
            least[which] = min(least[which], seconds(tree, arguments))
    ratio = least["now"] / least["before"]
    print(f"\n{name}: {least['now']:.3f} s, before {least['before']:.3f} s, ratio {ratio:.2f}")
    assert ratio <= (MOST_A_GAME if name == "a demo game" else MOST)
