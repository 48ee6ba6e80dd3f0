"""In how many games the last change of outcome is named, and how often what is named was one.

    python -m convert.measuring.deciding_games --games 60 [--jobs N] GAMES.pgn.gz -o deciding.json

Held-out games of players rated 2000 and more, not decided by the clock, are reviewed without the
solver.  The truth is a search of a hundred times the positions: from the end of the game backwards
it looks at each move at which the chances of its player fall by :data:`LOOKED_AT` or more by any
account of the review, and at those that the review names, before and after the move.  Where the
expected score then falls by :data:`CHANGE` or more, the outcome *changed*; the first such move met
is the last change of the game.  Where verdicts are exact they count as they are.

A game's last change is *named* where the review's deciding moment is that move, or a slip, certain
or suspected, stands there.  Of the moves said to have decided a game it is counted with how many
the larger search agrees (a fall of :data:`AGREES` or more), and of those told as the largest step
only, in how many it sees that step (:data:`STEPS_BY` or more).  Where the game went on after the
change to a result, that is held against it: the player who let go must not have done better than
the larger search says he then stood.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from convert.judging.bench import open_bench
from convert.judging.judges import Bench
from convert.judging.looking import told
from convert.measuring.practice import progress
from convert.measuring.rated_games import Filter, RatedGame, held_out_games
from convert.measuring.settle import processors
from convert.model import Side
from convert.model.deciding import FALLS_BY
from convert.reading.fen import SourceError
from convert.review.deciding import STEPS_BY, deciding_moment, went_on_to_win, with_moment
from convert.review.finished import finished
from convert.review.judged import Judged, judge_walk
from convert.review.longer import look_again
from convert.review.slips import find_slips
from convert.review.walker import walk
from convert.rim.outputs import whole_file
from convert.rim.safe_text import safe_line
from convert.shares import interval

__all__ = ["GameLooked", "looked_at", "main", "summary"]

#: Smaller falls of the expected score, as the review sees them, are not looked at again.
LOOKED_AT: Final = 0.1
#: A fall of expected score by the larger search that is a change of outcome.
CHANGE: Final = 0.25
#: A fall that lets a move said to have decided a game count as right.
AGREES: Final = 0.15
#: So many times the positions of a review.
LARGER: Final = 100
#: Moves of one game looked at in search of the last change.
MOST: Final = 8


@dataclass(frozen=True)
class GameLooked:
    """What was found in one game.

    Attributes:
        game: its name.
        plies: of the game.
        change: ply of the last change by the larger search; None where it sees none.
        moment: ply of the deciding moment that the review names, or None.
        certain: that moment is certain.
        slip: "certain" or "suspected" where a slip stands at ``change``, else "".
        step: it is told as the largest step only, no single move having decided the game.
        fall: of the expected score of its player by the larger search; None without a moment.
        borne_out: the result is no better for the player who let go than he stood after it, as
            the larger search sees him (0.25 of a point and more is better); None without a change.
    """

    game: str
    plies: int
    change: int | None
    moment: int | None
    certain: bool
    step: bool
    fall: float | None
    slip: str
    borne_out: bool | None


_RESULTS: Final = {1: "1-0", 0: "1/2-1/2", -1: "0-1"}


class _Larger:
    """Expected scores for the player of a move, before and after it."""

    def __init__(self, judged: Judged) -> None:
        self.judged, self.known = judged, dict[tuple[int, Side], float]()

    def worth(self, ply: int, side: Side) -> float:
        """Of the position after ``ply`` moves, to a side."""
        verdict = self.judged.verdicts[ply]
        if verdict.exact:
            return verdict.for_side(side).expected
        if (ply, side) not in self.known:
            board = self.judged.walked.boards[ply]
            look = self.judged.bench.look
            result = look.search.search(board, LARGER * look.positions)
            expected = told(board, result.score, result.depth).expected
            if result.decided is not None:
                expected = 1.0 if result.decided > 0 else 0.0
            mover = Side.of(board.turn)
            self.known[ply, mover] = expected
            self.known[ply, mover.other] = 1 - expected
        return self.known[ply, side]

    def fall(self, ply: int) -> float:
        """Of the move at ``ply``, for its player."""
        side = self.judged.side(ply)
        return self.worth(ply - 1, side) - self.worth(ply, side)


def looked_at(game: RatedGame, bench: Bench) -> GameLooked:
    """One game, reviewed and looked at again."""
    walked = walk(game.start, game.moves)
    first = judge_walk(walked, bench)
    tags = {"Termination": "normal"}
    end = finished(first, _RESULTS[game.result], tags, complete=True)
    longer = look_again(first, went_on_to_win(end))
    judged = longer.judged
    seen_slips, _ = find_slips(judged)
    moment = deciding_moment(longer, seen_slips, end)
    slips = {slip.ply: slip for slip in with_moment(judged, seen_slips, moment)}
    larger = _Larger(judged)
    seen = {
        step.ply
        for step in walked.steps
        if judged.before(step.ply).expected - judged.after(step.ply).expected >= LOOKED_AT
    } | set(slips)
    if moment is not None:
        seen.add(moment.ply)
    change = next(
        (ply for ply in sorted(seen, reverse=True)[:MOST] if larger.fall(ply) >= CHANGE), None
    )
    borne_out = None
    if change is not None:
        side = judged.side(change)
        points = (1 + (game.result if side is Side.WHITE else -game.result)) / 2
        borne_out = points <= larger.worth(change, side) + CHANGE
    slip = slips.get(change) if change is not None else None
    return GameLooked(
        game.name,
        len(walked.steps),
        change,
        None if moment is None else moment.ply,
        moment is not None and moment.certain,
        moment is not None and not moment.certain and moment.final and moment.fall < FALLS_BY,
        None if moment is None else round(larger.fall(moment.ply), 4),
        "" if slip is None else "certain" if slip.certain else "suspected",
        borne_out,
    )


@cache
def _bench() -> Bench:
    return open_bench((), "normal", solve=False)


def _looked_at(game: RatedGame) -> GameLooked:
    """One game in a process of its own, which remembers no other game."""
    bench = _bench()
    try:
        return looked_at(game, bench)
    finally:
        bench.forget()


def _share(right: int, number: int) -> dict[str, Any]:
    share = right / number if number else None
    low, high = interval(number, share or 0.0)
    return {
        "n": number,
        "of them": right,
        "share": None if share is None else round(share, 4),
        "low": round(low, 4),
        "high": round(high, 4),
    }


def summary(games: Sequence[GameLooked]) -> dict[str, Any]:
    """Counts with 95% intervals (Wilson 1927)."""
    changed = [game for game in games if game.change is not None]
    named = [game for game in games if game.moment is not None]
    moves, steps = (
        [game.fall or 0.0 for game in named if game.step is step] for step in (False, True)
    )
    return {
        "games": len(games),
        "last change named as deciding moment or slip": _share(
            sum(bool(game.slip) or game.moment == game.change for game in changed), len(changed)
        ),
        "last change named as deciding moment": _share(
            sum(game.moment == game.change for game in changed), len(changed)
        ),
        "last change a certain slip": _share(
            sum(game.slip == "certain" for game in changed), len(changed)
        ),
        "last change a suspected slip": _share(
            sum(game.slip == "suspected" for game in changed), len(changed)
        ),
        "moves said to decide that the larger search agrees with": _share(
            sum(fall >= AGREES for fall in moves), len(moves)
        ),
        "largest steps that the larger search sees": _share(
            sum(fall >= STEPS_BY for fall in steps), len(steps)
        ),
        "last changes that the result bears out": _share(
            sum(bool(game.borne_out) for game in changed), len(changed)
        ),
    }


def chosen(paths: Iterable[str], rating: int, most: int) -> list[RatedGame]:
    """Held-out games with the least names."""
    games = {game.name: game for game in held_out_games(paths, Filter(rating))}
    return [games[name] for name in sorted(games)[:most]]


def main(arguments: Sequence[str] | None = None) -> int:
    """Count, and write the counts."""
    parser = argparse.ArgumentParser(
        "python -m convert.measuring.deciding_games", description=__doc__
    )
    parser.add_argument("games", nargs="+", help="PGN files")
    parser.add_argument("--games", dest="most", type=int, default=60, help="games looked at")
    parser.add_argument("--rating", type=int, default=2000, help="least rating of both players")
    parser.add_argument("--jobs", type=int, default=processors(), help="processes")
    parser.add_argument("-o", "--out", type=Path, required=True)
    options = parser.parse_args(arguments)
    try:
        asked = chosen(options.games, options.rating, options.most)
    except SourceError as error:
        sys.stderr.write(f"{safe_line(str(error))}\n")
        return 2
    games: list[GameLooked] = []
    with ProcessPoolExecutor(options.jobs) as executor:
        for one in executor.map(_looked_at, asked):
            games.append(one)
            progress(f"{len(games)} of {len(asked)} games")
    with whole_file(str(options.out)) as file:
        document = {**summary(games), "each": [asdict(game) for game in games]}
        file.write(json.dumps(document, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
