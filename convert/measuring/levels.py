"""``python -m convert.measuring.levels GAMES.pgn... --out FILE``: how often players found the move.

Of every game the positions are taken that the built-in tables know and that hold a question about
a move (``convert.lesson.judging``), the first of each kind in a game; the move played shows whether
its player found it.  Counts by kind of question and rating go to ``convert/lesson/found.json``.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter

import chess

from convert.judging.bench import open_bench
from convert.judging.judges import Bench
from convert.lesson.judging import Candidate, Draft, draft, plain
from convert.lesson.level import group_of
from convert.model.lesson import Task
from convert.reading.fen import SourceError
from convert.reading.games import read_games
from convert.review.practice import BANDS, EDGES
from convert.review.walker import Step, walk
from convert.rim.outputs import whole_file
from convert.rim.safe_text import safe_line

#: Positions looked at in one game.
MOST = 30


def band(rating: str) -> str:
    """The band of a rating tag; *unknown* for what is no number."""
    number = int(rating) if rating.isdecimal() else 0
    return BANDS[sum(edge <= number for edge in EDGES)] if number else BANDS[-1]


def count(paths: list[str], bench: Bench) -> tuple[Counter[tuple[str, str, bool]], int]:
    """(group, band, found) -> cases, and how many games were read."""
    counts: Counter[tuple[str, str, bool]] = Counter()
    games = 0
    for path in paths:
        for read in read_games(path):
            if read.game is None or not read.moves:
                continue
            games += 1
            walked = walk(read.game.board(), read.moves)
            seen: set[str] = set()
            places = [
                ply
                for ply in range(len(walked.steps))
                if 2 + sum(walked.counts[ply]) <= bench.largest and ply
            ]
            for ply in places[:MOST]:
                bare = plain(walked.boards[ply])
                if bare is None or not bench.covered(bare):
                    continue
                made = _asked(bench, bare, walked.steps[ply - 1], walked.steps[ply].move)
                if made is None or (group := group_of(made)) in seen:
                    continue
                seen.add(group)
                tag = "WhiteElo" if bare.turn else "BlackElo"
                hit = any(o.move == made.candidate.played for o in made.keep)
                counts[group, band(read.game.headers.get(tag, "")), hit] += 1
    return counts, games


def _asked(bench: Bench, board: chess.Board, last: Step, played: chess.Move) -> Draft | None:
    """The question about a move that the position holds; None where there is none."""
    taken = last.move.to_square if last.captured else None
    made = draft(bench, Candidate(board, group="game", taken=taken, played=played))
    return made if made is not None and made.task is not Task.RESULT else None


def main(arguments: list[str]) -> int:
    """Count and write."""
    parser = argparse.ArgumentParser(prog="python -m convert.measuring.levels")
    parser.add_argument("games", nargs="+")
    parser.add_argument("--out", required=True)
    parser.add_argument("--source", default="", help="what the games are, for the file")
    options = parser.parse_args(arguments)
    bench = open_bench((), "quick", solve=False)
    try:
        counts, games = count(options.games, bench)
    except SourceError as error:
        sys.stderr.write(f"{safe_line(str(error))}\n")
        return 2
    groups: dict[str, dict[str, list[int]]] = {}
    for (group, name, hit), number in sorted(counts.items()):
        met = groups.setdefault(group, {}).setdefault(name, [0, 0])
        met[0] += number
        met[1] += number * hit
    document = {"schema": 1, "games": games, "source": options.source, "groups": groups}
    with whole_file(options.out) as file:
        file.write(json.dumps(document, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
