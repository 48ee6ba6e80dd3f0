"""Counts how often each rule of thumb holds.

    python -m convert.rules.measure --work FOLDER GAMES.pgn...

Draws positions and trades from the games given and uniformly from material classes, gets
their exact outcomes from tables and solver, and writes how often each rule was right where it
spoke, beside the share without it.  Can be stopped and started again; docs/measuring.md
tells what is counted and how.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from convert.measuring.counts import count
from convert.measuring.draw import Trial, from_games, random_trades, random_trials
from convert.measuring.settle import Outcomes, processors

SEED = 1
#: Uniform draws: the classes, and how many positions and trades of each.
CLASSES = (
    "KPvK", "KRvK", "KBPvK", "KNPvK", "KRPvK", "KPPvK", "KPvKP", "KQvKP", "KRvKP", "KBvKP",
    "KNvKP", "KRvKB", "KRvKN", "KQvKR", "KBvKN", "KNvKN", "KBvKB", "KRvKR", "KQvKQ",
    "KRPvKR", "KRPvKN", "KRPvKB", "KRvKNP", "KRvKBP", "KBPvKB", "KBPvKN", "KNPvKN", "KNPvKB",
    "KQPvKQ", "KQPvKR", "KRBvKR", "KRNvKR", "KRBvKN", "KRNvKB", "KRRvKR", "KRvKBN", "KBNvKN",
)  # fmt: skip
POSITIONS = 4000
TRADES = 600
_QUOTAS = {3: 150, 4: 300, 5: 120, 6: 70, 7: 50}
_TRADE_QUOTAS = {3: 60, 4: 100, 5: 60, 6: 25, 7: 20}


def most_of_group(group: str) -> int:
    """How many of a group of candidates from games are taken."""
    what, *_, number = group.split("/")
    return (_QUOTAS if what == "position" else _TRADE_QUOTAS)[int(number)]


def progress(text: str) -> None:
    """A line on standard error; one line only on a terminal."""
    if sys.stderr.isatty():
        sys.stderr.write("\r" + text[:78].ljust(78))
    else:
        sys.stderr.write(text + "\n")
    sys.stderr.flush()


Drawn = tuple[list[Any], list[Trial], dict[str, int]]
"""What the draw depended on, the trials, and the number of candidates by group."""


def _kept(work: Path) -> Drawn | None:
    """What the work folder holds of an earlier draw."""
    import msgspec

    path = work / "drawn.json"
    if not path.exists():
        return None
    kept: Drawn = msgspec.json.decode(path.read_bytes(), type=Drawn)
    return kept


def drawn(paths: list[str], work: Path, seed: int) -> tuple[list[Trial], dict[str, int]]:
    """The trials of the games, kept in the work folder for the next time."""
    import msgspec

    key = [seed, *paths, list(_QUOTAS.values()), list(_TRADE_QUOTAS.values())]
    kept = _kept(work)
    if kept is not None and kept[0] == key:
        return kept[1], kept[2]
    trials, seen = from_games(
        paths, seed, most_of_group, lambda n: progress(f"games read: {n:,}")
    )
    (work / "drawn.json").write_bytes(msgspec.json.encode((key, trials, seen)))
    return trials, seen


def drawn_before(work: Path) -> list[Trial]:
    """The trials of games that a work folder holds; none if nothing was drawn there yet."""
    kept = _kept(work)
    return [] if kept is None else kept[1]


def groups_of(trials: list[Trial]) -> list[list[str]]:
    """Positions whose outcome is asked, those of one trial together."""
    return [
        [trial.fen, trial.child().fen()] if trial.trade else [trial.fen] for trial in trials
    ]


def main(arguments: list[str] | None = None) -> int:
    """Draw, settle, count, write; returns the exit code."""
    parser = argparse.ArgumentParser("python -m convert.rules.measure", description=__doc__)
    parser.add_argument("games", nargs="+", help="PGN files (.gz, .zst)")
    parser.add_argument("--work", type=Path, required=True, help="folder for what is found out")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--jobs", type=int, default=processors())
    parser.add_argument("-o", "--out", type=Path, default=Path(__file__).parent / "measured.json")
    told = parser.parse_args(arguments)
    told.work.mkdir(parents=True, exist_ok=True)
    trials, seen = drawn(told.games, told.work, told.seed)
    for name in CLASSES:
        trials += random_trials(name, POSITIONS, told.seed)
        trials += random_trades(name, TRADES, told.seed)
    outcomes = Outcomes(told.work / "outcomes.jsonl")
    started, last = time.monotonic(), 0.0

    def tell(done: int, total: int) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last > (1 if sys.stderr.isatty() else 30) or done == total:
            last = now
            left = (now - started) / done * (total - done)
            progress(f"settled {done:,} of {total:,} endings, about {left / 60:.0f} min left")

    outcomes.settle(groups_of(trials), told.jobs, tell)
    document = count(trials, outcomes.known, seed=told.seed, seen=seen)
    told.out.write_text(
        json.dumps(document, indent=1, ensure_ascii=False, sort_keys=True) + "\n",
        encoding="utf-8",
    )
    progress(f"written: {told.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
