"""Counts how often each rule of thumb holds.

    python -m convert.measuring.rules --work FOLDER GAMES.pgn...

Draws positions and trades from the games given and uniformly from material classes, gets
their exact outcomes from tables and solver, and writes how often each rule was right where it
spoke, beside the share without it.  Can be stopped and started again; docs/measuring.md
tells what is counted and how.

    python -m convert.measuring.rules --only ID --work FOLDER [GAMES.pgn...]

counts one rule, which may be new, and leaves the figures of the others as they are; without
games on uniform draws alone.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import chess

from convert.measuring.counts import count, merged
from convert.measuring.draw import Trial, from_games, random_trades, random_trials, rank_of
from convert.measuring.settle import Outcomes, processors
from convert.measuring.shipped import kept, kept_before, written
from convert.rim.outputs import Output, OutputError, check, whole_file
from convert.rim.safe_text import safe_line
from convert.rules import ALL_RULES, figures, rule_by_id

SEED = 1
#: Uniform draws: the classes, and how many positions and trades of each.
CLASSES = (
    "KPvK",
    "KRvK",
    "KBPvK",
    "KNPvK",
    "KRPvK",
    "KPPvK",
    "KPvKP",
    "KQvKP",
    "KRvKP",
    "KBvKP",
    "KNvKP",
    "KRvKB",
    "KRvKN",
    "KQvKR",
    "KBvKN",
    "KNvKN",
    "KBvKB",
    "KRvKR",
    "KQvKQ",
    "KRPvKR",
    "KRPvKN",
    "KRPvKB",
    "KRvKNP",
    "KRvKBP",
    "KBPvKB",
    "KBPvKN",
    "KNPvKN",
    "KNPvKB",
    "KQPvKQ",
    "KQPvKR",
    "KRBvKR",
    "KRNvKR",
    "KRBvKN",
    "KRNvKB",
    "KRRvKR",
    "KRvKBN",
    "KBNvKN",
)
POSITIONS = 4000
TRADES = 600
_QUOTAS = {3: 150, 4: 600, 5: 300, 6: 100, 7: 60}
_EXCHANGE_UP = {3: 150, 4: 600, 5: 400, 6: 200, 7: 140}
_TRADE_QUOTAS = {3: 60, 4: 120, 5: 60, 6: 25, 7: 20}
#: Single endings that are settled, beside whole classes.
MOST = 800
#: So many trials of games are wanted for each rule.
FOR_A_RULE = 120
#: Of the trials with many men, which take longest, so many of a hundred are tried, by men and
#: pieces; of seven men with two pieces the solver settles too few.
KEPT = {(6, 2): 50, (7, 0): 60, (7, 1): 50, (7, 2): 0}


def most_of_group(group: str) -> int:
    """How many of a group of candidates from games are taken."""
    what, kind, *rest = group.split("/")
    if what == "rule":
        return FOR_A_RULE
    men = int(rest[-1])
    if what == "trade":
        return _TRADE_QUOTAS[men]
    return (_EXCHANGE_UP if kind == "exchange up" else _QUOTAS)[men]


def progress(text: str) -> None:
    """A line on standard error; one line only on a terminal."""
    if sys.stderr.isatty():
        sys.stderr.write("\r" + text[:78].ljust(78))
    else:
        sys.stderr.write(text + "\n")
    sys.stderr.flush()


Drawn = tuple[list[Trial], dict[str, int]]
"""The trials of games, and the number of candidates by group."""


def drawn(paths: list[str], work: Path, seed: int, only: str = "") -> Drawn:
    """The trials of the games, kept in the work folder for the next time.

    Args:
        only: draw for this rule alone, beside the trials that count for all.
    """
    if not paths:
        return [], {}
    quotas = [list(q.values()) for q in (_QUOTAS, _EXCHANGE_UP, _TRADE_QUOTAS)]

    def draw() -> Drawn:
        return from_games(paths, seed, most_of_group, lambda n: progress(f"games read: {n:,}"))

    name = f"drawn-{only}.json" if only else "drawn.json"
    sample: Drawn = kept(work / name, Drawn, [seed, *paths, *quotas, FOR_A_RULE], draw)
    if not only:
        return sample
    trials, seen = sample
    return [trial for trial in trials if trial.rule in ("", only)], seen


def drawn_before(work: Path) -> list[Trial]:
    """The trials of games that a work folder holds; none if nothing was drawn there yet."""
    stored = kept_before(work / "drawn.json", Drawn)
    return [] if stored is None else list(stored[0])


def drawn_at_random(work: Path, seed: int) -> list[Trial]:
    """The uniform trials, kept in the work folder for the next time."""

    def draw() -> list[Trial]:
        trials: list[Trial] = []
        for number, name in enumerate(CLASSES, 1):
            progress(f"drawn at random: {number} of {len(CLASSES)} classes")
            trials += random_trials(name, POSITIONS, seed)
            trials += random_trades(name, TRADES, seed)
        return trials

    key = [seed, *CLASSES, POSITIONS, TRADES]
    return list(kept(work / "random.json", list[Trial], key, draw))


def thinned(trials: list[Trial], seed: int) -> list[Trial]:
    """The trials without those that are left out because there are enough of them."""

    def share(board: chess.Board) -> int:
        men = board.occupied.bit_count()
        return KEPT.get((men, men - board.pawns.bit_count() - 2), 100)

    return [
        trial
        for trial in trials
        if rank_of(seed, "kept", trial.fen, trial.move) % 100 < share(trial.board())
    ]


def groups_of(trials: list[Trial]) -> list[list[str]]:
    """Positions whose outcome is asked, those of one trial together."""
    return [[trial.fen, trial.child().fen()] if trial.trade else [trial.fen] for trial in trials]


def main(arguments: list[str] | None = None) -> int:
    """Draw, settle, count, write; returns the exit code."""
    parser = argparse.ArgumentParser("python -m convert.measuring.rules", description=__doc__)
    parser.add_argument("games", nargs="*", help="PGN files (.gz, .zst)")
    parser.add_argument("--only", metavar="ID", help="count this rule, keep the others' figures")
    parser.add_argument("--work", type=Path, required=True, help="folder for what is found out")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument(
        "--most", type=int, default=MOST, help="single endings that are settled at most"
    )
    parser.add_argument("--jobs", type=int, default=processors())
    parser.add_argument("-o", "--out", type=Path, default=figures.FILE)
    result = parser.parse_args(arguments)
    if result.only is None and not result.games:
        parser.error("games are needed, but with --only")
    try:
        counted = ALL_RULES if result.only is None else (rule_by_id(result.only),)
    except KeyError:
        parser.error(f"--only {safe_line(result.only)}: there is no such rule")
    try:
        check([Output("--out", str(result.out))], result.games)
    except OutputError as error:
        sys.stderr.write(f"{safe_line(str(error))}\n")
        return 2
    result.work.mkdir(parents=True, exist_ok=True)
    trials, seen = drawn(result.games, result.work, result.seed, result.only or "")
    trials = thinned(trials, result.seed) + drawn_at_random(result.work, result.seed)
    outcomes = Outcomes(result.work / "outcomes.jsonl")
    started, last = time.monotonic(), 0.0

    def tell(done: int, total: int) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last > (1 if sys.stderr.isatty() else 30) or done == total:
            last = now
            left = (now - started) / done * (total - done)
            progress(f"settled {done:,} of {total:,} endings, about {left / 60:.0f} min left")

    known = outcomes.settle(groups_of(trials), result.jobs, tell, result.most)
    document = count(trials, known, seed=result.seed, seen=seen, rules=counted)
    if result.only is not None:
        document = merged(figures.document(), document)
    with whole_file(str(result.out)) as file:
        file.write(written(document, "rules"))
    progress(f"written: {result.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
