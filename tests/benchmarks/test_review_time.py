"""How long whole reviews take, the first time and again, on demand.

``pytest tests/benchmarks/test_review_time.py -m benchmark -s`` times ``fullpoint game`` as a whole
process: games that come down to seven men or fewer, drawn by a hash of their moves, each with an
empty store and then a second time.  ``FULLPOINT_BENCH_PGN`` names a file of games to be used
instead of those in tests/data, ``FULLPOINT_BENCH_GAMES`` how many, and ``FULLPOINT_BEFORE`` the
checkout of another version, which is timed beside, game by game, with how many positions either
settles or bounds and the games in which both name the same deciding move.  Machine code and exact
leaves are made before anything is timed.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import statistics
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

import chess
import pytest
from game_files import GAMES, wanted

from convert.reading.fastread import read_lines

pytestmark = pytest.mark.benchmark

ROOT = Path(__file__).resolve().parents[2]
MEN = 7


def few_men() -> list[list[chess.Move]]:
    """The moves of games that come down to so few men, in an order like one drawn at random."""
    drawn = []
    for game in read_lines(str(GAMES)):
        if game.start is None or game.start.fen() != chess.STARTING_FEN:
            continue
        board = chess.Board()
        for move in game.moves:
            board.push(move)
        if board.occupied.bit_count() <= MEN:
            text = " ".join(move.uci() for move in game.moves)
            drawn.append((hashlib.blake2b(text.encode()).digest(), list(game.moves)))
    return [moves for _, moves in sorted(drawn, key=lambda one: one[0])[: wanted(6)]]


def review(checkout: Path, game: Path, cache: Path) -> tuple[float, Any]:
    """Seconds on the clock of one command, and the review that it wrote."""
    out = cache / "review.json"
    cache.mkdir(exist_ok=True)
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "convert", "game", str(game), "-q", "--json", str(out)],
        cwd=checkout,
        env={**os.environ, "XDG_CACHE_HOME": str(cache), "FULLPOINT_SOLVE": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    taken = time.monotonic() - started
    assert done.returncode == 0, done.stderr
    return taken, json.loads(out.read_text())


def empty(cache: Path) -> None:
    """Take out what earlier reviews left, but for machine code and exact leaves."""
    for name in ("solver", "look-ahead"):
        shutil.rmtree(cache / "fullpoint" / name, ignore_errors=True)


def told(name: str, seconds: list[float]) -> str:
    """The middle, nine of ten, and the longest."""
    ordered = sorted(seconds)
    ninth = ordered[min(len(ordered) - 1, int(0.9 * len(ordered)))]
    return f"{name}: {statistics.median(ordered):.1f} s, {ninth:.1f} s, {ordered[-1]:.1f} s"


def test_a_review_the_first_time_and_again(tmp_path: Path) -> None:
    checkouts = {"now": ROOT}
    if before := os.environ.get("FULLPOINT_BEFORE"):
        checkouts["before"] = Path(before)
    taken: dict[str, list[float]] = {}
    known: dict[str, Counter[str]] = {name: Counter() for name in checkouts}
    moments: dict[str, list[Any]] = {name: [] for name in checkouts}
    pgn = tmp_path / "game.pgn"
    for number, moves in enumerate(few_men()):
        board = chess.Board()
        pgn.write_text(f"{board.variation_san(moves)} *\n")
        for name, checkout in checkouts.items():
            cache = tmp_path / name
            if number == 0:
                review(checkout, pgn, cache)
            empty(cache)
            first, made = review(checkout, pgn, cache)
            again, same = review(checkout, pgn, cache)
            assert same == made
            (game,) = made["reviews"]
            known[name].update(ply["verdict"]["evidence"] for ply in game["plies"])
            moments[name].append((game["deciding"] or {}).get("ply"))
            taken.setdefault(f"{name}, first", []).append(first)
            taken.setdefault(f"{name}, again", []).append(again)
    for name, seconds in taken.items():
        print(f"\n{told(name, seconds)} ({len(seconds)} games)", end="")
    for name, counts in known.items():
        print(f"\n{name}: {counts['solved']} positions solved, {counts['bounded']} bounded", end="")
    alike = sum(len(set(moment)) == 1 for moment in zip(*moments.values(), strict=True))
    print(f"\nthe same move decides in {alike} of {len(moments['now'])} games")
    assert taken
