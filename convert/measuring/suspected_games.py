"""How often a larger search agrees that a move was a slip, in games of strong players.

    python -m convert.measuring.suspected_games --games 40 GAMES.pgn.gz -o suspected.json

For each move whose fall, all moves looked at alike, is :data:`LEAST` or more, the move and the best
other one are searched again, each by itself, with a hundred times the positions.  The larger search
*agrees* where the fall is then at least :data:`AGREES`.  The threshold is the lowest from which on
four of five suspected moves are agreed to.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from convert.judging.bench import open_bench
from convert.judging.judges import Bench
from convert.judging.looking import told
from convert.judging.search.chances import Told
from convert.measuring.rated_games import Filter, RatedGame, held_out_games
from convert.review.judged import judge_walk
from convert.review.slips import fall_of
from convert.review.walker import walk
from convert.rim.outputs import whole_file
from convert.shares import interval

__all__ = ["LEAST", "SuspectedMove", "agreed", "candidates", "main", "table"]

#: Falls below it are not looked at again.
LEAST = 0.2
#: A fall that the larger search must find to agree.
AGREES = 0.15
#: So many times the positions of a review.
LARGER = 100
#: Thresholds tried; the expected score must fall by two thirds of them.
THRESHOLDS = (0.2, 0.25, 0.3, 0.35, 0.4, 0.5)
BETTER = 2 / 3
PRECISION = 0.8


@dataclass(frozen=True)
class SuspectedMove:
    """A move whose fall was looked at again.

    ``fall`` and ``gap`` as the review sees them (chance, expected score); ``right``: the larger
    search agrees.
    """

    fall: float
    gap: float
    right: bool


def agreed(best: Told, own: Told) -> bool:
    """Does the larger search see the fall too? Chances are for the player."""
    return max(best.won - own.won, own.lost - best.lost) >= AGREES


def candidates(game: RatedGame, bench: Bench) -> list[SuspectedMove]:
    """The moves of a game that nothing settles and that seem to give much away."""
    walked = walk(game.start, game.moves)
    judged = judge_walk(walked, bench)
    out = []
    for step in walked.steps:
        board, before = judged.board(step.ply), judged.before(step.ply)
        after = judged.after(step.ply)
        if (before.exact and after.exact) or fall_of(before, after) < LEAST:
            continue
        compared = bench.compared(board)
        other = next((item for item in compared if item[0] != step.move), None)
        if other is None or after.exact or other[1].exact:
            continue
        own = dict(compared)[step.move]
        fall, gap = fall_of(other[1], own), other[1].expected - own.expected
        if fall < LEAST:
            continue
        positions = LARGER * bench.look.positions
        there = [
            bench.look.search.search(board, positions, only=[move])
            for move in (other[0], step.move)
        ]
        best, played = (told(board, one.score, one.depth) for one in there)
        out.append(SuspectedMove(round(fall, 4), round(gap, 4), agreed(best, played)))
    return out


def table(looked_at: Sequence[SuspectedMove], games: int) -> dict[str, Any]:
    """The threshold in use and its counts, and those of all thresholds."""
    rows: list[dict[str, Any]] = []
    for threshold in THRESHOLDS:
        some = [c for c in looked_at if c.fall >= threshold and c.gap >= BETTER * threshold]
        right = sum(c.right for c in some)
        share = right / len(some) if some else None
        low, high = interval(len(some), share or 0.0)
        rows.append(
            {
                "threshold": threshold,
                "suspected": len(some),
                "right": right,
                "precision": None if share is None else round(share, 4),
                "low": round(low, 4),
                "high": round(high, 4),
                "games": games,
            }
        )
    chosen = rows[-1]
    for row in reversed(rows):
        share = row["precision"]
        if isinstance(share, float) and share < PRECISION:
            break
        chosen = row
    counted = {name: value for name, value in chosen.items() if name != "threshold"}
    return {
        "threshold": chosen["threshold"],
        "better": round(BETTER * chosen["threshold"], 4),
        "counted": counted,
        "sweep": rows,
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Count, and write the table."""
    parser = argparse.ArgumentParser(
        "python -m convert.measuring.suspected_games", description=__doc__
    )
    parser.add_argument("games", nargs="+", help="PGN files")
    parser.add_argument("--games", dest="most", type=int, default=40, help="games looked at")
    parser.add_argument("--rating", type=int, default=2000, help="least rating of both players")
    parser.add_argument("-o", "--out", type=Path, required=True)
    options = parser.parse_args(arguments)
    games = sorted(
        held_out_games(options.games, Filter(options.rating)), key=lambda game: game.name
    )[: options.most]
    bench = open_bench((), "normal", solve=False)
    looked_at: list[SuspectedMove] = []
    for number, game in enumerate(games, 1):
        looked_at += candidates(game, bench)
        bench.forget()
        sys.stderr.write(f"\r{number} of {len(games)} games, {len(looked_at)} moves")
    sys.stderr.write("\n")
    with whole_file(str(options.out)) as file:
        file.write(json.dumps(table(looked_at, len(games)), indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
