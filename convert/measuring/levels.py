"""``python -m convert.measuring.levels GAMES.pgn... --out FILE``: how often players found the move.

Of every game the positions are taken that hold a question about a move: those that the built-in
tables know (``convert.lesson.judging``), and those past proof by a search of :data:`POSITIONS`
(``convert.lesson.searched``), whatever became of the game.  The first of each kind in a game
counts; the move played shows whether its player found it.  Counts by kind of question and rating
go to ``convert/lesson/found.json``.
"""

from __future__ import annotations

import argparse
import io
import json
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache

import chess

from convert.judging.bench import open_bench
from convert.judging.judges import Bench
from convert.lesson.judging import Candidate, Draft, draft, plain
from convert.lesson.level import group_of
from convert.lesson.searched import judged, places_past_proof
from convert.measuring.practice import progress
from convert.measuring.rated_games import each_part
from convert.model.lesson import Task
from convert.reading.fen import SourceError
from convert.reading.games import read_games
from convert.reading.records import GameRead
from convert.review.practice import BANDS, EDGES
from convert.review.walker import Step, walk
from convert.rim.outputs import whole_file
from convert.rim.safe_text import safe_line

#: Positions of one game that are asked: those that the tables know, those past proof.
MOST, MOST_SEARCHED = 30, 16
#: Looked at to see what a position past proof asks.
POSITIONS = 100_000
#: Bytes of PGN that a process is given at a time.
PART = 50_000


def band(rating: str) -> str:
    """The band of a rating tag; *unknown* for what is no number."""
    number = int(rating) if rating.isdecimal() else 0
    return BANDS[sum(edge <= number for edge in EDGES)] if number else BANDS[-1]


def count(text: bytes) -> tuple[Counter[tuple[str, str, bool]], int]:
    """Of the games of a PGN text: (group, band, found) -> cases, and how many games were read."""
    bench = _bench()
    counts: Counter[tuple[str, str, bool]] = Counter()
    games = 0
    for read in read_games("-", stdin=io.BytesIO(text)):
        if read.game is None or not read.moves:
            continue
        games += 1
        seen: set[str] = set()
        for made in questions(read, bench):
            if (group := group_of(made)) in seen:
                continue
            seen.add(group)
            tag = "WhiteElo" if made.board.turn else "BlackElo"
            hit = any(o.move == made.candidate.played for o in made.keep)
            counts[group, band(read.game.headers.get(tag, "")), hit] += 1
        bench.forget()
    return counts, games


def questions(read: GameRead, bench: Bench) -> Iterator[Draft]:
    """The questions about a move in a game: by the tables, then past proof, trades first."""
    assert read.game is not None
    walked = walk(read.game.board(), read.moves)
    places = [
        ply for ply in range(1, len(walked.steps)) if 2 + sum(walked.counts[ply]) <= bench.largest
    ]
    for ply in places[:MOST]:
        bare = plain(walked.boards[ply])
        if bare is not None and bench.covered(bare):
            made = _asked(bench, bare, walked.steps[ply - 1], walked.steps[ply].move)
            if made is not None:
                yield made
    for candidate in places_past_proof(read, walked, bench)[:MOST_SEARCHED]:
        made = judged(bench, candidate, POSITIONS)
        if made is not None and made.task is not Task.RESULT:
            yield made


@cache
def _bench() -> Bench:
    return open_bench((), "quick", solve=False)


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
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    options = parser.parse_args(arguments)
    counts: Counter[tuple[str, str, bool]] = Counter()
    games = 0
    try:
        for some, read in each_part(options.games, count, options.jobs, size=PART):
            counts += some
            games += read
            progress(f"{games} games")
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
